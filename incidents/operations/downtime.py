"""Downtime forms: issued beforehand, entered afterwards as a claimed past, or voided with a reason.

What was written by hand is never refused: it is recorded in its own order and at its own times, by whoever
enters it, and judged at once. Only what can't be read at all (no such machine, no such tray) is sent back.
"""

from __future__ import annotations

from incidents.ledger.reading import size_at
from incidents.operations.alarms import alarm_of, block_after_repeats
from incidents.operations.deeds import Doing, decision, observation, refuse
from incidents.operations.paper import RELEASES, Paper, doubts, rights_of
from incidents.queries import facts
from incidents.rules import downtime, programmes, reruns
from incidents.rules.events import (
    AlarmAcknowledged,
    CycleAborted,
    CycleFinished,
    CycleStarted,
    DowntimeFormEntered,
    EnteredFromPaper,
    Finding,
    HoldPlaced,
    LoadAssembled,
    LoadReviewed,
    Stream,
    WordsRef,
)
from incidents.rules.loads import Load

ABORTED_ON_PAPER = "As written on the form"


@decision
def issue_forms(doing: Doing, *, count: int) -> None:
    """Give out the next free numbers, to be printed."""
    stream = Stream("downtime", doing.facility)
    doing.record(stream, downtime.issue(doing.state(stream), count))


@decision
def void_form(doing: Doing, *, number: int, words: str) -> None:
    """A form that won't come back: its gap is closed with a reason."""
    if not words.strip():
        raise refuse("reason-missing", "Voiding a form needs a reason.", "One sentence is enough.")
    stream = Stream("downtime", doing.facility)
    doing.record(stream, downtime.void(doing.state(stream), number, doing.words(words.strip())))


@observation
def enter_form(doing: Doing, *, number: int, paper: Paper, words: str = "") -> None:
    """Enter a form that came back, all of it, in the order in which it happened."""
    known = _readable(doing, number, paper)
    doing_so = _Entering(doing, number, paper, known, doing.words(words.strip()) if words.strip() else None)
    doing_so.enter()


def _readable(doing: Doing, number: int, paper: Paper) -> Load | None:
    """The load that the form goes on with, if it names one. Refuses what can't be read."""
    machine = doing.machine(paper.machine)
    if paper.chamber not in machine.chambers:
        raise refuse("chamber-unknown", f"{machine.name} has no such chamber.", "Choose one of its chambers.")
    if not 1 <= number <= downtime.LAST_NUMBER:
        raise refuse("number-odd", "No form has such a number.", "Read the number under the barcode again.")
    if len(facts.trays(doing.facility, tuple(set(paper.trays)))) < len(set(paper.trays)):
        raise refuse("tray-unknown", "One of the trays is not registered here.", "Register its set in Set-up.")
    if paper.claimed_by is not None and not rights_of(doing, paper.claimed_by, doing.request.now).roles:
        raise refuse("person-unknown", "This person has no role here.", "Choose somebody of this facility.")
    return doing.state_of_load(paper.load) if paper.load else None


class _Entering:
    """One form on its way into the ledger: the load's stream first, the form's own last."""

    def __init__(self, doing: Doing, number: int, paper: Paper, known: Load | None, words: WordsRef | None) -> None:
        self.doing, self.number, self.paper, self.known, self.words = doing, number, paper, known, words
        self.machine = doing.machine(paper.machine)
        self.stream = Stream("load", known.id if known else doing.new("load"))
        self.began_at = paper.began_at(doing.request.now)
        self.known_then = size_at(doing.facility, self.began_at)
        self.over_at = paper.ended_at or self.began_at
        self.decided_at = paper.decided_on(doing.request.now)

    @property
    def load(self) -> Load:
        found: Load = self.doing.state(self.stream)
        return found

    def enter(self) -> None:
        self._say_so()
        if self.known is None:
            self._assemble()
        if self.paper.begun and self.load.stage in ("none", "assembled"):
            self._start()
        if self.paper.alarm_code:
            self._alarm()
        self._end()
        self._review()
        self._decide()
        form = DowntimeFormEntered(
            number=self.number, load=self.stream.id, claimed_by=self.paper.claimed_by, words=self.words
        )
        self.doing.conclude(Stream("downtime", self.doing.facility), form)
        self._settle()

    def _say_so(self) -> None:
        event = EnteredFromPaper(
            form=self.number,
            claimed_by=self.paper.claimed_by,
            doubts=tuple(doubts(self.doing, self.number, self.paper, self.known)),
            before=None if self.known else self._next_assembly(),
            words=self.words,
        )
        self.doing.conclude(self.stream, event)

    def _next_assembly(self) -> int | None:
        """Where its trays went next: a late entry must not pass for the newest thing that happened to them."""
        return facts.next_assembly(self.doing.facility, self.paper.trays, self.began_at)

    def _assemble(self) -> None:
        year = self.doing.request.now.year
        ordinal = facts.next_ordinal(self.doing.facility, year)
        event = LoadAssembled(
            number=f"{year}-{ordinal:05d}",
            ordinal=ordinal,
            trays=tuple(dict.fromkeys(self.paper.trays)),
            machine=self.machine.id,
            machine_name=self.machine.name,
            chamber=self.paper.chamber,
        )
        self.doing.claim(self.stream, event, self.began_at)

    def _start(self) -> None:
        """Under what was in force when it began, as far as that was known here by then."""
        facility = self.doing.facility
        newest = facts.programme(facility, self.paper.programme, self.known_then)
        programme = facts.effective(facility, newest, self.began_at)
        catalogue = facts.catalogue(facility, at=self.known_then)
        event = CycleStarted(
            machine=self.machine.id,
            machine_name=self.machine.name,
            chamber=self.paper.chamber,
            programme_name=self.paper.programme,
            programme=programmes.in_force(programme) if programme else None,
            catalogue_edition=catalogue.edition if catalogue else 0,
            basis=facts.basis(facility, self.known_then),
            machine_cycle=self.paper.machine_cycle,
        )
        self.doing.claim(self.stream, event, self.began_at)

    def _alarm(self) -> None:
        """Whoever wrote the alarm down has seen it."""
        at = self.paper.alarm_at or (self.over_at if self.paper.ending == "aborted" else self.began_at)
        event = alarm_of(
            self.doing,
            self.load,
            self.load.catalogue_edition,
            self.paper.alarm_code,
            self.paper.alarm_phase or "an unknown phase",
            self.doing.new("alarm"),
            machine=self.machine.id,
            chamber=self.paper.chamber,
        )
        self.doing.claim(self.stream, event, at)
        self.doing.claim(self.stream, AlarmAcknowledged(alarm=event.alarm), at)
        block_after_repeats(self.doing, event, self.load.id, self.known_then)

    def _end(self) -> None:
        if self.paper.ending == "aborted":
            alarm = self.doing.new("alarm") if self.paper.alarm_code else None
            event = CycleAborted(reason=ABORTED_ON_PAPER, alarm=alarm, words=self.words)
            self.doing.claim(self.stream, event, self.over_at)
        elif self.paper.ending == "ended":
            cycle = self.paper.machine_cycle
            finished = CycleFinished(machine_cycle=cycle, chamber=self.paper.chamber)
            self.doing.claim(self.stream, finished, self.over_at)

    def _review(self) -> None:
        """Verdicts on the form are a reading of the record; a release without any was made without one."""
        released_unread = self.paper.decision in RELEASES and self.load.review is None
        if not self.paper.verdicts and not (released_unread and self.load.stage == "finished"):
            return
        stated = self.paper.verdicts
        criteria = self.load.programme.criteria if self.load.programme else ()
        findings = tuple(
            Finding(each.code, each.kind, each.title, stated.get(each.code, "not-proven")) for each in criteria
        )
        event = LoadReviewed(
            basis="transcribed", record_seen=bool(stated), findings=findings if stated else (), remark=self.words
        )
        self.doing.claim(self.stream, event, self.decided_at)

    def _decide(self) -> None:
        decided = self.paper.decision
        if decided == "held":
            words = self.words or self.doing.words("Held on the paper form.")
            self.doing.claim(self.stream, HoldPlaced(hold=self.doing.new("hold"), words=words), self.decided_at)
        elif decided == "packing" or decided == "use":
            event = downtime.release_on_paper(self.load, decided, self.paper.claimed_by, self.number)
            self.doing.claim(self.stream, event, self.decided_at)

    def _settle(self) -> None:
        """Its trays may have gone through a later load already, which then accounts for them."""
        event = reruns.settle(self.load, facts.later_loads(self.doing.facility, self.stream.id))
        if event is not None:
            self.doing.conclude(self.stream, event)

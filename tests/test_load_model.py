"""A load's life against a second, smaller model of it.

`Desk` is written from the design's text (section 4), not from the rules: a few plain sets and counts.
"""

from __future__ import annotations

import itertools
from collections import Counter
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from incidents.rules import alarms, holds, open_items, release, reruns
from incidents.rules.events import (
    AnyEvent,
    HoldLifted,
    LiftSigned,
    LiftWithdrawn,
    OutcomeOverdue,
    RerunLinked,
    Verdict,
)
from incidents.rules.loads import Load
from incidents.rules.refusals import Refusal
from incidents.rules.reruns import LaterLoad
from tests.story import (
    ALL_MET,
    CODE_OF,
    INES,
    JOAN,
    MONDAY,
    SANNE,
    TRAY_1,
    TRAY_2,
    WORDS,
    Happening,
    alarm,
    assembled,
    finished,
    id_of,
    load_of,
    signature,
    started,
)
from tests.story import (
    KINDS as CRITERION_KINDS,
)

IP = "infection-prevention"
RINSE = f"rinse-not-proven:{CODE_OF['rinse']}"
SIGNING = (LiftSigned, LiftWithdrawn, HoldLifted)
VERDICTS: tuple[Verdict, ...] = ("met", "not-met", "not-proven")

# --- a second model -----------------------------------------------------------------------------------

NEITHER: list[set[str]] = []
LIFTERS = {
    "documentation": [{"supervisor"}],
    "drying-resumed": [{"supervisor"}],
    "upper-band": [{"supervisor"}],
    "rinse-not-proven": [{"supervisor", "infection-prevention"}],
    "manual": [{"supervisor"}, {"infection-prevention"}],
    "unexpected": [{"supervisor"}, {"infection-prevention"}],
}
SIGNERS: list[dict[UUID, str]] = [
    {},
    {INES: "technician"},
    {SANNE: "supervisor"},
    {JOAN: "infection-prevention"},
    {SANNE: "supervisor", JOAN: "infection-prevention"},
]
MACHINE_ALARMS = [
    ("W02", "wash", "never", True, True),
    ("W01", "wash", "supervisor", True, True),
    ("W02", "pre-wash", "technician", True, True),
    ("A01", "drying", "technician", True, True),
    ("T01", "disinfection", "technician", True, True),
    ("P01", "rinse", "technician", True, False),
    ("X99", "wash", "never", False, True),
]


class Desk:
    """What the design's text says of one load, in plain sets and counts."""

    def __init__(self) -> None:
        self.way = "waiting"  # waiting, running, stopped, complete, broken
        self.standing: Counter[str] = Counter()  # liftable holds and those that a review raised
        self.unseen: set[UUID] = set()
        self.unanswered: dict[UUID, tuple[str, str, bool]] = {}  # halting alarms: phase, who resumes, known
        self.resumed = self.overdue = self.broken_heat = False
        self.record: bool | None = None
        self.released = self.reprocessed = self.rerun = False
        self.firsts: dict[str, UUID] = {}  # holds that one of two has signed to lift, on the load as it is

    def holds(self) -> Counter[str]:
        found = +self.standing
        if self.way == "broken":
            found += Counter(["cycle-incomplete", "disinfection-not-proven"])
        if self.way == "complete" and self.broken_heat:
            found["disinfection-not-proven"] += 1
        if self.overdue and self.way in ("running", "stopped"):
            found["outcome-unknown"] += 1
        if self.record is False:
            found["record-missing"] += 1
        if self.way in ("complete", "broken"):
            found["alarm-unseen"] += len(self.unseen)
        return +found

    def disposition(self) -> str:
        if self.reprocessed:
            return "reprocessed"
        if self.released:
            return "released"
        if self.holds():
            return "quarantined"
        return "awaiting review" if self.way == "complete" else "in process"

    def under_recall(self) -> bool:
        return self.released and bool(self.holds())

    def may_release(self) -> bool:
        ended = self.released or self.reprocessed or self.rerun
        return not ended and not self.holds() and self.way == "complete" and self.record is True

    def may_review(self) -> bool:
        return self.way == "complete" and not self.released and self.record is not True

    def may_rerun(self) -> bool:
        ended = self.way in ("complete", "broken") and not self.reprocessed
        return ended and bool(self.holds()) and (not self.released or self.under_recall())

    def may_resume(self, alarm_id: UUID, role: str) -> bool:
        phase_and_who = self.unanswered.values()
        allowed = all(
            known and phase != "disinfection" and who in ("technician", role) for phase, who, known in phase_and_who
        )
        mine = alarm_id in self.unanswered
        return self.way == "stopped" and mine and allowed and not self.unseen and not self.resumed


class LoadsLife(RuleBasedStateMachine):
    """Decisions go through the rules, observations straight in; after each step both models must agree."""

    def __init__(self) -> None:
        super().__init__()
        self.happened: list[AnyEvent | Happening] = []
        self.desk = Desk()
        self.alarms: list[UUID] = []
        self.counts = itertools.count(1)

    @property
    def load(self) -> Load:
        return load_of(*self.happened)

    def decide(self, outcome: AnyEvent | Refusal, permitted: bool) -> bool:
        """The rules must permit exactly what the model permits."""
        assert isinstance(outcome, Refusal) != permitted, outcome
        if not isinstance(outcome, Refusal):
            self.happened.append(outcome)
        return permitted

    @initialize()
    def assemble(self) -> None:
        self.happened.append(assembled())

    @precondition(lambda self: self.desk.way == "waiting")
    @rule()
    def start(self) -> None:
        self.happened.append(started())
        self.desk.way = "running"

    @rule(which=st.sampled_from(MACHINE_ALARMS))
    def raise_alarm(self, which: tuple[Any, ...]) -> None:
        code, phase, who, known, halts = which
        name = id_of(f"alarm {next(self.counts)}")
        self.happened.append(alarm(code, phase, alarm=name, resume=who, known=known, halts=halts))
        self.alarms.append(name)
        desk = self.desk
        desk.unseen.add(name)
        if not known or desk.way in ("waiting", "complete"):
            desk.standing["unexpected"] += 1
        if halts:
            desk.unanswered[name] = (phase, who, known)
            desk.broken_heat |= phase == "disinfection"  # however late the machine says so
            desk.way = "stopped" if desk.way == "running" else desk.way

    @precondition(lambda self: self.alarms)
    @rule(data=st.data())
    def acknowledge(self, data: st.DataObject) -> None:
        which = data.draw(st.sampled_from(self.alarms))
        if self.decide(alarms.acknowledge(self.load, which), which in self.desk.unseen):
            self.desk.unseen.discard(which)

    @precondition(lambda self: self.desk.unanswered)
    @rule(data=st.data(), role=st.sampled_from(["technician", "supervisor"]))
    def resume(self, data: st.DataObject, role: str) -> None:
        which = data.draw(st.sampled_from(sorted(self.desk.unanswered)))
        phase = self.desk.unanswered[which][0]
        outcome = alarms.resume(self.load, which, [role], MONDAY + timedelta(hours=1))
        if self.decide(outcome, self.desk.may_resume(which, role)):
            self.desk.way, self.desk.resumed = "running", True
            self.desk.unanswered.clear()
            self.desk.standing["drying-resumed"] += phase == "drying"

    @rule()
    def abort(self) -> None:
        if self.decide(alarms.abort(self.load, "fault", None), self.desk.way in ("running", "stopped")):
            self.desk.way = "broken"
            self.desk.unanswered.clear()

    @rule(complete=st.booleans())
    def end(self, complete: bool) -> None:
        self.happened.append(finished(complete=complete))
        desk = self.desk
        odd = desk.way in ("stopped", "waiting")
        odd |= desk.way == "complete" and not complete
        odd |= desk.way == "broken" and complete
        desk.standing["unexpected"] += odd
        if desk.way == "waiting" or not complete:
            desk.way = "broken"
        elif desk.way != "broken":
            desk.way = "complete"

    @precondition(lambda self: self.desk.way in ("running", "stopped"))
    @rule()
    def time_passes(self) -> None:
        self.happened.append(OutcomeOverdue(MONDAY))
        self.desk.overdue = True

    @rule(
        record_seen=st.booleans(),
        kinds=st.sets(st.sampled_from(CRITERION_KINDS)),
        verdict=st.sampled_from(VERDICTS),
    )
    def review(self, record_seen: bool, kinds: set[str], verdict: Verdict) -> None:
        said = ALL_MET | {CODE_OF[kind]: verdict for kind in kinds}
        if not self.decide(release.review(self.load, record_seen, said), self.desk.may_review()):
            return
        self.desk.record = record_seen
        if record_seen and verdict != "met":
            whole = {"upper-band", "documentation"}
            self.desk.standing.update(kind if kind in whole else f"{kind}-{verdict}" for kind in kinds)

    @rule()
    def hold(self) -> None:
        self.decide(release.place_hold(self.load, id_of(f"hold {next(self.counts)}"), WORDS), permitted=True)
        self.desk.standing["manual"] += 1

    @rule(data=st.data(), signers=st.sampled_from(SIGNERS))
    def lift(self, data: st.DataObject, signers: dict[UUID, str]) -> None:
        standing = holds.holds(self.load)
        if not standing:
            return
        hold = data.draw(st.sampled_from(standing))
        signatures = [signature(person, role) for person, role in signers.items()]
        permitted = set(signers.values()) in LIFTERS.get(hold.code, NEITHER)
        if self.decide(release.lift(self.load, hold.key, WORDS, signatures), permitted):
            self.desk.standing[hold.code] -= 1
            self.desk.firsts.pop(hold.key, None)

    @rule(data=st.data(), signer=st.sampled_from([(INES, "technician"), (SANNE, "supervisor"), (JOAN, IP)]))
    def sign_first(self, data: st.DataObject, signer: tuple[UUID, str]) -> None:
        """Only where two are needed, by one of those roles, and once."""
        standing = holds.holds(self.load)
        if not standing:
            return
        hold = data.draw(st.sampled_from(standing))
        person, role = signer
        permitted = hold.code == "rinse-not-proven" and role != "technician" and hold.key not in self.desk.firsts
        if self.decide(release.sign_first(self.load, hold.key, WORDS, signature(person, role)), permitted):
            self.desk.firsts[hold.key] = person

    @rule(signer=st.sampled_from([(SANNE, "supervisor"), (JOAN, IP)]))
    def sign_second(self, signer: tuple[UUID, str]) -> None:
        """The other of the two, on the load as the first had it (I14, I15)."""
        person, role = signer
        first = self.desk.firsts.get(RINSE)
        permitted = first is not None and first != person
        if self.decide(release.sign_second(self.load, RINSE, WORDS, signature(person, role)), permitted):
            self.desk.standing["rinse-not-proven"] -= 1
            del self.desk.firsts[RINSE]

    @rule()
    def withdraw(self) -> None:
        signed = self.load.first_signature(RINSE) is not None
        if self.decide(release.withdraw(self.load, RINSE, None), signed):
            self.desk.firsts.pop(RINSE, None)

    @precondition(lambda self: self.desk.way == "waiting")
    @rule()
    def come_to_a_rinse_that_one_signs(self) -> None:
        """So that more stories tell what comes after a first signature."""
        self.start()
        LoadsLife.end(self, complete=True)
        self.review(record_seen=True, kinds={"rinse"}, verdict="not-proven")
        self.decide(release.sign_first(self.load, RINSE, WORDS, signature(SANNE, "supervisor")), permitted=True)
        self.desk.firsts[RINSE] = SANNE

    @rule()
    def let_go(self) -> None:
        if self.decide(release.release(self.load, "packing", signature(INES), 0), self.desk.may_release()):
            self.desk.released = True

    @rule()
    def run_again(self) -> None:
        refusal = reruns.rerun_refusal(self.load)
        assert (refusal is None) == self.desk.may_rerun(), refusal
        if refusal is None:
            self.happened.append(RerunLinked(id_of("later")))
            self.desk.rerun = True

    @precondition(lambda self: self.desk.rerun)
    @rule(proven=st.tuples(st.booleans(), st.booleans()))
    def the_trays_go_on(self, proven: tuple[bool, bool]) -> None:
        """Each tray's later load is released, or put under recall."""
        later = [LaterLoad(id_of("later"), True, "released", not proves) for proves in proven]
        event = reruns.settle(self.load, {TRAY_1: later[:1], TRAY_2: later[1:]})
        if event is not None:
            self.happened.append(event)
        if self.desk.reprocessed or not self.desk.released or self.desk.under_recall():
            self.desk.reprocessed = all(proven)

    @invariant()
    def a_first_signature_counts_while_nothing_else_happened(self) -> None:
        """I14: what was signed was this load at this version; whatever happens besides signing voids it."""
        load = self.load
        since = 0
        for n, each in enumerate(self.happened, 1):
            data = each.data if isinstance(each, Happening) else each
            since = since if isinstance(data, SIGNING) else n
        signed = {each.hold: n for n, each in enumerate(self.happened, 1) if isinstance(each, LiftSigned)}
        counting = {first.key for first in load.first_signatures if not first.void}
        assert counting == {key for key in self.desk.firsts if signed[key] > since}
        self.desk.firsts = {key: who for key, who in self.desk.firsts.items() if key in counting}
        due = any(item.kind == "second-signature" for item in open_items.of_load(load))
        assert due == any(first.key in {h.key for h in holds.holds(load)} for first in load.first_signatures)

    @invariant()
    def both_models_agree(self) -> None:
        load, desk = self.load, self.desk
        assert Counter(hold.code for hold in holds.holds(load)) == desk.holds()
        assert holds.disposition(load) == desk.disposition()
        assert holds.under_recall(load) == desk.under_recall()
        assert (release.release_refusal(load) is None) == desk.may_release()


TestLoadsLife = pytest.mark.filterwarnings("error")(LoadsLife.TestCase)
TestLoadsLife.settings = settings(max_examples=150, stateful_step_count=20, deadline=None)

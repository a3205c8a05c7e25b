"""A load's life against any order of events, and against a second, smaller model of it.

`Desk` below is written from the design's text (section 4), not from the rules: a few plain sets and counts.
"""

from __future__ import annotations

import itertools
import types
import typing
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Literal, Union
from uuid import UUID

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from msgspec.structs import replace

from incidents.projections.states import KINDS, empty, next_state, rows_of_load, rows_of_machine
from incidents.rules import alarms, loads, machines, open_items, release, reruns
from incidents.rules.events import (
    TYPES,
    Actor,
    AnyEvent,
    CycleFinished,
    CycleStarted,
    LoadPlaced,
    LoadReleased,
    LoadReopened,
    LoadReprocessed,
    LoadReviewed,
    OutcomeOverdue,
    Recorded,
    RerunLinked,
    Stream,
    Verdict,
)
from incidents.rules.loads import Load
from incidents.rules.refusals import Refusal
from incidents.rules.reruns import LaterLoad
from tests.story import (
    ALARM,
    ALDER,
    ALDER_STREAM,
    ALL_MET,
    CODE_OF,
    CRITERIA,
    FINISHED,
    INES,
    JOAN,
    LOAD,
    LOAD_STREAM,
    MONDAY,
    SANNE,
    TRAY_1,
    TRAY_2,
    WORDS,
    Happening,
    aborted,
    alarm,
    assembled,
    finished,
    held,
    id_of,
    lifted,
    load_of,
    released,
    resumed,
    reviewed,
    seen,
    signature,
    started,
    story,
    told,
)
from tests.story import (
    KINDS as CRITERION_KINDS,
)

# --- any event at all ---------------------------------------------------------------------------------

IDS = st.sampled_from([LOAD, ALDER, TRAY_1, TRAY_2, ALARM, INES])
ANY_MOMENT = st.datetimes(timezones=st.just(UTC))
PLAIN: dict[Any, st.SearchStrategy[Any]] = {
    UUID: IDS,
    datetime: ANY_MOMENT,
    int: st.integers(0, 5),
    str: st.sampled_from(["", "wash", "disinfection", "drying", "a0", "manual:x"]),
    bool: st.booleans(),
    type(None): st.none(),
}


def any_of(hint: Any) -> st.SearchStrategy[Any]:
    """Any value of a type as the vocabulary spells it."""
    if hint in PLAIN:
        return PLAIN[hint]
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin is Literal:
        return st.sampled_from(inner)
    if origin in (Union, types.UnionType):
        return st.one_of([any_of(each) for each in inner])
    if origin is tuple:
        return st.lists(any_of(inner[0]), max_size=3).map(tuple)
    if origin is dict:
        return st.dictionaries(any_of(inner[0]), any_of(inner[1]), max_size=2)
    hints = typing.get_type_hints(hint)
    return st.builds(hint, **{name: any_of(hints[name]) for name in hint.__struct_fields__})


ANY_EVENT = st.sampled_from(sorted(TYPES)).flatmap(lambda name: any_of(TYPES[name]))
ANY_HAPPENING = st.tuples(ANY_EVENT, st.sampled_from([INES, SANNE]), ANY_MOMENT, st.none() | st.integers(0, 4))


def in_the_ledger(happened: Sequence[Any], stream: Stream = LOAD_STREAM) -> list[Recorded]:
    recorded = []
    for event, (data, who, moment, sequence) in zip(story(*(each[0] for each in happened)), happened, strict=True):
        kind: Literal["person", "device"] = "person" if sequence is None else "device"
        recorded.append(
            replace(event, data=data, stream=stream, actor=Actor(kind, who), occurred_at=moment, sequence=sequence)
        )
    return recorded


ANY_STORY = st.lists(ANY_HAPPENING, max_size=12)


@settings(max_examples=300)
@given(ANY_STORY)
def test_any_events_in_any_order_make_a_load(happened: list[Any]) -> None:
    """Design 13: `evolve` is total, and so is everything that reads its state."""
    load = loads.fold(LOAD, in_the_ledger(happened))
    assert release.disposition(load) in typing.get_args(release.Disposition)
    assert load.version == len(happened)
    list(open_items.of_load(load))
    rows_of_load(load)


@settings(max_examples=200)
@given(ANY_STORY)
def test_any_events_in_any_order_make_a_machine(happened: list[Any]) -> None:
    machine = machines.fold(ALDER, in_the_ledger(happened, ALDER_STREAM))
    assert machine.version == len(happened)
    rows_of_machine(machine)


@settings(max_examples=200)
@given(ANY_STORY, st.sampled_from(["load", "machine"]))
def test_a_step_at_a_time_is_as_good_as_all_at_once(happened: list[Any], what: str) -> None:
    """I8 in small: the state that a deed moves on is the one that a fold of everything gives."""
    stream = Stream(what, LOAD)
    events = in_the_ledger(happened, stream)
    state = empty(stream)
    for count, event in enumerate(events, 1):
        state = next_state(KINDS[what], state, events[:count], event)
        whole = KINDS[what].fold(LOAD, events[:count])
        assert replace(state, version=0) == replace(whole, version=0)


# --- events that happen in a department, in any order -------------------------------------------------

OTHER = id_of("another alarm")
VERDICTS: tuple[Verdict, ...] = ("met", "not-met", "not-proven")
PALETTE: list[AnyEvent] = [
    assembled(),
    started(),
    started(4471),
    started(programme=None),
    alarm(),
    alarm("T01", "disinfection"),
    alarm("P01", "drying", alarm=OTHER, halts=False),
    seen(),
    seen(OTHER),
    resumed("wash"),
    resumed("drying"),
    aborted(),
    finished(),
    finished(complete=False),
    OutcomeOverdue(MONDAY),
    LoadPlaced("clean-side"),
    reviewed(record_seen=False),
    reviewed(),
    *(reviewed(**{kind.replace("-", "_"): "not-met"}) for kind in CRITERION_KINDS),
    *(reviewed(**{kind.replace("-", "_"): "not-proven"}) for kind in CRITERION_KINDS),
    held(),
    lifted(f"manual:{id_of('hold')}"),
    *(lifted(f"{kind}-not-met:{CODE_OF[kind]}") for kind in CRITERION_KINDS),
    *(lifted(f"{kind}-not-proven:{CODE_OF[kind]}") for kind in CRITERION_KINDS),
    *(
        lifted(code)
        for code in ("cycle-incomplete", "disinfection-not-proven", "record-missing", "outcome-unknown")
    ),
    released(),
    RerunLinked(id_of("later")),
    LoadReprocessed(()),
    LoadReopened(TRAY_1),
]
NEVER_LIFTED = {
    *(f"{kind}-not-met" for kind in ("disinfection", "cleaning", "rinse", "drying")),
    *(f"{kind}-not-proven" for kind in ("disinfection", "cleaning", "drying")),
}


def speaks_against_it_for_good(happened: Sequence[AnyEvent]) -> bool:
    """What no signature changes, read off the bare list of events."""
    read = [each for each in happened if isinstance(each, LoadReviewed) and each.record_seen]
    found = {f"{finding.kind}-{finding.verdict}" for review in read for finding in review.findings}
    return bool(found & NEVER_LIFTED) or any(
        isinstance(each, CycleFinished) and not each.complete for each in happened
    )


def was_earned(happened: Sequence[AnyEvent]) -> bool:
    """A known programme started, ended complete, and its record read, all before somebody let the load go."""
    wanted = [
        lambda each: isinstance(each, CycleStarted) and each.programme is not None,
        lambda each: isinstance(each, CycleFinished) and each.complete,
        lambda each: isinstance(each, LoadReviewed) and each.record_seen,
        lambda each: isinstance(each, LoadReleased),
    ]
    steps = iter(happened)
    return all(any(fits(each) for each in steps) for fits in wanted)


A_WAY = st.lists(st.sampled_from(PALETTE), max_size=10)
ENDED = st.lists(st.sampled_from(PALETTE), max_size=6).map(lambda more: [*FINISHED, reviewed(), *more, released()])
ANY_WAY = A_WAY | A_WAY.map(lambda more: [assembled(), started(), *more, released()]) | ENDED


@settings(max_examples=600)
@given(ANY_WAY)
@example([assembled(), released()])
@example([*FINISHED, released()])
@example([assembled(), started(), aborted(), released()])
@example([assembled(), started(), released(), finished(), reviewed()])
def test_nothing_is_released_and_unquestioned_against_what_nobody_lifts(happened: list[AnyEvent]) -> None:
    """I6 and I7, whoever wrote the events: such a load is never *released* without *under recall*."""
    load = load_of(*happened)
    if release.disposition(load) == "released" and not release.under_recall(load):
        assert not speaks_against_it_for_good(happened)
        assert was_earned(happened)
        assert all(hold.liftable for hold in release.holds(load))


# --- the order of arrival -----------------------------------------------------------------------------

DEVICE_SAYS: list[AnyEvent] = [
    started(4471),
    started(4471, programme=None),
    alarm(),
    alarm("P01", "drying", alarm=OTHER, halts=False),
    alarm("X99", alarm=id_of("unknown"), known=False),
    finished(4471),
    finished(4471, complete=False),
]
SOMEONE_DOES: list[AnyEvent] = [
    assembled(),
    started(),
    seen(),
    resumed(),
    aborted(),
    reviewed(),
    held(),
    released(),
]


@st.composite
def two_orders(draw: st.DrawFn, same_number: bool = False) -> tuple[list[Recorded], list[Recorded]]:
    """One story in two orders of arrival: each device's observations in other places of those they hold."""
    said = draw(st.lists(st.sampled_from(DEVICE_SAYS), min_size=2, max_size=5))
    tellers = draw(st.lists(st.sampled_from([ALDER, SANNE]), min_size=len(said), max_size=len(said)))
    numbers = itertools.repeat(1) if same_number else itertools.count(1)
    observed = [told(next(numbers), data, device=who) for data, who in zip(said, tellers, strict=True)]
    mixed: list[Any] = [*observed, *draw(st.lists(st.sampled_from(SOMEONE_DOES), max_size=5))]
    first = [
        replace(event, recorded_at=MONDAY + timedelta(days=1)) for event in story(*draw(st.permutations(mixed)))
    ]
    second = list(first)
    for device in (ALDER, SANNE):
        places = [at for at, event in enumerate(first) if event.sequence is not None and event.actor.id == device]
        for at, origin in zip(places, draw(st.permutations(places)), strict=True):
            second[at] = replace(first[origin], version=at + 1, position=at)
    return first, second


def judged(events: list[Recorded]) -> tuple[Any, ...]:
    load = loads.fold(LOAD, events)
    return release.disposition(load), release.under_recall(load), [hold.code for hold in release.holds(load)]


@settings(max_examples=300)
@given(two_orders())
def test_the_order_in_which_a_device_was_heard_changes_nothing(orders: Any) -> None:
    """Design 13: one device's observations fold by its own sequence."""
    first, second = orders
    assert judged(first) == judged(second)


@settings(max_examples=300)
@given(two_orders(same_number=True))
def test_not_even_when_a_device_gives_several_the_same_number(orders: Any) -> None:
    first, second = orders
    assert judged(first) == judged(second)


# --- a criterion that is missing ----------------------------------------------------------------------

SAID = st.dictionaries(st.sampled_from([each.code for each in CRITERIA]), st.sampled_from(VERDICTS))


@given(SAID)
def test_only_a_review_that_states_every_criterion_as_met_makes_a_load_releasable(said: dict[str, Verdict]) -> None:
    review = release.review(load_of(*FINISHED), True, said)
    assert isinstance(review, LoadReviewed)
    assert (release.release_refusal(load_of(*FINISHED, review)) is None) == (said == ALL_MET)


@given(SAID, st.sampled_from(CRITERIA))
def test_leaving_a_criterion_out_never_makes_a_load_better(said: dict[str, Verdict], dropped: Any) -> None:
    """Neither in the decision nor in the fold of a review that somebody else wrote."""
    whole = release.review(load_of(*FINISHED), True, said)
    assert isinstance(whole, LoadReviewed)
    partial = replace(whole, findings=tuple(each for each in whole.findings if each.criterion != dropped.code))
    assume(release.holds(load_of(*FINISHED, whole)) or dropped.code in said)
    assert release.holds(load_of(*FINISHED, partial))


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


SOME_KINDS = st.sets(st.sampled_from(CRITERION_KINDS))


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
        standing = release.holds(self.load)
        if not standing:
            return
        hold = data.draw(st.sampled_from(standing))
        signatures = [signature(person, role) for person, role in signers.items()]
        permitted = set(signers.values()) in LIFTERS.get(hold.code, NEITHER)
        if self.decide(release.lift(self.load, hold.key, WORDS, signatures), permitted):
            self.desk.standing[hold.code] -= 1

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
    def both_models_agree(self) -> None:
        load, desk = self.load, self.desk
        assert Counter(hold.code for hold in release.holds(load)) == desk.holds()
        assert release.disposition(load) == desk.disposition()
        assert release.under_recall(load) == desk.under_recall()
        assert (release.release_refusal(load) is None) == desk.may_release()


TestLoadsLife = pytest.mark.filterwarnings("error")(LoadsLife.TestCase)
TestLoadsLife.settings = settings(max_examples=150, stateful_step_count=20, deadline=None)

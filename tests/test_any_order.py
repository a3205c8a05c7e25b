"""Any events in any order: the fold never fails, arrival order changes nothing, nothing is released by default."""

from __future__ import annotations

import itertools
import types
import typing
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Literal, Union
from uuid import UUID

from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from incidents.projections.states import KINDS, empty, next_state, rows_of_load, rows_of_machine
from incidents.rules import holds, loads, machines, open_items, release
from incidents.rules.events import (
    TYPES,
    Actor,
    AnyEvent,
    CycleFinished,
    CycleStarted,
    Finding,
    LiftSigned,
    LiftWithdrawn,
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
from tests.story import (
    ALARM,
    ALDER,
    ALDER_STREAM,
    ALL_MET,
    CODE_OF,
    CRITERIA,
    FINISHED,
    INES,
    LOAD,
    LOAD_STREAM,
    MONDAY,
    SANNE,
    TRAY_1,
    TRAY_2,
    WORDS,
    aborted,
    alarm,
    assembled,
    findings,
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
    assert holds.disposition(load) in typing.get_args(holds.Disposition)
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


class Unread(list[Any]):
    """A stream that nobody may go through."""

    def __iter__(self) -> Any:
        raise AssertionError("the whole stream was read for one observation")


def test_an_observation_in_order_is_folded_without_a_look_at_all_before_it() -> None:
    """However long the stream: a batch would otherwise cost the square of its length."""
    device = Actor("device", id_of("a device"))
    events = [
        replace(event, actor=device, sequence=n) for n, event in enumerate(story(*[CycleFinished(None, "1")] * 5))
    ]
    state = empty(LOAD_STREAM)
    for event in events:
        state = next_state(KINDS["load"], state, Unread(events[: event.version]), event)
    assert replace(state, version=0) == replace(loads.fold(LOAD, events), version=0)


# --- events that happen in a department, in any order -------------------------------------------------

OTHER = id_of("another alarm")
VERDICTS: tuple[Verdict, ...] = ("met", "not-met", "not-proven")


def finding(kind: str, verdict: Verdict) -> tuple[Finding, ...]:
    """Every criterion met but the one of this kind."""
    return tuple(replace(each, verdict=verdict) if each.kind == kind else each for each in findings())


RINSE = f"rinse-not-proven:{CODE_OF['rinse']}"
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
    *(LoadReviewed("transcribed", True, finding(kind, "not-met")) for kind in CRITERION_KINDS),
    *(LoadReviewed("transcribed", True, finding(kind, "not-proven")) for kind in CRITERION_KINDS),
    held(),
    lifted(f"manual:{id_of('hold')}"),
    *(lifted(f"{kind}-not-met:{CODE_OF[kind]}") for kind in CRITERION_KINDS),
    *(lifted(f"{kind}-not-proven:{CODE_OF[kind]}") for kind in CRITERION_KINDS),
    *(
        lifted(code)
        for code in ("cycle-incomplete", "disinfection-not-proven", "record-missing", "outcome-unknown")
    ),
    LiftSigned(RINSE, "rinse-not-proven", WORDS, signature(SANNE, "supervisor")),
    LiftWithdrawn(RINSE, id_of("some event")),
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
    wanted: list[Callable[[AnyEvent], bool]] = [
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
    if holds.disposition(load) == "released" and not holds.under_recall(load):
        assert not speaks_against_it_for_good(happened)
        assert was_earned(happened)
        assert all(hold.liftable for hold in holds.holds(load))


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
    return holds.disposition(load), holds.under_recall(load), [hold.code for hold in holds.holds(load)]


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
    assume(holds.holds(load_of(*FINISHED, whole)) or dropped.code in said)
    assert holds.holds(load_of(*FINISHED, partial))

"""A load's life: `evolve` takes the state and an event and gives the next state, whatever the event is.

Observations are never refused, so what does not fit is kept as `unexpected` and holds the load. Decisions
fold by position; the observations of one device fold by its own counter, so that arrival order alone never
changes what a load is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any, Literal
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules import alarms
from incidents.rules.alarms import Alarm
from incidents.rules.events import (
    AlarmAcknowledged,
    AlarmCleared,
    AlarmRaised,
    CycleAborted,
    CycleFinished,
    CycleResumed,
    CycleStarted,
    Event,
    Finding,
    HoldLifted,
    HoldPlaced,
    LoadAssembled,
    LoadPlaced,
    LoadReleased,
    LoadReopened,
    LoadReprocessed,
    LoadReviewed,
    OutcomeOverdue,
    Place,
    ProgrammeInForce,
    Purpose,
    Recorded,
    RerunLinked,
    WordsRef,
)

Stage = Literal["none", "assembled", "running", "stopped", "finished", "aborted", "incomplete"]
SKEW = timedelta(minutes=2)
ENDED: tuple[Stage, ...] = ("finished", "aborted", "incomplete")


class Unexpected(msgspec.Struct, frozen=True):
    """Something recorded that does not fit what was known; it holds the load until someone named has looked."""

    event_id: UUID
    sentence: str
    at: datetime


class Review(msgspec.Struct, frozen=True):
    by: UUID
    at: datetime
    record_seen: bool
    findings: tuple[Finding, ...]


class PlacedHold(msgspec.Struct, frozen=True):
    id: UUID
    by: UUID
    at: datetime
    words: WordsRef


class Lift(msgspec.Struct, frozen=True):
    key: str
    code: str
    by: tuple[UUID, ...]
    at: datetime


class Release(msgspec.Struct, frozen=True):
    purpose: Purpose
    by: UUID
    at: datetime
    position: int


class Load(msgspec.Struct, frozen=True, dict=True):
    id: UUID
    version: int = 0
    stage: Stage = "none"
    number: str = ""
    ordinal: int = 0
    trays: tuple[UUID, ...] = ()
    rerun_of: UUID | None = None
    reruns: tuple[UUID, ...] = ()
    assembled_at: datetime | None = None
    machine: UUID | None = None
    machine_name: str = ""
    chamber: str = ""
    machine_cycle: int | None = None
    programme_name: str = ""
    programme: ProgrammeInForce | None = None
    catalogue_edition: int = 0
    basis: str = "transcribed"
    started_at: datetime | None = None
    ended_at: datetime | None = None
    alarms: tuple[Alarm, ...] = ()
    resumes: tuple[CycleResumed, ...] = ()
    overdue_since: datetime | None = None
    place: Place = "dirty-side"
    spot: str = ""
    review: Review | None = None
    placed_holds: tuple[PlacedHold, ...] = ()
    lifts: tuple[Lift, ...] = ()
    unexpected: tuple[Unexpected, ...] = ()
    release: Release | None = None
    reprocessed: bool = False

    @property
    def name(self) -> str:
        """What people call it: the machine and its counter once known, else the facility's number."""
        if self.machine_cycle is not None:
            return f"{self.machine_name} {self.machine_cycle}"
        return self.number or "This load"

    @property
    def expected_end_at(self) -> datetime | None:
        if self.started_at is None or self.programme is None:
            return None
        return _plus(self.started_at, self.programme.expected_s)

    @property
    def due_at(self) -> datetime | None:
        """When a cycle without an end becomes *outcome unknown*; an unknown programme has no expected end."""
        if self.expected_end_at is None or self.programme is None or self.stage not in ("running", "stopped"):
            return None
        return _plus(self.expected_end_at, self.programme.grace_s)


def _plus(moment: datetime, seconds: int) -> datetime:
    """A moment some seconds later; a claimed time at the end of the calendar stays there."""
    try:
        return moment + timedelta(seconds=seconds)
    except OverflowError:
        return datetime.max.replace(tzinfo=moment.tzinfo)


def fold(load_id: UUID, events: Sequence[Recorded]) -> Load:
    """The load as its events make it: `events` is its whole stream, by position."""
    load = Load(id=load_id)
    for event in in_device_order(events):
        load = evolve(load, event)
    return replace(load, version=len(events))


def out_of_order(events: Iterable[Recorded]) -> bool:
    """Did a device's observation arrive after a later one of the same device, or under a number used before?"""
    last: dict[UUID, int] = {}
    for event in events:
        if event.sequence is not None:
            if event.sequence <= last.get(event.actor.id, -1):
                return True
            last[event.actor.id] = event.sequence
    return False


def in_device_order(events: Sequence[Recorded]) -> Sequence[Recorded]:
    """Put each device's observations, by its own counter, into the places that its observations hold."""
    if not out_of_order(events):
        return events
    waiting: dict[UUID, list[Recorded]] = {}
    for event in events:
        if event.sequence is not None:
            waiting.setdefault(event.actor.id, []).append(event)
    ordered = {device: iter(sorted(told, key=_told)) for device, told in waiting.items()}
    return [event if event.sequence is None else next(ordered[event.actor.id]) for event in events]


def _told(event: Recorded) -> tuple[int, str]:
    return (event.sequence or 0, str(event.event_id))


def evolve(load: Load, event: Recorded) -> Load:
    """The next state. Total: any event in any state gives a state."""
    step = _STEPS.get(type(event.data))
    if step is None:
        return _unexpected(load, event, "Something was recorded here that belongs elsewhere.")
    after = step(load, event, event.data)
    if event.actor.kind == "device" or event.occurred_at - event.recorded_at > SKEW:
        after = _judge_time(after, event)
    return replace(after, version=event.version)


def _judge_time(load: Load, event: Recorded) -> Load:
    if event.occurred_at - event.recorded_at > SKEW:
        return _unexpected(load, event, "It claims a time more than 2 min ahead of the clock here.")
    if load.assembled_at is not None and load.assembled_at - event.occurred_at > SKEW:
        return _unexpected(load, event, "It claims a time before this load was assembled.")
    return load


def _unexpected(load: Load, event: Recorded, sentence: str) -> Load:
    if any(known.event_id == event.event_id for known in load.unexpected):
        return load
    return replace(load, unexpected=(*load.unexpected, Unexpected(event.event_id, sentence, event.occurred_at)))


def _assembled(load: Load, event: Recorded, data: LoadAssembled) -> Load:
    if load.stage != "none":
        return _unexpected(load, event, "It was assembled a second time.")
    return replace(
        load,
        stage="assembled",
        number=data.number,
        ordinal=data.ordinal,
        trays=data.trays,
        machine=data.machine,
        machine_name=data.machine_name,
        chamber=data.chamber,
        rerun_of=data.rerun_of,
        assembled_at=event.occurred_at,
    )


def _started(load: Load, event: Recorded, data: CycleStarted) -> Load:
    if load.stage not in ("none", "assembled"):
        return _started_again(load, event, data)
    begun = replace(
        load,
        stage="running",
        machine=data.machine,
        machine_name=data.machine_name,
        chamber=data.chamber,
        machine_cycle=data.machine_cycle,
        programme_name=data.programme_name,
        programme=data.programme,
        catalogue_edition=data.catalogue_edition,
        basis=data.basis,
        started_at=event.occurred_at,
        place="chamber",
        spot="",
    )
    if load.stage == "none":
        begun = _unexpected(begun, event, "A cycle started before the load was assembled.")
    if data.programme is None:
        begun = _unexpected(begun, event, f"Programme “{data.programme_name}” is not known here.")
    return begun


def _started_again(load: Load, event: Recorded, data: CycleStarted) -> Load:
    """The same start told by a person and by the machine is one start; anything else does not fit."""
    same_cycle = None in (load.machine_cycle, data.machine_cycle) or load.machine_cycle == data.machine_cycle
    if data.machine != load.machine or data.chamber != load.chamber or not same_cycle:
        return _unexpected(load, event, "Another start was reported for this load.")
    if data.programme_name != load.programme_name:
        return _unexpected(load, event, f"The machine reports programme “{data.programme_name}”.")
    if load.machine_cycle is None:
        return replace(load, machine_cycle=data.machine_cycle)
    return load


def _alarm_raised(load: Load, event: Recorded, data: AlarmRaised) -> Load:
    cycle = data.machine_cycle if load.machine_cycle is None else load.machine_cycle
    after = replace(load, alarms=alarms.raised(load.alarms, event, data), machine_cycle=cycle)
    if not data.known:
        after = _unexpected(after, event, f"Fault code {data.code} is not in the fault catalogue.")
    if load.stage == "running":
        return replace(after, stage="stopped") if data.halts else after
    if load.stage in ("none", "assembled"):
        return _unexpected(after, event, "An alarm was reported before the cycle started.")
    if load.stage == "finished":
        return _unexpected(after, event, "An alarm was reported after the cycle had ended.")
    return after


def _alarm_acknowledged(load: Load, event: Recorded, data: AlarmAcknowledged) -> Load:
    if alarms.find(load, data.alarm) is None:
        return _unexpected(load, event, "An alarm was acknowledged that this load does not have.")
    return replace(load, alarms=alarms.acknowledged(load.alarms, event, data))


def _alarm_cleared(load: Load, event: Recorded, data: AlarmCleared) -> Load:
    return replace(load, alarms=alarms.cleared(load.alarms, event, data))


def _resumed(load: Load, event: Recorded, data: CycleResumed) -> Load:
    if load.stage != "stopped":
        return _unexpected(load, event, "A resume was recorded though the cycle was not stopped.")
    return replace(load, stage="running", resumes=(*load.resumes, data), alarms=alarms.decided(load.alarms))


def _aborted(load: Load, event: Recorded, data: CycleAborted) -> Load:
    after = replace(load, alarms=alarms.decided(load.alarms))
    if load.stage not in ("running", "stopped"):
        return _unexpected(after, event, "An abort was recorded though no cycle was running.")
    return replace(after, stage="aborted", ended_at=event.occurred_at)


def _finished(load: Load, event: Recorded, data: CycleFinished) -> Load:
    if load.stage in ENDED:
        return _finished_again(load, event, data)
    if load.started_at is not None and load.started_at - event.occurred_at > SKEW:
        return _unexpected(load, event, "An end was reported with a time before this cycle started.")
    known = load.machine_cycle
    told = data.machine_cycle
    after = replace(
        load,
        stage="finished" if data.complete else "incomplete",
        ended_at=event.occurred_at,
        machine_cycle=told if known is None else known,
    )
    if load.stage in ("none", "assembled"):
        return _unexpected(replace(after, stage="incomplete"), event, "An end was reported without a start.")
    if None not in (known, told) and known != told:
        after = _unexpected(after, event, f"The machine reports the end of cycle {told}.")
    if load.stage == "stopped":
        sentence = "The cycle went on to its end after a stop, and nobody recorded a resume."
        after = _unexpected(after, event, sentence)
    return after


def _finished_again(load: Load, event: Recorded, data: CycleFinished) -> Load:
    if load.stage == "finished" and not data.complete:
        return _unexpected(
            replace(load, stage="incomplete"), event, "The machine reports that the cycle was not complete."
        )
    if load.stage in ("aborted", "incomplete") and data.complete:
        return _unexpected(load, event, "The machine reports a complete cycle though it was aborted.")
    return load


def _overdue(load: Load, event: Recorded, data: OutcomeOverdue) -> Load:
    return replace(load, overdue_since=data.due_at)


def _placed(load: Load, event: Recorded, data: LoadPlaced) -> Load:
    after = replace(load, place=data.place, spot=data.spot)
    if data.place == "clean-side" and load.stage != "finished":
        return _unexpected(after, event, "It stands on the clean side though its cycle is not complete.")
    return after


def _reviewed(load: Load, event: Recorded, data: LoadReviewed) -> Load:
    review = Review(event.actor.id, event.occurred_at, data.record_seen, data.findings)
    if load.review is not None and load.review.record_seen:
        # A second reading never takes back what the first one found.
        review = replace(review, record_seen=True, findings=worst_of(load.review.findings, data.findings))
    after = replace(load, review=review)
    if load.stage != "finished":
        return _unexpected(after, event, "A review was recorded though no complete cycle had ended.")
    return after


_GRAVITY = {"met": 0, "not-proven": 1, "not-met": 2}


def worst_of(first: tuple[Finding, ...], second: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Criterion by criterion, the graver of two verdicts."""
    gravest = {finding.criterion: finding for finding in first}
    for finding in second:
        known = gravest.get(finding.criterion)
        if known is None or _GRAVITY[finding.verdict] > _GRAVITY[known.verdict]:
            gravest[finding.criterion] = finding
    return tuple(gravest.values())


def _hold_placed(load: Load, event: Recorded, data: HoldPlaced) -> Load:
    placed = PlacedHold(data.hold, event.actor.id, event.occurred_at, data.words)
    return replace(load, placed_holds=(*load.placed_holds, placed))


def _hold_lifted(load: Load, event: Recorded, data: HoldLifted) -> Load:
    people = tuple(signature.person for signature in data.signatures)
    return replace(load, lifts=(*load.lifts, Lift(data.hold, data.code, people, event.occurred_at)))


def _released(load: Load, event: Recorded, data: LoadReleased) -> Load:
    released = Release(data.purpose, data.signature.person, event.occurred_at, event.position)
    after = replace(load, release=released)
    if load.stage != "finished" or load.review is None or not load.review.record_seen:
        return _unexpected(
            after, event, "A release was recorded though no record of a complete cycle was reviewed."
        )
    return after


def _rerun_linked(load: Load, event: Recorded, data: RerunLinked) -> Load:
    return replace(load, reruns=(*load.reruns, data.load))


def _reprocessed(load: Load, event: Recorded, data: LoadReprocessed) -> Load:
    return replace(load, reprocessed=True)


def _reopened(load: Load, event: Recorded, data: LoadReopened) -> Load:
    return replace(load, reprocessed=False)


_STEPS: dict[type[Event], Callable[[Load, Recorded, Any], Load]] = {
    LoadAssembled: _assembled,
    CycleStarted: _started,
    AlarmRaised: _alarm_raised,
    AlarmAcknowledged: _alarm_acknowledged,
    AlarmCleared: _alarm_cleared,
    CycleResumed: _resumed,
    CycleAborted: _aborted,
    CycleFinished: _finished,
    OutcomeOverdue: _overdue,
    LoadPlaced: _placed,
    LoadReviewed: _reviewed,
    HoldPlaced: _hold_placed,
    HoldLifted: _hold_lifted,
    LoadReleased: _released,
    RerunLinked: _rerun_linked,
    LoadReprocessed: _reprocessed,
    LoadReopened: _reopened,
}

"""A load's life: `fold` takes its whole stream, `evolve` one event, whatever the event is.

Observations are never refused, so what does not fit is kept as `unexpected` and holds the load. Decisions
fold by position; the observations of one device fold by its own counter, so that arrival order alone never
changes what a load is.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from uuid import UUID

from msgspec.structs import replace

from incidents.rules import corrections, devices, inspection, interruptions, paper, readings
from incidents.rules.events import (
    AttributionCorrected,
    ContaminationRecorded,
    Corrected,
    CycleReadingsKept,
    CycleStopped,
    DoorOpened,
    EnteredFromPaper,
    ExposureRecorded,
    ExposureTakenOn,
    LoadReleasedOnPaper,
    NoteAdded,
    PowerLost,
    Recorded,
    RecordShared,
    RecordWithdrawn,
    TrayLeft,
    TraysRejected,
    WrongProgrammeNoted,
)
from incidents.rules.load_state import ENDED, Load
from incidents.rules.load_steps import STEPS, Steps, unexpected, void_first_signatures
from incidents.rules.vocabulary import SKEW

__all__ = ["ENDED", "SKEW", "Load", "evolve", "fold", "in_device_order", "out_of_order"]


def _unchanged(load: Load, event: Recorded, data: object) -> Load:
    """Worth telling, and nothing that decides."""
    return load


_ALL_STEPS: Steps = STEPS | {
    CycleStopped: interruptions.stopped,
    PowerLost: interruptions.power_lost,
    DoorOpened: interruptions.door_opened,
    WrongProgrammeNoted: interruptions.wrong_programme,
    TraysRejected: inspection.rejected,
    ContaminationRecorded: inspection.contamination,
    TrayLeft: inspection.left,
    Corrected: corrections.corrected,
    AttributionCorrected: corrections.attribution_corrected,
    EnteredFromPaper: paper.entered,
    LoadReleasedOnPaper: paper.released,
    CycleReadingsKept: readings.folded,
    RecordShared: readings.shared,
    RecordWithdrawn: readings.withdrawn,
    NoteAdded: _unchanged,
    ExposureRecorded: _unchanged,
    ExposureTakenOn: _unchanged,
}


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
    step = _ALL_STEPS.get(type(event.data))
    if step is None:
        odd = unexpected(load, event, "Something was recorded here that belongs elsewhere.")
        heard = devices.with_heard(load.heard, event)
        return replace(void_first_signatures(odd, event), version=event.version, heard=heard)
    after = step(load, event, event.data)
    if event.actor.kind == "device" or event.occurred_at - event.recorded_at > SKEW:
        after = _judge_time(after, event)
    if after.first_signatures:
        after = void_first_signatures(after, event)
    return replace(after, version=event.version, heard=devices.with_heard(load.heard, event))


def _judge_time(load: Load, event: Recorded) -> Load:
    if event.occurred_at - event.recorded_at > SKEW:
        return unexpected(load, event, "It claims a time more than 2 min ahead of the clock here.")
    if load.assembled_at is not None and load.assembled_at - event.occurred_at > SKEW:
        return unexpected(load, event, "It claims a time before this load was assembled.")
    return load

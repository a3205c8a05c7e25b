"""A machine's own story: what it is, and what it reported while no load here was known to be in it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules import alarms
from incidents.rules.alarms import Alarm
from incidents.rules.events import (
    AlarmAcknowledged,
    AlarmCleared,
    AlarmRaised,
    CycleFinished,
    CycleStarted,
    MachineRegistered,
    Recorded,
)
from incidents.rules.loads import in_device_order


class StrayCycle(msgspec.Struct, frozen=True):
    """Something a machine reported of a cycle that no load here is known to have gone through."""

    event_id: UUID
    chamber: str
    machine_cycle: int | None
    sentence: str
    at: datetime


class Machine(msgspec.Struct, frozen=True):
    id: UUID
    version: int = 0
    name: str = ""
    code: str = ""
    chambers: tuple[str, ...] = ()
    alarms: tuple[Alarm, ...] = ()
    strays: tuple[StrayCycle, ...] = ()


def fold(machine_id: UUID, events: Sequence[Recorded]) -> Machine:
    """The machine as its own stream makes it."""
    machine = Machine(id=machine_id)
    for event in in_device_order(events):
        machine = evolve(machine, event)
    return replace(machine, version=len(events))


def evolve(machine: Machine, event: Recorded) -> Machine:
    """The next state. Total: what doesn't concern a machine leaves it as it is."""
    after = replace(machine, version=event.version)
    match event.data:
        case MachineRegistered() as data:
            return replace(after, name=data.name, code=data.code, chambers=data.chambers)
        case AlarmRaised() as data:
            return replace(after, alarms=alarms.raised(machine.alarms, event, data))
        case AlarmAcknowledged() as data:
            return replace(after, alarms=alarms.acknowledged(machine.alarms, event, data))
        case AlarmCleared() as data:
            return replace(after, alarms=alarms.cleared(machine.alarms, event, data))
        case CycleStarted() as data:
            return _stray(after, event, data.chamber, data.machine_cycle, "started a cycle without a load")
        case CycleFinished() as data:
            return _stray(after, event, data.chamber, data.machine_cycle, "ended a cycle without a load")
        case _:
            return after


def _stray(machine: Machine, event: Recorded, chamber: str, cycle: int | None, what: str) -> Machine:
    same = [stray for stray in machine.strays if cycle is not None and stray.machine_cycle == cycle]
    if same:
        return machine
    stray = StrayCycle(event.event_id, chamber, cycle, f"{machine.name} {what}", event.occurred_at)
    return replace(machine, strays=(*machine.strays, stray))

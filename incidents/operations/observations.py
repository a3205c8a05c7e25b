"""What a machine tells by itself: always recorded, on the load it is about or on the machine's own stream."""

from __future__ import annotations

from typing import Literal, get_args
from uuid import UUID

import msgspec

from incidents.operations.alarms import alarm_of, block_after_repeats
from incidents.operations.deeds import Doing, observation
from incidents.queries import facts
from incidents.rules import programmes
from incidents.rules.events import (
    AlarmCleared,
    AlarmRaised,
    AnyEvent,
    CycleFinished,
    CycleStarted,
    DoorOpened,
    PowerLost,
    Stream,
)
from incidents.rules.loads import Load

Kind = Literal["cycle-started", "alarm-raised", "alarm-cleared", "cycle-finished", "power-lost", "door-opened"]
KINDS: tuple[Kind, ...] = get_args(Kind)


class Told(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a machine may say of itself, besides which kind of thing happened."""

    chamber: str
    machine_cycle: int | None = None
    programme: str = ""
    code: str = ""
    phase: str = ""
    text: str = ""
    halts: bool = True
    complete: bool = True
    forced: bool = False
    load_taken_out: bool = False


@observation
def observe(doing: Doing, *, machine: UUID, kind: Kind, told: Told) -> None:
    """Record one observation of a machine. Unknown programmes and codes are recorded, flagged and held."""
    doing.machine(machine)
    starting = kind == "cycle-started"
    load_id = facts.load_of_cycle(doing.facility, machine, told.chamber, told.machine_cycle, starting)
    load: Load | None = doing.state(Stream("load", load_id)) if load_id else None
    stream = Stream("load", load_id) if load_id else Stream("machine", machine)
    event = _event(doing, machine, load, kind, told)
    doing.record(stream, event)
    if isinstance(event, AlarmRaised):
        block_after_repeats(doing, event)


def _event(doing: Doing, machine: UUID, load: Load | None, kind: Kind, told: Told) -> AnyEvent:
    if kind == "cycle-started":
        return _start(doing, machine, told)
    if kind == "cycle-finished":
        return CycleFinished(machine_cycle=told.machine_cycle, chamber=told.chamber, complete=told.complete)
    if kind == "power-lost":
        return PowerLost(phase=told.phase, machine_cycle=told.machine_cycle, chamber=told.chamber)
    if kind == "door-opened":
        return DoorOpened(
            forced=told.forced,
            load_taken_out=told.load_taken_out,
            phase=told.phase,
            machine_cycle=told.machine_cycle,
            chamber=told.chamber,
        )
    if kind == "alarm-cleared":
        return AlarmCleared(code=told.code, chamber=told.chamber, machine_cycle=told.machine_cycle)
    return alarm_of(
        doing,
        load,
        load.catalogue_edition if load else 0,
        told.code,
        told.phase or "an unknown phase",
        doing.new("alarm"),
        text=told.text,
        halts=told.halts,
        machine=machine,
        chamber=told.chamber,
        machine_cycle=told.machine_cycle,
    )


def _start(doing: Doing, machine: UUID, told: Told) -> CycleStarted:
    programme = facts.programme(doing.facility, told.programme)
    catalogue = facts.catalogue(doing.facility)
    found = facts.machine(doing.facility, machine)
    return CycleStarted(
        machine=machine,
        machine_name=doing.machine(machine).name,
        chamber=told.chamber,
        programme_name=told.programme,
        programme=programmes.in_force(programme) if programme else None,
        catalogue_edition=catalogue.edition if catalogue else 0,
        basis=facts.basis(doing.facility),
        machine_cycle=told.machine_cycle,
        blocked=(found.block_of(told.chamber) or "") if found else "",
    )

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
    CycleExplained,
    CycleFinished,
    CycleStarted,
    MachineBlocked,
    MachineRegistered,
    MachineReturned,
    Recorded,
    SupplyChanged,
    WordsRef,
)
from incidents.rules.loads import in_device_order
from incidents.rules.refusals import Refusal


class StrayCycle(msgspec.Struct, frozen=True):
    """Something a machine reported of a cycle that no load here is known to have gone through."""

    event_id: UUID
    chamber: str
    machine_cycle: int | None
    sentence: str
    at: datetime


class Block(msgspec.Struct, frozen=True):
    """Why no cycle starts; `chamber` is empty where it is the whole machine."""

    chamber: str
    reason: str
    by: UUID
    at: datetime


class Supply(msgspec.Struct, frozen=True):
    line: str
    product: str
    lot: str
    expires_on: str
    at: datetime


class Machine(msgspec.Struct, frozen=True):
    id: UUID
    version: int = 0
    name: str = ""
    code: str = ""
    chambers: tuple[str, ...] = ()
    alarms: tuple[Alarm, ...] = ()
    strays: tuple[StrayCycle, ...] = ()
    blocks: tuple[Block, ...] = ()
    supplies: tuple[Supply, ...] = ()
    explained: tuple[int, ...] = ()


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
        case MachineBlocked() as data:
            block = Block(data.chamber, data.reason, event.actor.id, event.occurred_at)
            return replace(after, blocks=(*_without(machine, data.chamber), block))
        case MachineReturned() as data:
            return replace(after, blocks=_without(machine, data.chamber))
        case SupplyChanged() as data:
            supply = Supply(data.line, data.product, data.lot, data.expires_on, event.occurred_at)
            others = tuple(known for known in machine.supplies if known.line != data.line)
            return replace(after, supplies=(*others, supply))
        case CycleExplained() as data:
            strays = tuple(stray for stray in machine.strays if not _is_explained(stray, data))
            number = () if data.machine_cycle is None else (data.machine_cycle,)
            return replace(after, strays=strays, explained=(*machine.explained, *number))
        case CycleStarted() as data:
            return _stray(after, event, data.chamber, data.machine_cycle, "started a cycle without a load")
        case CycleFinished() as data:
            return _stray(after, event, data.chamber, data.machine_cycle, "ended a cycle without a load")
        case _:
            return after


def _without(machine: Machine, chamber: str) -> tuple[Block, ...]:
    return tuple(block for block in machine.blocks if block.chamber != chamber)


def blocked(machine: Machine, chamber: str) -> Block | None:
    """What keeps this chamber from starting, or None. A blocked machine blocks every chamber."""
    return next((block for block in machine.blocks if block.chamber in ("", chamber)), None)


def block(machine: Machine, chamber: str, reason: str, words: WordsRef | None) -> MachineBlocked | Refusal:
    if chamber and chamber not in machine.chambers:
        return Refusal(
            "chamber-unknown", f"{machine.name} has no chamber “{chamber}”.", "Choose one of its chambers."
        )
    if any(known.chamber == chamber for known in machine.blocks):
        return Refusal("blocked-already", f"{machine.name} is blocked already.", "Add a note on its page.")
    return MachineBlocked(reason=reason, chamber=chamber, words=words)


def bring_back(machine: Machine, chamber: str, words: WordsRef) -> MachineReturned | Refusal:
    if not any(known.chamber == chamber for known in machine.blocks):
        return Refusal("not-blocked", f"{machine.name} is not blocked.", "Read its page.")
    return MachineReturned(words=words, chamber=chamber)


def explain(
    machine: Machine, machine_cycle: int | None, words: WordsRef, load: UUID | None, stray: UUID | None = None
) -> CycleExplained | Refusal:
    """Say why a cycle had no load, by its number or, where the machine told none, by its report.

    Linking it to a load never makes that load proven.
    """
    if machine_cycle in machine.explained:
        return Refusal("explained-already", f"Cycle {machine_cycle} is explained.", "Read the machine’s page.")
    if machine_cycle is None and not any(known.event_id == stray for known in machine.strays):
        return Refusal("stray-unknown", f"{machine.name} reported no such cycle.", "Choose one from the list.")
    return CycleExplained(machine_cycle=machine_cycle, words=words, load=load, stray=stray)


def _is_explained(stray: StrayCycle, data: CycleExplained) -> bool:
    if data.machine_cycle is None:
        return stray.event_id == data.stray
    return stray.machine_cycle == data.machine_cycle


def _stray(machine: Machine, event: Recorded, chamber: str, cycle: int | None, what: str) -> Machine:
    same = [stray for stray in machine.strays if cycle is not None and stray.machine_cycle == cycle]
    if same or cycle in machine.explained:
        return machine
    stray = StrayCycle(event.event_id, chamber, cycle, f"{machine.name} {what}", event.occurred_at)
    return replace(machine, strays=(*machine.strays, stray))

"""A machine's own story: what it is, and what it reported while no load here was known to be in it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules import alarms, devices
from incidents.rules.alarms import Alarm
from incidents.rules.devices import Clock, Heard, Run
from incidents.rules.events import (
    AlarmAcknowledged,
    AlarmCleared,
    AlarmRaised,
    AlarmShelved,
    AlarmUnshelved,
    ClockCompared,
    CycleExplained,
    CycleFinished,
    CycleStarted,
    DeviceFellSilent,
    Exposure,
    ExposureRecorded,
    ExposureTakenOn,
    MachineBlocked,
    MachineLimited,
    MachineRegistered,
    MachineReturned,
    MissingExplained,
    ObservationArrived,
    ObservationsMissed,
    Recorded,
    RecordFormSet,
    SilenceEnded,
    SupplyChanged,
    WordsRef,
)
from incidents.rules.loads import SKEW, in_device_order
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


class Exposed(msgspec.Struct, frozen=True):
    """Somebody was hurt at the machine, or nearly, and nobody has taken it on yet."""

    event_id: UUID
    kind: Exposure
    person: UUID | None
    words: WordsRef
    at: datetime


class Supply(msgspec.Struct, frozen=True):
    line: str
    product: str
    lot: str
    expires_on: str
    at: datetime


class Takes(msgspec.Struct, frozen=True):
    """The only programmes (names) and racks (codes) that a machine takes; an empty tuple takes all."""

    programmes: tuple[str, ...] = ()
    racks: tuple[str, ...] = ()

    def not_taken(self, programme: str = "", rack: str = "", rack_name: str = "") -> str:
        """What of these it does not take, in words, or nothing. An empty name or code is none to be taken."""
        if programme and self.programmes and programme not in self.programmes:
            return f"programme “{programme}”"
        if rack and self.racks and rack.casefold() not in {code.casefold() for code in self.racks}:
            return f"rack “{rack_name or rack}”"
        return ""


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
    exposed: tuple[Exposed, ...] = ()
    explained: tuple[int, ...] = ()
    takes: Takes = Takes()
    heard: tuple[Heard, ...] = ()
    missing: tuple[Run, ...] = ()
    clock: Clock | None = None
    record_form: RecordFormSet | None = None
    silent_since: datetime | None = None


def fold(machine_id: UUID, events: Sequence[Recorded]) -> Machine:
    """The machine as its own stream makes it."""
    machine = Machine(id=machine_id)
    for event in in_device_order(events):
        machine = evolve(machine, event)
    return replace(machine, version=len(events))


def evolve(machine: Machine, event: Recorded) -> Machine:
    """The next state. Total: what doesn't concern a machine leaves it as it is."""
    after = replace(machine, version=event.version, heard=devices.with_heard(machine.heard, event))
    match event.data:
        case MachineRegistered() as data:
            return replace(after, name=data.name, code=data.code, chambers=data.chambers)
        case AlarmRaised() as data:
            return replace(after, alarms=alarms.raised(machine.alarms, event, data))
        case AlarmAcknowledged() as data:
            return replace(after, alarms=alarms.acknowledged(machine.alarms, event, data))
        case AlarmCleared() as data:
            return replace(after, alarms=alarms.cleared(machine.alarms, event, data))
        case AlarmShelved() as data:
            return replace(after, alarms=alarms.shelved(machine.alarms, event, data))
        case AlarmUnshelved() as data:
            return replace(after, alarms=alarms.unshelved(machine.alarms, data))
        case MachineBlocked() as data:
            block = Block(data.chamber, data.reason, event.actor.id, event.occurred_at)
            return replace(after, blocks=(*_without(machine, data.chamber), block))
        case MachineReturned() as data:
            return replace(after, blocks=_without(machine, data.chamber))
        case MachineLimited() as data:
            return replace(after, takes=Takes(data.programmes, data.racks))
        case RecordFormSet() as data:
            return replace(after, record_form=data)
        case SupplyChanged() as data:
            supply = Supply(data.line, data.product, data.lot, data.expires_on, event.occurred_at)
            others = tuple(known for known in machine.supplies if known.line != data.line)
            return replace(after, supplies=(*others, supply))
        case ExposureRecorded() as data:
            told = Exposed(event.event_id, data.kind, data.person, data.words, event.occurred_at)
            return replace(after, exposed=(*machine.exposed, told))
        case ExposureTakenOn() as data:
            return replace(after, exposed=tuple(one for one in machine.exposed if one.event_id != data.exposure))
        case CycleExplained() as data:
            strays = tuple(stray for stray in machine.strays if not _is_explained(stray, data))
            number = () if data.machine_cycle is None else (data.machine_cycle,)
            return replace(after, strays=strays, explained=(*machine.explained, *number))
        case ObservationsMissed() as data:
            run = Run(data.first, data.last, event.recorded_at)
            return replace(after, missing=devices.among(machine.missing, run))
        case ObservationArrived() as data:
            return replace(after, missing=devices.without(machine.missing, data.number, data.number))
        case MissingExplained() as data:
            return replace(after, missing=devices.without(machine.missing, data.first, data.last))
        case ClockCompared() as data:
            return replace(after, clock=Clock(data.ahead_s, event.recorded_at))
        case DeviceFellSilent() as data:
            return replace(after, silent_since=data.last_heard_at)
        case SilenceEnded():
            return replace(after, silent_since=None)
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


def blocked_at(machine: Machine, chamber: str, moment: datetime) -> Block | None:
    """The same, as far as it had been blocked by then: a start that is told late was no start in spite of it."""
    found = blocked(machine, chamber)
    return found if found is not None and found.at - moment <= SKEW else None


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


def take_on(machine: Machine, exposure: UUID) -> ExposureTakenOn | Refusal:
    """Look after what was told of, once."""
    if not any(known.event_id == exposure for known in machine.exposed):
        return Refusal("exposure-taken", "Nobody waits for this: somebody has taken it on.", "Read what happened.")
    return ExposureTakenOn(exposure=exposure)


def limit(machine: Machine, takes: Takes) -> MachineLimited | Refusal:
    """Say which programmes and racks it takes, in place of what was said before."""
    if any(not 0 < len(name) <= 80 for name in (*takes.programmes, *takes.racks)):
        return Refusal("name-long", "A programme’s name or a rack’s code has 1 to 80 characters.", "Correct it.")
    if takes == machine.takes:
        return Refusal("nothing-changed", f"{machine.name} takes just these already.", "Change something first.")
    return MachineLimited(programmes=takes.programmes, racks=takes.racks)


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


def silence(
    machine: Machine, last_heard_at: datetime | None, allowed: timedelta, now: datetime
) -> DeviceFellSilent | SilenceEnded | None:
    """What is new of a device's silence; None where nothing is.

    `last_heard_at` is None of a machine whose device was never heard, or has no door any more: it is asked nothing.
    Without an allowance, and of a machine out of service, no silence is noted.
    """
    known = machine.silent_since
    if known is None:
        waited = allowed and last_heard_at is not None and now - last_heard_at >= allowed
        return DeviceFellSilent(last_heard_at) if waited and last_heard_at and not blocked(machine, "") else None
    if last_heard_at is None or last_heard_at > known:
        return SilenceEnded(last_heard_at)
    return None

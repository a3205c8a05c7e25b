"""What a machine tells by itself: always recorded, on the load it is about or on the machine's own stream."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Literal, get_args
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.ledger.writing import Deed, digest_of, together
from incidents.operations import hearing
from incidents.operations.alarms import alarm_of, block_after_repeats
from incidents.operations.deeds import Doing, Outcome, Request, observation
from incidents.queries import facts
from incidents.rules import authority, devices, machines, programmes
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
from incidents.rules.machines import Machine
from incidents.rules.passages import Report

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


class Observed(msgspec.Struct, frozen=True):
    """One observation of a batch. `deed` names it for ever, `sequence` is the device's own counter."""

    deed: UUID
    kind: Kind
    told: Told
    occurred_at: datetime | None = None
    sequence: int | None = None


def hear(
    request: Request, *, machine: UUID, observed: Sequence[Observed], sent_at: datetime | None = None
) -> list[Outcome]:
    """Record a machine's observations in one transaction, each a deed of its own; their outcomes in order.

    They are told by the device's own counter where all have one, whatever their order here. `sent_at` is what
    the sender's clock said when it sent them. Raises LedgerBusy.
    """
    actor = request.by.actor
    asked = {"observed": [each.deed for each in observed], "sent_at": sent_at}
    batch = Deed(request.deed, "observe", actor, digest_of("observe", actor, asked))
    outcomes: dict[int, Outcome] = {}
    with together(request.facility, request.now, batch) as log:
        log.expect([each.deed for each in observed])
        doing = Doing(request, log)
        if _may(doing, machine):
            if sent_at is not None and log.receipt is None:
                _compare_clock(doing, machine, sent_at)
            chambers = {each.told.chamber for each in observed}
            cycles = {each.told.machine_cycle for each in observed if each.told.machine_cycle is not None}
            hearing.open_for(doing, machine, chambers, cycles)
        for place in _in_order(observed):
            outcomes[place] = _hear_one(request, machine, observed[place])
    return [outcomes[place] for place in range(len(observed))]


def _in_order(observed: Sequence[Observed]) -> Sequence[int]:
    numbers = [each.sequence for each in observed]
    if None in numbers:
        return range(len(observed))
    return sorted(range(len(observed)), key=lambda place: (numbers[place], place))


def _hear_one(request: Request, machine: UUID, each: Observed) -> Outcome:
    asks = replace(request, deed=each.deed, occurred_at=each.occurred_at, sequence=each.sequence)
    return observe(asks, machine=machine, kind=each.kind, told=each.told)


def _may(doing: Doing, machine: UUID) -> bool:
    known: Machine = doing.state(Stream("machine", machine))
    return bool(known.name) and authority.refusal("observe", doing.by.roles, ()) is None


def _compare_clock(doing: Doing, machine: UUID, sent_at: datetime) -> None:
    compared = devices.compare(doing.machine(machine).clock, sent_at, doing.request.now)
    if compared is not None:
        doing.conclude(Stream("machine", machine), compared)


@observation
def observe(doing: Doing, *, machine: UUID, kind: Kind, told: Told) -> None:
    """Record one observation of a machine. Unknown programmes and codes are recorded, flagged and held."""
    known = doing.machine(machine)
    heard = hearing.of(doing, machine, told.chamber, told.machine_cycle)
    report = Report(
        chamber=told.chamber,
        machine_cycle=told.machine_cycle,
        starting=kind == "cycle-started",
        at=hearing.by_our_clock(known, doing.occurred_at),
        overtakes=heard.overtakes(known, doing.request.sequence),
    )
    load_id = heard.load_of(known, report)
    load: Load | None = doing.state(Stream("load", load_id)) if load_id else None
    stream = Stream("load", load_id) if load_id else Stream("machine", machine)
    event = _event(doing, known, load, kind, told)
    (recorded,) = doing.record(stream, event)
    before = heard.heard
    heard.note(recorded, doing.state(stream) if load_id else None)
    hearing.conclude_missing(doing, known, before)
    if isinstance(event, AlarmRaised):
        block_after_repeats(doing, event, load_id)


def _event(doing: Doing, machine: Machine, load: Load | None, kind: Kind, told: Told) -> AnyEvent:
    if kind == "cycle-started":
        return _start(doing, machine, load, told)
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
        machine=machine.id,
        chamber=told.chamber,
        machine_cycle=told.machine_cycle,
    )


def _start(doing: Doing, machine: Machine, load: Load | None, told: Told) -> CycleStarted:
    newest = doing.fact(facts.programme, told.programme)
    programme = facts.effective(doing.facility, newest, doing.occurred_at)
    catalogue = doing.fact(facts.catalogue)
    rack = doing.fact(facts.rack, load.rack) if load and load.rack else None
    block = machines.blocked_at(machine, told.chamber, doing.occurred_at)
    return CycleStarted(
        machine=machine.id,
        machine_name=machine.name,
        chamber=told.chamber,
        programme_name=told.programme,
        programme=programmes.in_force(programme) if programme else None,
        catalogue_edition=catalogue.edition if catalogue else 0,
        basis=doing.fact(facts.basis),
        machine_cycle=told.machine_cycle,
        blocked=block.reason if block else "",
        not_taken=machine.takes.not_taken(told.programme, *((rack.code, rack.name) if rack else ())),
    )

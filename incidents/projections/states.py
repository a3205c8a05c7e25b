"""The states behind the read models: one fold per kind of stream, and the rows that each state means."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.projections.tables import (
    ALARM,
    CATALOGUE,
    CONTENT,
    FACILITY,
    LOAD,
    MACHINE,
    OPEN_ITEM,
    PASSAGE,
    PROGRAMME,
    TRAY,
    Rows,
)
from incidents.rules import loads, machines, open_items, release
from incidents.rules.alarms import Alarm
from incidents.rules.events import (
    CataloguePublished,
    FacilityOpened,
    ProgrammePublished,
    Recorded,
    SetRegistered,
    Stream,
)
from incidents.rules.loads import ENDED, Load
from incidents.rules.machines import Machine


class Latest(msgspec.Struct, frozen=True):
    """A thing whose newest publication is all there is to know of it."""

    id: UUID
    version: int = 0
    told: Any = None


def _latest(latest: Latest, event: Recorded) -> Latest:
    return replace(latest, version=event.version, told=event.data)


def _fold_latest(owner: UUID, events: Sequence[Recorded]) -> Latest:
    return Latest(owner, len(events), events[-1].data if events else None)


def rows_of_load(load: Load) -> Rows:
    standing = release.holds(load)
    what = release.disposition(load)
    recall = release.under_recall(load)
    year = int(load.number[:4]) if load.number[:4].isdigit() else 0
    rows: Rows = {
        LOAD: {
            (): (
                load.version,
                load.number,
                year,
                load.ordinal,
                load.name,
                load.machine,
                load.machine_name,
                load.chamber,
                load.machine_cycle,
                load.programme_name,
                load.stage,
                what,
                recall,
                load.review is not None,
                load.place,
                load.spot,
                len(load.trays),
                load.rerun_of,
                " ".join(hold.code for hold in standing),
                standing[0].sentence if standing else "",
                load.assembled_at,
                load.started_at,
                load.expected_end_at,
                load.ended_at,
                None if load.overdue_since else load.due_at,
            )
        },
        CONTENT: {(tray,): () for tray in load.trays},
        ALARM: _rows_of_alarms("load", load.alarms),
        OPEN_ITEM: _rows_of_items("load", open_items.of_load(load)),
    }
    if load.machine is not None:
        stage = "ended" if load.stage in ENDED else load.stage
        rows[PASSAGE] = {(): (load.machine, load.chamber, load.machine_cycle, stage)}
    return rows


def _rows_of_alarms(kind: str, alarms: tuple[Alarm, ...]) -> dict[Any, Any]:
    return {
        (alarm.id,): (kind, alarm.code, alarm.title, alarm.phase, alarm.priority, alarm.state, alarm.raised_at)
        for alarm in alarms
    }


def _rows_of_items(kind: str, items: Any) -> dict[Any, Any]:
    return {(item.key,): (kind, item.kind, item.priority, item.title, item.since, item.alarm) for item in items}


def rows_of_machine(machine: Machine) -> Rows:
    chambers = msgspec.json.encode(machine.chambers).decode()
    return {
        MACHINE: {(): (machine.name, machine.code, chambers, "in service")} if machine.name else {},
        ALARM: _rows_of_alarms("machine", machine.alarms),
        OPEN_ITEM: _rows_of_items("machine", open_items.of_machine(machine)),
    }


def rows_of_latest(latest: Latest) -> Rows:
    match latest.told:
        case FacilityOpened() as told:
            return {FACILITY: {(): (told.basis,)}}
        case ProgrammePublished() as told:
            return {PROGRAMME: {(): (told.name, told.edition, _json(told))}}
        case CataloguePublished() as told:
            return {CATALOGUE: {(): (told.edition, _json(told))}}
        case SetRegistered() as told:
            size = len(told.trays)
            return {
                TRAY: {
                    (tray.id,): (tray.label, told.name, told.owner, n, size) for n, tray in enumerate(told.trays, 1)
                }
            }
        case _:
            return {}


def _json(told: Any) -> str:
    return msgspec.json.encode(told, order="sorted").decode()


class Kind(msgspec.Struct, frozen=True):
    """How streams of one kind are folded and shown."""

    new: Callable[[UUID], Any]
    evolve: Callable[[Any, Recorded], Any]
    fold: Callable[[UUID, Sequence[Recorded]], Any]
    rows: Callable[[Any], Rows]


_latest_kind = Kind(Latest, _latest, _fold_latest, rows_of_latest)
KINDS: dict[str, Kind] = {
    "load": Kind(Load, loads.evolve, loads.fold, rows_of_load),
    "machine": Kind(Machine, machines.evolve, machines.fold, rows_of_machine),
    "facility": _latest_kind,
    "programme": _latest_kind,
    "catalogue": _latest_kind,
    "set": _latest_kind,
}


def next_state(kind: Kind, before: Any, told: Sequence[Recorded], event: Recorded) -> Any:
    """The state after `event`, the newest of `told`; folded anew where a device's event came late."""
    if event.sequence is not None and loads.out_of_order(told):
        return kind.fold(event.stream.id, told)
    return kind.evolve(before, event)


def empty(stream: Stream) -> Any:
    return KINDS[stream.kind].new(stream.id)

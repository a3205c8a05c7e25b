"""The states behind the read models: one fold per kind of stream, and the rows that each state means."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from operator import attrgetter
from typing import Any, NamedTuple
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.projections.tables import (
    ALARM,
    CATALOGUE,
    CATALOGUE_DRAFT,
    CONTENT,
    COUNTER,
    DOWNTIME_FORM,
    FACILITY,
    LOAD,
    MACHINE,
    OPEN_ITEM,
    PASSAGE,
    POLICY,
    PROGRAMME,
    RACK,
    TRAY,
    Key,
    Rows,
    Table,
    Values,
)
from incidents.rules import catalogue, downtime, loads, machines, open_items, racks, release
from incidents.rules.alarms import Alarm
from incidents.rules.catalogue import Catalogue
from incidents.rules.downtime import Downtime
from incidents.rules.events import (
    FacilityOpened,
    PolicySet,
    ProgrammePublished,
    Recorded,
    SetRegistered,
    Stream,
)
from incidents.rules.loads import ENDED, Load
from incidents.rules.machines import Machine
from incidents.rules.racks import Rack


class Latest(msgspec.Struct, frozen=True):
    """A thing whose newest publication is all there is to know of it."""

    id: UUID
    version: int = 0
    told: Any = None


def _latest(latest: Latest, event: Recorded) -> Latest:
    return replace(latest, version=event.version, told=event.data)


def _fold_latest(owner: UUID, events: Sequence[Recorded]) -> Latest:
    return Latest(owner, len(events), events[-1].data if events else None)


# --- rows ---------------------------------------------------------------------------------------------


class Shown(NamedTuple):
    """The rows that a state means in one table. While what `looks_at` gives stays equal, so do the rows."""

    table: Table
    rows: Callable[[Any], Mapping[Key, Values]]
    looks_at: Callable[[Any], object]


def _whole(state: Any) -> object:
    return state


def _load_row(load: Load) -> Mapping[Key, Values]:
    if not load.version:
        return {}
    standing = release.holds(load)
    year = int(load.number[:4]) if load.number[:4].isdigit() else 0
    return {
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
            release.disposition(load),
            release.under_recall(load),
            load.review is not None,
            load.place,
            load.spot,
            len(load.trays),
            load.rerun_of,
            load.form,
            " ".join(hold.code for hold in standing),
            standing[0].sentence if standing else "",
            load.assembled_at,
            load.started_at,
            load.expected_end_at,
            load.ended_at,
            None if load.overdue_since else load.due_at,
        )
    }


def _contents(load: Load) -> Mapping[Key, Values]:
    return {(tray,): (load.assembled_position, load.fate_of(tray)) for tray in load.trays}


def _passage(load: Load) -> Mapping[Key, Values]:
    if load.machine is None:
        return {}
    stage = "ended" if load.stage in ENDED else load.stage
    return {(): (load.machine, load.chamber, load.machine_cycle, stage)}


def _items_of_load(load: Load) -> Mapping[Key, Values]:
    return _rows_of_items("load", open_items.of_load(load))


def _alarms_of_load(load: Load) -> Mapping[Key, Values]:
    return _rows_of_alarms("load", load.alarms)


def _rows_of_alarms(kind: str, alarms: tuple[Alarm, ...]) -> Mapping[Key, Values]:
    return {
        (alarm.id,): (kind, alarm.code, alarm.title, alarm.phase, alarm.priority, alarm.state, alarm.raised_at)
        for alarm in alarms
    }


def _rows_of_items(kind: str, items: Any) -> Mapping[Key, Values]:
    return {(item.key,): (kind, item.kind, item.priority, item.title, item.since, item.alarm) for item in items}


def _machine_row(machine: Machine) -> Mapping[Key, Values]:
    chambers = msgspec.json.encode(machine.chambers).decode()
    blocks = {block.chamber: block.reason for block in machine.blocks}
    blocked = msgspec.json.encode(blocks, order="sorted").decode()
    return {(): (machine.name, machine.code, chambers, blocked)} if machine.name else {}


def _counter(machine: Machine) -> Mapping[Key, Values]:
    """Numbers of the counter without a load here: False while they are strays, True once explained."""
    strays = {stray.machine_cycle: False for stray in machine.strays if stray.machine_cycle is not None}
    told = strays | dict.fromkeys(machine.explained, True)
    return {(number,): (explained,) for number, explained in told.items()}


def _rack_row(rack: Rack) -> Mapping[Key, Values]:
    return {(): (rack.code, rack.name, rack.blocked)} if rack.code else {}


def _items_of_machine(machine: Machine) -> Mapping[Key, Values]:
    return _rows_of_items("machine", open_items.of_machine(machine))


def _alarms_of_machine(machine: Machine) -> Mapping[Key, Values]:
    return _rows_of_alarms("machine", machine.alarms)


def _facility_row(latest: Latest) -> Mapping[Key, Values]:
    told = latest.told
    return {(): (told.basis,)} if isinstance(told, FacilityOpened) else {}


def _policy_row(latest: Latest) -> Mapping[Key, Values]:
    told = latest.told
    return {(): (told.edition, _json(told))} if isinstance(told, PolicySet) else {}


def _form_rows(state: Downtime) -> Mapping[Key, Values]:
    return {(form.number,): (form.state, form.issued, form.since, form.load) for form in state.forms.values()}


def _items_of_downtime(state: Downtime) -> Mapping[Key, Values]:
    return _rows_of_items("downtime", open_items.of_downtime(state))


def _programme_row(latest: Latest) -> Mapping[Key, Values]:
    told = latest.told
    return {(): (told.name, told.edition, _json(told))} if isinstance(told, ProgrammePublished) else {}


def _catalogue_row(state: Catalogue) -> Mapping[Key, Values]:
    told = state.published
    return {(): (state.published_version, told.edition, _json(told))} if told else {}


def _catalogue_draft_row(state: Catalogue) -> Mapping[Key, Values]:
    draft = state.draft
    return {(): (draft.version, draft.edition_from, draft.by, draft.at, _json(draft.faults))} if draft else {}


def _trays(latest: Latest) -> Mapping[Key, Values]:
    told = latest.told
    if not isinstance(told, SetRegistered):
        return {}
    size = len(told.trays)
    return {
        (tray.id,): (tray.label, told.name, told.owner, n, size, told.loaner, told.needed_by)
        for n, tray in enumerate(told.trays, 1)
    }


def _json(told: Any) -> str:
    return msgspec.json.encode(told, order="sorted").decode()


class Kind(msgspec.Struct, frozen=True):
    """How streams of one kind are folded and shown."""

    new: Callable[[UUID], Any]
    evolve: Callable[[Any, Recorded], Any]
    fold: Callable[[UUID, Sequence[Recorded]], Any]
    shown: tuple[Shown, ...]


_SHOWN_OF_LOAD = (
    Shown(LOAD, _load_row, _whole),
    Shown(CONTENT, _contents, attrgetter("trays", "rejections", "left")),
    Shown(PASSAGE, _passage, attrgetter("machine", "chamber", "machine_cycle", "stage")),
    Shown(ALARM, _alarms_of_load, attrgetter("alarms")),
    Shown(OPEN_ITEM, _items_of_load, _whole),
)
_SHOWN_OF_MACHINE = (
    Shown(MACHINE, _machine_row, attrgetter("name", "code", "chambers", "blocks")),
    Shown(COUNTER, _counter, attrgetter("strays", "explained")),
    Shown(ALARM, _alarms_of_machine, attrgetter("alarms")),
    Shown(OPEN_ITEM, _items_of_machine, attrgetter("name", "alarms", "strays", "blocks")),
)


_SHOWN_OF_DOWNTIME = (
    Shown(DOWNTIME_FORM, _form_rows, attrgetter("forms")),
    Shown(OPEN_ITEM, _items_of_downtime, attrgetter("forms")),
)
_SHOWN_OF_CATALOGUE = (
    Shown(CATALOGUE, _catalogue_row, attrgetter("published")),
    Shown(CATALOGUE_DRAFT, _catalogue_draft_row, attrgetter("draft")),
)


def _latest_shown(table: Table, rows: Callable[[Latest], Mapping[Key, Values]]) -> Kind:
    return Kind(Latest, _latest, _fold_latest, (Shown(table, rows, attrgetter("told")),))


KINDS: dict[str, Kind] = {
    "load": Kind(Load, loads.evolve, loads.fold, _SHOWN_OF_LOAD),
    "machine": Kind(Machine, machines.evolve, machines.fold, _SHOWN_OF_MACHINE),
    "rack": Kind(Rack, racks.evolve, racks.fold, (Shown(RACK, _rack_row, _whole),)),
    "downtime": Kind(Downtime, downtime.evolve, downtime.fold, _SHOWN_OF_DOWNTIME),
    "policy": _latest_shown(POLICY, _policy_row),
    "facility": _latest_shown(FACILITY, _facility_row),
    "programme": _latest_shown(PROGRAMME, _programme_row),
    "catalogue": Kind(Catalogue, catalogue.evolve, catalogue.fold, _SHOWN_OF_CATALOGUE),
    "set": _latest_shown(TRAY, _trays),
}


def rows_of_load(load: Load) -> Rows:
    return _all_rows(_SHOWN_OF_LOAD, load)


def rows_of_machine(machine: Machine) -> Rows:
    return _all_rows(_SHOWN_OF_MACHINE, machine)


def _all_rows(shown: tuple[Shown, ...], state: Any) -> Rows:
    return {each.table: each.rows(state) for each in shown}


def next_state(kind: Kind, before: Any, told: Sequence[Recorded], event: Recorded) -> Any:
    """The state after `event`, the newest of `told`; folded anew where a device's event came late."""
    if event.sequence is not None and loads.out_of_order(told):
        return kind.fold(event.stream.id, told)
    return kind.evolve(before, event)


def empty(stream: Stream) -> Any:
    return KINDS[stream.kind].new(stream.id)

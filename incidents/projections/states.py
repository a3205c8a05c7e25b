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
    CARE,
    CATALOGUE,
    CATALOGUE_DRAFT,
    CLIMB,
    CONTENT,
    COUNTER,
    DOWNTIME_FORM,
    FACILITY,
    HEARD,
    INCIDENT,
    LOAD,
    MACHINE,
    OPEN_ITEM,
    PASSAGE,
    PAST_ALARM,
    PAST_LOAD,
    PAST_REPAIR,
    POLICY,
    PROGRAMME,
    RACK,
    RECORD,
    RECORD_FORM,
    TRAY,
    Key,
    Rows,
    Table,
    Values,
)
from incidents.rules import (
    care,
    catalogue,
    climbs,
    devices,
    downtime,
    editions,
    facility,
    history,
    holds,
    incidents,
    ladders,
    loads,
    machines,
    messages,
    open_items,
    racks,
    rotas,
)
from incidents.rules.alarms import Alarm
from incidents.rules.care import Care
from incidents.rules.catalogue import Catalogue
from incidents.rules.climbs import Climb
from incidents.rules.downtime import Downtime
from incidents.rules.editions import Programme
from incidents.rules.events import (
    PastAlarmImported,
    PastLoadImported,
    PastRepairImported,
    PolicySet,
    Recorded,
    SetRegistered,
    Stream,
)
from incidents.rules.facility import Facility
from incidents.rules.history import Past
from incidents.rules.incidents import Incident
from incidents.rules.ladders import Policy
from incidents.rules.loads import ENDED, Load
from incidents.rules.machines import Machine
from incidents.rules.messages import Undelivered
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
    standing = holds.holds(load)
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
            holds.disposition(load),
            holds.under_recall(load),
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
            load.rack,
        )
    }


def _contents(load: Load) -> Mapping[Key, Values]:
    return {(tray,): (load.assembled_position, load.fate_of(tray)) for tray in load.trays}


def _records(load: Load) -> Mapping[Key, Values]:
    return {(record.content,): (record.digest, record.packed) for record in load.records}


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
        (alarm.id,): (
            kind,
            alarm.code,
            alarm.title,
            alarm.phase,
            alarm.priority,
            alarm.state,
            alarm.raised_at,
            alarm.shelved_until if alarm.state == "shelved" else None,
        )
        for alarm in alarms
    }


def _rows_of_items(kind: str, items: Any) -> Mapping[Key, Values]:
    return {
        (item.key,): (
            kind,
            item.kind,
            item.priority,
            item.title,
            item.since,
            item.alarm,
            item.taken_by,
            item.words.digest if item.words else "",
        )
        for item in items
    }


def _machine_row(machine: Machine) -> Mapping[Key, Values]:
    chambers = msgspec.json.encode(machine.chambers).decode()
    blocks = {block.chamber: block.reason for block in machine.blocks}
    blocked = msgspec.json.encode(blocks, order="sorted").decode()
    return {(): (machine.name, machine.code, chambers, blocked, _json(machine.takes))} if machine.name else {}


def _record_form(machine: Machine) -> Mapping[Key, Values]:
    return {(): (_json(machine.record_form),)} if machine.record_form else {}


def _counter(machine: Machine) -> Mapping[Key, Values]:
    """Numbers of the counter without a load here: False while they are strays, True once explained."""
    strays = {stray.machine_cycle: False for stray in machine.strays if stray.machine_cycle is not None}
    told = strays | dict.fromkeys(machine.explained, True)
    return {(number,): (explained,) for number, explained in told.items()}


def _heard(state: Load | Machine) -> Mapping[Key, Values]:
    return {(heard.device,): (heard.lowest, heard.highest) for heard in state.heard}


def _rack_row(rack: Rack) -> Mapping[Key, Values]:
    return {(): (rack.code, rack.name, rack.blocked)} if rack.code else {}


def _items_of_machine(machine: Machine) -> Mapping[Key, Values]:
    return _rows_of_items("machine", open_items.of_machine(machine))


def _alarms_of_machine(machine: Machine) -> Mapping[Key, Values]:
    return _rows_of_alarms("machine", machine.alarms)


def _facility_row(facility: Facility) -> Mapping[Key, Values]:
    return {(): (facility.basis,)} if facility.basis else {}


def _items_of_facility(facility: Facility) -> Mapping[Key, Values]:
    return _rows_of_items("facility", open_items.of_facility(facility))


def _policy_row(latest: Latest) -> Mapping[Key, Values]:
    told = latest.told
    return {(): (told.edition, _json(told))} if isinstance(told, PolicySet) else {}


def _form_rows(state: Downtime) -> Mapping[Key, Values]:
    return {(form.number,): (form.state, form.issued, form.since, form.load) for form in state.forms.values()}


def _items_of_downtime(state: Downtime) -> Mapping[Key, Values]:
    return _rows_of_items("downtime", open_items.of_downtime(state))


def _programme_row(state: Programme) -> Mapping[Key, Values]:
    told = state.newest
    return {(): (told.name, told.edition, _json(told))} if told and state.withdrawn_at is None else {}


def _items_of_programme(state: Programme) -> Mapping[Key, Values]:
    return _rows_of_items("programme", open_items.of_programme(state))


def _catalogue_row(state: Catalogue) -> Mapping[Key, Values]:
    told = state.published
    return {(): (state.published_version, told.edition, _json(told), _json(state.fallen))} if told else {}


def _care_row(state: Care) -> Mapping[Key, Values]:
    words = state.words.digest if state.words else ""
    return {(): (state.person, state.at, state.by, words)} if state.person else {}


def _items_of_message(state: Undelivered) -> Mapping[Key, Values]:
    return _rows_of_items("message", open_items.of_message(state))


def _items_of_catalogue(state: Catalogue) -> Mapping[Key, Values]:
    return _rows_of_items("catalogue", open_items.of_catalogue(state))


def _catalogue_draft_row(state: Catalogue) -> Mapping[Key, Values]:
    draft = state.draft
    return {(): (draft.version, draft.edition_from, draft.by, draft.at, _json(draft.faults))} if draft else {}


def _items_of_policy(state: Policy) -> Mapping[Key, Values]:
    return _rows_of_items("escalation", open_items.of_ladders(state))


def _climbed(state: Climb) -> Mapping[Key, Values]:
    return {(key.ladder, key.rung): (key.repeat,) for key in state.taken}


def _incident_rows(state: Incident) -> Mapping[Key, Values]:
    verified_at = state.verification.at if state.verification else None
    return {(alarm,): (state.told_at, verified_at) for alarm in state.alarms}


def _trays(latest: Latest) -> Mapping[Key, Values]:
    told = latest.told
    if not isinstance(told, SetRegistered):
        return {}
    size = len(told.trays)
    return {
        (tray.id,): (tray.label, told.name, told.owner, n, size, told.loaner, told.needed_by)
        for n, tray in enumerate(told.trays, 1)
    }


def _past_load(past: Past) -> Mapping[Key, Values]:
    told = past.told
    if not isinstance(told, PastLoadImported):
        return {}
    trays = msgspec.json.encode(told.trays).decode()
    place = (told.machine, told.chamber, told.machine_cycle)
    return {(): (past.name, *place, told.programme, told.outcome, told.stated, trays, past.at, told.ended_at)}


def _past_alarm(past: Past) -> Mapping[Key, Values]:
    told = past.told
    if not isinstance(told, PastAlarmImported):
        return {}
    place = (told.machine, told.chamber, told.machine_cycle)
    return {(): (*place, told.code, told.title, told.phase, past.at, told.acknowledged_at, told.cleared_at)}


def _past_repair(past: Past) -> Mapping[Key, Values]:
    told = past.told
    if not isinstance(told, PastRepairImported):
        return {}
    return {(): (told.machine, told.chamber, told.words.digest, past.at, told.back_at)}


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
    Shown(RECORD, _records, attrgetter("records")),
    Shown(PASSAGE, _passage, attrgetter("machine", "chamber", "machine_cycle", "stage")),
    Shown(ALARM, _alarms_of_load, attrgetter("alarms")),
    Shown(OPEN_ITEM, _items_of_load, _whole),
    Shown(HEARD, _heard, attrgetter("heard")),
)
_SHOWN_OF_MACHINE = (
    Shown(MACHINE, _machine_row, attrgetter("name", "code", "chambers", "blocks", "takes")),
    Shown(RECORD_FORM, _record_form, attrgetter("record_form")),
    Shown(COUNTER, _counter, attrgetter("strays", "explained")),
    Shown(ALARM, _alarms_of_machine, attrgetter("alarms")),
    Shown(
        OPEN_ITEM,
        _items_of_machine,
        attrgetter("name", "alarms", "strays", "blocks", "missing", "clock", "exposed", "silent_since"),
    ),
    Shown(HEARD, _heard, attrgetter("heard")),
)


_SHOWN_OF_FACILITY = (
    Shown(FACILITY, _facility_row, attrgetter("basis")),
    Shown(OPEN_ITEM, _items_of_facility, attrgetter("restorations")),
)
_SHOWN_OF_DOWNTIME = (
    Shown(DOWNTIME_FORM, _form_rows, attrgetter("forms")),
    Shown(OPEN_ITEM, _items_of_downtime, attrgetter("forms")),
)
_SHOWN_OF_CATALOGUE = (
    Shown(CATALOGUE, _catalogue_row, attrgetter("editions")),
    Shown(CATALOGUE_DRAFT, _catalogue_draft_row, attrgetter("draft")),
    Shown(OPEN_ITEM, _items_of_catalogue, attrgetter("editions")),
)

_SHOWN_OF_PROGRAMME = (
    Shown(PROGRAMME, _programme_row, attrgetter("editions", "withdrawn_at")),
    Shown(OPEN_ITEM, _items_of_programme, attrgetter("draft", "editions")),
)

_SHOWN_OF_LADDERS = (Shown(OPEN_ITEM, _items_of_policy, attrgetter("draft")),)
_SHOWN_OF_CLIMB = (Shown(CLIMB, _climbed, attrgetter("taken")),)

_SHOWN_OF_HISTORY = (
    Shown(PAST_LOAD, _past_load, attrgetter("told")),
    Shown(PAST_ALARM, _past_alarm, attrgetter("told")),
    Shown(PAST_REPAIR, _past_repair, attrgetter("told")),
)


def _latest_shown(table: Table, rows: Callable[[Latest], Mapping[Key, Values]]) -> Kind:
    return Kind(Latest, _latest, _fold_latest, (Shown(table, rows, attrgetter("told")),))


KINDS: dict[str, Kind] = {
    "load": Kind(Load, loads.evolve, loads.fold, _SHOWN_OF_LOAD),
    "machine": Kind(Machine, machines.evolve, machines.fold, _SHOWN_OF_MACHINE),
    "rack": Kind(Rack, racks.evolve, racks.fold, (Shown(RACK, _rack_row, _whole),)),
    "downtime": Kind(Downtime, downtime.evolve, downtime.fold, _SHOWN_OF_DOWNTIME),
    "policy": _latest_shown(POLICY, _policy_row),
    "facility": Kind(Facility, facility.evolve, facility.fold, _SHOWN_OF_FACILITY),
    "history": Kind(Past, history.evolve, history.fold, _SHOWN_OF_HISTORY),
    "programme": Kind(Programme, editions.evolve, editions.fold, _SHOWN_OF_PROGRAMME),
    "catalogue": Kind(Catalogue, catalogue.evolve, catalogue.fold, _SHOWN_OF_CATALOGUE),
    "set": _latest_shown(TRAY, _trays),
    "handover": Kind(Latest, _latest, _fold_latest, ()),
    "care": Kind(Care, care.evolve, care.fold, (Shown(CARE, _care_row, _whole),)),
    "message": Kind(Undelivered, messages.evolve, messages.fold, (Shown(OPEN_ITEM, _items_of_message, _whole),)),
    "incident": Kind(Incident, incidents.evolve, incidents.fold, (Shown(INCIDENT, _incident_rows, _whole),)),
    "escalation": Kind(Policy, ladders.evolve, ladders.fold, _SHOWN_OF_LADDERS),
    "calendar": Kind(rotas.Calendar, rotas.evolve, rotas.fold, ()),
    "climb": Kind(Climb, climbs.evolve, climbs.fold, _SHOWN_OF_CLIMB),
    "person": Kind(Latest, _latest, _fold_latest, ()),
}


def rows_of_load(load: Load) -> Rows:
    return _all_rows(_SHOWN_OF_LOAD, load)


def rows_of_machine(machine: Machine) -> Rows:
    return _all_rows(_SHOWN_OF_MACHINE, machine)


def _all_rows(shown: tuple[Shown, ...], state: Any) -> Rows:
    return {each.table: each.rows(state) for each in shown}


def next_state(kind: Kind, before: Any, told: Sequence[Recorded], event: Recorded) -> Any:
    """The state after `event`, the newest of `told`; folded anew where a device's event came late.

    One that tells a higher number than any heard before stays where it is, whatever came late before it. Only
    loads and machines are told of by devices, and keep what they heard.
    """
    if event.sequence is not None and devices.came_late(getattr(before, "heard", ()), event):
        return kind.fold(event.stream.id, told)
    return kind.evolve(before, event)


def empty(stream: Stream) -> Any:
    return KINDS[stream.kind].new(stream.id)

"""Facts from elsewhere that a deed needs: read models of the same facility, in the same transaction."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

import msgspec
from django.db import connection

from incidents.ledger.dialect import Hand, id_out, ids_in, moment_in, moment_out
from incidents.ledger.reading import read_stream
from incidents.rules import editions
from incidents.rules.devices import Heard
from incidents.rules.events import CataloguePublished, PolicySet, ProgrammePublished, RecordFormSet, Stream
from incidents.rules.machines import Takes
from incidents.rules.open_items import draft_title
from incidents.rules.passages import Passage
from incidents.rules.policies import STARTING_POLICY
from incidents.rules.reruns import LaterLoad


class MachineFact(NamedTuple):
    id: UUID
    name: str
    code: str
    chambers: tuple[str, ...]
    blocked: dict[str, str]
    takes: Takes = Takes()

    def block_of(self, chamber: str) -> str | None:
        """Why no cycle starts in this chamber, or None."""
        return self.blocked.get("", self.blocked.get(chamber))


class TrayFact(NamedTuple):
    """A tray, and the unfinished load that it is in, if any; `fate` is what became of it in its last load."""

    id: UUID
    label: str
    load: UUID | None
    load_name: str
    fate: str


class RackFact(NamedTuple):
    id: UUID
    code: str
    name: str
    blocked: bool


class RackUse(NamedTuple):
    """A load that a rack is in or meant for."""

    load: UUID
    load_name: str
    stage: str
    machine_name: str

    @property
    def in_chamber(self) -> bool:
        return self.stage != "assembled"


def _rows(statement: str, params: Sequence[Any]) -> list[Any]:
    with connection.cursor() as cursor:
        cursor.execute(statement, params)
        found: list[Any] = cursor.fetchall()
        return found


def _marks(values: Sequence[Any]) -> str:
    return ", ".join(["%s"] * len(values))


def machine(facility: UUID, machine_id: UUID) -> MachineFact | None:
    return _machine(f"{_MACHINES} AND owner = %s", (facility, machine_id))


def machines(facility: UUID) -> list[MachineFact]:
    return [_machine_fact(row) for row in _rows(f"{_MACHINES} ORDER BY owner", (facility,))]


def machine_by_code(facility: UUID, code: str) -> MachineFact | None:
    """The machine whose code or name was scanned or typed, in capitals or not."""
    return _machine(
        f"{_MACHINES} AND (lower(code) = lower(%s) OR lower(name) = lower(%s))"
        " ORDER BY CASE WHEN code = %s THEN 0 ELSE 1 END, owner",
        (facility, code, code, code),
    )


def _machine(statement: str, params: Sequence[Any]) -> MachineFact | None:
    found = _rows(statement, params)
    return None if not found else _machine_fact(found[0])


def _machine_fact(row: Any) -> MachineFact:
    owner, name, code, chambers, blocked, takes = row
    return MachineFact(
        id_out(owner),
        name,
        code,
        msgspec.json.decode(chambers, type=tuple[str, ...]),
        msgspec.json.decode(blocked, type=dict[str, str]),
        msgspec.json.decode(takes, type=Takes),
    )


def has_programme(facility: UUID) -> bool:
    """Was a programme ever in force here?"""
    return bool(_rows("SELECT 1 FROM read_programme WHERE facility_id = %s LIMIT 1", (facility,)))


def takers(facility: UUID, programme: str, rack: str) -> list[str]:
    """The names of the machines that take both."""
    machines = [_machine_fact(row) for row in _rows(f"{_MACHINES} ORDER BY name", (facility,))]
    return [one.name for one in machines if not one.takes.not_taken(programme, rack)]


def _known(at: int | None) -> tuple[str, tuple[int, ...]]:
    """What stands now or, with `at`, stood when the log had that size: a condition and its parameters."""
    if at is None:
        return "known_to IS NULL", ()
    return "known_from < %s AND (known_to IS NULL OR known_to >= %s)", (at, at)


def programme(facility: UUID, name: str, at: int | None = None) -> ProgrammePublished | None:
    """The publication in force of the programme of this name; with `at`, when the log had that size."""
    known, then = _known(at)
    found = _rows(
        f"SELECT body FROM read_programme WHERE facility_id = %s AND name = %s AND {known}",
        (facility, name, *then),
    )
    return msgspec.json.decode(found[0][0], type=ProgrammePublished) if found else None


def effective(facility: UUID, newest: ProgrammePublished | None, moment: datetime) -> ProgrammePublished | None:
    """The edition in force at that moment: the newest, or one before it while that is yet to come."""
    if newest is None or newest.effective_at is None or newest.effective_at <= moment:
        return newest
    stream = programme_id(facility, newest.name)
    told = read_stream(facility, Stream("programme", stream)) if stream else []
    return editions.fold(stream, told).in_force(moment) if stream else None


def programme_id(facility: UUID, name: str) -> UUID | None:
    """The programme of this name, also one that is withdrawn, or a draft alone."""
    found = _rows(
        "SELECT owner FROM read_programme WHERE facility_id = %s AND name = %s ORDER BY known_from DESC LIMIT 1",
        (facility, name),
    ) or _rows(
        "SELECT owner FROM read_open_item WHERE facility_id = %s AND known_to IS NULL AND kind = %s AND title = %s",
        (facility, "programme-draft", draft_title(name)),
    )
    return id_out(found[0][0]) if found else None


def trays_labelled(facility: UUID, labels: Sequence[str]) -> list[str]:
    """Labels of trays here that are one of these, in capitals or not."""
    lowered = ", ".join(["lower(%s)"] * len(labels))
    statement = f"SELECT label FROM read_tray WHERE facility_id = %s AND lower(label) IN ({lowered})"
    return [label for (label,) in _rows(statement, (facility, *labels))]


def unreleased_loads(facility: UUID) -> list[UUID]:
    """Every load that is neither released nor reprocessed, oldest first."""
    statement = (
        "SELECT owner FROM read_load WHERE facility_id = %s AND disposition NOT IN ('released', 'reprocessed')"
        " ORDER BY year, ordinal"
    )
    return [id_out(load) for (load,) in _rows(statement, (facility,))]


def catalogue(facility: UUID, edition: int | None = None, at: int | None = None) -> CataloguePublished | None:
    """The fault catalogue in force, or the edition that was, by number or then, unless that fell since."""
    if at is not None:
        known, then = _known(at)
        stood = _rows(f"{_CATALOGUES} AND {known}", (facility, *then))
        if not stood:
            return None
        edition = stood[0][1]
    found = _rows(f"{_CATALOGUES} AND known_to IS NULL", (facility,))
    if found and edition not in (None, found[0][1], *msgspec.json.decode(found[0][2], type=list[int])):
        found = _rows(f"{_CATALOGUES} AND edition = %s", (facility, edition)) or found
    return msgspec.json.decode(found[0][0], type=CataloguePublished) if found else None


def policy(facility: UUID, at: int | None = None) -> PolicySet:
    """What the facility decides, or decided when the log had that size; before it set its own, starting values."""
    known, then = _known(at)
    found = _rows(f"SELECT body FROM read_policy WHERE facility_id = %s AND {known}", (facility, *then))
    return msgspec.json.decode(found[0][0], type=PolicySet) if found else STARTING_POLICY


def newest_of(facility: UUID, machine_id: UUID, cycles: int) -> frozenset[UUID]:
    """The machine's newest `cycles` loads."""
    return frozenset(id_out(load) for (load,) in _rows(_NEWEST_OF, (facility, machine_id, cycles)))


def with_fault(facility: UUID, machine_id: UUID, code: str, cycles: int) -> set[UUID]:
    """Those of the machine's newest `cycles` loads in which this fault came up."""
    return {id_out(load) for (load,) in _rows(_WITH_FAULT, (facility, machine_id, cycles, code))}


def came_again(facility: UUID, alarm: UUID, cycles: int) -> bool:
    """Was the same fault resolved in another of its machine's newest `cycles` loads before?"""
    found = _rows(_ALARM_OF, (facility, alarm))
    if not found or found[0][2] is None:
        return False
    owner, code, machine_id = id_out(found[0][0]), found[0][1], id_out(found[0][2])
    others = with_fault(facility, machine_id, code, cycles) - {owner}
    return bool(others) and bool(_rows(_RESOLVED.format(_marks([*others])), (facility, code, *others)))


def rack(facility: UUID, rack_id: UUID) -> RackFact | None:
    found = _rows(
        "SELECT owner, code, name, blocked FROM read_rack"
        " WHERE facility_id = %s AND owner = %s AND known_to IS NULL",
        (facility, rack_id),
    )
    return RackFact(id_out(found[0][0]), found[0][1], found[0][2], bool(found[0][3])) if found else None


def record_form(facility: UUID, machine_id: UUID) -> RecordFormSet | None:
    """How this machine's own exports are read, where somebody said so."""
    statement = "SELECT body FROM read_record_form WHERE facility_id = %s AND owner = %s"
    found = _rows(statement, (facility, machine_id))
    return msgspec.json.decode(found[0][0], type=RecordFormSet) if found else None


def machine_of_load(facility: UUID, load: UUID) -> UUID | None:
    found = _rows("SELECT machine FROM read_load WHERE facility_id = %s AND owner = %s", (facility, load))
    return id_out(found[0][0]) if found and found[0][0] else None


def loads_with_record(facility: UUID, content: str) -> list[UUID]:
    """Loads that have a record with this content, whatever file it came in."""
    statement = "SELECT owner FROM read_record WHERE facility_id = %s AND content = %s ORDER BY owner"
    return [id_out(load) for (load,) in _rows(statement, (facility, content))]


def rack_by_code(facility: UUID, code: str) -> UUID | None:
    found = _rows(
        "SELECT owner FROM read_rack WHERE facility_id = %s AND lower(code) = lower(%s) AND known_to IS NULL",
        (facility, code),
    )
    return id_out(found[0][0]) if found else None


def loads_on_rack(facility: UUID, rack_id: UUID) -> list[RackUse]:
    """Loads that are assembled on this rack, or whose cycle runs or stands stopped with it; the oldest first."""
    return [RackUse(id_out(owner), *told) for owner, *told in _rows(_ON_RACK, (facility, rack_id))]


def basis(facility: UUID, at: int | None = None) -> Any:
    known, then = _known(at)
    found = _rows(f"SELECT basis FROM read_facility WHERE facility_id = %s AND {known}", (facility, *then))
    return found[0][0] if found else "transcribed"


def next_ordinal(facility: UUID, year: int) -> int:
    """The next load number of the year. Only under the facility's lock is it still free when written."""
    found = _rows("SELECT max(ordinal) FROM read_load WHERE facility_id = %s AND year = %s", (facility, year))
    return int(found[0][0] or 0) + 1


def trays(facility: UUID, ids: Sequence[UUID]) -> list[TrayFact]:
    """The trays that are registered here, each with the unfinished load that it is in."""
    if not ids:
        return []
    rows = _rows(_TRAYS.format(_marks(ids)), (facility, *ids))
    return [
        TrayFact(id_out(tray), label, id_out(load) if load else None, name or "", fate or "")
        for tray, label, load, name, fate in rows
    ]


def newest_loads(facility: UUID, ids: Sequence[UUID]) -> dict[UUID, UUID]:
    """For each tray the load that it went into last."""
    if not ids:
        return {}
    rows = _rows(_NEWEST.format(_marks(ids)), (facility, *ids))
    return {id_out(tray): id_out(load) for tray, load in rows}


def load_in_chamber(facility: UUID, machine_id: UUID, chamber: str) -> UUID | None:
    """The load whose cycle runs or stands stopped in this chamber."""
    found = _rows(_IN_CHAMBER.format("('running', 'stopped')") + _OLDEST, (facility, machine_id, chamber))
    return id_out(found[0][0]) if found else None


def has_cycle(facility: UUID, machine_id: UUID, chamber: str, machine_cycle: int) -> UUID | None:
    """The load that has this number of the machine's counter, if any."""
    found = _rows(_OF_CYCLE, (facility, machine_id, chamber, machine_cycle))
    return id_out(found[0][0]) if found else None


def next_assembly(facility: UUID, ids: Sequence[UUID], after: datetime) -> int | None:
    """The place, in the order of a tray's loads, of the first load that any of these trays went to after then."""
    if not ids:
        return None
    found = _rows(_NEXT_ASSEMBLY.format(_marks(ids)), (facility, *ids, moment_in(after)))
    return None if found[0][0] is None else int(found[0][0])


def passages(facility: UUID, machine_id: UUID, chambers: Collection[str], cycles: Collection[int]) -> list[Passage]:
    """Loads in these chambers of a machine, or meant for them, and those that have these numbers of its counter."""
    hand = Hand()
    found: dict[UUID, Passage] = {}
    for named, column in ((chambers, "chamber"), (cycles, "machine_cycle")):
        if named:
            waiting = _WAITING if column == "chamber" else ""
            statement = _PASSAGES.format(column, _marks(tuple(named)), waiting)
            for row in hand.rows(statement, ids_in((facility, machine_id, *named))):
                load = id_out(row[0])
                found[load] = _passage(load, *row[1:])
    return list(found.values())


def _passage(load: UUID, chamber: str, cycle: int | None, stage: str, since: int, assembled: Any) -> Passage:
    return Passage(load, chamber, cycle, stage, since, moment_out(assembled) if assembled else None)


def heard(facility: UUID, device: UUID) -> Heard | None:
    """The lowest and the highest of its own numbers that a device ever told."""
    hand, ends = Hand(), []
    for end in ("lowest", "highest DESC"):
        hand.execute(_HEARD.format(end.split()[0], end), (facility, device))
        ends.append(hand.fetchone())
    return Heard(device, ends[0][0], ends[1][0]) if ends[0] else None


def went_before(facility: UUID, load: UUID) -> bool:
    """Did any tray of this load go through another one before it? No observation changes that."""
    return bool(_rows(f"SELECT 1 {_BEFORE} LIMIT 1", (facility, load)))


def earlier_loads(facility: UUID, load: UUID) -> list[UUID]:
    """Loads that trays of this one went through before it and whose end may turn on it.

    A load that is released and not under recall stays so whatever becomes of its trays (`reruns.settle`), and
    what a tray went through before such a load turns on that one (`reruns.proof_of`). So a tray's past is read
    back to its last release and no further, however long it is.
    """
    return [id_out(owner) for (owner,) in _rows(_EARLIER, (facility, load))]


def later_loads(facility: UUID, load: UUID) -> dict[UUID, list[LaterLoad]]:
    """For each tray of this load the loads it went through since, in order."""
    later: dict[UUID, list[LaterLoad]] = {}
    for tray, owner, stage, disposition, recall, fate in _rows(_LATER, (facility, load)):
        way = fate if fate != "rejected" else ""
        told = LaterLoad(id_out(owner), stage == "finished", disposition, bool(recall), fate == "rejected", way)
        later.setdefault(id_out(tray), []).append(told)
    return later


_MACHINES = (
    "SELECT owner, name, code, chambers, blocked, takes FROM read_machine"
    " WHERE facility_id = %s AND known_to IS NULL"
)
_CATALOGUES = "SELECT body, edition, fallen FROM read_catalogue WHERE facility_id = %s"
_TRAYS = (
    "SELECT t.tray, t.label, l.owner, l.name, c.fate FROM read_tray t"
    " LEFT JOIN read_content c ON c.facility_id = t.facility_id AND c.tray = t.tray AND c.known_to IS NULL"
    "  AND c.assembled = (SELECT max(n.assembled) FROM read_content n"
    "   WHERE n.facility_id = t.facility_id AND n.tray = t.tray AND n.known_to IS NULL)"
    " LEFT JOIN read_load l ON l.facility_id = c.facility_id AND l.owner = c.owner AND ("
    "  c.fate = 'rejected' OR (c.fate = ''"
    "   AND NOT (l.disposition IN ('released', 'reprocessed') AND NOT l.under_recall)))"
    " WHERE t.facility_id = %s AND t.tray IN ({}) ORDER BY t.label"
)
_PASSAGES = (
    "SELECT p.owner, p.chamber, p.machine_cycle, p.stage, p.known_from, l.assembled_at FROM read_passage p"
    " JOIN read_load l ON l.facility_id = p.facility_id AND l.owner = p.owner"
    " WHERE p.facility_id = %s AND p.machine = %s AND p.known_to IS NULL AND p.{} IN ({}){}"
)
_WAITING = " AND p.stage IN ('assembled', 'running', 'stopped')"
_HEARD = "SELECT {} FROM read_heard WHERE facility_id = %s AND device = %s ORDER BY {} LIMIT 1"
_OLDEST = " ORDER BY known_from"
_IN_CHAMBER = (
    "SELECT owner FROM read_passage WHERE facility_id = %s AND machine = %s AND chamber = %s"
    " AND known_to IS NULL AND stage IN {}"
)
_OF_CYCLE = (
    "SELECT owner FROM read_passage WHERE facility_id = %s AND machine = %s AND chamber = %s AND machine_cycle = %s"
    " AND known_to IS NULL ORDER BY known_from DESC"
)
_NEXT_ASSEMBLY = (
    "SELECT min(c.assembled) FROM read_content c JOIN read_load l"
    " ON l.facility_id = c.facility_id AND l.owner = c.owner"
    " WHERE c.facility_id = %s AND c.known_to IS NULL AND c.tray IN ({}) AND l.assembled_at > %s"
)
# CROSS JOIN keeps SQLite, which knows no statistics here, from beginning at the wrong end: with everything that
# ever went through any load of the facility.
_BEFORE = (
    " FROM read_content a CROSS JOIN read_content b"
    " WHERE a.facility_id = %s AND a.owner = %s AND a.known_to IS NULL"
    " AND b.facility_id = a.facility_id AND b.tray = a.tray AND b.assembled < a.assembled AND b.known_to IS NULL"
)
# The stage in which a load was released for good. A scalar, not a join: PostgreSQL, where it knows no statistics
# either, then still asks for the one row.
_GONE = (
    "(SELECT CASE WHEN l.disposition = 'released' AND NOT l.under_recall THEN l.stage ELSE '' END"
    " FROM read_load l WHERE l.facility_id = {0}.facility_id AND l.owner = {0}.owner)"
)
_EARLIER = (
    f"SELECT DISTINCT b.owner {_BEFORE}"
    " AND b.assembled > COALESCE((SELECT n.assembled FROM read_content n"
    "  WHERE n.facility_id = a.facility_id AND n.tray = a.tray AND n.assembled < a.assembled"
    f"  AND n.known_to IS NULL AND n.fate = '' AND {_GONE.format('n')} = 'finished'"
    "  ORDER BY n.assembled DESC LIMIT 1), -1)"
    f" AND COALESCE({_GONE.format('b')}, '') = ''"
)
_LATER = (
    "SELECT b.tray, b.owner, l.stage, l.disposition, l.under_recall, b.fate"
    " FROM read_content a CROSS JOIN read_content b CROSS JOIN read_load l"
    " WHERE a.facility_id = %s AND a.owner = %s AND a.known_to IS NULL"
    " AND b.facility_id = a.facility_id AND b.tray = a.tray AND b.assembled > a.assembled AND b.known_to IS NULL"
    " AND l.facility_id = b.facility_id AND l.owner = b.owner ORDER BY b.assembled"
)
_NEWEST = (
    "SELECT tray, owner FROM read_content WHERE facility_id = %s AND tray IN ({}) AND known_to IS NULL"
    " ORDER BY assembled"
)
_ON_RACK = (
    "SELECT owner, name, stage, machine_name FROM read_load WHERE facility_id = %s"
    " AND stage IN ('assembled', 'running', 'stopped') AND rack = %s ORDER BY year, ordinal"
)
_NEWEST_OF = (
    "SELECT owner FROM read_load WHERE facility_id = %s AND machine = %s ORDER BY year DESC, ordinal DESC LIMIT %s"
)
_ALARM_OF = (
    "SELECT a.owner, a.code, COALESCE(l.machine, a.owner) FROM read_alarm a"
    " LEFT JOIN read_load l ON l.facility_id = a.facility_id AND l.owner = a.owner"
    " WHERE a.facility_id = %s AND a.alarm = %s AND a.known_to IS NULL"
)
_RESOLVED = (
    "SELECT 1 FROM read_alarm WHERE facility_id = %s AND code = %s AND state = 'normal' AND known_to IS NULL"
    " AND owner IN ({}) LIMIT 1"
)
_WITH_FAULT = (
    "SELECT DISTINCT a.owner FROM read_alarm a JOIN"
    " (SELECT owner, facility_id FROM read_load WHERE facility_id = %s AND machine = %s"
    "  ORDER BY year DESC, ordinal DESC LIMIT %s) l ON l.facility_id = a.facility_id AND l.owner = a.owner"
    " WHERE a.known_to IS NULL AND a.code = %s"
)

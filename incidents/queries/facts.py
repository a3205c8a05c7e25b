"""Facts from elsewhere that a deed needs: read models of the same facility, in the same transaction."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

import msgspec
from django.db import connection

from incidents.ledger.dialect import id_out, moment_in
from incidents.rules.events import CataloguePublished, PolicySet, ProgrammePublished
from incidents.rules.policies import STARTING_POLICY
from incidents.rules.reruns import LaterLoad


class MachineFact(NamedTuple):
    id: UUID
    name: str
    code: str
    chambers: tuple[str, ...]
    blocked: dict[str, str]

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


def _rows(statement: str, params: Sequence[Any]) -> list[Any]:
    with connection.cursor() as cursor:
        cursor.execute(statement, params)
        found: list[Any] = cursor.fetchall()
        return found


def _marks(values: Sequence[Any]) -> str:
    return ", ".join(["%s"] * len(values))


def machine(facility: UUID, machine_id: UUID) -> MachineFact | None:
    return _machine(f"{_MACHINES} AND owner = %s", (facility, machine_id))


def machine_by_code(facility: UUID, code: str) -> MachineFact | None:
    """The machine whose code or name was scanned or typed."""
    return _machine(
        f"{_MACHINES} AND (code = %s OR lower(name) = lower(%s)) ORDER BY owner", (facility, code, code)
    )


def _machine(statement: str, params: Sequence[Any]) -> MachineFact | None:
    found = _rows(statement, params)
    return None if not found else _machine_fact(found[0])


def _machine_fact(row: Any) -> MachineFact:
    owner, name, code, chambers, blocked = row
    return MachineFact(
        id_out(owner),
        name,
        code,
        msgspec.json.decode(chambers, type=tuple[str, ...]),
        msgspec.json.decode(blocked, type=dict[str, str]),
    )


def programme(facility: UUID, name: str) -> ProgrammePublished | None:
    """The newest publication of the programme of this name."""
    found = _rows(
        "SELECT body FROM read_programme WHERE facility_id = %s AND known_to IS NULL AND name = %s",
        (facility, name),
    )
    return msgspec.json.decode(found[0][0], type=ProgrammePublished) if found else None


def programme_id(facility: UUID, name: str) -> UUID | None:
    found = _rows(
        "SELECT owner FROM read_programme WHERE facility_id = %s AND known_to IS NULL AND name = %s",
        (facility, name),
    )
    return id_out(found[0][0]) if found else None


def trays_labelled(facility: UUID, labels: Sequence[str]) -> list[str]:
    """Those of the labels that a tray here has already."""
    statement = f"SELECT label FROM read_tray WHERE facility_id = %s AND label IN ({_marks(labels)})"
    return [label for (label,) in _rows(statement, (facility, *labels))]


def catalogue(facility: UUID, edition: int | None = None) -> CataloguePublished | None:
    """The fault catalogue: the newest, or the edition that was in force when a cycle started."""
    which = "known_to IS NULL" if edition is None else "edition = %s"
    params = (facility,) if edition is None else (facility, edition)
    found = _rows(f"SELECT body FROM read_catalogue WHERE facility_id = %s AND {which}", params)
    return msgspec.json.decode(found[0][0], type=CataloguePublished) if found else None


def policy(facility: UUID) -> PolicySet:
    """What the facility decides; until it has set its own, the starting values."""
    found = _rows("SELECT body FROM read_policy WHERE facility_id = %s AND known_to IS NULL", (facility,))
    return msgspec.json.decode(found[0][0], type=PolicySet) if found else STARTING_POLICY


def same_fault(facility: UUID, machine_id: UUID, code: str, cycles: int) -> int:
    """How often this fault came up in the machine's newest `cycles` loads."""
    found = _rows(_SAME_FAULT, (facility, machine_id, cycles, code))
    return int(found[0][0])


def rack(facility: UUID, rack_id: UUID) -> RackFact | None:
    found = _rows(
        "SELECT owner, code, name, blocked FROM read_rack"
        " WHERE facility_id = %s AND owner = %s AND known_to IS NULL",
        (facility, rack_id),
    )
    return RackFact(id_out(found[0][0]), found[0][1], found[0][2], bool(found[0][3])) if found else None


def rack_by_code(facility: UUID, code: str) -> UUID | None:
    found = _rows(
        "SELECT owner FROM read_rack WHERE facility_id = %s AND code = %s AND known_to IS NULL", (facility, code)
    )
    return id_out(found[0][0]) if found else None


def basis(facility: UUID) -> Any:
    found = _rows("SELECT basis FROM read_facility WHERE facility_id = %s AND known_to IS NULL", (facility,))
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


def load_of_cycle(
    facility: UUID, machine_id: UUID, chamber: str, machine_cycle: int | None, starting: bool
) -> UUID | None:
    """The load that a machine's report is about: by its counter, else by what is in its chamber.

    A report that names a cycle goes to a load that has this counter, or to one whose counter nobody knows
    yet; a start goes to a load that was assembled for the chamber.
    """
    if machine_cycle is not None:
        found = _rows(_OF_CYCLE, (facility, machine_id, chamber, machine_cycle))
        if found:
            return id_out(found[0][0])
    unknown = "" if machine_cycle is None else " AND machine_cycle IS NULL"
    found = _rows(_IN_CHAMBER.format("('running', 'stopped')") + unknown + _OLDEST, (facility, machine_id, chamber))
    if not found and starting:
        found = _rows(_IN_CHAMBER.format("('assembled')") + _OLDEST, (facility, machine_id, chamber))
    return id_out(found[0][0]) if found else None


def earlier_loads(facility: UUID, load: UUID) -> list[UUID]:
    """Loads that trays of this one went through before it."""
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
    "SELECT owner, name, code, chambers, blocked FROM read_machine WHERE facility_id = %s AND known_to IS NULL"
)
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
_EARLIER = (
    "SELECT DISTINCT b.owner FROM read_content a JOIN read_content b"
    " ON b.facility_id = a.facility_id AND b.tray = a.tray AND b.assembled < a.assembled AND b.known_to IS NULL"
    " WHERE a.facility_id = %s AND a.owner = %s AND a.known_to IS NULL"
)
_LATER = (
    "SELECT b.tray, b.owner, l.stage, l.disposition, l.under_recall, b.fate FROM read_content a"
    " JOIN read_content b ON b.facility_id = a.facility_id AND b.tray = a.tray"
    "  AND b.assembled > a.assembled AND b.known_to IS NULL"
    " JOIN read_load l ON l.facility_id = b.facility_id AND l.owner = b.owner"
    " WHERE a.facility_id = %s AND a.owner = %s AND a.known_to IS NULL ORDER BY b.assembled"
)
_NEWEST = (
    "SELECT tray, owner FROM read_content WHERE facility_id = %s AND tray IN ({}) AND known_to IS NULL"
    " ORDER BY assembled"
)
_SAME_FAULT = (
    "SELECT count(DISTINCT a.owner) FROM read_alarm a JOIN"
    " (SELECT owner, facility_id FROM read_load WHERE facility_id = %s AND machine = %s"
    "  ORDER BY year DESC, ordinal DESC LIMIT %s) l ON l.facility_id = a.facility_id AND l.owner = a.owner"
    " WHERE a.known_to IS NULL AND a.code = %s"
)

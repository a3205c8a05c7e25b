"""Where a load's trays are, as far as anything tells: they go on with the load that they went into last.

What was recorded of a load's place stays in its own story; here is what still counts of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

import msgspec
from django.db import connection

from incidents.ledger.dialect import id_out
from incidents.projections.models import LoadRow, MachineRow, TrayRow
from incidents.rules.loads import Load

INSIDE = ("running", "stopped")
ENDED = ("finished", "aborted", "incomplete")
NEWEST = 60  # loads of one machine that are looked through for whoever went into a chamber since
AGAIN, UNKNOWN = "again", "unknown"


class Stand(NamedTuple):
    """`place` is a load's place, or `again` (its trays went into `later` since), or `unknown`."""

    place: str
    words: str
    later: UUID | None = None
    later_name: str = ""
    under_way: bool = False

    @property
    def sentence(self) -> str:
        """What the load's line says of the load that its trays are in; nothing where they are in none."""
        if self.later is None:
            return ""
        return f"is being run again as {self.later_name}" if self.under_way else f"went on as {self.later_name}"


def stands(facility: UUID, rows: Sequence[LoadRow]) -> dict[UUID, Stand]:
    """Where each of these loads stands, by what was recorded and by where its trays went since."""
    if not rows:
        return {}
    later = _later(facility, [row.owner for row in rows])
    newer = {row.owner: row for row in LoadRow.objects.filter(facility_id=facility, owner__in=later.values())}
    inside = [row for row in rows if row.place == "chamber" and row.machine]
    machines = {row.machine for row in inside if row.machine}
    many = _with_chambers(facility, machines)
    taken = {machine: _newest_starts(facility, machine) for machine in machines}
    after = {owner: newer[found] for owner, found in later.items() if found in newer}
    return {row.owner: _stand(row, after.get(row.owner), many, taken) for row in rows}


def stand(facility: UUID, load: UUID) -> Stand:
    rows = list(LoadRow.objects.filter(facility_id=facility, owner=load))
    return stands(facility, rows).get(load, Stand(UNKNOWN, "No place is recorded"))


def recorded(facility: UUID, load: Load) -> str:
    """What was recorded of a load's place, as known at some moment; where its trays went since is not asked."""
    if load.place != "chamber":
        place = load.place.replace("-", " ").capitalize()
        return f"{place}, {load.spot}" if load.spot else place
    many = load.machine is not None and load.machine in _with_chambers(facility, {load.machine})
    return f"In {load.machine_name}, chamber {load.chamber}" if many else f"In {load.machine_name}"


def left_inside(facility: UUID) -> dict[tuple[UUID, str], LoadRow]:
    """For each chamber the load that was last in it, has ended, and of which no other place is recorded.

    Loads that are released or reprocessed are nobody's question here.
    """
    ended = LoadRow.objects.filter(facility_id=facility, place="chamber", stage__in=ENDED)
    rows: list[LoadRow] = []
    for disposition in ("quarantined", "awaiting review"):  # both at once, SQLite would walk all loads by number
        rows += ended.filter(disposition=disposition).order_by("-year", "-ordinal")[:200]
    rows.sort(key=lambda row: (row.year, row.ordinal), reverse=True)
    where = stands(facility, rows)
    found: dict[tuple[UUID, str], LoadRow] = {}
    for row in rows:
        if row.machine and where[row.owner].place == "chamber":
            found.setdefault((row.machine, row.chamber), row)
    return found


Starts = dict[UUID, dict[str, datetime]]


def _stand(row: LoadRow, later: LoadRow | None, many: set[UUID], taken: Starts) -> Stand:
    if later is not None:
        under_way = later.stage in ("assembled", *INSIDE)
        words = f"Its trays {'are' if under_way else 'went on'} in {later.name}"
        return Stand(AGAIN, words, later.owner, later.name, under_way)
    if row.place != "chamber":
        place = row.place.replace("-", " ").capitalize()
        return Stand(row.place, f"{place}, {row.spot}" if row.spot else place)
    where = f"{row.machine_name}, chamber {row.chamber}" if row.machine in many else row.machine_name
    if row.stage in INSIDE:
        return Stand("chamber", f"In {where}")
    since = taken.get(row.machine, {}).get(row.chamber) if row.machine else None
    taken_since = since is not None and row.started_at is not None and since > row.started_at
    if taken_since or row.disposition == "released":
        return Stand(UNKNOWN, f"No place recorded since it was in {where}")
    return Stand("chamber", f"In {where}")


def _with_chambers(facility: UUID, machines: set[UUID]) -> set[UUID]:
    """Those of the machines that have more chambers than one."""
    rows = MachineRow.objects.filter(facility_id=facility, owner__in=machines, known_to=None)
    named = rows.values_list("owner", "chambers")
    return {owner for owner, names in named if len(msgspec.json.decode(names, type=tuple[str, ...])) > 1}


def _newest_starts(facility: UUID, machine: UUID) -> dict[str, datetime]:
    """When a cycle last started in each chamber of a machine, among its newest loads."""
    rows = LoadRow.objects.filter(facility_id=facility, machine=machine).order_by("-year", "-ordinal")
    newest: dict[str, datetime] = {}
    for chamber, started in rows.values_list("chamber", "started_at")[:NEWEST]:
        if started is not None:
            newest[chamber] = max(started, newest.get(chamber, started))
    return newest


class Whereabouts(NamedTuple):
    """Some trays of a load, by label, and where they are as far as anything tells."""

    trays: tuple[str, ...]
    words: str


def of_trays(facility: UUID, owners: Sequence[UUID]) -> dict[UUID, list[Whereabouts]]:
    """For each of these loads its trays that no other documented way has taken, those of one place together."""
    if not owners:
        return {}
    went = _each_later(facility, owners)
    rows = {
        row.owner: row for row in LoadRow.objects.filter(facility_id=facility, owner__in={*owners, *_newer(went)})
    }
    where = stands(facility, list(rows.values()))
    labels = dict(
        TrayRow.objects.filter(facility_id=facility, tray__in=[tray for _, tray, _ in went]).values_list(
            "tray", "label"
        )
    )
    found: dict[UUID, dict[str, list[str]]] = {owner: {} for owner in owners}
    for owner, tray, newer in went:
        words = where[newer or owner].words
        words = f"{rows[newer].name}: {words[:1].lower()}{words[1:]}" if newer else words
        found[owner].setdefault(words, []).append(labels.get(tray, "a tray"))
    return {
        owner: [Whereabouts(tuple(sorted(trays)), words) for words, trays in groups.items()]
        for owner, groups in found.items()
    }


def _newer(went: list[tuple[UUID, UUID, UUID | None]]) -> set[UUID]:
    return {newer for _, _, newer in went if newer is not None}


def _each_later(facility: UUID, owners: Sequence[UUID]) -> list[tuple[UUID, UUID, UUID | None]]:
    """(load, tray, the newest load that the tray went into since, or None), without trays that left."""
    marks = ", ".join(["%s"] * len(owners))
    with connection.cursor() as cursor:
        cursor.execute(_LATER.format(marks), (facility, *owners))
        return [
            (id_out(owner), id_out(tray), id_out(newer) if newer else None)
            for owner, tray, newer in cursor.fetchall()
        ]


def _later(facility: UUID, owners: Sequence[UUID]) -> dict[UUID, UUID]:
    """For loads whose trays have all gone into others since, the last of these; trays that left aside."""
    gone: dict[UUID, UUID] = {}
    here: set[UUID] = set()
    for owner, _, newer in _each_later(facility, owners):
        if newer is None:
            here.add(owner)
        else:
            gone[owner] = newer
    return {owner: newer for owner, newer in gone.items() if owner not in here}


_LATER = (
    "SELECT c.owner, c.tray, (SELECT n.owner FROM read_content n WHERE n.facility_id = c.facility_id"
    " AND n.tray = c.tray AND n.known_to IS NULL AND n.assembled > c.assembled ORDER BY n.assembled DESC LIMIT 1)"
    " FROM read_content c WHERE c.facility_id = %s AND c.owner IN ({}) AND c.known_to IS NULL"
    " AND c.fate IN ('', 'rejected') ORDER BY c.assembled, c.tray"
)

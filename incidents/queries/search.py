"""Finding things by the code that was scanned or typed."""

from __future__ import annotations

from typing import NamedTuple
from uuid import UUID

from incidents.projections.models import ContentRow, LoadRow, MachineRow, TrayRow
from incidents.queries import facts


def load_by_code(facility: UUID, code: str) -> UUID | None:
    """The load of this number or name, or the one that a tray of this label last went into."""
    loads = LoadRow.objects.filter(facility_id=facility)
    found = (
        loads.filter(number=code).first() or loads.filter(name__iexact=code).order_by("-year", "-ordinal").first()
    )
    if found is not None:
        return found.owner
    tray = tray_by_label(facility, code)
    last = (
        ContentRow.objects.filter(facility_id=facility, tray=tray).order_by("-known_from").first() if tray else None
    )
    return last.owner if last else None


def tray_by_label(facility: UUID, label: str) -> UUID | None:
    found = TrayRow.objects.filter(facility_id=facility, label__iexact=label).first()
    return found.tray if found else None


def machines(facility: UUID) -> list[MachineRow]:
    return list(MachineRow.objects.filter(facility_id=facility, known_to=None).order_by("name"))


def trays(facility: UUID) -> list[TrayRow]:
    return list(TrayRow.objects.filter(facility_id=facility).order_by("set_name", "place_in_set"))


class TrayWhere(NamedTuple):
    """A tray that may be chosen for a load, or the unfinished load that it is still in."""

    id: UUID
    label: str
    set_name: str
    place_in_set: int
    set_size: int
    load_name: str


def trays_with_whereabouts(facility: UUID) -> list[TrayWhere]:
    rows = trays(facility)
    inside = {tray.id: tray.load_name for tray in facts.trays(facility, [row.tray for row in rows])}
    return [
        TrayWhere(row.tray, row.label, row.set_name, row.place_in_set, row.set_size, inside.get(row.tray, ""))
        for row in rows
    ]

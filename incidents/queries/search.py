"""Finding things by the code that was scanned or typed."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple
from uuid import UUID

from django.db.models import Q, QuerySet, Value
from django.db.models.functions import Lower

from incidents.projections.models import ContentRow, LoadRow, RackRow, TrayRow
from incidents.queries import facts


def load_by_code(facility: UUID, code: str) -> UUID | None:
    """The load of this number or name, or the one that a tray of this label last went into."""
    loads = LoadRow.objects.filter(facility_id=facility).order_by("-year", "-ordinal")
    found = loads.filter(number=code).first() or _by_name(loads, code)
    if found is not None:
        return found.owner
    tray = tray_by_label(facility, code)
    last = (
        ContentRow.objects.filter(facility_id=facility, tray=tray).order_by("-known_from").first() if tray else None
    )
    return last.owner if last else None


def rack_by_code(facility: UUID, code: str) -> UUID | None:
    """The rack whose code or name was scanned or typed."""
    racks = RackRow.objects.filter(facility_id=facility, known_to=None)
    found = (
        racks.filter(code__iexact=code).order_by("code").first()
        or racks.filter(name__iexact=code).order_by("code").first()
    )
    return found.owner if found else None


def _by_name(loads: QuerySet[LoadRow], code: str) -> LoadRow | None:
    """A load is called after its machine and that machine's counter; until that is known, by its number."""
    counter = code.rpartition(" ")[2]
    if not (counter.isascii() and counter.isdigit() and len(counter) < 16):
        return None
    return loads.filter(machine_cycle=int(counter), name__iexact=code).first()


def tray_by_label(facility: UUID, label: str) -> UUID | None:
    trays = TrayRow.objects.filter(facility_id=facility)
    found = trays.filter(label=label).first() or trays.filter(label__iexact=label).first()
    return found.tray if found else None


def trays(facility: UUID) -> list[TrayRow]:
    return list(TrayRow.objects.filter(facility_id=facility).order_by("set_name", "place_in_set"))


CHOICES = 120  # trays on a page; more are found by typing or scanning


class TrayWhere(NamedTuple):
    """A tray that may be chosen for a load, or the unfinished load that it is still in."""

    id: UUID
    label: str
    set_name: str
    place_in_set: int
    set_size: int
    load_name: str
    where: str


class TrayChoice(NamedTuple):
    """Trays to choose from, of so many that there are."""

    trays: tuple[TrayWhere, ...]
    of: int


def trays_are_many(facility: UUID) -> bool:
    """More than a page lists."""
    return TrayRow.objects.filter(facility_id=facility).count() > CHOICES


def trays_to_choose(facility: UUID, find: str = "", chosen: Collection[UUID] = ()) -> TrayChoice:
    """The chosen trays, then those with this in their label or their set's name; `CHOICES` at most."""
    every = TrayRow.objects.filter(facility_id=facility).order_by("set_name", "place_in_set")
    matching = every.filter(Q(label__icontains=find) | Q(set_name__icontains=find)) if find else every
    first = list(every.filter(tray__in=chosen)) if chosen else []
    rows = [*first, *matching.exclude(tray__in=chosen)[: max(0, CHOICES - len(first))]]
    inside = {tray.id: tray for tray in facts.trays(facility, [row.tray for row in rows]) if tray.load}
    loads = LoadRow.objects.filter(facility_id=facility, owner__in={tray.load for tray in inside.values()})
    places = {load.owner: _place_of(load) for load in loads}
    told = []
    for row in rows:
        tray = inside.get(row.tray)
        name, where = (tray.load_name, places.get(tray.load, "")) if tray and tray.load else ("", "")
        told.append(TrayWhere(row.tray, row.label, row.set_name, row.place_in_set, row.set_size, name, where))
    return TrayChoice(tuple(told), every.count())


def _place_of(load: LoadRow) -> str:
    """Where a load stands, in words."""
    if load.place == "chamber":
        return f"in {load.machine_name}"
    if load.stage == "assembled":
        return f"meant for {load.machine_name}"
    return load.place.replace("-", " ") + (f", {load.spot}" if load.spot else "")


def trays_labelled(facility: UUID, labels: Collection[str]) -> dict[str, UUID]:
    """The trays of these labels, by label as it was typed, in capitals or not; unknown ones are left out."""
    lowered = [Lower(Value(label)) for label in labels]
    rows = TrayRow.objects.annotate(lowered=Lower("label")).filter(facility_id=facility, lowered__in=lowered)
    exact = dict(rows.values_list("label", "tray"))
    folded = {label.casefold(): tray for label, tray in exact.items()}
    found = {label: exact.get(label) or folded.get(label.casefold()) for label in labels}
    return {label: tray for label, tray in found.items() if tray}

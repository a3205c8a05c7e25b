"""Lists of loads, newest first, a page at a time."""

from __future__ import annotations

from typing import NamedTuple
from uuid import UUID

from django.db.models import Q, QuerySet

from incidents.projections.models import LoadRow

PAGE = 100
LOOKED_AT = 5_000  # loads that one search reads at most


class Place(NamedTuple):
    """Where a load stands in the list."""

    year: int
    ordinal: int


class Page(NamedTuple):
    """`older` is the place to go on from; `unread` is true where the search ended before its page was full."""

    rows: list[LoadRow]
    older: Place | None
    unread: bool


def page(facility: UUID, *, disposition: str = "", search: str = "", before: Place | None = None) -> Page:
    """Loads below a place; `search` finds a part of a number or a name."""
    rows = _newest_first(facility, disposition)
    if before is not None:
        rows = _beyond(rows, "<", before)
    end = _nth(rows, LOOKED_AT) if search else None
    if search:
        rows = rows.filter(Q(name__icontains=search) | Q(number__icontains=search))
    if end is not None:
        rows = _beyond(rows, ">=", end)
    found = list(rows[: PAGE + 1])
    if len(found) > PAGE:
        last = found[PAGE - 1]
        return Page(found[:PAGE], Place(last.year, last.ordinal), False)
    return Page(found, end, end is not None)


def newest(facility: UUID, *, disposition: str = "", limit: int) -> list[LoadRow]:
    return list(_newest_first(facility, disposition)[:limit])


def of_machine(facility: UUID, machine: UUID, limit: int = 10) -> list[LoadRow]:
    """The machine's newest loads."""
    return list(_newest_first(facility).filter(machine=machine)[:limit])


def _newest_first(facility: UUID, disposition: str = "") -> QuerySet[LoadRow]:
    rows = LoadRow.objects.filter(facility_id=facility).order_by("-year", "-ordinal")
    if disposition == "under recall":
        return rows.filter(under_recall=True)
    return rows.filter(disposition=disposition) if disposition else rows


def _beyond(rows: QuerySet[LoadRow], how: str, place: Place) -> QuerySet[LoadRow]:
    """Row values are compared as one: an index that is ordered so answers it."""
    return rows.extra(where=[f"(year, ordinal) {how} (%s, %s)"], params=[*place])


def _nth(rows: QuerySet[LoadRow], n: int) -> Place | None:
    return next((Place(*found) for found in rows.values_list("year", "ordinal")[n - 1 : n]), None)

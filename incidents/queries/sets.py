"""Sets and their trays: k of n here and now, and where the rest are."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple
from uuid import UUID

from django.db.models import Case, QuerySet, Value, When

from incidents.projections.models import TrayRow
from incidents.queries import facts
from incidents.rules.inspection import WAYS


class TrayState(NamedTuple):
    """`where` is the unfinished load that it is in, what became of it, or nothing: it is available."""

    label: str
    where: str
    load: UUID | None = None


class SetState(NamedTuple):
    """A set is available only when all its trays are."""

    id: UUID
    name: str
    owner: str
    loaner: bool
    needed_by: str
    trays: tuple[TrayState, ...]

    @property
    def there(self) -> int:
        return sum(1 for tray in self.trays if not tray.where)

    @property
    def available(self) -> bool:
        return self.there == len(self.trays)


PAGE = 50


class SetPage(NamedTuple):
    """`more` is the place to go on from, or None at the end; `of` counts all that were looked for."""

    sets: list[SetState]
    more: int | None
    of: int


def states_of(facility: UUID, rows: Sequence[TrayRow]) -> dict[UUID, TrayState]:
    """Where each of these trays is."""
    told = {tray.id: tray for tray in facts.trays(facility, [row.tray for row in rows])}
    facted = {row.tray: told[row.tray] for row in rows}
    return {
        tray: TrayState(fact.label, fact.load_name or _gone(fact.fate), fact.load) for tray, fact in facted.items()
    }


def trays_of_sets(facility: UUID, owners: Sequence[UUID]) -> list[TrayRow]:
    """The trays of these sets, in each set's own order."""
    rows = TrayRow.objects.filter(facility_id=facility, owner__in=owners)
    return list(rows.order_by("set_name", "owner", "place_in_set"))


def _gone(fate: str) -> str:
    """Where a tray is that left: at repair, with its owner, discarded."""
    return next((words for way, words in WAYS.items() if way == fate), fate)


def sets(facility: UUID, find: str = "") -> list[SetState]:
    """Every set with this in its name, loaners that are needed soonest first, then by name."""
    return _told(facility, list(_in_order(facility, find)))


def page(facility: UUID, find: str = "", first: int = 0) -> SetPage:
    """Sets with this in their name, in that order, from the `first` on (0: the first of all)."""
    rows = _in_order(facility, find)
    found = list(rows[first : first + PAGE + 1])
    more = first + PAGE if len(found) > PAGE else None
    return SetPage(_told(facility, found[:PAGE]), more, rows.count())


def _in_order(facility: UUID, find: str) -> QuerySet[TrayRow]:
    """The first tray of each."""
    rows = TrayRow.objects.filter(facility_id=facility, place_in_set=1)
    if find:
        rows = rows.filter(set_name__icontains=find)
    needed = Case(When(needed_by="", then=Value("9999")), default="needed_by")
    return rows.annotate(needed=needed).order_by("-loaner", "needed", "set_name", "owner")


def _told(facility: UUID, firsts: Sequence[TrayRow]) -> list[SetState]:
    """Each set as its trays are."""
    rows = trays_of_sets(facility, [row.owner for row in firsts])
    states = states_of(facility, rows)
    trays: defaultdict[UUID, list[TrayState]] = defaultdict(list)
    for row in rows:
        trays[row.owner].append(states[row.tray])
    return [
        SetState(row.owner, row.set_name, row.set_owner, row.loaner, row.needed_by, tuple(trays[row.owner]))
        for row in firsts
    ]

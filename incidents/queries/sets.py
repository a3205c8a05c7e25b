"""Sets and their trays: k of n here and now, and where the rest are."""

from __future__ import annotations

from collections import defaultdict
from typing import NamedTuple
from uuid import UUID

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


def _gone(fate: str) -> str:
    """Where a tray is that left: at repair, with its owner, discarded."""
    return next((words for way, words in WAYS.items() if way == fate), fate)


def sets(facility: UUID) -> list[SetState]:
    """Every set by name, loaners that are needed soonest first."""
    rows = list(TrayRow.objects.filter(facility_id=facility).order_by("set_name", "place_in_set"))
    told = {tray.id: tray for tray in facts.trays(facility, [row.tray for row in rows])}
    trays: defaultdict[UUID, list[TrayState]] = defaultdict(list)
    for row in rows:
        fact = told[row.tray]
        trays[row.owner].append(TrayState(row.label, fact.load_name or _gone(fact.fate), fact.load))
    first = {row.owner: row for row in reversed(rows)}
    found = [
        SetState(owner, row.set_name, row.set_owner, row.loaner, row.needed_by, tuple(trays[owner]))
        for owner, row in first.items()
    ]
    return sorted(found, key=lambda one: (not one.loaner, one.needed_by or "9999", one.name))

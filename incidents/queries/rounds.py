"""What a release round shows and what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple
from uuid import UUID

from incidents.ledger.reading import leaf_of, read_stream
from incidents.projections.models import LoadRow
from incidents.rules.events import LoadReleased, Stream


class SeenRow(NamedTuple):
    """A load as it stands on the page: what a signature over the list binds."""

    row: LoadRow
    leaf: str


def seen_rows(facility: UUID, rows: Sequence[LoadRow]) -> list[SeenRow]:
    return [SeenRow(row, leaf_of(facility, Stream("load", row.owner), row.version)) for row in rows]


def outcome_of(facility: UUID, deed: UUID, loads: Sequence[UUID]) -> tuple[list[str], list[str]]:
    """(names released by this deed, names left out), in the order in which they were listed."""
    names = dict(LoadRow.objects.filter(facility_id=facility, owner__in=loads).values_list("owner", "name"))
    released: list[str] = []
    left: list[str] = []
    for load in loads:
        events = read_stream(facility, Stream("load", load))
        mine = any(event.deed == deed and isinstance(event.data, LoadReleased) for event in events)
        (released if mine else left).append(names.get(load, "A load that is not here"))
    return released, left

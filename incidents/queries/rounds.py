"""What a release round shows and what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple
from uuid import UUID

from incidents.ledger.reading import leaves_of, read_stream
from incidents.projections.models import LoadRow, OpenItemRow
from incidents.queries.floor import rejected_trays
from incidents.queries.story import Board, story
from incidents.rules import devices, machines
from incidents.rules.events import LoadReleased, Stream
from incidents.rules.load_state import Load
from incidents.rules.refusals import Refusal


class SeenRow(NamedTuple):
    """A load as it stands on the page: what a signature over the list binds.

    `without` are the labels of its trays that were rejected: the release does not take them.
    """

    row: LoadRow
    leaf: str
    without: str = ""


def names_of(facility: UUID, loads: Sequence[UUID]) -> list[str]:
    """What people call each of these loads, in their order; one that is not here is “a load”."""
    named = dict(LoadRow.objects.filter(facility_id=facility, owner__in=loads).values_list("owner", "name"))
    return [named.get(load, "a load") for load in loads]


def seen_rows(facility: UUID, rows: Sequence[LoadRow]) -> list[SeenRow]:
    leaves = leaves_of(facility, [(row.owner, row.version) for row in rows])
    rejected = rejected_trays(facility, [row.owner for row in rows])
    return [SeenRow(row, leaves[row.owner], ", ".join(rejected.get(row.owner, ()))) for row in rows]


class Awaited(NamedTuple):
    """A hold that one of two people has signed to lift."""

    load: UUID
    load_name: str
    board: Board


def second_signatures(facility: UUID) -> list[Awaited]:
    """What waits for a second signature, or no longer counts, oldest first."""
    rows = OpenItemRow.objects.filter(facility_id=facility, kind="second-signature", known_to=None)
    told = [found for row in rows.order_by("since") if (found := story(facility, row.owner)) is not None]
    return [Awaited(each.load.id, each.load.name, board) for each in told for board in each.holds if board.first]


def unheard(facility: UUID, load: Load) -> Refusal | None:
    """Why its release would be refused for what its machine told and nobody heard, or None."""
    since = load.assembled_at or load.started_at
    if load.machine is None or since is None:
        return None
    missing = OpenItemRow.objects.filter(
        facility_id=facility, owner=load.machine, kind="observations-missing", known_to=None
    )
    if not missing.exists():
        return None
    machine = machines.fold(load.machine, read_stream(facility, Stream("machine", load.machine)))
    return devices.release_refusal(machine.missing, load.name, since)


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

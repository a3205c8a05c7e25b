"""Racks: which may be used, which are kept out of use and why, and what happened to each."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from incidents.identity.models import Person
from incidents.ledger.reading import read_at, read_stream, words_of
from incidents.projections.models import LoadRow, RackRow
from incidents.queries.story import digests_of
from incidents.rules.events import RackBlocked, RackRegistered, RackReturned, Recorded, Stream


class RackEntry(NamedTuple):
    at: datetime
    glyph: str
    sentence: str
    detail: str
    position: int


class RackStory(NamedTuple):
    """`entries` are newest first; the first of a blocked rack says why it is."""

    id: UUID
    code: str
    name: str
    blocked: bool
    entries: tuple[RackEntry, ...]


class RackChoice(NamedTuple):
    """`why_not` says what keeps it from use, `beside` what else it is meant for; both may be empty."""

    owner: UUID
    code: str
    name: str
    why_not: str
    beside: str


def to_choose(facility: UUID) -> list[RackRow]:
    """Every rack by name, for whoever assembles a load."""
    return list(RackRow.objects.filter(facility_id=facility, known_to=None).order_by("name", "code"))


def choices(facility: UUID) -> list[RackChoice]:
    """Every rack by name, each with what keeps it from use, and the loads that are meant for it."""
    rows = to_choose(facility)
    busy = LoadRow.objects.filter(facility_id=facility, stage__in=("assembled", "running", "stopped"))
    # Few; put in order here, for SQLite would walk all loads by number to have them in order.
    uses = sorted(busy.exclude(rack=None), key=lambda row: (row.year, row.ordinal))
    return [_choice(row, [load for load in uses if load.rack == row.owner]) for row in rows]


def _choice(row: RackRow, uses: Sequence[LoadRow]) -> RackChoice:
    inside = next((load for load in uses if load.stage != "assembled"), None)
    meant = ", ".join(load.name for load in uses if load.stage == "assembled")
    why_not = "blocked" if row.blocked else f"in {inside.machine_name} with {inside.name}" if inside else ""
    return RackChoice(row.owner, row.code, row.name, why_not, f"also meant for {meant}" if meant else "")


def racks(facility: UUID) -> list[RackStory]:
    """Every rack by name; of the blocked ones only the newest entry, which says why."""
    rows = to_choose(facility)
    blocks = read_at(facility, [row.known_from for row in rows if row.blocked])
    told = dict(zip((event.stream.id for event in blocks), _entries(facility, blocks), strict=True))
    entries = {row.owner: (told[row.owner],) if row.owner in told else () for row in rows}
    return [RackStory(row.owner, row.code, row.name, row.blocked, entries[row.owner]) for row in rows]


def rack(facility: UUID, rack_id: UUID) -> RackStory | None:
    """None where this facility has no such rack."""
    row = RackRow.objects.filter(facility_id=facility, owner=rack_id, known_to=None).first()
    return _story(facility, row) if row else None


def _story(facility: UUID, row: RackRow) -> RackStory:
    events = read_stream(facility, Stream("rack", row.owner))
    return RackStory(row.owner, row.code, row.name, row.blocked, tuple(_entries(facility, events[::-1])))


def _entries(facility: UUID, events: Sequence[Recorded]) -> list[RackEntry]:
    words = words_of(facility, digests_of(events))
    names = dict(Person.objects.filter(id__in={event.actor.id for event in events}).values_list("id", "name"))
    found = []
    for event in events:
        by = names.get(event.actor.id, "someone who left")
        match event.data:
            case RackRegistered():
                glyph, sentence, said = "loads", f"Registered by {by}", ""
            case RackBlocked() as data:
                glyph, sentence, said = "blocked", f"Blocked by {by}", words.get(data.words.digest, "")
            case RackReturned() as data:
                glyph, sentence, said = "free", f"Returned to use by {by}", words.get(data.words.digest, "")
            case _:
                continue
        detail = f"“{said}”" if said else ""
        found.append(RackEntry(event.occurred_at, glyph, sentence, detail, event.position))
    return found

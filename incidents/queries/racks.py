"""Racks: which may be used, which are kept out of use and why, and what happened to each."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from incidents.identity.models import Person
from incidents.ledger.reading import read_stream, words_of
from incidents.projections.models import RackRow
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


def to_choose(facility: UUID) -> list[RackRow]:
    """Every rack by name, for whoever assembles a load."""
    return list(RackRow.objects.filter(facility_id=facility, known_to=None).order_by("name", "code"))


def racks(facility: UUID) -> list[RackStory]:
    """Every rack by name."""
    return [_story(facility, row) for row in to_choose(facility)]


def rack(facility: UUID, rack_id: UUID) -> RackStory | None:
    """None where this facility has no such rack."""
    row = RackRow.objects.filter(facility_id=facility, owner=rack_id, known_to=None).first()
    return _story(facility, row) if row else None


def _story(facility: UUID, row: RackRow) -> RackStory:
    events = read_stream(facility, Stream("rack", row.owner))
    words = words_of(facility, digests_of(events))
    names = dict(Person.objects.filter(id__in={event.actor.id for event in events}).values_list("id", "name"))
    return RackStory(row.owner, row.code, row.name, row.blocked, tuple(_entries(events, words, names)))


def _entries(events: Sequence[Recorded], words: dict[str, str], names: dict[UUID, str]) -> list[RackEntry]:
    found = []
    for event in reversed(events):
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

"""The ledger as it stands, to be browsed: by stream, kind of event, person and time, newest first."""

from __future__ import annotations

from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

import msgspec

from incidents.identity.models import Person
from incidents.ledger import reading
from incidents.ledger.browsing import Filter, read_matching, stored_matching
from incidents.ledger.merkle import leaf_hash
from incidents.projections.models import LoadRow, MachineRow
from incidents.queries.sentences import (
    Names,
    sentence_of,
    sentence_of_department,
    sentence_of_history,
    sentence_of_machine,
)
from incidents.queries.story import digests_of
from incidents.rules.events import (
    ExposureRecorded,
    ItemHandedOn,
    MessageUndelivered,
    Recorded,
    RightsSet,
    ShiftHandedOver,
    Stream,
)
from incidents.rules.facility import Restoration, fold
from incidents.rules.loads import SKEW


class Line(NamedTuple):
    position: int
    recorded_at: datetime
    occurred_at: datetime
    late: bool
    ahead: bool
    kind: str
    sentence: str
    said: tuple[str, ...]
    operation: str
    by: str
    stream_kind: str
    stream: UUID
    stream_name: str
    body: str


class Page(NamedTuple):
    """One page of the ledger; `older` is the position to go on from, or None at its beginning.

    `unread` is that position where the look ended before its page was full.
    """

    lines: tuple[Line, ...]
    older: int | None
    unread: int | None
    size: int
    root: str


PAGE = 50


def browse(facility: UUID, wanted: Filter, before: int | None = None) -> Page:
    """Events that match, newest first, from `before` down."""
    head = reading.head(facility)
    events, unread = read_matching(facility, wanted, before, PAGE + 1)
    shown, full = events[:PAGE], len(events) > PAGE
    names = _names(facility, shown)
    words = reading.words_of(facility, digests_of(shown))
    return Page(
        tuple(_line(event, names, words) for event in shown),
        shown[-1].position if full else unread,
        None if full else unread,
        head.size if head else 0,
        head.root.hex() if head else "",
    )


def restorations(facility: UUID) -> tuple[Restoration, ...]:
    """Every backup that took the log's place, newest first."""
    found = fold(facility, reading.read_stream(facility, Stream("facility", facility)))
    return found.restorations[::-1]


class Stored(NamedTuple):
    """An event as its bytes stand in the ledger, with the free text beside it by digest."""

    position: int
    leaf: str
    body: str
    words: dict[str, str]


def stored(facility: UUID, wanted: Filter, first: int, limit: int) -> list[Stored]:
    """Events that match, oldest first, from position `first`."""
    found = stored_matching(facility, wanted, first, limit)
    words = reading.words_of(facility, digests_of(event for event, _ in found))
    return [
        Stored(event.position, leaf_hash(body.encode()).hex(), body, _beside(event, words)) for event, body in found
    ]


def _beside(event: Recorded, words: dict[str, str]) -> dict[str, str]:
    return {digest: words[digest] for digest in sorted(digests_of([event])) if digest in words}


def _names(facility: UUID, events: list[Recorded]) -> dict[UUID, str]:
    people = {event.actor.id for event in events if event.actor.kind == "person"}
    people |= {each.person for event in events for each in getattr(event.data, "signatures", ())}
    people |= {event.data.person for event in events if isinstance(event.data, RightsSet)}
    people |= {
        event.data.person for event in events if isinstance(event.data, ExposureRecorded) and event.data.person
    }
    undelivered = (event.data for event in events if isinstance(event.data, MessageUndelivered))
    people |= {data.person for data in undelivered if data.person}
    handed = [event.data for event in events if isinstance(event.data, ShiftHandedOver)]
    people |= {each.person for data in handed for each in (data.outgoing, data.incoming)}
    people |= {event.data.to for event in events if isinstance(event.data, ItemHandedOn)}
    streams = {event.stream.id for event in events}
    machines = streams | {event.actor.id for event in events if event.actor.kind == "device"}
    found: dict[UUID, str] = dict(Person.objects.filter(id__in=people).values_list("id", "name"))
    found |= dict(LoadRow.objects.filter(facility_id=facility, owner__in=streams).values_list("owner", "name"))
    rows = MachineRow.objects.filter(facility_id=facility, owner__in=machines, known_to=None)
    return found | dict(rows.values_list("owner", "name"))


TOLD = {
    "load": sentence_of,
    "machine": sentence_of_machine,
    "history": sentence_of_history,
    "person": sentence_of_department,
    "message": sentence_of_department,
    "care": sentence_of_department,
    "handover": sentence_of_department,
    "programme": sentence_of_department,
}


def _line(event: Recorded, names: dict[UUID, str], words: dict[str, str]) -> Line:
    kind = str(type(event.data).__struct_config__.tag)
    by = names.get(event.actor.id, "somebody") if event.actor.kind != "system" else "the watch"
    return Line(
        event.position,
        event.recorded_at,
        event.occurred_at,
        event.recorded_at - event.occurred_at > SKEW,
        event.occurred_at - event.recorded_at > SKEW,
        kind,
        TOLD[event.stream.kind](event, Names(names, words))[1] if event.stream.kind in TOLD else "",
        tuple(_beside(event, words).values()),
        event.operation.replace("_", " "),
        by,
        event.stream.kind,
        event.stream.id,
        names.get(event.stream.id, event.stream.kind),
        msgspec.json.format(msgspec.json.encode(_plain(event.data), order="sorted")).decode(),
    )


def _plain(data: Any) -> Any:
    return msgspec.to_builtins(data)

"""The ledger as it stands, to be browsed: by stream, kind of event, person and time, newest first."""

from __future__ import annotations

from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

import msgspec

from incidents.identity.models import Person
from incidents.ledger import reading
from incidents.ledger.browsing import Filter, read_matching
from incidents.projections.models import LoadRow, MachineRow
from incidents.rules.events import Recorded
from incidents.rules.loads import SKEW


class Line(NamedTuple):
    position: int
    recorded_at: datetime
    occurred_at: datetime
    late: bool
    ahead: bool
    kind: str
    operation: str
    by: str
    stream_kind: str
    stream: UUID
    stream_name: str
    body: str


class Page(NamedTuple):
    """One page of the ledger; `older` is the position to go on from, or None at its beginning."""

    lines: tuple[Line, ...]
    older: int | None
    size: int
    root: str


PAGE = 50


def browse(facility: UUID, wanted: Filter, before: int | None = None) -> Page:
    """Events that match, newest first, from `before` down."""
    head = reading.head(facility)
    events = read_matching(facility, wanted, before, PAGE + 1)
    shown = events[:PAGE]
    names = _names(facility, shown)
    older = shown[-1].position if len(events) > PAGE else None
    return Page(
        tuple(_line(event, names) for event in shown),
        older,
        head.size if head else 0,
        head.root.hex() if head else "",
    )


def _names(facility: UUID, events: list[Recorded]) -> dict[UUID, str]:
    people = {event.actor.id for event in events if event.actor.kind == "person"}
    streams = {event.stream.id for event in events}
    machines = streams | {event.actor.id for event in events if event.actor.kind == "device"}
    found: dict[UUID, str] = dict(Person.objects.filter(id__in=people).values_list("id", "name"))
    found |= dict(LoadRow.objects.filter(facility_id=facility, owner__in=streams).values_list("owner", "name"))
    rows = MachineRow.objects.filter(facility_id=facility, owner__in=machines, known_to=None)
    return found | dict(rows.values_list("owner", "name"))


def _line(event: Recorded, names: dict[UUID, str]) -> Line:
    kind = str(type(event.data).__struct_config__.tag)
    by = names.get(event.actor.id, "somebody") if event.actor.kind != "system" else "the watch"
    return Line(
        event.position,
        event.recorded_at,
        event.occurred_at,
        event.recorded_at - event.occurred_at > SKEW,
        event.occurred_at - event.recorded_at > SKEW,
        kind,
        event.operation.replace("_", " "),
        by,
        event.stream.kind,
        event.stream.id,
        names.get(event.stream.id, event.stream.kind),
        msgspec.json.format(msgspec.json.encode(_plain(event.data), order="sorted")).decode(),
    )


def _plain(data: Any) -> Any:
    return msgspec.to_builtins(data)

"""Looking through a facility's log by what an event is, who did it and when.

However long the log, one look reads at most `LOOKED_AT` events. What migration 0011 indexes (a stream, a kind
other than loads, a type that is not among the commonest, late entries) is found at once, wherever it stands.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from heapq import merge
from typing import Any, NamedTuple
from uuid import UUID

from django.db import connection

from incidents.ledger.dialect import on_postgresql
from incidents.ledger.reading import size_at
from incidents.ledger.records import decode
from incidents.rules.events import Recorded

LOOKED_AT = 20_000


class Filter(NamedTuple):
    """What to look for in a log; None does not narrow it. The person is who did it, by id."""

    stream_kind: str | None = None
    stream_id: UUID | None = None
    types: tuple[str, ...] | None = None
    person: UUID | None = None
    since: datetime | None = None
    until: datetime | None = None
    late_only: bool = False
    not_kind: str | None = None


class Found(NamedTuple):
    """Events, newest first; `unread` is where to go on looking where not all of the log was looked at."""

    events: list[Recorded]
    unread: int | None


class _Terms(NamedTuple):
    """Conditions and their parameters, joined by AND."""

    conditions: tuple[str, ...] = ()
    params: tuple[Any, ...] = ()

    def __and__(self, other: _Terms) -> _Terms:
        return _Terms(self.conditions + other.conditions, self.params + other.params)

    def __str__(self) -> str:
        return " AND ".join(self.conditions)


def read_matching(facility: UUID, wanted: Filter, before: int | None, limit: int) -> Found:
    """At most `limit` events that match, newest first, below position `before`."""
    reach = _reach(facility, wanted, before)
    ways = [wanted._replace(types=(each,)) for each in wanted.types or ()] or [wanted]
    found = [_look(reach, way, limit) for way in ways]
    unread = max((each.unread for each in found if each.unread is not None), default=None)
    events = merge(*(each.events for each in found), key=lambda event: -event.position)
    seen = [event for event in events if unread is None or event.position >= unread]
    return Found(seen[:limit], unread)


def _look(reach: _Terms, wanted: Filter, limit: int) -> Found:
    """The candidates come by an index; among them the other conditions are looked at."""
    indexed, others = _split(wanted)
    candidates, unread = reach & indexed, None
    # A stream is found by its id, then sorted: by position SQLite would walk the whole log for it.
    order = "position" if wanted.stream_id is None else "+position"
    with connection.cursor() as cursor:
        if others.conditions:
            cursor.execute(_NTH.format(candidates, order), (*candidates.params, LOOKED_AT))
            row = cursor.fetchone()
            if row is not None:
                unread = int(row[0]) + 1
                candidates &= _Terms(("position >= %s",), (unread,))
        terms = candidates & others
        cursor.execute(_EVENTS.format(terms, order, "DESC"), (*terms.params, limit))
        return Found([decode(*row) for row in cursor.fetchall()], unread)


def stored_matching(facility: UUID, wanted: Filter, first: int, limit: int) -> list[tuple[Recorded, str]]:
    """At most `limit` events that match, oldest first, from position `first`, each with its stored text."""
    terms = _reach(facility, wanted, None) & _Terms(("position >= %s",), (first,))
    for condition, _ in _conditions(wanted):
        terms &= condition
    with connection.cursor() as cursor:
        cursor.execute(_EVENTS.format(terms, "position", "ASC"), (*terms.params, limit))
        return [(decode(*row), row[3]) for row in cursor.fetchall()]


def _reach(facility: UUID, wanted: Filter, before: int | None) -> _Terms:
    """The positions in question: the log's own clock never goes back, so a time is a position."""
    reach = _Terms(("facility_id = %s",), (facility,))
    if before is not None:
        reach &= _Terms(("position < %s",), (before,))
    if wanted.since is not None:
        reach &= _Terms(("position >= %s",), (size_at(facility, wanted.since, included=False),))
    if wanted.until is not None:
        reach &= _Terms(("position < %s",), (size_at(facility, wanted.until, included=False),))
    return reach


def _split(wanted: Filter) -> tuple[_Terms, _Terms]:
    """The condition that finds fewest by an index, and the rest."""
    terms = list(_conditions(wanted))
    chosen = next((n for n, (_, indexed) in enumerate(terms) if indexed is not None), None)
    others = _Terms()
    for n, (condition, _) in enumerate(terms):
        if n != chosen:
            others &= condition
    if chosen is None:
        return _Terms(), others
    condition, indexed = terms[chosen]
    return condition & (indexed or _Terms()), others


def _conditions(wanted: Filter) -> Iterator[tuple[_Terms, _Terms | None]]:
    """Each condition, the most telling first, with what else its index has to hear; None: it has no index."""
    if wanted.stream_id is not None:
        kinds = KINDS if wanted.stream_kind is None else (wanted.stream_kind,)
        of_kinds = _Terms((f"stream_kind IN ({_marks(kinds)})",), kinds)
        yield _Terms(("stream_id = %s",), (wanted.stream_id,)) & of_kinds, _Terms()
    if wanted.late_only:
        yield _Terms((_LATE[on_postgresql()],)), _Terms()
    if wanted.types is not None:
        rare = _Terms((_RARE,)) if len(wanted.types) == 1 and wanted.types[0] not in COMMON else None
        yield _Terms((f"type IN ({_marks(wanted.types) or 'NULL'})",), wanted.types), rare
    if wanted.stream_kind is not None and wanted.stream_id is None:
        beside_loads = None if wanted.stream_kind == "load" else _Terms(("stream_kind <> 'load'",))
        yield _Terms(("stream_kind = %s",), (wanted.stream_kind,)), beside_loads
    if wanted.not_kind is not None:
        yield _Terms(("stream_kind <> %s",), (wanted.not_kind,)), None
    if wanted.person is not None:
        # The actor stands first in a canonical body: its members are sorted.
        begins = '{"actor":{"id":"' + str(wanted.person) + '","kind":"person"}%'
        yield _Terms(("body LIKE %s",), (begins,)), None


def _marks(values: Sequence[Any]) -> str:
    return ", ".join(["%s"] * len(values))


KINDS = (
    *("load", "machine", "programme", "catalogue", "set", "rack", "policy", "downtime", "facility"),
    *("history", "message", "care", "handover", "incident"),
)
# Migration 0011 leaves these out of its index of types: every load has them, so they are never far.
COMMON = (
    *("load-assembled", "cycle-started", "cycle-finished", "load-placed", "load-reviewed", "load-released"),
    *("alarm-raised", "alarm-acknowledged", "alarm-cleared"),
)
_RARE = "type NOT IN ('" + "', '".join(COMMON) + "')"
_LATE = {
    True: "recorded_at - occurred_at > interval '2 minutes'",
    False: "julianday(recorded_at) - julianday(occurred_at) > 2.0 / 1440",
}
_EVENTS = "SELECT position, type, schema, body FROM ledger_event WHERE {} ORDER BY {} {} LIMIT %s"
_NTH = "SELECT position FROM ledger_event WHERE {} ORDER BY {} DESC LIMIT 1 OFFSET %s"

"""Looking through a facility's log by what an event is, who did it and when."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

from django.db import connection

from incidents.ledger.dialect import moment_in, on_postgresql
from incidents.ledger.records import decode
from incidents.rules.events import Recorded


class Filter(NamedTuple):
    """What to look for in a log; None does not narrow it. The person is who did it, by id."""

    stream_kind: str | None = None
    stream_id: UUID | None = None
    types: tuple[str, ...] | None = None
    person: UUID | None = None
    since: datetime | None = None
    until: datetime | None = None
    late_only: bool = False


def read_matching(facility: UUID, wanted: Filter, before: int | None, limit: int) -> list[Recorded]:
    """At most `limit` events that match, newest first, below position `before`."""
    conditions, params = ["facility_id = %s"], [facility]
    for condition, value in _conditions(wanted, before):
        conditions.append(condition)
        params.extend(value)
    statement = f"{_COLUMNS} WHERE {' AND '.join(conditions)} ORDER BY position DESC LIMIT %s"
    with connection.cursor() as cursor:
        cursor.execute(statement, (*params, limit))
        return [decode(*row) for row in cursor.fetchall()]


def _conditions(wanted: Filter, before: int | None) -> Iterator[tuple[str, Sequence[Any]]]:
    if before is not None:
        yield "position < %s", [before]
    if wanted.stream_kind is not None:
        yield "stream_kind = %s", [wanted.stream_kind]
    if wanted.stream_id is not None:
        yield "stream_id = %s", [wanted.stream_id]
    if wanted.types is not None:
        yield f"type IN ({', '.join(['%s'] * len(wanted.types)) or 'NULL'})", wanted.types
    if wanted.person is not None:
        # The actor stands first in a canonical body: its members are sorted.
        yield "body LIKE %s", ['{"actor":{"id":"' + str(wanted.person) + '","kind":"person"}%']
    if wanted.since is not None:
        yield "recorded_at >= %s", [moment_in(wanted.since)]
    if wanted.until is not None:
        yield "recorded_at < %s", [moment_in(wanted.until)]
    if wanted.late_only:
        yield _LATE[on_postgresql()], []


_LATE = {
    True: "recorded_at - occurred_at > interval '2 minutes'",
    False: "julianday(recorded_at) - julianday(occurred_at) > 2.0 / 1440",
}
_COLUMNS = "SELECT position, type, schema, body FROM ledger_event"

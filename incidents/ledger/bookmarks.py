"""How far a consumer has read: locked, moved and committed together with the effect of what it read."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from uuid import UUID

from django.db import connection, transaction

from incidents.ledger.dialect import for_update, id_out
from incidents.ledger.reading import read_after
from incidents.rules.events import Recorded


@contextmanager
def reading_on(consumer: str, facility: UUID, limit: int = 500) -> Iterator[list[Recorded]]:
    """The next events of `facility` for `consumer`; leaving the block moves the bookmark past them.

    An exception moves nothing, so every event is met at least once, and its effect in this transaction
    exactly once. A second worker waits for the first.
    """
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute(_ENSURE, (consumer, facility))
            cursor.execute(_LOCK + for_update(), (consumer, facility))
            (position,) = cursor.fetchone()
        events = read_after(facility, position, limit)
        yield events
        if events:
            with connection.cursor() as cursor:
                cursor.execute(_MOVE, (events[-1].position + 1, consumer, facility))


def behind(consumer: str) -> list[UUID]:
    """Facilities whose log is longer than the consumer has read: what a sweep finds when a wake was lost."""
    with connection.cursor() as cursor:
        cursor.execute(_BEHIND, (consumer,))
        return [id_out(facility) for (facility,) in cursor.fetchall()]


_ENSURE = "INSERT INTO ledger_bookmark (consumer, facility_id, position) VALUES (%s, %s, 0) ON CONFLICT DO NOTHING"
_LOCK = "SELECT position FROM ledger_bookmark WHERE consumer = %s AND facility_id = %s"
_MOVE = "UPDATE ledger_bookmark SET position = %s WHERE consumer = %s AND facility_id = %s"
_BEHIND = (
    "SELECT h.facility_id FROM ledger_head h LEFT JOIN ledger_bookmark b"
    " ON b.facility_id = h.facility_id AND b.consumer = %s"
    " WHERE h.size > COALESCE(b.position, 0) ORDER BY h.facility_id"
)

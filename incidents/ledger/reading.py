"""Reading the log: a stream, everything after a position, the head, the words beside an event."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from django.db import connection

from incidents.ledger.dialect import Hand, id_out, moment_in, moment_out, row_in, translated
from incidents.ledger.merkle import leaf_hash, root_of_frontier
from incidents.ledger.records import decode
from incidents.rules.events import Recorded, Stream

BATCH = 2_000


class HeadRow(NamedTuple):
    """How long a facility's log is, and the root that proves all of it."""

    size: int
    root: bytes
    recorded_at: datetime

    @property
    def newest(self) -> int:
        """The position of the newest event; -1 while there is none."""
        return self.size - 1


def head(facility: UUID) -> HeadRow | None:
    with connection.cursor() as cursor:
        cursor.execute(_HEAD, (facility,))
        row = cursor.fetchone()
    return None if row is None else HeadRow(row[0], root_of_frontier(row[0], bytes(row[1])), moment_out(row[2]))


def has_deed(facility: UUID, deed: UUID) -> bool:
    """Was this deed done? Then its receipt, or that its id means something else, is what its asker is told."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT 1 FROM ledger_deed WHERE facility_id = %s AND deed_id = %s", row_in((facility, deed))
        )
        return cursor.fetchone() is not None


def sizes() -> dict[UUID, int]:
    """How long every facility's log is."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT facility_id, size FROM ledger_head")
        return {id_out(facility): size for facility, size in cursor.fetchall()}


def read_stream(
    facility: UUID, stream: Stream, before: int | None = None, *, hand: Hand | None = None
) -> list[Recorded]:
    """The stream's events by position; with `before`, as they stood when the log had that size."""
    until = "" if before is None else " AND position < %s"
    params = (facility, stream.kind, stream.id) + (() if before is None else (before,))
    hand = hand or Hand()
    with translated():
        hand.execute(_STREAM + until + " ORDER BY version", params)
        return [decode(*row) for row in hand.fetchall()]


def read_after(facility: UUID, position: int, limit: int = BATCH) -> list[Recorded]:
    """At most `limit` events from `position` on."""
    with connection.cursor() as cursor:
        cursor.execute(_AFTER, (facility, position, limit))
        return [decode(*row) for row in cursor.fetchall()]


def read_at(facility: UUID, positions: Sequence[int]) -> list[Recorded]:
    """The events at these positions, in their order."""
    if not positions:
        return []
    with connection.cursor() as cursor:
        cursor.execute(_AT.format(", ".join(["%s"] * len(positions))), (facility, *positions))
        return [decode(*row) for row in cursor.fetchall()]


def read_all(facility: UUID, first: int = 0, end: int | None = None) -> Iterator[Recorded]:
    """Every event from `first` up to `end` (not included), in batches."""
    while end is None or first < end:
        batch = read_after(facility, first, BATCH if end is None else min(BATCH, end - first))
        if not batch:
            return
        yield from batch
        first = batch[-1].position + 1


def streams_by_id(facility: UUID) -> list[tuple[UUID, int]]:
    """The id and the length of every stream, in order of ids as the database sorts them."""
    hand = Hand()
    with translated():
        return [(id_out(stream), length) for stream, length in hand.rows(_LENGTHS, (facility,))]


def read_streams(facility: UUID, kind: str, first: UUID, last: UUID) -> Iterator[list[Recorded]]:
    """Every stream of this kind with an id from `first` to `last`, both included, each whole and by version."""
    told: list[Recorded] = []
    with translated():
        for row in Hand().rows(_BETWEEN, row_in((facility, kind, first, last))):
            event = decode(*row)
            if event.version == 1 and told:
                yield told
                told = []
            told.append(event)
    if told:
        yield told


def streams_after(facility: UUID, position: int) -> list[Stream]:
    """The streams that have an event from `position` on."""
    hand = Hand()
    with translated():
        hand.execute(_MOVED, (facility, position))
        return [Stream(kind, id_out(stream)) for kind, stream in hand.fetchall()]


def leaf_of(facility: UUID, stream: Stream, version: int) -> str:
    """The leaf (hex) of a stream's event: what a signature binds. Raises LookupError."""
    with connection.cursor() as cursor:
        cursor.execute(_BODY, (facility, stream.kind, stream.id, version))
        row = cursor.fetchone()
    if row is None:
        raise LookupError(f"{stream.kind} {stream.id} has no version {version}")
    return leaf_hash(row[0].encode()).hex()


def leaves_of(facility: UUID, seen: Sequence[tuple[UUID, int]]) -> dict[UUID, str]:
    """The leaves (hex) of loads, each at a version of its stream."""
    if not seen:
        return {}
    with connection.cursor() as cursor:
        pairs = [value for pair in seen for value in pair]
        cursor.execute(_BODIES.format(", ".join(["(%s, %s)"] * len(seen))), [*pairs, facility])
        return {id_out(load): leaf_hash(body.encode()).hex() for load, body in cursor.fetchall()}


def words_of(facility: UUID, digests: Iterable[str]) -> dict[str, str]:
    """The free text beside events, by digest; emptied text is absent."""
    wanted = list(digests)
    if not wanted:
        return {}
    with connection.cursor() as cursor:
        cursor.execute(_WORDS.format(", ".join(["%s"] * len(wanted))), (facility, *wanted))
        return {digest: text for digest, text in cursor.fetchall() if text}


def size_at(facility: UUID, moment: datetime, *, included: bool = True) -> int:
    """How long the log was at `moment` by its own clock, which never goes back: "known at".

    Without `included`, how long just before it.
    """
    at = moment_in(moment)
    with connection.cursor() as cursor:
        cursor.execute(_SIZE_AT.format("<=" if included else "<"), (facility, at, at, facility))
        found = cursor.fetchone()
    return int(found[0] or 0)


_HEAD = "SELECT size, frontier, recorded_at FROM ledger_head WHERE facility_id = %s"
_COLUMNS = "SELECT position, type, schema, body FROM ledger_event"
_STREAM = _COLUMNS + " WHERE facility_id = %s AND stream_kind = %s AND stream_id = %s"
_BETWEEN = (
    _COLUMNS + " WHERE facility_id = %s AND stream_kind = %s AND stream_id BETWEEN %s AND %s"
    " ORDER BY stream_id, version"
)
_LENGTHS = (
    "SELECT stream_id, max(version) FROM ledger_event WHERE facility_id = %s"
    " GROUP BY stream_kind, stream_id ORDER BY stream_id"
)
_MOVED = "SELECT DISTINCT stream_kind, stream_id FROM ledger_event WHERE facility_id = %s AND position >= %s"
_AFTER = _COLUMNS + " WHERE facility_id = %s AND position >= %s ORDER BY position LIMIT %s"
_BODY = (
    "SELECT body FROM ledger_event WHERE facility_id = %s AND stream_kind = %s AND stream_id = %s AND version = %s"
)
_AT = _COLUMNS + " WHERE facility_id = %s AND position IN ({}) ORDER BY position"
_BODIES = (
    "WITH seen(load, version) AS (VALUES {}) SELECT seen.load, event.body FROM seen"
    " CROSS JOIN ledger_event event WHERE event.facility_id = %s AND event.stream_kind = 'load'"
    " AND event.stream_id = seen.load AND event.version = seen.version"
)
_WORDS = "SELECT digest, text FROM ledger_words WHERE facility_id = %s AND digest IN ({})"
_HAS_DEED = "SELECT 1 FROM ledger_deed WHERE facility_id = %s AND deed_id = %s"
_SIZE_AT = (
    "WITH RECURSIVE reach(low, high) AS ("
    " SELECT CAST(0 AS bigint), size FROM ledger_head WHERE facility_id = %s"
    " UNION ALL SELECT"
    "  CASE WHEN event.recorded_at {0} %s THEN event.position + 1 ELSE low END,"
    "  CASE WHEN event.recorded_at {0} %s THEN high ELSE event.position END"
    " FROM reach JOIN ledger_event event"
    "  ON event.facility_id = %s AND event.position = (low + high) / 2 WHERE low < high"
    ") SELECT max(low) FROM reach"
)

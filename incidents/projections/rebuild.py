"""Read models made anew from the log, compared with the live ones, and mended where they differ.

The comparison reads one snapshot, so it needs no lock: the log as it stood and the rows as they stood. Each
row follows from one stream alone, so mending goes by owner, some at a time, each time under the facility's
lock for a fraction of a second; an owner that moved since the snapshot is folded anew.
"""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from typing import Any, NamedTuple
from uuid import UUID

from django.db import connection, transaction

from incidents.ledger import reading
from incidents.ledger.dialect import Hand, for_update, id_out, snapshot
from incidents.projections.live import changes, plain
from incidents.projections.states import KINDS
from incidents.projections.tables import TABLES, Key, Rows, Table, Values
from incidents.rules.events import Recorded, Stream

Progress = Callable[[int], object]
FLUSH = 10_000  # rows kept before they go to the database
OWNERS_PER_LOCK = 500


class Report(NamedTuple):
    """How many events were folded, how many rows differed, and the longest time the lock was held."""

    events: int
    differences: int
    longest_lock_s: float = 0.0


class _Told:
    """One stream on its way: its state, its rows, and since which position each row stands."""

    __slots__ = ("last", "rows", "since", "state")

    def __init__(self, stream: Stream) -> None:
        self.state: Any = KINDS[stream.kind].new(stream.id)
        self.rows: Rows = {}
        self.since: dict[tuple[Table, Key], int] = {}
        self.last: dict[UUID, int] = {}


class Fold:
    """Folds events in order of position and gives out every row that ever stood."""

    def __init__(self, facility: UUID) -> None:
        self.facility = facility
        self._streams: dict[Stream, _Told] = {}

    def take(self, event: Recorded) -> Iterator[tuple[Table, tuple[Any, ...]]]:
        """Fold one event; gives the rows that it ended."""
        stream = event.stream
        told = self._streams.get(stream)
        if told is None:
            told = self._streams[stream] = _Told(stream)
        told.state = self._next(told, event)
        rows = KINDS[stream.kind].rows(told.state)
        for table, key, old, new in changes(told.rows, rows):
            if not table.temporal:
                continue
            if old is not None:
                since = told.since.pop((table, key))
                yield table, self._row(stream.id, table, key, old, since, event.position)
            if new is not None:
                told.since[table, key] = event.position
        told.rows = rows

    def _next(self, told: _Told, event: Recorded) -> Any:
        kind = KINDS[event.stream.kind]
        if event.sequence is not None:
            device = event.actor.id
            if event.sequence <= told.last.get(device, -1):
                whole = reading.read_stream(self.facility, event.stream, event.position + 1)
                return kind.fold(event.stream.id, whole)
            told.last[device] = event.sequence
        return kind.evolve(told.state, event)

    def standing(self) -> Iterator[tuple[Table, tuple[Any, ...]]]:
        """The rows that stand after the last event."""
        for stream, told in self._streams.items():
            for table, rows in told.rows.items():
                for key, values in rows.items():
                    since = told.since[table, key] if table.temporal else 0
                    yield table, self._row(stream.id, table, key, values, since, None)

    def _row(
        self, owner: UUID, table: Table, key: Key, values: Values, since: int, until: int | None
    ) -> tuple[Any, ...]:
        known = (since, until) if table.temporal else ()
        return (self.facility, owner, *key, *known, *plain(table, values))


def check(facility: UUID, progress: Progress | None = None) -> Report:
    """Fold the whole log and count the rows that differ from the live ones. Writes nothing."""
    with _Shadows(), snapshot():
        events = _fold_into_shadows(facility, progress)
        return Report(events, sum(len(_differing(facility, table)) for table in TABLES))


def rebuild(facility: UUID, progress: Progress | None = None) -> Report:
    """Fold the whole log and mend every row that differs."""
    with _Shadows():
        with snapshot():
            events = _fold_into_shadows(facility, progress)
            found = [_differing(facility, table) for table in TABLES]
        differences = sum(len(rows) for rows in found)
        owners = sorted({id_out(row[0]) for rows in found for row in rows})
        longest = 0.0
        for start in range(0, len(owners), OWNERS_PER_LOCK):
            longest = max(longest, _mend(facility, owners[start : start + OWNERS_PER_LOCK], events))
    return Report(events, differences, longest)


def _fold_into_shadows(facility: UUID, progress: Progress | None) -> int:
    fold = Fold(facility)
    waiting: defaultdict[Table, list[tuple[Any, ...]]] = defaultdict(list)
    head = reading.head(facility)
    size = head.size if head else 0
    for event in reading.read_all(facility, 0, size):
        _give(waiting, fold.take(event))
        if progress is not None:
            progress(1)
    _give(waiting, fold.standing())
    for table, rows in waiting.items():
        _flush(table, rows)
    return size


def _give(waiting: dict[Table, list[tuple[Any, ...]]], rows: Iterable[tuple[Table, tuple[Any, ...]]]) -> None:
    for table, row in rows:
        kept = waiting[table]
        kept.append(row)
        if len(kept) >= FLUSH:
            _flush(table, kept)
            kept.clear()


def _flush(table: Table, rows: list[tuple[Any, ...]]) -> None:
    Hand().insert(_shadow(table), table.columns, rows)


def _shadow(table: Table) -> str:
    return f"shadow_{table.name}"


class _Shadows:
    """Empty temporary copies of the read models, for as long as they are needed."""

    def __enter__(self) -> None:
        with connection.cursor() as cursor:
            for table in TABLES:
                columns = ", ".join(table.columns)
                cursor.execute(f"DROP TABLE IF EXISTS {_shadow(table)}")
                cursor.execute(
                    f"CREATE TEMPORARY TABLE {_shadow(table)} AS SELECT {columns} FROM {table.name} WHERE 1 = 0"
                )

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            with connection.cursor() as cursor:
                for table in TABLES:
                    cursor.execute(f"DROP TABLE {_shadow(table)}")


def _differing(facility: UUID, table: Table) -> list[tuple[Any, ...]]:
    """The keys (owner first) of rows that are missing, superfluous or otherwise than they should be."""
    columns = ", ".join(table.columns)
    named = ", ".join(("owner", *table.key, *(("known_from",) if table.temporal else ())))
    folded = f"SELECT {columns} FROM {_shadow(table)}"
    live = f"SELECT {columns} FROM {table.name} WHERE facility_id = %s"
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT {named} FROM (SELECT * FROM ({folded} EXCEPT {live}) a"
            f" UNION ALL SELECT * FROM ({live} EXCEPT {folded}) b) c GROUP BY {named}",
            (facility, facility),
        )
        found: list[tuple[Any, ...]] = cursor.fetchall()
        return found


def _mend(facility: UUID, owners: list[UUID], size: int) -> float:
    """Replace the rows of these owners under the lock. Returns how long it was held, in seconds."""
    marks = ", ".join(["%s"] * len(owners))
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT size FROM ledger_head WHERE facility_id = %s" + for_update(), (facility,))
        start = time.perf_counter()
        cursor.execute(
            "SELECT DISTINCT stream_kind, stream_id FROM ledger_event"
            f" WHERE facility_id = %s AND position >= %s AND stream_id IN ({marks})",
            (facility, size, *owners),
        )
        moved = [Stream(kind, id_out(stream)) for kind, stream in cursor.fetchall()]
        for table in TABLES:
            cursor.execute(
                f"DELETE FROM {table.name} WHERE facility_id = %s AND owner IN ({marks})", (facility, *owners)
            )
        still = [owner for owner in owners if owner not in {stream.id for stream in moved}]
        _copy(cursor, facility, still)
        for stream in moved:
            _write_anew(facility, stream)
    return time.perf_counter() - start


def _copy(cursor: Any, facility: UUID, owners: list[UUID]) -> None:
    if not owners:
        return
    marks = ", ".join(["%s"] * len(owners))
    for table in TABLES:
        columns = ", ".join(table.columns)
        cursor.execute(
            f"INSERT INTO {table.name} ({columns}) SELECT {columns} FROM {_shadow(table)}"
            f" WHERE facility_id = %s AND owner IN ({marks})",
            (facility, *owners),
        )


def _write_anew(facility: UUID, stream: Stream) -> None:
    fold = Fold(facility)
    for event in reading.read_stream(facility, stream):
        for table, row in fold.take(event):
            Hand().insert(table.name, table.columns, [row])
    for table, row in fold.standing():
        Hand().insert(table.name, table.columns, [row])

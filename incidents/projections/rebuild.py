"""Read models made anew from the log, compared with the live ones, and mended where they differ.

Each row follows from one stream alone, so the work goes by reaches of stream ids, each small enough to be held
in memory. A reach is compared within one snapshot, which needs no lock: its streams as they stood and its rows
as they stood. Where they differ they are mended under the facility's lock, for a fraction of a second; a
stream that moved since the snapshot is folded once more. Two rebuilds at once mend one after the other, and what
both found wrong is made right twice.
"""

from __future__ import annotations

import gc
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple
from uuid import UUID

from django.db import transaction

from incidents.ledger import reading
from incidents.ledger.dialect import Hand, back, comparable, for_update, row_in, snapshot, translated
from incidents.projections.states import KINDS, Kind, Shown
from incidents.projections.tables import TABLES, Key, Table, Values
from incidents.rules.events import Recorded, Stream

Progress = Callable[[int], object]
Row = tuple[Any, ...]  # a row of a read model as the database keeps it, without its facility
Folded = dict[Table, list[Row]]
EVENTS_AT_ONCE = 4_000
ROWS_PER_LOCK = 1_000
FIRST, LAST = UUID(int=0), UUID(int=2**128 - 1)


class Report(NamedTuple):
    """How many events were folded, how many rows differed, and the longest time the lock was held."""

    events: int
    differences: int
    longest_lock_s: float = 0.0


class Reach(NamedTuple):
    """Streams with ids from `first` to `last`, both included."""

    first: UUID
    last: UUID


def check(facility: UUID, progress: Progress | None = None) -> Report:
    """Fold the whole log and count the rows that differ from the live ones. Writes nothing."""
    return _go_through(facility, progress, mending=False)


def rebuild(facility: UUID, progress: Progress | None = None) -> Report:
    """Fold the whole log and mend every row that differs."""
    return _go_through(facility, progress, mending=True)


def _go_through(facility: UUID, progress: Progress | None, *, mending: bool) -> Report:
    events = differences = 0
    mender = _Mender(facility)
    for reach in _reaches(facility):
        with snapshot(patient=True), _collector_at_rest():
            size = _size(facility)
            folded, count = _fold(facility, reach)
            found = [_compared(facility, reach, table, folded[table]) for table in TABLES]
        if mending:
            mender.add(found, size)
        events += count
        differences += sum(len(each.keys()) for each in found)
        if progress is not None:
            progress(count)
    mender.mend()
    return Report(events, differences, mender.longest_lock_s)


@contextmanager
def _collector_at_rest() -> Iterator[None]:
    """Events and rows make no cycles; the collector would walk all of a reach again and again."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def _reaches(facility: UUID) -> Iterator[Reach]:
    """All ids there can be, cut so that the streams of a reach have about `EVENTS_AT_ONCE` events together."""
    first, events = FIRST, 0
    for stream, length in reading.streams_by_id(facility):
        events += length
        if events >= EVENTS_AT_ONCE and stream != LAST:
            yield Reach(first, stream)
            first, events = UUID(int=stream.int + 1), 0
    yield Reach(first, LAST)


def _size(facility: UUID) -> int:
    head = reading.head(facility)
    return head.size if head else 0


# --- folding ------------------------------------------------------------------------------------------


def _fold(facility: UUID, reach: Reach) -> tuple[Folded, int]:
    """Every row that ever stood for the streams of a reach, and how many events they have."""
    folded: Folded = defaultdict(list)
    count = 0
    for kind in KINDS:
        for told in reading.read_streams(facility, kind, *reach):
            count += len(told)
            for table, row in rows_of(told):
                folded[table].append(row)
    return folded, count


def rows_of(told: Sequence[Recorded]) -> Iterator[tuple[Table, Row]]:
    """Every row that ever stood for one stream, given whole."""
    stream = told[0].stream
    kind = KINDS[stream.kind]
    owner = row_in((stream.id,))
    histories = [_History(shown) for shown in kind.shown if shown.table.temporal]
    state = None
    for state, position in _states(kind, told):
        for history in histories:
            seen = history.looks_at(state)
            if seen != history.looked_at:
                history.looked_at = seen
                history.follow(history.rows(state), position)
    for history in histories:
        table = history.table
        for row in history.all():
            yield table, owner + row_in(row)
    for table, rows, _ in kind.shown:
        if not table.temporal:
            for key, values in rows(state).items():
                yield table, owner + row_in(key + values)


def _states(kind: Kind, told: Sequence[Recorded]) -> Iterator[tuple[Any, int]]:
    """The state after each event, and the event's position."""
    state = kind.new(told[0].stream.id)
    last: dict[UUID, int] = {}  # each device's counter; quicker than to ask the state
    for n, event in enumerate(told, 1):
        if event.sequence is not None and event.sequence <= last.get(event.actor.id, -1):
            state = kind.fold(event.stream.id, told[:n])
        else:
            state = kind.evolve(state, event)
            if event.sequence is not None:
                last[event.actor.id] = event.sequence
        yield state, event.position


class _History:
    """The rows of one stream in one temporal table as they come and go."""

    __slots__ = ("_ended", "_now", "_since", "looked_at", "looks_at", "rows", "table")

    def __init__(self, shown: Shown) -> None:
        self.table, self.rows, self.looks_at = shown
        self.looked_at: object = None
        self._now: Mapping[Key, Values] = {}
        self._since: dict[Key, int] = {}
        self._ended: list[Row] = []

    def follow(self, rows: Mapping[Key, Values], position: int) -> None:
        """From `position` on, these rows stand."""
        if rows == self._now:
            return
        for key, values in self._now.items():
            if rows.get(key) != values:
                self._ended.append((*key, self._since.pop(key), position, *values))
        for key in rows:
            self._since.setdefault(key, position)
        self._now = rows

    def all(self) -> list[Row]:
        """Key, since, until and values of every row, those that still stand last."""
        return self._ended + [(*key, self._since[key], None, *values) for key, values in self._now.items()]


# --- comparing ----------------------------------------------------------------------------------------


class Difference(NamedTuple):
    """Live rows of a table that should not be there, by what names them, and those that should be but are not."""

    table: Table
    wrong: set[Row]
    missing: list[Row]

    def keys(self) -> set[Row]:
        """What names the rows: a row that is otherwise than it should be is one."""
        return self.wrong | {self.table.named(row) for row in self.missing}

    def pieces(self) -> Iterator[Difference]:
        """The same, a lock's worth at a time; what replaces a wrong row stays with it."""
        named = self.table.named
        if self.wrong:
            yield Difference(self.table, self.wrong, [row for row in self.missing if named(row) in self.wrong])
        new = [row for row in self.missing if named(row) not in self.wrong]
        for start in range(0, len(new), ROWS_PER_LOCK):
            yield Difference(self.table, set(), new[start : start + ROWS_PER_LOCK])


def _compared(facility: UUID, reach: Reach, table: Table, folded: list[Row]) -> Difference:
    expected = {comparable(row): row for row in folded}
    with translated():
        live = Hand().kept(table.name, table.columns[1:], _OF_REACH, (facility, *reach))
    odd = live.difference(expected)
    if len(live) - len(odd) == len(expected):
        missing = []  # without asking for each
    else:
        missing = [row for key, row in expected.items() if key not in live]
    return Difference(table, {tuple(map(back, table.named(row))) for row in odd}, missing)


_OF_REACH = "facility_id = %s AND owner BETWEEN %s AND %s"


# --- mending ------------------------------------------------------------------------------------------


class _Mender:
    """Keeps differences until there are enough for one lock."""

    def __init__(self, facility: UUID) -> None:
        self.facility = facility
        self.longest_lock_s = 0.0
        self._waiting: list[Difference] = []
        self._rows = 0
        self._size = 0  # of the log, when the first of these was folded

    def add(self, found: list[Difference], size: int) -> None:
        for piece in (piece for each in found for piece in each.pieces()):
            self._size = self._size if self._waiting else size
            self._waiting.append(piece)
            self._rows += len(piece.wrong) + len(piece.missing)
            if self._rows >= ROWS_PER_LOCK:
                self.mend()

    def mend(self) -> None:
        """Mend what differs, under the lock; a stream that moved meanwhile is folded once more."""
        if not self._waiting:
            return
        with transaction.atomic(), translated():
            hand = Hand()
            hand.execute("SELECT size FROM ledger_head WHERE facility_id = %s" + for_update(), (self.facility,))
            start = time.perf_counter()
            self._write(hand)
        self.longest_lock_s = max(self.longest_lock_s, time.perf_counter() - start)
        self._waiting, self._rows = [], 0

    def _write(self, hand: Hand) -> None:
        facility = self.facility
        moved = {row_in((stream.id,))[0]: stream for stream in reading.streams_after(facility, self._size)}
        owners: set[Any] = set()
        for table, wrong, missing in self._waiting:
            owners.update(row[0] for row in (*wrong, *missing))
            _remove(hand, facility, table, [row for row in wrong if row[0] not in moved])
            new = [row for row in missing if row[0] not in moved]
            # Another rebuild may have been quicker: what it added meanwhile is what is added here.
            _remove(hand, facility, table, [table.named(row) for row in new])
            _add(hand, facility, table, new)
        for owner in owners & moved.keys():
            _fold_anew(hand, facility, moved[owner])


def _fold_anew(hand: Hand, facility: UUID, stream: Stream) -> None:
    for table in TABLES:
        hand.execute(f"DELETE FROM {table.name} WHERE facility_id = %s AND owner = %s", (facility, stream.id))
    for table, row in rows_of(reading.read_stream(facility, stream, hand=hand)):
        _add(hand, facility, table, [row])


def _remove(hand: Hand, facility: UUID, table: Table, named: Iterable[Row]) -> None:
    these = " AND ".join(f"{column} = %s" for column in table.naming)
    hand.execute_many(f"DELETE FROM {table.name} WHERE {these}", [(facility, *row) for row in named])


def _add(hand: Hand, facility: UUID, table: Table, rows: Iterable[Row]) -> None:
    kept = row_in((facility,))
    hand.insert(table.name, table.columns, [kept + row for row in rows])

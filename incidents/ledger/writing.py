"""The only writer of events.

`with writing(facility, now, deed) as log` locks the facility's head row as its first statement, so deeds of
one facility happen one after the other and positions appear in order, without a gap. Everything that the
deed appends, its receipt and every read model it moves commit together or not at all.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from django.db import OperationalError, connection, transaction
from psycopg_pool import PoolTimeout

from incidents.identity.ids import named
from incidents.ledger import canonical, merkle
from incidents.ledger.dialect import COPY_FROM, Hand, for_update, insertion, moment_in, moment_out, translated
from incidents.ledger.reading import leaf_of, read_stream
from incidents.ledger.records import Body
from incidents.rules.events import Actor, AnyEvent, Recorded, Stream, WordsRef


class LedgerBusy(Exception):
    """Another deed held the facility's lock for longer than this process waits. Nothing was written."""


class NoLedger(Exception):
    """The facility has no ledger yet; opening it is a deed of Set-up."""


class DeedReused(Exception):
    """This deed id was used for something else. Nothing was written."""


class DeedInterrupted(Exception):
    """A deed's events must stand together: its receipt names a first position and a count."""


class Deed(msgspec.Struct, frozen=True):
    """What is asked: its id, its digest (what, by whom, with what) and who answers for it."""

    id: UUID
    operation: str
    actor: Actor
    digest: bytes


class Receipt(msgspec.Struct, frozen=True):
    """Proof of what was written: `leaves` (hex) stand in the log at `first_position` and on."""

    deed_id: UUID
    facility: UUID
    first_position: int
    count: int
    leaves: tuple[str, ...]


Follower = Callable[["Log", Stream, Sequence[Recorded]], None]
_followers: list[Follower] = []


def follow(follower: Follower) -> None:
    """Have `follower` move its read models inside every deed. Called once each, at start-up."""
    if follower not in _followers:
        _followers.append(follower)


def digest_of(operation: str, actor: Actor, asked: dict[str, Any]) -> bytes:
    """What makes two requests the same deed."""
    return hashlib.sha256(canonical.encode({"actor": actor, "asked": asked, "operation": operation})).digest()


class _Page:
    """One open transaction of one facility: the head as it will be, and what is to be written."""

    def __init__(self, facility: UUID, now: datetime) -> None:
        self.facility = facility
        self.hand = Hand()
        self.hand.execute(_LOCK_HEAD + for_update(), (facility,))
        row = self.hand.fetchone()
        if row is None:
            raise NoLedger(f"facility {facility} has no ledger")
        self.size: int = row[0]
        self.frontier = bytes(row[1])
        self.recorded_at = max(now, moment_out(row[2]))
        self.recorded_in = moment_in(self.recorded_at)
        self.streams: dict[Stream, list[Recorded]] = {}
        self.memo: dict[Any, Any] = {}
        self.events: list[tuple[Any, ...]] = []
        self.deeds: list[tuple[Any, ...]] = []
        self.done: dict[UUID, tuple[bytes, Receipt]] = {}

    def state(self) -> tuple[Any, ...]:
        streams = {stream: len(events) for stream, events in self.streams.items()}
        return self.size, self.frontier, len(self.events), len(self.deeds), dict(self.done), streams

    def back_to(self, state: tuple[Any, ...]) -> None:
        self.size, self.frontier, events, deeds, self.done, streams = state
        del self.events[events:], self.deeds[deeds:]
        self.streams = {stream: self.streams[stream][:count] for stream, count in streams.items()}
        self.memo.clear()

    def write(self) -> None:
        if not self.deeds:
            return
        steps: list[tuple[str, tuple[Any, ...]]] = [
            (_MOVE_HEAD, (self.size, self.frontier, self.recorded_in, self.facility))
        ]
        if len(self.events) + len(self.deeds) < COPY_FROM:
            deeds = [(_ADD_DEED, row) for row in self.deeds]
            steps = [(_ADD_EVENT, row) for row in self.events] + deeds + steps
        else:
            self.hand.insert("ledger_event", _EVENT_COLUMNS, self.events)
            self.hand.insert("ledger_deed", _DEED_COLUMNS, self.deeds)
        self.hand.execute_together(steps)


class Log:
    """One deed's hand on the ledger, inside its transaction."""

    def __init__(self, page: _Page, deed: Deed) -> None:
        self._page = page
        self.deed = deed
        self.facility = page.facility
        self.recorded_at = page.recorded_at
        self.memo = page.memo
        self.hand = page.hand
        self._first = page.size
        self._leaves: list[str] = []
        self.receipt = self._known()

    @property
    def size(self) -> int:
        """The position that the next event will take."""
        return self._page.size

    def _known(self) -> Receipt | None:
        """The receipt of this very deed, if it was done before, also on this page. Raises DeedReused."""
        if self.deed.id in self._page.done:
            digest, receipt = self._page.done[self.deed.id]
            self._same(digest)
            return receipt
        self.hand.execute(_FIND_DEED, (self.facility, self.deed.id))
        row = self.hand.fetchone()
        if row is None:
            return None
        self._same(bytes(row[0]))
        self.hand.execute(_BODIES, (self.facility, row[1], row[1] + row[2]))
        leaves = tuple(merkle.leaf_hash(body.encode()).hex() for (body,) in self.hand.fetchall())
        return Receipt(self.deed.id, self.facility, row[1], row[2], leaves)

    def _same(self, digest: bytes) -> None:
        if digest != self.deed.digest:
            raise DeedReused(f"deed {self.deed.id} was used for something else")

    def read(self, stream: Stream) -> list[Recorded]:
        """The stream's events by position, this deed's own included."""
        known = self._page.streams.get(stream)
        if known is None:
            known = self._page.streams[stream] = read_stream(self.facility, stream, hand=self.hand)
        return known

    def append(
        self, stream: Stream, *events: AnyEvent, occurred_at: datetime, sequence: int | None = None
    ) -> list[Recorded]:
        """Write `events` at the end of `stream`; the read models follow at once."""
        told = self.read(stream)
        added = [
            self._record(stream, len(told) + n, event, occurred_at, sequence) for n, event in enumerate(events, 1)
        ]
        told.extend(added)
        for follower in _followers:
            follower(self, stream, added)
        return added

    def _record(
        self, stream: Stream, version: int, event: AnyEvent, occurred_at: datetime, sequence: int | None
    ) -> Recorded:
        page, deed = self._page, self.deed
        if not self._leaves:
            self._first = page.size
        elif self._first + len(self._leaves) != page.size:
            raise DeedInterrupted(f"deed {deed.id} appends again after a deed inside it has")
        event_id = named(deed.id, str(len(self._leaves)))
        schema = type(event).schema
        body = canonical.encode(
            Body(
                actor=deed.actor,
                data=event,
                deed=deed.id,
                event=event_id,
                facility=self.facility,
                occurred_at=occurred_at,
                operation=deed.operation,
                recorded_at=self.recorded_at,
                schema=schema,
                sequence=sequence,
                stream=stream,
                version=version,
            )
        )
        leaf = merkle.leaf_hash(body)
        position = page.size
        page.events.append(
            (
                self.facility,
                position,
                event_id,
                stream.kind,
                stream.id,
                version,
                type(event).__struct_config__.tag,
                schema,
                moment_in(occurred_at),
                page.recorded_in,
                body.decode(),
            )
        )
        page.frontier = merkle.grow(position, page.frontier, leaf)
        page.size += 1
        self._leaves.append(leaf.hex())
        return Recorded(
            actor=deed.actor,
            data=event,
            deed=deed.id,
            event_id=event_id,
            facility=self.facility,
            occurred_at=occurred_at,
            operation=deed.operation,
            recorded_at=self.recorded_at,
            schema=schema,
            sequence=sequence,
            stream=stream,
            version=version,
            position=position,
        )

    def words(self, text: str) -> WordsRef:
        """Keep free text where it can be emptied; the event carries its salted digest."""
        salt = secrets.token_bytes(16)
        digest = hashlib.sha256(salt + text.encode()).hexdigest()
        self.hand.execute(_KEEP_WORDS, (self.facility, digest, salt, text))
        return WordsRef(digest)

    def leaf_of(self, stream: Stream, version: int) -> str:
        """The leaf (hex) of a stream's event, this page's own included. Raises LookupError."""
        for row in reversed(self._page.events):
            if row[3:6] == (stream.kind, stream.id, version):
                return merkle.leaf_hash(row[-1].encode()).hex()
        return leaf_of(self.facility, stream, version)

    def close(self) -> None:
        """Make the receipt; a deed that appended nothing leaves no trace."""
        if self.receipt is None and self._leaves:
            page, deed = self._page, self.deed
            page.deeds.append((self.facility, deed.id, deed.digest, self._first, len(self._leaves)))
            self.receipt = Receipt(deed.id, self.facility, self._first, len(self._leaves), tuple(self._leaves))
            page.done[deed.id] = (deed.digest, self.receipt)


_open: ContextVar[_Page | None] = ContextVar("open_page", default=None)


@contextmanager
def writing(facility: UUID, now: datetime, deed: Deed) -> Iterator[Log]:
    """Write one deed. Inside another one of the same facility it joins that one's transaction.

    Raises LedgerBusy, NoLedger, DeedReused. Whatever else escapes the block rolls the deed back.
    """
    page = _open.get()
    if page is not None and page.facility == facility:
        with _joined(page, deed) as log:
            yield log
        return
    with _alone(facility, now, deed) as log:
        yield log


@contextmanager
def founding(facility: UUID, now: datetime, deed: Deed) -> Iterator[Log]:
    """Write a facility's first deeds in the transaction that makes its log; nobody else can know it yet."""
    with transaction.atomic(durable=True):
        open_ledger(facility, now)
        with _alone(facility, now, deed, durable=False) as log:
            yield log


@contextmanager
def _alone(facility: UUID, now: datetime, deed: Deed, *, durable: bool = True) -> Iterator[Log]:
    try:
        with transaction.atomic(durable=durable), translated():
            page = _Page(facility, now)
            token = _open.set(page)
            try:
                log = Log(page, deed)
                yield log
                log.close()
                page.write()
            finally:
                _open.reset(token)
    except OperationalError as error:
        if is_lock_wait(error):
            raise LedgerBusy(f"facility {facility} is busy") from error
        raise


@contextmanager
def _joined(page: _Page, deed: Deed) -> Iterator[Log]:
    before = page.state()
    try:
        with transaction.atomic():
            log = Log(page, deed)
            yield log
            log.close()
    except BaseException:
        page.back_to(before)
        raise


def is_lock_wait(error: OperationalError) -> bool:
    """Did the lock (PostgreSQL 55P03, SQLite "database is locked"), or a connection, not come in time?"""
    cause = error.__cause__
    if isinstance(cause, PoolTimeout):
        return True
    return getattr(cause, "sqlstate", "") == "55P03" or "locked" in str(error)


def open_ledger(facility: UUID, now: datetime) -> None:
    """Give a new facility its empty log."""
    with connection.cursor() as cursor:
        cursor.execute(_NEW_HEAD, (facility, 0, b"", moment_in(now)))


_LOCK_HEAD = "SELECT size, frontier, recorded_at FROM ledger_head WHERE facility_id = %s"
_NEW_HEAD = "INSERT INTO ledger_head (facility_id, size, frontier, recorded_at) VALUES (%s, %s, %s, %s)"
_MOVE_HEAD = "UPDATE ledger_head SET size = %s, frontier = %s, recorded_at = %s WHERE facility_id = %s"
_FIND_DEED = "SELECT digest, first_position, count FROM ledger_deed WHERE facility_id = %s AND deed_id = %s"
_BODIES = (
    "SELECT body FROM ledger_event WHERE facility_id = %s AND position >= %s AND position < %s ORDER BY position"
)
_KEEP_WORDS = "INSERT INTO ledger_words (facility_id, digest, salt, text) VALUES (%s, %s, %s, %s)"
_DEED_COLUMNS = ("facility_id", "deed_id", "digest", "first_position", "count")
_EVENT_COLUMNS = (
    "facility_id",
    "position",
    "event_id",
    "stream_kind",
    "stream_id",
    "version",
    "type",
    "schema",
    "occurred_at",
    "recorded_at",
    "body",
)
_ADD_EVENT = insertion("ledger_event", _EVENT_COLUMNS)
_ADD_DEED = insertion("ledger_deed", _DEED_COLUMNS)

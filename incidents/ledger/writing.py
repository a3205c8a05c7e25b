"""The only writer of events.

`with writing(facility, now, deed) as log` locks the facility's head row as its first statement, so deeds of
one facility happen one after the other and positions appear in order, without a gap. Everything that the
deed appends, its receipt and every read model it moves commit together or not at all.
"""

from __future__ import annotations

import hashlib
import re
import secrets
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from contextvars import ContextVar
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from django.db import InterfaceError, OperationalError, connection, transaction
from psycopg_pool import PoolTimeout

from incidents.identity.ids import named
from incidents.ledger import canonical, merkle
from incidents.ledger.dialect import (
    COPY_FROM,
    Hand,
    for_update,
    id_out,
    insertion,
    moment_in,
    moment_out,
    translated,
)
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


class Inseparable(Exception):
    """A deed among many failed when it could no longer be taken back alone. Nothing of them was written."""


class Deed(msgspec.Struct, frozen=True):
    """What is asked: its id, its digest (what, by whom, with what) and who answers for it.

    `texts` are not in the digest: they are compared with what the log keeps beside it. `former` is the digest as
    older releases made it, with the texts in it.
    """

    id: UUID
    operation: str
    actor: Actor
    digest: bytes
    texts: tuple[str, ...] = ()
    former: bytes = b""


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


Watcher = Callable[[float], object]
_watchers: list[Watcher] = []


def watch(watcher: Watcher) -> None:
    """Have `watcher` told how many seconds each write took, from asking for the lock to the commit."""
    _watchers.append(watcher)


def digest_of(operation: str, actor: Actor, asked: dict[str, Any]) -> bytes:
    """What makes two requests the same deed."""
    return hashlib.sha256(canonical.encode({"actor": actor, "asked": asked, "operation": operation})).digest()


Mark = tuple[int, bytes, datetime, int, int, int]


def _salted(salt: bytes, text: str) -> str:
    return hashlib.sha256(salt + text.encode()).hexdigest()


class _Page:
    """One open transaction of one facility: the head as it will be, and what is to be written.

    A page of many deeds (`together`) makes no savepoint for each and lets the followers wait until somebody
    needs what they write: all of it is in `waiting`, so a deed that fails is taken back by forgetting it.
    """

    def __init__(self, facility: UUID, now: datetime, *, of_many: bool = False, seed: bytes | None = None) -> None:
        self.facility = facility
        self.seed = seed
        self.hand = Hand()
        self.hand.execute(_LOCK_HEAD + for_update(), (facility,))
        row = self.hand.fetchone()
        if row is None:
            raise NoLedger(f"facility {facility} has no ledger")
        self.size: int = row[0]
        self.frontier = bytes(row[1])
        self.recorded_at = moment_out(row[2])
        self.move_on(now)
        self.begins_at = self.size
        self.streams: dict[Stream, list[Recorded]] = {}
        self.memo: dict[Any, Any] = {}
        self.events: list[tuple[Any, ...]] = []
        self.deeds: list[tuple[Any, ...]] = []
        self.done: dict[UUID, tuple[Deed, Receipt]] = {}
        self.of_many = of_many
        self.new: set[UUID] = set()  # deeds that the ledger is known not to have
        self.waiting: list[Recorded] = []  # events that the followers have not seen
        self.touched = 0  # how often something reached the database that forgetting can't take back

    def move_on(self, now: datetime) -> None:
        """Take the moment of the next deed on this page; it never falls."""
        self.recorded_at = max(now, self.recorded_at)
        self.recorded_in = moment_in(self.recorded_at)

    def mark(self) -> Mark:
        """Where a deed inside this transaction begins; `back_to` takes back whatever came after."""
        lengths = len(self.events), len(self.deeds), len(self.waiting)
        return self.size, self.frontier, self.recorded_at, *lengths

    def back_to(self, mark: Mark) -> None:
        self.size, self.frontier, self.recorded_at, events, deeds, waiting = mark
        self.recorded_in = moment_in(self.recorded_at)
        for row in self.events[events:]:
            kind, stream, version = row[3:6]
            del self.streams[Stream(kind, stream)][version - 1 :]
        for row in self.deeds[deeds:]:
            del self.done[row[1]]
        del self.events[events:], self.deeds[deeds:], self.waiting[waiting:]
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
        self.memo = page.memo
        self.hand = page.hand
        self._first = page.size
        self._leaves: list[str] = []
        self._words = 0
        self.receipt = self._known()

    def expect(self, deeds: Sequence[UUID]) -> None:
        """Look up many deeds at once, so that those which are new need not be looked up one by one."""
        if not deeds:
            return  # PostgreSQL knows no empty list
        marks = ", ".join(["%s"] * len(deeds))
        self.hand.execute(_FIND_DEEDS.format(marks), (self.facility, *deeds))
        self._page.new.update(set(deeds).difference(id_out(row[0]) for row in self.hand.fetchall()))

    def knows(self, deed: UUID) -> bool:
        """Of the deeds that `expect` looked up: was this one done before?"""
        return deed not in self._page.new

    def settle_rows(self) -> None:
        """Bring the read models up to date with every deed on this page, before somebody reads them."""
        page = self._page
        if not page.waiting:
            return
        page.touched += 1
        waiting, page.waiting = page.waiting, []
        of_stream: dict[Stream, list[Recorded]] = {}
        for event in waiting:
            of_stream.setdefault(event.stream, []).append(event)
        for stream, added in of_stream.items():
            for follower in _followers:
                follower(self, stream, added)

    @property
    def of_many(self) -> bool:
        """Is this deed one of many small ones in one transaction?"""
        return self._page.of_many

    @property
    def recorded_at(self) -> datetime:
        """The ledger's own moment for what is written now."""
        return self._page.recorded_at

    @property
    def size(self) -> int:
        """The position that the next event will take."""
        return self._page.size

    def _known(self) -> Receipt | None:
        """The receipt of this very deed, if it was done before, also on this page. Raises DeedReused."""
        if self.deed.id in self._page.done:
            done, receipt = self._page.done[self.deed.id]
            self._same(done.digest, done.texts == self.deed.texts)
            return receipt
        if self.deed.id in self._page.new:
            return None
        self.hand.execute(_FIND_DEED, (self.facility, self.deed.id))
        row = self.hand.fetchone()
        if row is None:
            return None
        self.hand.execute(_BODIES, (self.facility, row[1], row[1] + row[2]))
        bodies = [body for (body,) in self.hand.fetchall()]
        if bytes(row[0]) != self.deed.former:
            self._same(bytes(row[0]), self._said(bodies))
        leaves = tuple(merkle.leaf_hash(body.encode()).hex() for body in bodies)
        return Receipt(self.deed.id, self.facility, row[1], row[2], leaves)

    def _said(self, bodies: Sequence[str]) -> bool:
        """Are the deed's texts those that these events refer to? What was emptied since can't be compared."""
        digests = sorted({digest for body in bodies for digest in _REFERENCE.findall(body)})
        if not self.deed.texts or not digests:
            return not self.deed.texts
        self.hand.execute(_KEPT_WORDS.format(", ".join(["%s"] * len(digests))), (self.facility, *digests))
        kept = [(digest, bytes(salt), text) for digest, salt, text in self.hand.fetchall()]
        if any(_salted(salt, text) != digest for digest, salt, text in kept):
            return True
        return all(
            any(digest in (_salted(salt, said), _salted(salt, said.strip())) for digest, salt, _ in kept)
            for said in self.deed.texts
        )

    def _same(self, digest: bytes, said: bool) -> None:
        if digest != self.deed.digest or not said:
            raise DeedReused(f"deed {self.deed.id} was used for something else")

    def settled(self, stream: Stream) -> int:
        """How many of the stream's events the read models show."""
        waiting = next((event.version for event in self._page.waiting if event.stream == stream), None)
        return len(self.read(stream)) if waiting is None else waiting - 1

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
        self._page.waiting += added
        if not self._page.of_many:
            self.settle_rows()
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
        self._page.touched += 1
        salt = self._salt()
        digest = _salted(salt, text)
        self.hand.execute(_KEEP_WORDS, (self.facility, digest, salt, text))
        return WordsRef(digest)

    @property
    def seeded(self) -> bool:
        """Was this page opened for a demonstration, whose salts come from a seed?"""
        return self._page.seed is not None

    def _salt(self) -> bytes:
        """By chance; only a demonstration's comes from its seed, so that its log can be had again."""
        if self._page.seed is None:
            return secrets.token_bytes(16)
        self._words += 1
        return hashlib.sha256(self._page.seed + self.deed.id.bytes + self._words.to_bytes(4)).digest()[:16]

    def leaf_of(self, stream: Stream, version: int) -> str:
        """The leaf (hex) of a stream's event, this page's own included. Raises LookupError."""
        told = self._page.streams.get(stream, [])
        position = told[version - 1].position if 0 < version <= len(told) else -1
        if position >= self._page.begins_at:
            return merkle.leaf_hash(self._page.events[position - self._page.begins_at][-1].encode()).hex()
        return leaf_of(self.facility, stream, version)

    def close(self) -> None:
        """Make the receipt; a deed that appended nothing leaves no trace."""
        if self.receipt is None and self._leaves:
            page, deed = self._page, self.deed
            page.deeds.append((self.facility, deed.id, deed.digest, self._first, len(self._leaves)))
            self.receipt = Receipt(deed.id, self.facility, self._first, len(self._leaves), tuple(self._leaves))
            page.done[deed.id] = (deed, self.receipt)


_open: ContextVar[_Page | None] = ContextVar("open_page", default=None)


@contextmanager
def writing(facility: UUID, now: datetime, deed: Deed, *, seed: bytes | None = None) -> Iterator[Log]:
    """Write one deed. Inside another one of the same facility it joins that one's transaction, at its own `now`.

    With a `seed` the salts of free text follow from it, which is for demonstrations alone.
    Raises LedgerBusy, NoLedger, DeedReused. Whatever else escapes the block rolls the deed back.
    """
    page = _open.get()
    if page is not None and page.facility == facility:
        with _joined(page, now, deed) as log:
            yield log
        return
    with _alone(facility, now, deed, seed=seed) as log:
        yield log


@contextmanager
def together(facility: UUID, now: datetime, deed: Deed) -> Iterator[Log]:
    """Write many small deeds in one transaction, each of which joins it by `writing`, with a row and a receipt.

    For deeds that write nothing but events: one that fails after others, or it, brought the read models up to
    date takes all of them with it. Raises as `writing` does.
    """
    with _alone(facility, now, deed, of_many=True) as log:
        yield log


@contextmanager
def founding(facility: UUID, now: datetime, deed: Deed, *, seed: bytes | None = None) -> Iterator[Log]:
    """Write a facility's first deeds in the transaction that makes its log; nobody else can know it yet."""
    with transaction.atomic(durable=True):
        open_ledger(facility, now)
        with _alone(facility, now, deed, durable=False, seed=seed) as log:
            yield log


@contextmanager
def _alone(
    facility: UUID,
    now: datetime,
    deed: Deed,
    *,
    durable: bool = True,
    of_many: bool = False,
    seed: bytes | None = None,
) -> Iterator[Log]:
    began = time.perf_counter()
    page = None
    try:
        with transaction.atomic(durable=durable), translated():
            page = _Page(facility, now, of_many=of_many, seed=seed)
            token = _open.set(page)
            try:
                log = Log(page, deed)
                yield log
                log.close()
                log.settle_rows()
                page.write()
            finally:
                _open.reset(token)
    except OperationalError as error:
        if is_lock_wait(error):
            raise LedgerBusy(f"facility {facility} is busy") from error
        raise
    if page.deeds:
        took = time.perf_counter() - began
        for watcher in _watchers:
            watcher(took)


@contextmanager
def _joined(page: _Page, now: datetime, deed: Deed) -> Iterator[Log]:
    before, touched = page.mark(), page.touched
    try:
        page.move_on(now)
        with nullcontext() if page.of_many else transaction.atomic():
            log = Log(page, deed)
            yield log
            log.close()
    except BaseException as failure:
        if page.of_many and page.touched != touched:
            raise Inseparable(f"deed {deed.id} failed and can't be taken back alone") from failure
        page.back_to(before)
        raise


def is_lock_wait(error: OperationalError) -> bool:
    """Did the lock (PostgreSQL 55P03, SQLite "database is locked"), or a connection, not come in time?"""
    cause = error.__cause__
    if isinstance(cause, PoolTimeout):
        return True
    return getattr(cause, "sqlstate", "") == "55P03" or "locked" in str(error)


def is_unavailable(error: Exception) -> bool:
    """Is the database busy, gone or full? The asker did nothing wrong, and may send the same deed again."""
    return isinstance(error, LedgerBusy | OperationalError | InterfaceError)


def open_ledger(facility: UUID, now: datetime) -> None:
    """Give a new facility its empty log."""
    with connection.cursor() as cursor:
        cursor.execute(_NEW_HEAD, (facility, 0, b"", moment_in(now)))


_LOCK_HEAD = "SELECT size, frontier, recorded_at FROM ledger_head WHERE facility_id = %s"
_NEW_HEAD = "INSERT INTO ledger_head (facility_id, size, frontier, recorded_at) VALUES (%s, %s, %s, %s)"
_MOVE_HEAD = "UPDATE ledger_head SET size = %s, frontier = %s, recorded_at = %s WHERE facility_id = %s"
_FIND_DEED = "SELECT digest, first_position, count FROM ledger_deed WHERE facility_id = %s AND deed_id = %s"
_FIND_DEEDS = "SELECT deed_id FROM ledger_deed WHERE facility_id = %s AND deed_id IN ({})"
_BODIES = (
    "SELECT body FROM ledger_event WHERE facility_id = %s AND position >= %s AND position < %s ORDER BY position"
)
_REFERENCE = re.compile(r'\{"digest":"([0-9a-f]{64})"\}')  # a `WordsRef` in a canonical body
_KEPT_WORDS = "SELECT digest, salt, text FROM ledger_words WHERE facility_id = %s AND digest IN ({})"
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

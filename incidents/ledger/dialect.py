"""What the two databases do not say alike: locking reads, and how ids, moments and bulk rows travel."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cache, lru_cache
from typing import Any
from uuid import UUID

import psycopg
from django.db import DEFAULT_DB_ALIAS, connection, connections, transaction
from psycopg.types.string import ByteaBinaryLoader

# SQLite keeps a UUID as 32 hexadecimal digits, as Django's UUIDField does.
sqlite3.register_adapter(UUID, lambda value: value.hex)

COPY_FROM = 20  # rows; below that an executemany is as quick
PREPARE_AFTER = 5  # times that a hand has run a statement
STATEMENTS = 500  # texts kept ready


@cache
def on_postgresql() -> bool:
    """One process has one kind of database."""
    return connection.vendor == "postgresql"


def for_update() -> str:
    """SQLite's transactions begin IMMEDIATE: whoever is inside holds the lock already."""
    return " FOR UPDATE" if on_postgresql() else ""


def unless_there() -> str:
    """On PostgreSQL two writers of the same row may meet; on SQLite whoever is inside is alone."""
    return " ON CONFLICT DO NOTHING" if on_postgresql() else ""


def moment_in(value: datetime) -> datetime | str:
    """A moment as this database keeps it (SQLite: naive UTC text, as Django's DateTimeField does)."""
    return value if on_postgresql() else _as_text(value)


def _as_text(value: datetime) -> str:
    return value.astimezone(UTC).isoformat(" ")[:-6]


def moment_out(value: datetime | str) -> datetime:
    moment = datetime.fromisoformat(value) if isinstance(value, str) else value
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def row_in(row: Iterable[Any]) -> tuple[Any, ...]:
    """A row of values as this database keeps them (SQLite: ids and moments as text)."""
    if on_postgresql():
        return tuple(row)
    # From a list: a generator would take twice as long.
    return tuple([v.hex if type(v) is UUID else _as_text(v) if type(v) is datetime else v for v in row])


def ids_in(row: Sequence[Any]) -> Sequence[Any]:
    """Ids as this database keeps them. SQLite's driver would ask its adapters, at ten times the price."""
    return row if on_postgresql() else [v.hex if type(v) is UUID else v for v in row]


def comparable(row: tuple[Any, ...]) -> tuple[Any, ...]:
    """A row from `row_in` as `Hand.kept` reads it: ids as text or bytes, which are quick to compare."""
    return tuple([v.bytes if type(v) is UUID else v for v in row]) if on_postgresql() else row


def back(value: Any) -> Any:
    """A value from `comparable` as `row_in` gives it."""
    return UUID(bytes=value) if type(value) is bytes else value


def id_out(value: UUID | str) -> UUID:
    return value if isinstance(value, UUID) else UUID(value)


class Hand:
    """A cursor of the driver itself, on Django's connection and within its transaction.

    Around a small statement Django's own cursor takes as long as the database. Statements are written with
    %s. What goes wrong is the driver's exception; `translated` makes it Django's, once around all the work.
    """

    __slots__ = ("cursor", "fetchall", "fetchone")

    def __init__(self) -> None:
        self.cursor = _driver_cursor()
        self.fetchone = self.cursor.fetchone
        self.fetchall = self.cursor.fetchall

    def execute(self, statement: str, params: Sequence[Any]) -> None:
        self.cursor.execute(native(statement), ids_in(params))

    def rows(self, statement: str, params: Sequence[Any]) -> Iterable[tuple[Any, ...]]:
        """Many rows; SQLite finds them while they are asked for.

        Never prepared: how to find many rows is planned anew, as the table has grown since.
        """
        if not on_postgresql():
            found: Iterable[tuple[Any, ...]] = self.cursor.execute(native(statement), ids_in(params))
        else:
            found = self.cursor.execute(statement, params, prepare=False).fetchall()
        return found

    def kept(self, table: str, columns: Sequence[str], where: str, params: Sequence[Any]) -> set[tuple[Any, ...]]:
        """Rows to be compared with those from `comparable`: no value is made into more than it is."""
        if on_postgresql():
            self.cursor.adapters.register_loader("uuid", ByteaBinaryLoader)
            return set(self.rows(f"SELECT {', '.join(columns)} FROM {table} WHERE {where}", params))
        named = ", ".join(f"+{column}" for column in columns)  # no converter touches an expression
        return set(self.rows(f"SELECT {named} FROM {table} WHERE {where}", params))

    def insert(self, table: str, columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
        """Insert rows of plain values; many at once by COPY where the database has it."""
        if len(rows) == 1:
            self.execute(insertion(table, columns), rows[0])
        elif len(rows) >= COPY_FROM and on_postgresql():
            with self.cursor.copy(f"COPY {table} ({', '.join(columns)}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
        elif rows:
            self.execute_many(insertion(table, columns), rows)

    def execute_many(self, statement: str, rows: Sequence[Sequence[Any]]) -> None:
        self.cursor.executemany(native(statement), [ids_in(row) for row in rows])

    def execute_together(self, steps: Sequence[tuple[str, Sequence[Any]]]) -> None:
        """Run INSERTs and UPDATEs of different rows; PostgreSQL takes them as one, in one round trip."""
        if on_postgresql() and len(steps) > 1:
            self.execute(
                _as_one(tuple(statement for statement, _ in steps)), [v for _, values in steps for v in values]
            )
        else:
            for statement, params in steps:
                self.execute(statement, params)


def _driver_cursor() -> Any:
    here = connections[DEFAULT_DB_ALIAS]  # asking the proxy costs more than the question
    here.ensure_connection()
    driver: Any = here.connection
    if not on_postgresql():
        return driver.cursor()
    driver.prepare_threshold = PREPARE_AFTER  # Django's own cursors never prepare
    cursor = psycopg.Cursor(driver)
    cursor.format = psycopg.pq.Format.BINARY
    return cursor


@lru_cache(STATEMENTS)
def native(statement: str) -> str:
    """The statement as the driver writes its parameters."""
    return statement if on_postgresql() else statement.replace("%s", "?")


@lru_cache(STATEMENTS)
def _as_one(statements: tuple[str, ...]) -> str:
    *others, last = statements
    return f"WITH {', '.join(f's{n} AS ({each})' for n, each in enumerate(others))} {last}"


@cache
def insertion(table: str, columns: Sequence[str]) -> str:
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join(['%s'] * len(columns))})"


def learn_lengths() -> None:
    """Have the planner know how long the tables have become. PostgreSQL's autovacuum does so by itself.

    Without it SQLite takes any index that begins with the facility for one that finds ten rows. A thousand
    rows of each index are looked at: milliseconds, however long the log.
    """
    if not on_postgresql():
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA analysis_limit = 1000")
            cursor.execute("ANALYZE")


def translated() -> Any:
    """Within it, a driver's exception becomes the one of `django.db` that stands for it."""
    return connection.wrap_database_errors


@contextmanager
def snapshot(*, patient: bool = False) -> Iterator[None]:
    """Read everything inside as of one moment, holding no lock that a writer would wait for.

    A patient one may think between two statements for longer than PostgreSQL lets a transaction idle.
    Inside a transaction already open it adds nothing: that one's view is what there is.
    """
    if connection.in_atomic_block:
        yield
    elif on_postgresql():
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
            if patient:
                cursor.execute("SET LOCAL idle_in_transaction_session_timeout = 0")
            yield
    else:
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
            try:
                yield
            finally:
                cursor.execute("COMMIT")

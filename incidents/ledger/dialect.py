"""What the two databases do not say alike: locking reads, and how ids, moments and bulk rows travel."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from django.db import connection, transaction

# SQLite keeps a UUID as 32 hexadecimal digits, as Django's UUIDField does.
sqlite3.register_adapter(UUID, lambda value: value.hex)

COPY_FROM = 20  # rows; below that an executemany is as quick


def on_postgresql() -> bool:
    return connection.vendor == "postgresql"


def for_update() -> str:
    """SQLite's transactions begin IMMEDIATE: whoever is inside holds the lock already."""
    return " FOR UPDATE" if on_postgresql() else ""


def moment_in(value: datetime) -> datetime | str:
    """A moment as this database keeps it (SQLite: naive UTC text, as Django's DateTimeField does)."""
    return value if on_postgresql() else str(value.astimezone(UTC).replace(tzinfo=None))


def moment_out(value: datetime | str) -> datetime:
    moment = datetime.fromisoformat(value) if isinstance(value, str) else value
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def id_out(value: UUID | str) -> UUID:
    return value if isinstance(value, UUID) else UUID(value)


def insert_many(cursor: Any, table: str, columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    """Insert rows of plain values; many at once by COPY where the database has it."""
    if not rows:
        return
    named = ", ".join(columns)
    if len(rows) >= COPY_FROM and on_postgresql():
        with cursor.cursor.copy(f"COPY {table} ({named}) FROM STDIN") as copy:
            for row in rows:
                copy.write_row(row)
        return
    statement = f"INSERT INTO {table} ({named}) VALUES ({', '.join(['%s'] * len(columns))})"
    if len(rows) == 1:
        cursor.execute(statement, rows[0])
    else:
        cursor.executemany(statement, rows)


@contextmanager
def snapshot() -> Iterator[None]:
    """Read everything inside as of one moment, holding no lock that a writer would wait for.

    Inside a transaction already open it adds nothing: that one's view is what there is.
    """
    if connection.in_atomic_block:
        yield
    elif on_postgresql():
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
            yield
    else:
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
            try:
                yield
            finally:
                cursor.execute("COMMIT")

"""A ledger without a department: deeds that append what a test says, and looks at what is stored."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from django.db import connection

from incidents.ledger import merkle, writing
from incidents.ledger.reading import head
from incidents.ledger.writing import Deed, Receipt, digest_of
from incidents.rules.events import Actor, AnyEvent, Stream, WordsRef
from tests.story import INES, LOAD, MONDAY, assembled, held, id_of

EASTMERE, WESTMERE = id_of("Eastmere"), id_of("Westmere")
COLUMNS = "position, event_id, stream_kind, stream_id, version, type, schema, occurred_at, recorded_at, body"
ALDERS_LOAD, BIRCHS_LOAD = Stream("load", LOAD), Stream("load", id_of("another load"))


def deed(name: str, asked: str = "", operation: str = "told") -> Deed:
    actor = Actor("person", INES)
    return Deed(id_of(name), operation, actor, digest_of(operation, actor, {"asked": asked or name}))


def write(
    name: str,
    *events: AnyEvent,
    stream: Stream = ALDERS_LOAD,
    facility: UUID = EASTMERE,
    now: datetime = MONDAY,
    asked: str = "",
) -> Receipt:
    """One deed that appends these events to one stream."""
    with writing.writing(facility, now, deed(name, asked)) as log:
        if log.receipt is None:
            log.append(stream, *events, occurred_at=now)
    assert log.receipt is not None
    return log.receipt


def ask(query: str, *values: Any) -> list[Any]:
    with connection.cursor() as cursor:
        cursor.execute(query, values)
        found: list[Any] = cursor.fetchall()
        return found


def size(facility: UUID = EASTMERE) -> int:
    found = head(facility)
    assert found is not None
    return found.size


def bodies(facility: UUID = EASTMERE) -> list[bytes]:
    query = "SELECT body FROM ledger_event WHERE facility_id = %s ORDER BY position"
    return [body.encode() for (body,) in ask(query, facility)]


def everything(*besides: str) -> dict[str, list[Any]]:
    """Every row of the ledger and of the read models, and of tables named besides."""
    whose = ("ledger_", "read_", *besides)
    tables = [name for name in connection.introspection.table_names() if name.startswith(whose)]
    return {table: sorted(map(str, ask(f"SELECT * FROM {table}"))) for table in tables}


def ended(receipt: Receipt) -> int:
    return receipt.first_position + receipt.count


def proven(facility: UUID) -> bool:
    """Does the head's root cover exactly the stored bodies?"""
    found = head(facility)
    stored = [merkle.leaf_hash(body) for body in bodies(facility)]
    return found is not None and (found.size, found.root) == (len(stored), merkle.root(stored))


def broken_deed(name: str) -> None:
    with writing.writing(EASTMERE, MONDAY, deed(name)) as log:
        log.append(ALDERS_LOAD, assembled(), occurred_at=MONDAY)
        log.words("never kept")
        raise RuntimeError("the power went")


def ask_nothing(statement: str, *values: Any) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement, values)


def say(name: str, text: str, facility: UUID = EASTMERE) -> WordsRef:
    with writing.writing(facility, MONDAY, deed(name)) as log:
        ref = log.words(text)
        log.append(ALDERS_LOAD, held(name), occurred_at=MONDAY)
    return ref

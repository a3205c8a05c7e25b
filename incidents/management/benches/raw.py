"""The same statements by the driver alone: noted while the production path runs, then run on a twin."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple
from unittest import mock

from incidents.ledger.dialect import Hand, insertion, native, on_postgresql, row_in
from incidents.ledger.guards import KEYS

BEGIN = "BEGIN IMMEDIATE"


class Step(NamedTuple):
    """One call of the driver, with parameters as ready as the production path had them."""

    statement: str
    params: Any
    many: bool
    gives_rows: bool


Script = list[Step]


@contextmanager
def noted() -> Iterator[Script]:
    """Every statement that the ledger and the read models run within it, in order."""
    script: Script = []
    execute, insert = Hand.execute, Hand.insert

    def noting_execute(hand: Hand, statement: str, params: Sequence[Any]) -> None:
        script.append(Step(native(statement), params, False, statement.startswith("SELECT")))
        execute(hand, statement, params)

    def noting_insert(hand: Hand, table: str, columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
        if len(rows) > 1:
            script.append(Step(native(insertion(table, columns)), list(rows), True, False))
        insert(hand, table, columns, rows)  # a single row goes by `execute`

    with mock.patch.object(Hand, "execute", noting_execute), mock.patch.object(Hand, "insert", noting_insert):
        yield script


def ready(script: Script) -> Script:
    """The script with nothing left to translate for the driver."""
    return [
        step._replace(params=[row_in(row) for row in step.params] if step.many else row_in(step.params))
        for step in script
    ]


class Driver:
    """A raw connection that runs scripts, a transaction each."""

    def __init__(self, connection: Any) -> None:
        self.connection = connection
        self.cursor = connection.cursor()
        self._explicit = not on_postgresql()

    def run(self, script: Script) -> None:
        cursor = self.cursor
        if self._explicit:
            cursor.execute(BEGIN)
        for statement, params, many, gives_rows in script:
            if many:
                cursor.executemany(statement, params)
                continue
            cursor.execute(statement, params)
            if gives_rows:
                cursor.fetchall()
        self.connection.commit()

    def make_bare_table(self) -> None:
        """For the floor: an event's columns and uniqueness, but no trigger, and rows that nothing ties together."""
        self.cursor.execute("CREATE TABLE bench_bare AS SELECT * FROM ledger_event WHERE 1 = 0")
        for n, key in enumerate(KEYS["ledger_event"]):
            columns = ", ".join(key.split())
            self.cursor.execute(f"CREATE UNIQUE INDEX bench_bare_{n} ON bench_bare ({columns})")
        self.connection.commit()

    def insert_one(self, row: Sequence[Any]) -> None:
        """One row and its commit."""
        if self._explicit:
            self.cursor.execute(BEGIN)
        self.cursor.execute(native(BARE), row)
        self.connection.commit()


EVENT_COLUMNS = (
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
BARE = insertion("bench_bare", EVENT_COLUMNS)

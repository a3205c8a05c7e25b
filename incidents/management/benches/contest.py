"""The production path on the arena and the driver on its twin, in turns, from the same rows to the same rows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import count, pairwise
from typing import Any
from uuid import UUID

from django.db import connection

from incidents.identity.ids import named
from incidents.ledger.dialect import row_in
from incidents.management.benches.arena import driver, twin
from incidents.management.benches.raw import Driver, Script, noted, ready
from incidents.management.benches.timing import Act, Figure, Way, figure

FACILITY = named(UUID(int=0), "bench")
START = datetime(2026, 1, 5, 6, tzinfo=UTC)  # any moment: the ledger's time is the bench's own
BODY = "." * 500  # about as long as an event's


class Contest:
    """Deeds done three ways: by the production path, by its statements alone, and as bare inserts."""

    def __init__(self, raw: Driver) -> None:
        self._driver = raw
        self._ours, self._raw, self._bare = Way(), Way(), Way()
        self._numbers = count()

    def prepare(self, work: Callable[[], object]) -> None:
        """Untimed: change the arena, and the twin alike."""
        with noted() as script:
            work()
        self._driver.run(ready(script))

    def turn(self, deeds: Sequence[Act]) -> None:
        """A slice of each way."""
        marks: list[int] = [0]
        with noted() as script:
            self._ours.slice(partial(_marking, deed, script, marks) for deed in deeds)
        parts = [ready(script[start:end]) for start, end in pairwise(marks)]
        self._raw.slice([partial(self._driver.run, part) for part in parts])
        self._bare.slice([partial(self._driver.insert_one, bare_row(0, next(self._numbers))) for _ in deeds])

    def figure(self, name: str, events_per_deed: int = 1) -> Figure:
        return figure(name, connection.vendor, self._ours, self._raw, self._bare, events_per_deed)


def bare_row(client: int, number: int) -> tuple[Any, ...]:
    """An event's row, as ready as the driver can have it, of nothing that ever happened."""
    this = named(FACILITY, f"{client} {number}")
    position = client * 10**9 + number
    return row_in((FACILITY, position, this, "load", this, 1, "load-placed", 1, START, START, BODY))


def _marking(deed: Act, script: Script, marks: list[int]) -> None:
    deed()
    marks.append(len(script))


@contextmanager
def contest() -> Iterator[Contest]:
    """A contest on the arena as it stands now."""
    with twin() as name, closing(driver(name)) as made:
        raw = Driver(made)
        raw.make_bare_table()
        yield Contest(raw)


def at(minutes: int) -> datetime:
    return START + timedelta(minutes=minutes)

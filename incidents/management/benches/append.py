"""Events into the ledger alone, without read models: one at a time, a hundred at a time, eight clients at once."""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from unittest import mock
from uuid import UUID

from incidents.identity.ids import named
from incidents.ledger import writing
from incidents.ledger.writing import Deed, digest_of, open_ledger
from incidents.management.benches import clients
from incidents.management.benches.arena import arena
from incidents.management.benches.contest import FACILITY, START, contest
from incidents.management.benches.timing import Figure
from incidents.rules.events import Actor, AnyEvent, LoadPlaced, Stream

BATCH = 100  # events in one deed
SLICE = 20  # deeds of one event
BATCHES = 4  # deeds of a hundred events in a slice
PER_STREAM = 10  # events, as a load has them
ACTOR = Actor("person", named(FACILITY, "Ines"))
EVENT = LoadPlaced(place="clean-side", spot="shelf 3")


def run(seconds: float, clients_at_once: int) -> list[Figure]:
    """`seconds` for each of the three."""
    with _empty_ledger():
        one = _timed("append, one event a deed", seconds, 1, SLICE)
    with _empty_ledger():
        hundred = _timed(f"append, {BATCH} events a deed", seconds, BATCH, BATCHES)
    with _empty_ledger():
        several = clients.run(f"append, {clients_at_once} clients", seconds, clients_at_once, append_one)
    return [one, hundred, several]


@contextmanager
def _empty_ledger() -> Iterator[None]:
    with arena(), mock.patch.object(writing, "_followers", []):
        open_ledger(FACILITY, START)
        yield


def _timed(name: str, seconds: float, events: int, deeds: int) -> Figure:
    numbers = itertools.count()
    do = append_one if events == 1 else append_batch
    with contest() as match:
        end = time.perf_counter() + seconds
        while time.perf_counter() < end:
            match.turn([partial(do, named(FACILITY, f"deed {next(numbers)}")) for _ in range(deeds)])
        return match.figure(name, events)


def append_one(deed_id: UUID) -> None:
    _append(deed_id, named(FACILITY, f"load {deed_id.int % 1000}"), (EVENT,))


def append_batch(deed_id: UUID) -> None:
    _append(deed_id, named(deed_id, "load"), (EVENT,) * BATCH)


def _append(deed_id: UUID, load: UUID, events: tuple[AnyEvent, ...]) -> None:
    deed = Deed(deed_id, "place_load", ACTOR, digest_of("place_load", ACTOR, {"load": load}))
    with writing.writing(FACILITY, START, deed) as log:
        log.append(Stream("load", load), *events, occurred_at=START)

"""Several clients at once, each a process with a connection of its own, all on one facility's lock.

Slices of the production path take turns with slices of the floor: as many clients, each inserting single
rows that no lock and no chain ties together.
"""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Callable
from contextlib import closing
from functools import partial
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Barrier
from typing import Any
from uuid import UUID

from django.db import connection

from incidents.identity.ids import named
from incidents.ledger.writing import LedgerBusy
from incidents.management.benches.arena import driver, leave, twin
from incidents.management.benches.contest import FACILITY, bare_row
from incidents.management.benches.raw import Driver
from incidents.management.benches.timing import Figure, percentile_ms

SLICE_S = 0.25
Deed = Callable[[UUID], None]
_processes = multiprocessing.get_context("fork")


def run(name: str, seconds: float, clients: int, deed: Deed) -> Figure:
    """`seconds` of slices, half of them ours. `raw_events_per_s` is the floor's."""
    slices = max(1, round(seconds / SLICE_S / 2))
    with twin() as beside:
        with closing(driver(beside)) as made:
            Driver(made).make_bare_table()
        leave()  # a connection must not be shared with the forks
        told = _at_once(clients, slices, beside, deed)
    ours = [each for client in told for each in client[0]]
    bare = [each for client in told for each in client[1]]
    span_s = slices * min(SLICE_S, seconds / 2)
    rate = len(ours) / len(bare)
    return Figure(
        name=name,
        database=connection.vendor,
        events_per_s=len(ours) / span_s,
        p50_ms=percentile_ms(ours, 50),
        p99_ms=percentile_ms(ours, 99),
        raw_events_per_s=len(bare) / span_s,
        ratio_to_raw=rate,
        ratio_to_bare_insert=rate,
    )


def _at_once(clients: int, slices: int, beside: str, deed: Deed) -> list[Any]:
    gate = _processes.Barrier(clients)
    started = []
    for number in range(clients):
        ours, theirs = _processes.Pipe(duplex=False)
        client = _processes.Process(target=_client, args=(number, slices, beside, deed, gate, theirs), daemon=True)
        client.start()
        theirs.close()
        started.append((client, ours))
    told = [pipe.recv() for _, pipe in started]
    for client, _ in started:
        client.join()
    return told


def _client(number: int, slices: int, beside: str, deed: Deed, gate: Barrier, out: Connection) -> None:
    acts: tuple[list[float], list[float]] = ([], [])
    with closing(driver(beside)) as made:
        raw = Driver(made)
        ways: tuple[Callable[[int], None], ...] = (partial(_ours, number, deed), partial(_bare, number, raw))
        for way in ways:
            way(-1)  # connect, and prepare
        for _ in range(slices):
            for way, taken in zip(ways, acts, strict=True):
                gate.wait()
                _slice(way, taken)
    leave()
    out.send(acts)


def _slice(way: Callable[[int], None], taken: list[float]) -> None:
    """Acts until the slice is over; the one under way then still counts, as it does for every client."""
    clock = time.perf_counter
    last, end = clock(), clock() + SLICE_S
    while last < end:
        way(len(taken))
        now = clock()
        taken.append(now - last)
        last = now


def _ours(number: int, deed: Deed, n: int) -> None:
    """A deed that found the ledger busy is sent again, as a client does."""
    while True:
        try:
            return deed(named(FACILITY, f"client {number} deed {n}"))
        except LedgerBusy:
            continue


def _bare(number: int, raw: Driver, n: int) -> None:
    raw.insert_one(bare_row(1 + number, n))

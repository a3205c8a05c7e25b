"""Every read model made anew from a long log, and compared with the live rows."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from functools import partial
from itertools import count, islice
from typing import Any
from unittest import mock
from uuid import UUID

import msgspec
from django.db import connection

from incidents.identity.ids import named
from incidents.ledger import writing
from incidents.ledger.dialect import native, row_in
from incidents.ledger.writing import Deed, digest_of, open_ledger
from incidents.management.benches import stories
from incidents.management.benches.arena import arena, driver
from incidents.management.benches.contest import FACILITY, START
from incidents.management.benches.timing import Figure, Way, figure
from incidents.projections import rebuild as projections
from incidents.projections.rebuild import Report
from incidents.rules.events import Actor

PER_DEED = 5_000  # events
BATCH = 5_000  # events read at once
DAMAGED = 100  # one load in so many has a wrong row


def run(events: int) -> list[Figure]:
    """Rates over the whole log: from nothing, with some rows wrong, and compared only."""
    with arena():
        open_ledger(FACILITY, START)
        _write_log(events)
        _settle_statistics()
        first = _timed("rebuild, from no rows", events, projections.rebuild)
        _settle_statistics()
        _damage()
        second = _timed(f"rebuild, one load in {DAMAGED} wrong", events, projections.rebuild)
        third = _timed("rebuild --check", events, projections.check)
        return [first, second, third]


def _write_log(events: int) -> None:
    """By the ledger, but without read models: those are what is to be made."""
    actor = Actor("device", named(FACILITY, "Alder"))
    told = stories.many(events)
    with mock.patch.object(writing, "_followers", []):
        for number in range(0, events, PER_DEED):
            batch = list(islice(told, PER_DEED))
            now = max(each.at for each in batch)
            deed = Deed(named(FACILITY, f"deed {number}"), "import", actor, digest_of("import", actor, {}))
            with writing.writing(FACILITY, now, deed) as log:
                for each in batch:
                    log.append(each.stream, each.event, occurred_at=each.at, sequence=each.sequence)


def _settle_statistics() -> None:
    """As autovacuum would have by now, on a log that grew over years."""
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def _damage() -> None:
    with connection.cursor() as cursor:
        cursor.execute("UPDATE read_load SET spot = 'elsewhere' WHERE ordinal %% %s = 1", (DAMAGED,))


def _timed(name: str, events: int, work: Callable[[UUID], Report]) -> Figure:
    """One act is the whole log; `raw` reads its bodies and does nothing with them."""
    ours, raw = Way(), Way()
    reports: list[Report] = []
    ours.slice([lambda: reports.append(work(FACILITY))])
    with closing(driver(connection.settings_dict["NAME"])) as made:
        raw.slice([partial(_drain, made.cursor())])
    told = figure(name, connection.vendor, ours, raw, None, events)
    return msgspec.structs.replace(told, lock_ms=1000 * reports[0].longest_lock_s)


def _drain(cursor: Any) -> None:
    for after in count(0, BATCH):
        cursor.execute(native(_BODIES), row_in((FACILITY, after, after + BATCH)))
        if not cursor.fetchall():
            return


_BODIES = (
    "SELECT position, type, schema, body FROM ledger_event"
    " WHERE facility_id = %s AND position >= %s AND position < %s"
)

"""A sweep over many open items of which few are due, and how soon an alarm's message is with its channel."""

from __future__ import annotations

import json
import statistics
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path
from uuid import UUID

import msgspec
from django.db import connection, transaction
from django.utils import timezone

from incidents.identity.ids import named, new_id
from incidents.identity.models import Facility, Person
from incidents.ledger.dialect import Hand, moment_in, on_postgresql
from incidents.management.benches.arena import arena
from incidents.management.drills.department import FIRST_RUN
from incidents.management.drills.engine import Engine
from incidents.management.drills.escalation import DEPARTMENT, Receiver, reaching
from incidents.operations import climbing, founding

DUE = 100
ALARMS = 20
ROW = (
    "facility_id",
    "owner",
    "owner_kind",
    "item",
    "known_from",
    "kind",
    "priority",
    "title",
    "since",
    "next_due_at",
    "words",
)
PATIENCE_S = 30.0


class Figure(msgspec.Struct, frozen=True, omit_defaults=True):
    """Seconds of a whole sweep; or of alarms, one at a time, until their message was with its channel."""

    name: str
    database: str
    seconds: float | None = None
    p50_ms: float | None = None
    p99_ms: float | None = None


def run(items: int) -> list[Figure]:
    return [_sweep(items), _soon()]


def _sweep(items: int) -> Figure:
    with arena():
        person = founding.found(FIRST_RUN, new_id(), timezone.now())
        assert isinstance(person, Person), person
        now = timezone.now()
        _open(
            Facility.objects.get().id,
            items,
            now - timedelta(hours=1),
            now - timedelta(seconds=1),
            now + timedelta(days=1),
        )
        began = time.perf_counter()
        climbing.sweep(now)
        taken = time.perf_counter() - began
        with connection.cursor() as cursor:
            cursor.execute("SELECT count(DISTINCT stream_id) FROM ledger_event WHERE stream_kind = 'climb'")
            (climbed,) = cursor.fetchone()
        if climbed != min(DUE, items):
            raise ValueError(f"{climbed} open items climbed, not {DUE}: this measures nothing")
        return Figure(f"a sweep over {items} open items, {DUE} of them due", connection.vendor, seconds=taken)


def _open(facility: UUID, items: int, since: datetime, due: datetime, later: datetime) -> None:
    """Rows as the projections leave them, without the log that a hundred thousand alarms would need."""
    with transaction.atomic():
        hand = Hand()
        hand.execute("DELETE FROM read_open_item WHERE facility_id = %s", (facility,))
        hand.insert(
            "read_open_item",
            ROW,
            [
                (
                    facility,
                    named(facility, f"machine {n}"),
                    "machine",
                    f"alarm:{n}",
                    1,
                    "alarm",
                    "high",
                    f"Alder {n}: a spray arm does not turn. Nobody has seen it.",
                    moment_in(since),
                    moment_in(due if n < DUE else later),
                    "",
                )
                for n in range(items)
            ],
        )
        hand.execute("ANALYZE read_open_item", ())


def _soon() -> Figure:
    """A real broker, a real worker, a receiver of webhooks; without a beat, so that only the wake-up helps."""
    with Receiver() as receiver, tempfile.TemporaryDirectory(prefix="sg-bench-") as folder:
        engine = Engine(Path(folder), postgresql=on_postgresql())
        engine.environment |= reaching()
        with engine:
            engine.python(*DEPARTMENT, "found", str(ALARMS), receiver.url)
            engine.start("broker")
            engine.start("worker")
            raised = json.loads(engine.python(*DEPARTMENT, "feed", str(ALARMS), str(ALARMS / 2.0)))
            deadline = time.monotonic() + PATIENCE_S
            while len(receiver.first) < ALARMS and time.monotonic() < deadline:
                time.sleep(0.1)
    waited = [receiver.first[name] - at for name, at in raised.items() if name in receiver.first]
    if len(waited) < ALARMS:
        raise ValueError(f"only {len(waited)} of {ALARMS} alarms were told within {PATIENCE_S:.0f} s")
    ordered = sorted(waited)
    return Figure(
        "from an alarm to its message at the channel",
        connection.vendor,
        p50_ms=1000 * statistics.median(ordered),
        p99_ms=1000 * ordered[-1],
    )

"""Celery's doors: each wakes one operation, and reads the clock for it."""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Iterable, Sequence
from functools import partial
from typing import Any
from uuid import UUID

from celery import Task, group, shared_task
from celery.signals import worker_ready
from django.conf import settings
from django.db import transaction
from django.utils import timezone
from kombu.exceptions import OperationalError

from incidents.figures.models import Heartbeat
from incidents.identity import drafts
from incidents.ledger import dialect, witness
from incidents.ledger.writing import Log
from incidents.operations import climbing, delivery, figures
from incidents.operations import sweep as due
from incidents.rules.events import AlarmRaised, Recorded, Stream

logger = logging.getLogger(__name__)


@shared_task(name="sluicegate.sweep", ignore_result=True)
def sweep() -> None:
    """Find what time alone has made due. Safe to run twice, late, or by ten workers."""
    now = timezone.now()
    due.sweep(now)
    climbing.sweep(now)
    drafts.drop_expired(now)
    Heartbeat.objects.update_or_create(name="sweep", defaults={"at": now})


@shared_task(name="sluicegate.climb", ignore_result=True)
def climb(facility: str) -> None:
    """Have the open items of one facility climb, now: an alarm may be due at once."""
    climbing.sweep(timezone.now(), UUID(facility))


def wake_sweep(log: Log, _: Stream, added: Sequence[Recorded]) -> None:
    """Right after the commit of a new alarm. Without a broker it waits for the next beat."""
    if any(isinstance(each.data, AlarmRaised) for each in added) and not log.seeded:
        transaction.on_commit(partial(_wake_sweep, str(log.facility)), robust=True)


def _wake_sweep(facility: str) -> None:
    _wake(climb, "an alarm", facility)


_broker_gone_at = -math.inf  # by the monotonic clock of this process


def _wake(task: Task[Any, Any], who: str, *args: str) -> None:
    """Wake a worker at once. A broker that is gone is asked once in 15 s, as the beat does: nobody waits for it."""
    global _broker_gone_at
    if time.monotonic() - _broker_gone_at < 15:
        return
    try:
        task.apply_async(args, expires=60, retry=False)
    except OperationalError:
        _broker_gone_at = time.monotonic()
        logger.warning("no broker: %s waits for the next beat", who)


@shared_task(name="sluicegate.witness", ignore_result=True)
def note_logs() -> None:
    """Note outside the database how long each log is; one that grew shorter keeps its old note."""
    for doubt in witness.note():
        logger.error("the log of facility %s is in doubt: %s", doubt.facility, doubt.sentence)


@shared_task(name="sluicegate.learn-lengths", ignore_result=True)
def learn_lengths() -> None:
    """Keep the pages quick while the log grows."""
    dialect.learn_lengths()


@shared_task(name="sluicegate.deliver", ignore_result=True)
def deliver() -> None:
    """Send what waits in the outbox."""
    delivery.deliver(timezone.now)


def wake_deliverer() -> None:
    """Right after a commit. Without a broker the message waits for the next beat; the deed is done all the same."""
    _wake(deliver, "a message")


@shared_task(name="sluicegate.figures", ignore_result=True)
def figures_due() -> None:
    """Have the figures of every log that grew enough computed, and whatever did not come back once more."""
    send(figures.due(timezone.now(), settings.FIGURES_EVERY))


@shared_task(name="sluicegate.figures-nightly", ignore_result=True)
def figures_nightly() -> None:
    send(figures.nightly(timezone.now()))


@shared_task(name="sluicegate.figure-chunk", ignore_result=True)
def figure_chunk(report: str, number: int) -> None:
    """Some machines of a report; whoever brings back the last chunk finishes it."""
    figures.reckon(UUID(report), number, timezone.now())


def send(asked: Iterable[figures.Asked]) -> None:
    """A group of chunks for each report. Nobody waits for results: the database knows what is done."""
    for one in asked:
        if one.chunks:
            group(figure_chunk.s(str(one.report), number) for number in one.chunks).apply_async()
        else:
            figures.finish(one.report, timezone.now())


@worker_ready.connect
def catch_up(**_: Any) -> None:
    """A worker that comes back looks at once for what became due while none was there."""
    sweep.delay()
    note_logs.delay()
    learn_lengths.delay()
    deliver.delay()
    figures_due.delay()

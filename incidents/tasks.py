"""Celery's doors: each wakes one operation, and reads the clock for it."""

from typing import Any

from celery import shared_task
from celery.signals import worker_ready
from django.utils import timezone

from incidents.figures.models import Heartbeat
from incidents.operations import sweep as due


@shared_task(name="sluicegate.sweep", ignore_result=True)
def sweep() -> None:
    """Find what time alone has made due. Safe to run twice, late, or by ten workers."""
    now = timezone.now()
    due.sweep(now)
    Heartbeat.objects.update_or_create(name="sweep", defaults={"at": now})


@worker_ready.connect
def catch_up(**_: Any) -> None:
    """A worker that comes back looks at once for what became due while none was there."""
    sweep.delay()

"""What the children of `start` run, the broker apart.

The longest grace of each row of children adds up, with the broker's, to less than the 5 s in which everything
must have stopped.
"""

import sys
from pathlib import Path

from django.conf import settings

from incidents.management.processes import Plan

DATA = {"SLUICEGATE_DATA": str(settings.DATA_DIR)}  # absolute: the children run in another folder
PATIENT = {"SLUICEGATE_LOCK_WAIT_S": "20"}  # nobody stands and waits for them; the web keeps to 3 s


def worker() -> Plan:
    """Three threads, so that an alarm needn't wait for two long tasks. Gossip and mingle are for many workers."""
    options = ["--pool", "threads", "--concurrency", "3", "--without-gossip", "--without-mingle"]
    options += ["--queues", "urgent,deliver,compute"]
    return Plan("worker", _celery("worker", *options), grace_s=1.6, environment=DATA | PATIENT)


def beat(schedule: Path) -> Plan:
    """A process of its own, so that a busy worker never delays a sweep. The folder's lock is its pidfile."""
    options = ["--schedule", str(schedule), "--pidfile="]
    return Plan("beat", _celery("beat", *options), grace_s=1.0, environment=DATA | PATIENT)


def web(listening: int) -> Plan:
    """Serve on a socket that listens already. Open live streams get 2 s when it has to end."""
    options = ["--fd", str(listening), "--timeout-graceful-shutdown", "2", "--no-access-log", "--workers", "1"]
    command = [sys.executable, "-m", "uvicorn", "config.asgi:application", "--lifespan", "off", *options]
    return Plan("web", command, grace_s=2.4, environment=DATA, descriptors=[listening])


def demonstration() -> Plan:
    """The future of a demonstration, acted as it comes."""
    command = [sys.executable, str(settings.BASE_DIR / "manage.py"), "demonstrate"]
    return Plan("demo", command, grace_s=1.0, environment=DATA | PATIENT)


def _celery(*words: str) -> list[str]:
    return [sys.executable, "-m", "celery", "-A", "config", *words, "--loglevel", "WARNING"]

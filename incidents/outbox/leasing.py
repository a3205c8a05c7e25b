"""Which message a worker takes next, and what became of it. The truth about each stands in its row.

A worker has a message until its lease ends; if it is lost meanwhile, another one takes it up. So each is sent at
least once, and under the same id each time.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db import models, transaction
from django.db.models import Case, IntegerField, Q, Value, When

from incidents.outbox.models import DEAD, LEASED, SENT, WAITING, Message
from incidents.outbox.waking import when_committed

LEASE = timedelta(seconds=60)  # longer than any channel may take
MOST_ATTEMPTS = 8
FIRST_PAUSE = timedelta(seconds=5)  # doubled after each attempt: eight are made within ten minutes
LONGEST_PAUSE = timedelta(minutes=5)
_URGENCY = Case(
    When(priority="high", then=Value(0)),
    When(priority="medium", then=Value(1)),
    default=Value(2),
    output_field=IntegerField(),
)


def lease(now: datetime) -> Message | None:
    """Take the most urgent message that may be sent now, whichever department's; None where there is none."""
    free = Q(state=WAITING) | Q(state=LEASED, lease_until__lte=now)
    with transaction.atomic():
        found = Message.objects.select_for_update(skip_locked=True).filter(free, next_at__lte=now)
        message = found.order_by(_URGENCY, "next_at", "id").first()
        if message is None:
            return None
        message.state, message.attempts, message.lease_until = LEASED, message.attempts + 1, now + LEASE
        message.save(update_fields=["state", "attempts", "lease_until"])
    return message


def sent(message: Message, now: datetime) -> None:
    """It was taken by its channel. That counts whoever has the lease by now."""
    not_yet = Message.objects.filter(id=message.id).exclude(state=SENT)
    not_yet.update(state=SENT, sent_at=now, lease_until=None, last_error="")


def put_off(message: Message, why: str, now: datetime) -> None:
    """It was not taken; try again after a pause. Counts only while the lease does."""
    pause = min(FIRST_PAUSE * 2 ** (message.attempts - 1), LONGEST_PAUSE)
    _held(message).update(state=WAITING, next_at=now + pause, lease_until=None, last_error=why[:240])


def bury(message: Message, why: str) -> bool:
    """It will not be tried again. False where another worker took it up meanwhile."""
    return _held(message).update(state=DEAD, lease_until=None, last_error=why[:240]) > 0


def revive(message: Message, now: datetime) -> None:
    """Somebody asked for it to be tried anew."""
    dead = Message.objects.filter(id=message.id, state=DEAD)
    dead.update(state=WAITING, attempts=0, next_at=now, last_error="")
    when_committed()


def worn_out(message: Message) -> bool:
    return message.attempts >= MOST_ATTEMPTS


def _held(message: Message) -> models.QuerySet[Message]:
    return Message.objects.filter(id=message.id, state=LEASED, lease_until=message.lease_until)

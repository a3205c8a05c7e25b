"""Put messages into the outbox, within the transaction of whatever decided them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from uuid import UUID

import msgspec
from django.db import connection

from incidents.identity.ids import named
from incidents.outbox.models import Message
from incidents.outbox.waking import when_committed
from incidents.rules.events import Priority, Stream

TEST = "test"  # the item of a message that only tries a channel
LONGEST_SUBJECT = 200  # characters


class NotInADeed(Exception):
    """A message was queued outside a transaction: it could be sent although nothing was decided."""


class Outgoing(msgspec.Struct, frozen=True):
    """What to tell, whom, about what.

    `key` says what was decided and to whom it goes: the same key twice is one message. Either `person` (reached at
    their own contact of that channel) or `contact` (the id of a shared one). `link` is a path of this site. Subject
    and text name loads and machines, never people or trays.
    """

    key: str
    channel: str
    subject: str
    text: str
    link: str
    priority: Priority
    about: Stream
    item: str
    due_at: datetime
    person: UUID | None = None
    contact: UUID | None = None


def enqueue(facility: UUID, messages: Iterable[Outgoing], now: datetime) -> None:
    """Queue them with the caller's transaction; whoever is queued already stays as they are. Raises NotInADeed."""
    if not connection.in_atomic_block:
        raise NotInADeed("queue a message inside the transaction that decides it")
    rows = [_row(facility, each, now) for each in messages]
    Message.objects.bulk_create(rows, ignore_conflicts=True)
    if rows:
        when_committed()


def _row(facility: UUID, told: Outgoing, now: datetime) -> Message:
    return Message(
        id=named(facility, told.key),
        facility_id=facility,
        key=told.key,
        channel=told.channel,
        person=told.person,
        contact=told.contact,
        subject=told.subject[:LONGEST_SUBJECT],
        text=told.text,
        link=told.link,
        priority=told.priority,
        about_kind=told.about.kind,
        about_id=told.about.id,
        about_item=told.item,
        queued_at=now,
        due_at=told.due_at,
        next_at=told.due_at,
    )

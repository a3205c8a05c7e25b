"""What is handed over, what was told to whom, and where the caller is reached."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec

from incidents.api.door import Caller, Read
from incidents.api.lists import Many, asked_of, page_of
from incidents.api.told import tell
from incidents.identity import contacts
from incidents.identity.models import Contact
from incidents.queries import handover
from incidents.queries import listing as lists
from incidents.rules.authority import administers


class HandoverTold(msgspec.Struct, frozen=True):
    """What a shift hands over now: `digest` is what both sign for `hand_over_shift`; the list is `open-items/`."""

    things: int
    digest: str


class TheHandover(Read):
    """What both sign when a shift is handed over now."""

    tag, operation_id, summary = "floor", "handover", "The hand-over"
    gives = HandoverTold

    def read(self, caller: Caller, asked: Any, **path: Any) -> HandoverTold:
        told = handover.standing(caller.facility.id)
        return HandoverTold(told.things, told.digest)


class MessageTold(msgspec.Struct, frozen=True):
    """`state` is waiting, leased, sent (its channel took it) or dead (it will not be tried again by itself)."""

    id: UUID
    channel: str
    person: UUID | None
    contact: UUID | None
    subject: str
    priority: str
    about_kind: str
    about_id: UUID
    about_item: str
    state: str
    queued_at: datetime
    sent_at: datetime | None
    attempts: int
    last_error: str


class Messages(Many):
    """Messages that were queued here, the newest first."""

    tag, operation_id, summary = "floor", "messages", "Messages"
    listing, asks, gives = lists.MESSAGES, asked_of("Messages", lists.Messages), page_of("Message", MessageTold)

    def line(self, row: Any) -> MessageTold:
        return tell(MessageTold, row)


class ContactTold(msgspec.Struct, frozen=True):
    """Where a person, or without one a shared contact, is reached."""

    id: UUID
    person: UUID | None
    channel: str
    label: str
    address: str


class Contacts(Read):
    """The caller’s own contacts; with an administrator’s token the shared ones too."""

    tag, operation_id, summary = "department", "contacts", "Contacts"
    gives = tuple[ContactTold, ...]

    def read(self, caller: Caller, asked: Any, **path: Any) -> tuple[ContactTold, ...]:
        facility = caller.facility.id
        own = contacts.of_person(facility, caller.by.actor.id).values()
        shared = contacts.shared(facility) if administers(caller.by.roles) else []
        return tuple(_told(each) for each in (*own, *shared))


def _told(contact: Contact) -> ContactTold:
    return tell(ContactTold, contact, person=contact.person_id)

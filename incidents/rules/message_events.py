"""What became of messages that nobody got: the department answers for them, whoever they were for."""

from __future__ import annotations

from uuid import UUID

from incidents.rules.vocabulary import Event, Priority, WordsRef


class MessageUndelivered(Event, frozen=True, tag="message-undelivered"):
    """It was tried so often, and will not be tried again by itself. Whoever was to get it does not know.

    `person` was to get it, or a `contact` that is shared; it was about an open item of this stream.
    """

    channel: str
    person: UUID | None
    contact: UUID | None
    about_kind: str
    about: UUID
    item: str
    subject: str
    priority: Priority
    attempts: int
    why: str


class MessageSentAgain(Event, frozen=True, tag="message-sent-again"):
    """Somebody had it tried anew."""


class MessageSettled(Event, frozen=True, tag="message-settled"):
    """Whoever was to get it was told another way, or needs it no more; the words say which."""

    words: WordsRef


class ContactSet(Event, frozen=True, tag="contact-set"):
    """Where a person, or without one a shared contact, is reached by a channel; the address stands elsewhere.

    Not `reachable`: they are no longer reached by it.
    """

    channel: str
    contact: UUID
    person: UUID | None
    label: str
    reachable: bool


class ContactTested(Event, frozen=True, tag="contact-tested"):
    """A test message went out to a contact."""

    channel: str
    contact: UUID

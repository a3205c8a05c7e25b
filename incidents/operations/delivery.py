"""Deliver what the outbox holds, and answer for what nobody got.

Each message is sent at least once, under one id. What its channel does not take is tried again after longer and
longer pauses, and then becomes an open item: somebody tells its person another way, or has it sent again.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import cast
from uuid import UUID

from incidents.identity.ids import new_id
from incidents.operations.deeds import Doer, Doing, Request, decision, refuse
from incidents.outbox import leasing, sending
from incidents.outbox.channels.failing import NotTaken
from incidents.outbox.messages import TEST
from incidents.outbox.models import Message
from incidents.rules import messages
from incidents.rules.events import Actor, MessageUndelivered, Priority, Stream

LOST = "The workers that were sending it were lost."


def deliver(clock: Callable[[], datetime]) -> int:
    """Send all that may be sent now, the most urgent first; safe in ten workers at once. Returns how many."""
    tried = 0
    while (message := leasing.lease(clock())) is not None:
        _try(message, clock)
        tried += 1
    return tried


def _try(message: Message, clock: Callable[[], datetime]) -> None:
    if message.attempts > leasing.MOST_ATTEMPTS:
        _give_up(message, LOST, clock())
        return
    try:
        sending.send(message, clock())
    except NotTaken as failure:
        if failure.for_good or leasing.worn_out(message):
            _give_up(message, failure.sentence, clock())
        else:
            leasing.put_off(message, failure.sentence, clock())
    else:
        leasing.sent(message, clock())


def _give_up(message: Message, why: str, now: datetime) -> None:
    """A message about an undelivered message makes no open item, for each would bring another; nor does a test."""
    if message.about_kind == "message" or message.about_item == TEST:
        leasing.bury(message, why)
        return
    system = Doer(Actor("system", message.facility_id), ())
    asked = Request(deed=new_id(), facility=message.facility_id, by=system, now=now)
    note_undelivered(asked, message=message.id, attempt=message.attempts, why=why)


@decision
def note_undelivered(doing: Doing, *, message: UUID, attempt: int, why: str) -> None:
    """A message is given up, and needs somebody."""
    told = _message(doing, message)
    if told.attempts != attempt or not leasing.bury(told, why):
        raise refuse("not-due", "Another worker has taken it up.", "Nothing is to be done.")
    event = MessageUndelivered(
        channel=told.channel,
        person=told.person,
        contact=told.contact,
        about_kind=told.about_kind,
        about=told.about_id,
        item=told.about_item,
        subject=told.subject,
        priority=cast(Priority, told.priority),
        attempts=told.attempts,
        why=why,
    )
    doing.record(Stream("message", message), event)


@decision
def send_again(doing: Doing, *, message: UUID) -> None:
    """Have an undelivered message tried anew, as where its address or the gateway was mended."""
    told = _message(doing, message)
    stream = Stream("message", message)
    doing.record(stream, messages.send_again(doing.state(stream)))
    leasing.revive(told, doing.request.now)


@decision
def settle_message(doing: Doing, *, message: UUID, words: str) -> None:
    """Say how the person of an undelivered message was told, or why there is no need any more."""
    if not words.strip():
        raise refuse("reason-missing", "Nothing was said.", "Say how they were told, or why there is no need.")
    stream = Stream("message", message)
    _message(doing, message)
    doing.record(stream, messages.settle(doing.state(stream), doing.words(words.strip())))


def _message(doing: Doing, message: UUID) -> Message:
    found = Message.objects.filter(id=message, facility_id=doing.facility).first()
    if found is None:
        raise refuse("message-unknown", "There is no such message here.", "Read the list of messages again.")
    return found

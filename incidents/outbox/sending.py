"""One message, by its channel, to where its person or shared contact is reached now."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from incidents.identity.models import Contact
from incidents.outbox.channels import email, other, webhook
from incidents.outbox.channels.failing import NotTaken
from incidents.outbox.channels.letter import letter_of
from incidents.outbox.models import Message
from incidents.rules.messages import CHANNEL_WORDS


def send(message: Message, now: datetime) -> None:
    """Hand it to its channel. Raises NotTaken."""
    if message.channel == "screen":
        return  # every screen asks for what is open, and sounds by its priority
    if message.channel not in CHANNEL_WORDS:
        raise NotTaken(f"There is no channel “{message.channel}”.", for_good=True)
    contact = _contact(message)
    letter = letter_of(message)
    match message.channel:
        case "email":
            email.send(letter, contact.address)
        case "webhook":
            webhook.send(letter, contact.address, webhook.secret_of(contact.id), now)
        case "other":
            other.send(letter, contact.address)


def _contact(message: Message) -> Contact:
    here = Contact.objects.filter(facility_id=message.facility_id, channel=message.channel)
    own: dict[str, Any] = {"person_id": message.person, "person__is_active": True}
    contact = here.filter(**({"id": message.contact} if message.contact else own)).first()
    if contact is None:
        raise NotTaken(f"No address for {CHANNEL_WORDS[message.channel]} is known.", for_good=True)
    return contact

"""Where people and the facility's shared contacts are reached, and a test of each.

The log says that a contact was set and by whom; the address itself stands in `identity` alone.
"""

from __future__ import annotations

from uuid import UUID

from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from incidents.identity import contacts, people
from incidents.operations.deeds import Doing, decision, refuse
from incidents.outbox.channels import other, webhook
from incidents.outbox.messages import TEST, Outgoing, enqueue
from incidents.rules.authority import administers
from incidents.rules.events import ContactSet, ContactTested, Stream

LONGEST_LABEL = 80
LONGEST_ADDRESS = 500


@decision
def set_contact(doing: Doing, *, channel: str, address: str, person: UUID | None = None) -> None:
    """Say where a person is reached by a channel: oneself, or anybody of the facility as an administrator.

    Without an address they are no longer reached by it.
    """
    whose = person or doing.by.actor.id
    if whose != doing.by.actor.id and not administers(doing.by.roles):
        raise refuse("contact-of-another", "These are somebody else’s contacts.", "Ask them, or an administrator.")
    if not people.belongs(doing.facility, whose):
        raise refuse("person-unknown", "There is no such person here.", "Choose one from the list.")
    _refuse_flaw(channel, address, contacts.OWN_CHANNELS)
    contact = contacts.set_own(doing.facility, whose, channel, address.strip())
    event = ContactSet(channel=channel, contact=contact, person=whose, label="", reachable=bool(address.strip()))
    doing.record(Stream("person", whose), event)


@decision
def set_shared_contact(doing: Doing, *, label: str, channel: str, address: str) -> None:
    """Say where a contact is reached that is nobody's own: a switchboard, a pager of the shift, a webhook."""
    name = label.strip()
    if not 0 < len(name) <= LONGEST_LABEL:
        raise refuse("label-missing", f"A shared contact has a name of 1 to {LONGEST_LABEL} signs.", "Name it.")
    _refuse_flaw(channel, address, contacts.SHARED_CHANNELS)
    contact = contacts.set_shared(doing.facility, name, channel, address.strip())
    event = ContactSet(channel=channel, contact=contact, person=None, label=name, reachable=bool(address.strip()))
    doing.record(Stream("facility", doing.facility), event)


@decision
def test_contact(doing: Doing, *, contact: UUID) -> None:
    """Send a test message to a contact: one's own, or any of the facility as an administrator."""
    found = contacts.find(doing.facility, contact)
    if found is None:
        raise refuse("contact-unknown", "There is no such contact here.", "Read the list of contacts again.")
    if found.person_id != doing.by.actor.id and not administers(doing.by.roles):
        raise refuse("contact-of-another", "This is somebody else’s contact.", "Ask them, or an administrator.")
    stream = Stream("person", found.person_id) if found.person_id else Stream("facility", doing.facility)
    doing.record(stream, ContactTested(channel=found.channel, contact=contact))
    told = Outgoing(
        key=f"test {doing.request.deed}",
        channel=found.channel,
        subject="Test message",
        text="This is a test. Nothing needs you.",
        link="",
        priority="low",
        about=stream,
        item=TEST,
        due_at=doing.request.now,
        person=found.person_id,
        contact=None if found.person_id else contact,
    )
    enqueue(doing.facility, [told], doing.request.now)


def _refuse_flaw(channel: str, address: str, channels: tuple[str, ...]) -> None:
    if channel not in channels:
        raise refuse("channel-unknown", "Nobody is reached so.", f"Choose of {', '.join(channels)}.")
    if len(address) > LONGEST_ADDRESS:
        raise refuse("address-long", f"An address has at most {LONGEST_ADDRESS} signs.", "Shorten it.")
    flaw = _flaw(channel, address.strip()) if address.strip() else ""
    if flaw:
        raise refuse("address-unreadable", flaw, "Correct it and send it again.")


def _flaw(channel: str, address: str) -> str:
    if channel == "webhook":
        return webhook.address_flaw(address)
    if channel == "other":
        return other.address_flaw(address)
    try:
        validate_email(address)
    except ValidationError:
        return "This is no e-mail address."
    return ""

"""What was told to whom, what did not arrive, and where everybody is reached."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from incidents.identity import contacts
from incidents.operations import contacts as deeds
from incidents.operations import delivery
from incidents.operations.deeds import Outcome
from incidents.outbox.channels.webhook import secret_of
from incidents.pages.here import Here, Unreadable, chosen, in_facility, posted_uuid, said
from incidents.queries.listing import people_of
from incidents.queries.telling import told
from incidents.rules.messages import CHANNEL_WORDS
from incidents.rules.refusals import Refusal

ANSWERS = {"again": "The message is sent again.", "settled": "The message is settled."}


@in_facility
def messages_page(here: Here) -> HttpResponseBase:
    return _messages(here)


def _messages(here: Here, refusal: Refusal | None = None) -> HttpResponse:
    status = 409 if refusal else 200
    found = told(here.facility.id)
    return here.page("messages.html", "now", status, told=found, channels=CHANNEL_WORDS, refusal=refusal)


@require_POST
@in_facility
def answer(here: Here, message: UUID) -> HttpResponseBase:
    """An undelivered message: have it sent again, or say how its person was told."""
    how = chosen(here.request, "answer", ANSWERS)
    asks = here.asks(expecting=False)
    outcome: Outcome
    if how == "again":
        outcome = delivery.send_again(asks, message=message)
    else:
        outcome = delivery.settle_message(asks, message=message, words=said(here.request, "words"))
    if isinstance(outcome, Refusal):
        if outcome.code == "message-unknown":
            raise Http404
        return _messages(here, outcome)
    messages.success(here.request, ANSWERS[how])
    return redirect("messages", slug=here.facility.slug)


@in_facility
def contacts_page(here: Here) -> HttpResponseBase:
    """My own contacts; for an administrator everybody's, and the shared ones with their secrets."""
    if here.request.method != "POST":
        return _contacts(here)
    asks = here.asks(expecting=False)
    address = said(here.request, "address")
    outcome: Outcome
    if here.request.POST.get("whose") == "shared":
        channel = chosen(here.request, "channel", contacts.SHARED_CHANNELS)
        label = said(here.request, "label")
        outcome = deeds.set_shared_contact(asks, label=label, channel=channel, address=address)
    else:
        channel = chosen(here.request, "channel", contacts.OWN_CHANNELS)
        person = posted_uuid(here.request, "person") or here.person.id
        outcome = deeds.set_contact(asks, channel=channel, address=address, person=person)
    if isinstance(outcome, Refusal):
        return _contacts(here, outcome)
    messages.success(here.request, "The contact is set." if address else "The contact is forgotten.")
    return redirect("contacts", slug=here.facility.slug)


def _contacts(here: Here, refusal: Refusal | None = None) -> HttpResponse:
    mine = contacts.of_person(here.facility.id, here.person.id)
    page = here.page(
        "contacts.html",
        "set-up" if here.may_set_up else "now",
        409 if refusal else 200,
        own=[(channel, CHANNEL_WORDS[channel], mine.get(channel)) for channel in contacts.OWN_CHANNELS],
        shared=[_shared(one) for one in contacts.shared(here.facility.id)] if here.may_set_up else [],
        people=people_of(here.facility.id).order_by("name") if here.may_set_up else [],
        own_channels=[(channel, CHANNEL_WORDS[channel]) for channel in contacts.OWN_CHANNELS],
        shared_channels=[(channel, CHANNEL_WORDS[channel]) for channel in contacts.SHARED_CHANNELS],
        gateways=sorted(settings.GATEWAYS),
        mails=bool(settings.SMTP),
        given=here.request.POST if refusal else {},
        refusal=refusal,
    )
    page["Cache-Control"] = "no-store"
    return page


def _shared(contact: Any) -> dict[str, Any]:
    secret = secret_of(contact.id) if contact.channel == "webhook" else ""
    return {"contact": contact, "words": CHANNEL_WORDS[contact.channel], "secret": secret}


@require_POST
@in_facility
def test(here: Here) -> HttpResponseBase:
    """A test message to one contact."""
    contact = posted_uuid(here.request, "contact")
    if contact is None:
        raise Unreadable("No contact was chosen.")
    outcome = deeds.test_contact(here.asks(expecting=False), contact=contact)
    if isinstance(outcome, Refusal):
        if outcome.code == "contact-unknown":
            raise Http404
        return _contacts(here, outcome)
    messages.success(here.request, "A test message is on its way. Messages says whether it was taken.")
    return redirect("messages", slug=here.facility.slug)

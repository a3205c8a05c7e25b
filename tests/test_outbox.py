"""The outbox: what a deed decided to tell is written with it, once a key, and is there or not there with it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from django.db import transaction

from incidents.outbox.messages import NotInADeed, Outgoing, enqueue
from incidents.outbox.models import Message
from incidents.rules.events import Stream
from tests.story import MONDAY, id_of

EASTMERE, WESTMERE = id_of("eastmere"), id_of("westmere")
ALDERS_LOAD = Stream("load", id_of("load"))


def outgoing(key: str = "alarm:1/step-1/1/sanne", **other: Any) -> Outgoing:
    told: dict[str, Any] = {
        "key": key,
        "channel": "email",
        "subject": "Alder 4471: spray arm blocked. Nobody has seen it.",
        "text": "The alarm stands since 09:40.",
        "link": "/f/eastmere/",
        "priority": "high",
        "about": ALDERS_LOAD,
        "item": "alarm:1",
        "due_at": MONDAY,
        "person": id_of("sanne"),
    }
    return Outgoing(**(told | other))


def queued(facility: UUID = EASTMERE) -> list[str]:
    return list(Message.objects.filter(facility_id=facility).order_by("key").values_list("key", flat=True))


@pytest.mark.django_db
def test_the_same_key_is_one_message_and_the_first_stays_as_it_was() -> None:
    with transaction.atomic():
        enqueue(EASTMERE, [outgoing("a"), outgoing("b")], MONDAY)
        enqueue(EASTMERE, [outgoing("b", subject="Another"), outgoing("c")], MONDAY + timedelta(minutes=1))
        enqueue(WESTMERE, [outgoing("a")], MONDAY)
    assert queued() == ["a", "b", "c"]
    assert queued(WESTMERE) == ["a"]
    assert Message.objects.get(facility_id=EASTMERE, key="b").subject == outgoing().subject


@pytest.mark.usefixtures("committed")
def test_a_message_is_taken_back_with_the_deed_that_decided_it() -> None:
    with pytest.raises(ZeroDivisionError), transaction.atomic():
        enqueue(EASTMERE, [outgoing()], MONDAY)
        raise ZeroDivisionError
    assert queued() == []


@pytest.mark.usefixtures("committed")
def test_outside_a_transaction_nothing_is_queued() -> None:
    with pytest.raises(NotInADeed):
        enqueue(EASTMERE, [outgoing()], MONDAY)
    assert queued() == []

"""Where people are reached: their own affair, or an administrator’s; no address in the log; tests of channels."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from incidents.identity import contacts
from incidents.identity.models import Contact
from incidents.operations import contacts as deeds
from incidents.operations import delivery
from incidents.outbox.models import Message
from incidents.projections.models import OpenItemRow
from tests import cast
from tests.cast import Department, done, refused, request, whole_log

pytestmark = pytest.mark.django_db


@pytest.fixture
def eastmere(db: None) -> Iterator[Department]:
    department = cast.open_department()
    yield department
    cast.rebuilt_equals_live(department)


def set_contact(department: Department, who: str, address: str, channel: str = "email", **more: Any) -> Any:
    return deeds.set_contact(request(department, who), channel=channel, address=address, **more)


def addresses(department: Department, who: str) -> dict[str, str]:
    found = contacts.of_person(department.id, department.people[who].id)
    return {channel: row.address for channel, row in found.items()}


def test_everybody_sets_their_own_and_the_log_never_holds_an_address(eastmere: Department) -> None:
    done(set_contact(eastmere, "Ines", "ines@example.org"))
    done(set_contact(eastmere, "Ines", "ines@example.net"))
    assert addresses(eastmere, "Ines") == {"email": "ines@example.net"}
    assert "ines@" not in repr(whole_log(eastmere))
    done(set_contact(eastmere, "Ines", " "))
    assert addresses(eastmere, "Ines") == {}


def test_somebody_elses_is_set_by_an_administrator_alone(eastmere: Department) -> None:
    bo = eastmere.people["Bo"].id
    assert refused(set_contact(eastmere, "Sanne", "x@example.org", person=bo)) == "contact-of-another"
    done(set_contact(eastmere, "Ada", "bo@example.org", person=bo))
    assert addresses(eastmere, "Bo") == {"email": "bo@example.org"}
    other = cast.open_department(slug="westmere").people["Bo"].id
    assert refused(set_contact(eastmere, "Ada", "x@example.org", person=other)) == "person-unknown"


@pytest.mark.parametrize(
    ("channel", "address", "code"),
    [
        ("email", "nobody", "address-unreadable"),
        ("email", "a@b.example\nBcc: c@d.example", "address-unreadable"),
        ("email", "a" * 600, "address-long"),
        ("other", "sms:1", "address-unreadable"),  # no gateway is set up
        ("webhook", "https://hooks.example/", "channel-unknown"),
        ("telepathy", "x", "channel-unknown"),
    ],
)
def test_what_is_no_address_is_refused_before_an_alarm_finds_out(
    eastmere: Department, channel: str, address: str, code: str
) -> None:
    assert refused(set_contact(eastmere, "Ines", address, channel)) == code
    assert not Contact.objects.exists()


@pytest.mark.parametrize(
    "address",
    ["ftp://hooks.example/", "https://", "https://me:pw@hooks.example/", "https://hooks.example/ x"],
)
def test_what_is_no_webhook_is_refused(eastmere: Department, address: str) -> None:
    asked = request(eastmere, "Ada")
    outcome = deeds.set_shared_contact(asked, label="Switchboard", channel="webhook", address=address)
    assert refused(outcome) == "address-unreadable"


def test_a_test_message_goes_out_and_one_that_fails_needs_nobody(eastmere: Department) -> None:
    done(set_contact(eastmere, "Ines", "ines@example.org"))
    contact = contacts.of_person(eastmere.id, eastmere.people["Ines"].id)["email"].id
    assert refused(deeds.test_contact(request(eastmere, "Bo"), contact=contact)) == "contact-of-another"
    done(deeds.test_contact(request(eastmere, "Ines"), contact=contact))
    message = Message.objects.get(facility_id=eastmere.id)
    assert message.person == eastmere.people["Ines"].id
    Contact.objects.all().delete()
    delivery.deliver(lambda: eastmere.now)
    message.refresh_from_db()
    assert message.state == "dead"
    assert not OpenItemRow.objects.filter(facility_id=eastmere.id, kind="message-dead").exists()

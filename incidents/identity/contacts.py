"""Where people can be reached, by channel, and the contacts that a facility shares."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any
from uuid import UUID

from incidents.identity.models import Contact

OWN_CHANNELS = ("email", "other")  # a webhook reaches a system, not somebody
SHARED_CHANNELS = ("email", "webhook", "other")


def of_person(facility: UUID, person: UUID) -> dict[str, Contact]:
    """A person's own contacts here, by channel."""
    rows = Contact.objects.filter(facility_id=facility, person_id=person).order_by("channel")
    return {row.channel: row for row in rows}


def shared(facility: UUID) -> list[Contact]:
    """The contacts here that are nobody's own, by label."""
    return list(Contact.objects.filter(facility_id=facility, person__isnull=True).order_by("label"))


def reachable(facility: UUID, people: Collection[UUID], channel: str) -> set[UUID]:
    """Which of these people have a contact of that channel here."""
    rows = Contact.objects.filter(facility_id=facility, person_id__in=people, channel=channel)
    return {person for person in rows.values_list("person_id", flat=True) if person is not None}


def find(facility: UUID, contact: UUID) -> Contact | None:
    return Contact.objects.filter(facility_id=facility, id=contact).first()


def set_own(facility: UUID, person: UUID, channel: str, address: str) -> UUID:
    """Set a person's contact, or forget it where the address is empty. Returns its id."""
    return _set({"facility_id": facility, "person_id": person, "channel": channel}, {"address": address})


def set_shared(facility: UUID, label: str, channel: str, address: str) -> UUID:
    """Set a shared contact by its label, or forget it where the address is empty. Returns its id."""
    named = {"facility_id": facility, "person": None, "label": label}
    return _set(named, {"channel": channel, "address": address})


def _set(named: dict[str, Any], told: dict[str, str]) -> UUID:
    contact, _ = Contact.objects.update_or_create(**named, defaults=told)
    found = contact.id
    if not told["address"]:
        contact.delete()
    return found

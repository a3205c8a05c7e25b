"""What a person may be here: roles and current competences in one facility."""

from __future__ import annotations

from datetime import date
from typing import NamedTuple
from uuid import UUID

from incidents.identity.models import Competence, Facility, Membership, Person


class Rights(NamedTuple):
    roles: tuple[str, ...]
    competences: tuple[str, ...]


def rights(person: UUID, facility: UUID, today: date) -> Rights:
    """Empty where the person is nobody here: the facility then answers as if it did not exist."""
    roles = Membership.objects.filter(person_id=person, facility_id=facility, person__is_active=True)
    current = Competence.objects.filter(
        person_id=person, facility_id=facility, valid_from__lte=today, valid_until__gte=today
    )
    return Rights(
        tuple(roles.order_by("role").values_list("role", flat=True)),
        tuple(current.order_by("kind").values_list("kind", flat=True)),
    )


def facilities_of(person: Person) -> list[Facility]:
    return list(Facility.objects.filter(membership__person=person).distinct().order_by("name"))

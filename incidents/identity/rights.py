"""What a person may be here: roles and current competences in one facility."""

from __future__ import annotations

import zoneinfo
from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import NamedTuple
from uuid import UUID

from incidents.identity.models import Competence, Facility, Membership, Person


class Rights(NamedTuple):
    roles: tuple[str, ...]
    competences: tuple[str, ...]


def rights(person: UUID, facility: UUID, today: date) -> Rights:
    """Empty where the person is nobody here: the facility then answers as if it did not exist."""
    roles = Membership.objects.filter(person_id=person, facility_id=facility, person__is_active=True)
    return Rights(
        tuple(roles.order_by("role").values_list("role", flat=True)), competences(person, facility, today)
    )


def competences(person: UUID, facility: UUID, today: date) -> tuple[str, ...]:
    """What the person is able to do here on that day."""
    current = Competence.objects.filter(
        person_id=person, facility_id=facility, valid_from__lte=today, valid_until__gte=today
    )
    return tuple(current.order_by("kind").values_list("kind", flat=True))


def roles_of(facility: UUID, people: Sequence[UUID]) -> dict[UUID, list[str]]:
    """The roles of each of these people, whoever is disabled included."""
    roles: dict[UUID, list[str]] = {person: [] for person in people}
    rows = Membership.objects.filter(facility_id=facility, person_id__in=people).order_by("role")
    for person, role in rows.values_list("person_id", "role"):
        roles[person].append(role)
    return roles


def people_by_role(facility: UUID) -> dict[str, list[UUID]]:
    """Who has each role here, whoever is disabled left out."""
    found: dict[str, list[UUID]] = {}
    rows = Membership.objects.filter(facility_id=facility, person__is_active=True).order_by("role", "person_id")
    for role, person in rows.values_list("role", "person_id"):
        found.setdefault(role, []).append(person)
    return found


def everybody(facility: UUID) -> set[UUID]:
    """Whoever has a role here."""
    return {person for people in people_by_role(facility).values() for person in people}


def rights_on(person: UUID, facility: UUID, moment: datetime) -> Rights:
    """Their rights on the day that it was, at that moment, by the facility's own clock."""
    return rights(person, facility, today_at(facility, moment))


def today_at(facility: UUID, moment: datetime) -> date:
    """The day of a moment by the facility's own clock."""
    return day_of(moment, Facility.objects.values_list("time_zone", flat=True).get(id=facility))


def day_of(moment: datetime, time_zone: str) -> date:
    """The day of a moment by a facility's own clock; at the ends of the calendar that of UTC."""
    try:
        return moment.astimezone(zoneinfo.ZoneInfo(time_zone)).date()
    except OverflowError:
        return moment.astimezone(UTC).date()


def facilities_of(person: Person) -> list[Facility]:
    return list(Facility.objects.filter(membership__person=person).distinct().order_by("name"))

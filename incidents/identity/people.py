"""People as Set-up, first run and the API make them, and what they may be in a facility."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any
from uuid import UUID

from django.contrib.auth.hashers import make_password
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from incidents.identity.models import Competence, Membership, Person
from incidents.rules import people
from incidents.rules.authority import COMPETENCES, PEOPLES_ROLES
from incidents.rules.events import CompetenceHeld, RightsSet
from incidents.rules.people import Flaw

LOGIN_TAKEN = Flaw("login", "login-taken", "This sign-in name is taken.", "Choose another.")
BADGE_TAKEN = Flaw("badge", "badge-taken", "This badge belongs to another person.", "Scan the right one.")


class Taken(Exception):
    """Somebody else was quicker with this sign-in name or badge."""


def flaws(given: Mapping[str, Any]) -> Iterator[Flaw]:
    """Everything that is wrong with a new person: what every door asks before it adds one."""
    found = list(people.flaws(given))
    yield from found
    wrong = {flaw.field for flaw in found}
    if "login" not in wrong and Person.objects.filter(login=given["login"]).exists():
        yield LOGIN_TAKEN
    if "badge" not in wrong and Person.objects.filter(badge=given["badge"]).exists():
        yield BADGE_TAKEN
    if "password" not in wrong:
        try:
            validate_password(
                given["password"], Person(login=given.get("login") or "", name=given.get("name") or "")
            )
        except ValidationError as error:
            yield Flaw("password", "password-weak", " ".join(error.messages), "Choose another.")


def add_person(given: Mapping[str, Any], **more: Any) -> Person:
    """A person with password, badge and PIN; both secrets are kept as Argon2id hashes only. Raises Taken."""
    try:
        with transaction.atomic():
            return Person.objects.create_user(
                given["login"],
                given["name"],
                given["password"],
                badge=given["badge"],
                pin=make_password(given["pin"]),
                **more,
            )
    except IntegrityError:
        raise Taken from None


def rights_of(facility: UUID, person: UUID) -> RightsSet:
    """All roles and competences of a person here, whether current or not."""
    roles = set(Membership.objects.filter(facility_id=facility, person_id=person).values_list("role", flat=True))
    return RightsSet(
        person,
        tuple(role for role in PEOPLES_ROLES if role in roles),
        competences_of(facility, [person])[person],
    )


def competences_of(facility: UUID, people: Sequence[UUID]) -> dict[UUID, tuple[CompetenceHeld, ...]]:
    """What each of these people was found able to do here, current or not, in the order of the kinds."""
    rows = Competence.objects.filter(facility_id=facility, person_id__in=people)
    held: dict[UUID, tuple[CompetenceHeld, ...]] = dict.fromkeys(people, ())
    for row in sorted(rows, key=lambda row: COMPETENCES.index(row.kind)):
        told = CompetenceHeld(row.kind, row.valid_from.isoformat(), row.valid_until.isoformat())
        held[row.person_id] = (*held[row.person_id], told)
    return held


def set_rights(facility: UUID, told: RightsSet) -> None:
    """Make these all the roles and competences that a person has in a facility."""
    here: dict[str, Any] = {"facility_id": facility, "person_id": told.person}
    Membership.objects.filter(**here).exclude(role__in=told.roles).delete()
    for role in told.roles:
        Membership.objects.get_or_create(**here, role=role)
    Competence.objects.filter(**here).exclude(kind__in=[each.kind for each in told.competences]).delete()
    for each in told.competences:
        until = {
            "valid_from": date.fromisoformat(each.valid_from),
            "valid_until": date.fromisoformat(each.valid_until),
        }
        Competence.objects.update_or_create(**here, kind=each.kind, defaults=until)


def administrators(facility: UUID) -> set[UUID]:
    rows = Membership.objects.filter(facility_id=facility, role="administrator", person__is_active=True)
    return set(rows.values_list("person_id", flat=True))


def belongs(facility: UUID, person: UUID) -> bool:
    """Has this person a role here?"""
    return Membership.objects.filter(facility_id=facility, person_id=person).exists()

"""Making, listing and revoking the tokens of a facility; who may is the authority table's to say."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import QuerySet

from incidents.identity.models import AccessToken, Facility, Person
from incidents.rules.authority import administers

LIFETIMES_DAYS = (30, 90, 365)


class MadeBefore(Exception):
    """This deed made a token already, and its secret was shown then."""


def make_for_person(person: Person, facility: Facility, role: str, label: str, days: int, deed: UUID) -> str:
    """A token by which this person's programs act in one of their roles here. Returns its secret, kept nowhere.

    Raises MadeBefore.
    """
    given = {"user": person, "facility": facility, "role": role, "label": label}
    return _make(**given, expiry=timedelta(days=days), deed=deed)


def make_for_machine(by: Person, facility: Facility, machine: UUID, label: str, deed: UUID) -> str:
    """A token by which a machine's gateway reports. Returns its secret, kept nowhere. Raises MadeBefore."""
    return _make(user=by, facility=facility, role="device", machine=machine, label=label, deed=deed)


def _make(**given: Any) -> str:
    try:
        with transaction.atomic():
            _, secret = AccessToken.objects.create(**given)
    except IntegrityError:
        raise MadeBefore from None
    return str(secret)


def may_see(facility: UUID, person: UUID, roles: Collection[str]) -> QuerySet[AccessToken]:
    """A person's own tokens; an administrator's are all of the facility. The newest first."""
    rows = AccessToken.objects.filter(facility_id=facility).select_related("user").order_by("-created", "digest")
    found: QuerySet[AccessToken] = rows if administers(roles) else rows.filter(user=person, machine=None)
    return found


def revoke(facility: UUID, key: str, person: UUID, roles: Collection[str], now: datetime) -> bool:
    """False where there is no such token, or none that this person may revoke. Revoked twice is revoked once."""
    mine = may_see(facility, person, roles).filter(token_key=key)
    if not mine.exists():
        return False
    mine.filter(revoked_at=None).update(revoked_at=now)
    return True

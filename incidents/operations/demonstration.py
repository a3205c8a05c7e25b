"""What only a demonstration may do: be founded with invented people, keep a day together, sign without a PIN.

Its facilities are marked when they are founded. They stand in a database of their own: none is founded beside a
real facility, nor a real one beside them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from typing import NamedTuple
from uuid import UUID

from django.contrib.auth.hashers import UNUSABLE_PASSWORD_PREFIX, make_password

from incidents.identity.ids import named
from incidents.identity.models import Competence, Facility, Membership, Person, Signing
from incidents.identity.signing import GOOD_FOR
from incidents.ledger.reading import leaf_of, read_stream
from incidents.ledger.writing import Deed, Log, digest_of, founding, writing
from incidents.rules.events import Actor, SeenLoad, Stream


class NotADemonstration(Exception):
    """What was asked for is for demonstrations alone, and this facility is real. Nothing was written."""


class RealDataHere(Exception):
    """A real facility stands in this database, so no demonstration is founded in it. Nothing was written."""


class Invented(NamedTuple):
    """Somebody invented, with a role and perhaps the competence to release, valid between two days."""

    id: UUID
    login: str
    name: str
    role: str
    badge: str
    pin: str
    releases: bool


class Founding(NamedTuple):
    """A facility to be founded as a demonstration."""

    id: UUID
    slug: str
    name: str
    time_zone: str
    people: Sequence[Invented]
    valid_from: date
    valid_until: date


def only_demonstrations() -> bool:
    """Is there a facility here, and none of them real?"""
    return Facility.objects.filter(demo=True).exists() and not Facility.objects.filter(demo=False).exists()


def is_founded(facility: UUID) -> bool:
    return Facility.objects.filter(id=facility, demo=True).exists()


def require_demonstration(facility: UUID) -> None:
    """Raises NotADemonstration where the facility is real or unknown."""
    if not is_founded(facility):
        raise NotADemonstration(f"facility {facility} is not a demonstration")


@contextmanager
def founded(given: Founding, now: datetime, seed: bytes) -> Iterator[Log]:
    """Found it with its people; what is done within joins the same transaction. Raises RealDataHere."""
    system = Actor("system", given.id)
    deed = Deed(named(given.id, "founded"), "found_facility", system, digest_of("found_facility", system, {}))
    with founding(given.id, now, deed, seed=seed) as log:
        if Facility.objects.filter(demo=False).exists() or Person.objects.filter(membership=None).exists():
            raise RealDataHere("a real facility stands in this database")
        row = Facility.objects.create(
            id=given.id, slug=given.slug, name=given.name, time_zone=given.time_zone, demo=True
        )
        for one in given.people:
            _hire(row, one, given)
        yield log


def _hire(facility: Facility, one: Invented, given: Founding) -> None:
    """Badge and PIN are the only way in; there is no password."""
    person = Person.objects.create(
        id=one.id,
        login=one.login,
        name=one.name,
        badge=one.badge,
        pin=make_password(one.pin),
        password=f"{UNUSABLE_PASSWORD_PREFIX}{one.id}",
    )
    Membership.objects.create(facility=facility, person=person, role=one.role)
    if one.releases:
        Competence.objects.create(
            facility=facility,
            person=person,
            kind="release",
            valid_from=given.valid_from,
            valid_until=given.valid_until,
        )


@contextmanager
def kept_together(facility: UUID, name: str, now: datetime, seed: bytes) -> Iterator[Log]:
    """A day's deeds in one transaction: all of them, or none. Each keeps its own moment and its own receipt.

    Raises NotADemonstration, LedgerBusy.
    """
    require_demonstration(facility)
    system = Actor("system", facility)
    deed = Deed(named(facility, name), "keep_together", system, digest_of("keep_together", system, {"name": name}))
    with writing(facility, now, deed, seed=seed) as log:
        yield log


def sign_without_pin(
    facility: UUID,
    person: UUID,
    deed: UUID,
    meaning: str,
    loads: Sequence[UUID],
    now: datetime,
    log: Log | None = None,
    nth: int = 0,
) -> UUID:
    """A signature made ready as if badge and PIN had been shown, on the loads as they stand; the deed's `nth`.

    Raises NotADemonstration: elsewhere nobody signs without both.
    """
    if log is None or not log.seeded:
        require_demonstration(facility)
    row = Signing(
        id=named(deed, f"signing {nth}"),
        facility_id=facility,
        person_id=person,
        deed=deed,
        meaning=meaning,
        bound=[
            [str(seen.load), seen.version, seen.leaf] for seen in (_seen(facility, load, log) for load in loads)
        ],
        signed_at=now,
        good_until=now + GOOD_FOR,
    )
    row.save(force_insert=True)
    return row.id


def _seen(facility: UUID, load: UUID, log: Log | None) -> SeenLoad:
    stream = Stream("load", load)
    version = len(log.read(stream) if log else read_stream(facility, stream))
    leaf = log.leaf_of(stream, version) if log else leaf_of(facility, stream, version)
    return SeenLoad(load, version, leaf)

"""Signing: all factors each time, verified outside the deed's transaction, used once inside it.

A signature is good for one deed and 60 s, carries its meaning in the first person, and binds what was
seen: a list of loads, each at a version of its stream ending in a leaf of the log.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import NamedTuple
from uuid import UUID

from incidents.identity.models import Person, Signing
from incidents.identity.rights import rights_on
from incidents.rules.events import SeenLoad

GOOD_FOR = timedelta(seconds=60)


class UsedSigning(NamedTuple):
    person: UUID
    meaning: str
    signed_at: datetime
    seen: tuple[SeenLoad, ...]
    roles: tuple[str, ...]


def sign(
    person: Person, facility: UUID, deed: UUID, meaning: str, seen: Sequence[SeenLoad], now: datetime
) -> Signing:
    """Make a signature ready; the door has just verified badge and PIN."""
    return Signing.objects.create(
        person=person,
        facility_id=facility,
        deed=deed,
        meaning=meaning,
        bound=[[str(load.load), load.version, load.leaf] for load in seen],
        signed_at=now,
        good_until=now + GOOD_FOR,
    )


def use(facility: UUID, signing: UUID, deed: UUID, now: datetime) -> UsedSigning | None:
    """Use it up, or None where it was used, has run out, or is for another deed or facility."""
    mine = Signing.objects.filter(id=signing, facility_id=facility, deed=deed, used_at=None, good_until__gte=now)
    if mine.update(used_at=now) != 1:
        return None
    row = Signing.objects.get(id=signing)
    seen = tuple(SeenLoad(UUID(load), version, leaf) for load, version, leaf in row.bound)
    roles = rights_on(row.person_id, facility, now).roles
    return UsedSigning(row.person_id, row.meaning, row.signed_at, seen, roles)

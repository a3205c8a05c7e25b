"""Devices that are silent: when each was last heard at its door, by its tokens."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from uuid import UUID

from django.db.models import Max

from incidents.identity.models import AccessToken
from incidents.ledger.dialect import id_out
from incidents.projections.models import OpenItemRow
from incidents.queries import facts
from incidents.queries.floor import STANDING


def last_heard_at(facility: UUID, machine: UUID) -> datetime | None:
    """None where its device was never heard, or has no door any more."""
    doors = AccessToken.objects.filter(facility_id=facility, machine=machine, revoked_at=None)
    found: datetime | None = doors.aggregate(at=Max("last_used_at"))["at"]
    return found


def to_note(now: datetime) -> Iterator[tuple[UUID, UUID]]:
    """(facility, machine) of which a silence begins or ends, as far as it can be told without its events."""
    items = OpenItemRow.objects.filter(kind="device-silent", **STANDING).values_list(
        "facility_id", "owner", "since"
    )
    silent = {(id_out(facility), id_out(machine)): since for facility, machine, since in items}
    doors = AccessToken.objects.exclude(machine=None).filter(revoked_at=None, last_used_at__isnull=False)
    rows = doors.values_list("facility_id", "machine").annotate(at=Max("last_used_at")).order_by()
    heard = {(id_out(facility), id_out(machine)): at for facility, machine, at in rows}
    allowed: dict[UUID, timedelta] = {}
    for facility, machine in sorted({*silent, *heard}):
        at, since = heard.get((facility, machine)), silent.get((facility, machine))
        if since is not None:
            if at is None or at > since:
                yield facility, machine
            continue
        if facility not in allowed:
            allowed[facility] = timedelta(minutes=facts.policy(facility).silent_min)
        if at is not None and allowed[facility] and now - at >= allowed[facility]:
            out = facts.machine(facility, machine)
            if out is not None and "" not in out.blocked:
                yield facility, machine

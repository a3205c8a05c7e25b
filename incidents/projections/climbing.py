"""When the sweep has to look at which open item: a column beside the read model that no event says.

A row of an open item begins with an empty `next_due_at`, which means *at once*. The sweep puts it off until the
next step is due; whatever makes the row another one, or changes policy or calendar, empties it again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import NamedTuple
from uuid import UUID

from django.db.models import Q

from incidents.identity.ids import named
from incidents.ledger.dialect import Hand, id_out, moment_in
from incidents.ledger.writing import Log
from incidents.projections.models import CareRow, ClimbRow, OpenItemRow
from incidents.rules.care import Item
from incidents.rules.escalation import Key
from incidents.rules.events import (
    AlarmAcknowledged,
    AlarmCleared,
    AlarmShelved,
    CalendarSet,
    CycleAborted,
    CycleResumed,
    EscalationApproved,
    IncidentTold,
    LoadReleased,
    LoadReprocessed,
    PolicySet,
    Recorded,
    Stream,
    TurnSwapped,
)

NEVER = datetime(9999, 1, 1, tzinfo=UTC)  # nothing is to come, unless something changes


class Standing(NamedTuple):
    """An open item that the sweep looks at; `climb` names its own climb."""

    about: Stream
    item: str
    known_from: int
    kind: str
    priority: str
    title: str
    since: datetime
    alarm: UUID | None
    taken_by: UUID | None

    @property
    def climb(self) -> UUID:
        return climb_of(self.about.id, self.item, self.since)


def climb_of(owner: UUID, item: str, since: datetime) -> UUID:
    """An item that opens again under the same key begins to climb anew."""
    return named(owner, Item(Stream("", owner), item, since).named)


def _waiting(now: datetime) -> Q:
    return Q(known_to__isnull=True) & (Q(next_due_at__isnull=True) | Q(next_due_at__lte=now))


def facilities(now: datetime) -> list[UUID]:
    """Where an open item waits to be looked at."""
    found = OpenItemRow.objects.filter(_waiting(now)).values_list("facility_id", flat=True).distinct()
    return sorted(id_out(facility) for facility in found)


def waiting(facility: UUID, now: datetime, most: int) -> list[Standing]:
    """The open items that wait to be looked at, those longest due first."""
    rows = OpenItemRow.objects.filter(_waiting(now), facility_id=facility).order_by("next_due_at", "since")
    return [
        Standing(
            Stream(row.owner_kind, id_out(row.owner)),
            row.item,
            row.known_from,
            row.kind,
            row.priority,
            row.title,
            row.since,
            id_out(row.alarm) if row.alarm else None,
            id_out(row.taken_by) if row.taken_by else None,
        )
        for row in rows[:most]
    ]


def taken(facility: UUID, climbs: Sequence[UUID]) -> dict[UUID, list[Key]]:
    """Of each of these climbs, the last repeats taken."""
    found: dict[UUID, list[Key]] = {climb: [] for climb in climbs}
    for row in ClimbRow.objects.filter(facility_id=facility, owner__in=climbs):
        found[id_out(row.owner)].append(Key(row.ladder, row.rung, row.repeat))
    return found


def owners(facility: UUID, climbs: Sequence[UUID]) -> dict[UUID, UUID]:
    """Who took over which of these items: their care is named as their climb is."""
    rows = CareRow.objects.filter(facility_id=facility, owner__in=climbs)
    return {id_out(owner): id_out(person) for owner, person in rows.values_list("owner", "person")}


def put_off(hand: Hand, facility: UUID, looked_at: Iterable[tuple[Standing, datetime]]) -> None:
    """Look at each of these again at the moment beside it; within the deed that looked at them."""
    rows = [(moment_in(until), facility, item.about.id, item.item, item.known_from) for item, until in looked_at]
    if rows:
        hand.execute_many(_PUT_OFF, rows)


def look_again(log: Log, stream: Stream, added: Sequence[Recorded]) -> None:
    """Follow the ledger: under another policy or calendar every open item is looked at anew."""
    if stream.kind in ("escalation", "calendar") and any(isinstance(each.data, _CHANGES) for each in added):
        log.hand.execute(_LOOK_AGAIN, (log.facility,))
    elif stream.kind in _LEADS and any(isinstance(each.data, _LEAVES) for each in added):
        log.hand.execute(_ALARMS_AGAIN, (log.facility,))


_CHANGES = (EscalationApproved, CalendarSet, TurnSwapped)
# Where an alarm is no open item any more, others of its incident climb that had left it to this one.
_LEADS = ("load", "machine", "incident", "policy")
_LEAVES = (
    *(AlarmAcknowledged, AlarmShelved, AlarmCleared, CycleResumed, CycleAborted, LoadReleased, LoadReprocessed),
    *(IncidentTold, PolicySet),
)
_PUT_OFF = (
    "UPDATE read_open_item SET next_due_at = %s"
    " WHERE facility_id = %s AND owner = %s AND item = %s AND known_from = %s"
)
_ALARMS_AGAIN = (
    "UPDATE read_open_item SET next_due_at = NULL WHERE facility_id = %s AND known_to IS NULL"
    " AND kind IN ('alarm', 'alarm-unresolved') AND next_due_at IS NOT NULL"
)
_LOOK_AGAIN = "UPDATE read_open_item SET next_due_at = NULL WHERE facility_id = %s AND known_to IS NULL"

"""What a shift hands over: everything open, by what it is; and the hand-overs before."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from incidents.identity.models import Person
from incidents.ledger.reading import read_stream, words_of
from incidents.projections.models import OpenItemRow
from incidents.queries.care import Owner, item_of, owners
from incidents.queries.floor import PRIORITIES, STANDING
from incidents.queries.story import digests_of
from incidents.rules.care import Item
from incidents.rules.events import ShiftHandedOver, Stream
from incidents.rules.handover import digest_of

KINDS = {
    "Alarms": ("alarm", "alarm-shelved", "decision-due", "alarm-unresolved", "fault-again"),
    "Holds and loads that wait": (
        *("held", "rerun-due", "review-due", "second-signature", "outcome-unknown", "contamination-due"),
        *("recall", "readings-missing"),
    ),
    "Blocked machines": ("machine-blocked",),
    "Checks due": ("test-due",),
    "Messages that did not arrive": ("message-dead",),
}
ELSE = "Everything else"
SHOWN = 10


class Thing(NamedTuple):
    row: OpenItemRow
    item: Item
    owner: Owner | None
    owner_name: str


class Before(NamedTuple):
    """A hand-over of before."""

    at: datetime
    outgoing: str
    incoming: str
    things: int
    words: str


class Handover(NamedTuple):
    """What is handed over, in groups that are never left out; `digest` is what both sign."""

    groups: tuple[tuple[str, tuple[Thing, ...]], ...]
    things: int
    digest: str
    before: tuple[Before, ...]


def standing(facility: UUID) -> Handover:
    rows = list(OpenItemRow.objects.filter(facility_id=facility, **STANDING))
    rows.sort(key=lambda row: (PRIORITIES[row.priority], row.since))
    items = [item_of(row) for row in rows]
    cared = owners(facility, items)
    names = _names({owner.person for owner in cared.values()} | {row.taken_by for row in rows if row.taken_by})
    things = [_thing(row, item, cared.get(item), names) for row, item in zip(rows, items, strict=True)]
    named = {kind for kinds in KINDS.values() for kind in kinds}
    groups = [(title, tuple(each for each in things if each.row.kind in kinds)) for title, kinds in KINDS.items()]
    groups.append((ELSE, tuple(each for each in things if each.row.kind not in named)))
    return Handover(tuple(groups), len(things), digest_of(items), _before(facility))


def _thing(row: OpenItemRow, item: Item, owner: Owner | None, names: dict[UUID, str]) -> Thing:
    person = owner.person if owner else row.taken_by
    return Thing(row, item, owner, names.get(person, "") if person else "")


def _names(people: set[UUID]) -> dict[UUID, str]:
    return dict(Person.objects.filter(id__in=people).values_list("id", "name"))


def _before(facility: UUID) -> tuple[Before, ...]:
    events = read_stream(facility, Stream("handover", facility))[-SHOWN:]
    told: Sequence[tuple[datetime, ShiftHandedOver]] = [
        (event.recorded_at, event.data) for event in reversed(events) if isinstance(event.data, ShiftHandedOver)
    ]
    names = _names({each.person for _, data in told for each in (data.outgoing, data.incoming)})
    words = words_of(facility, digests_of(events))
    return tuple(
        Before(
            at,
            names.get(data.outgoing.person, "somebody who left"),
            names.get(data.incoming.person, "somebody who left"),
            len(data.items),
            words.get(data.words.digest, "") if data.words else "",
        )
        for at, data in told
    )

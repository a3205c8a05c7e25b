"""What was told to whom by which channel, and what did not arrive."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from incidents.identity.models import Contact, Person
from incidents.outbox.models import DEAD, LEASED, SENT, WAITING, Message
from incidents.projections.models import OpenItemRow
from incidents.queries.care import Owner, item_of, owners
from incidents.queries.floor import STANDING

NEWEST = 50


class Sent(NamedTuple):
    """A message as a list shows it; `whom` is its person's name or its shared contact's label."""

    id: UUID
    channel: str
    whom: str
    subject: str
    text: str
    link: str
    state: str
    queued_at: datetime
    sent_at: datetime | None
    next_at: datetime
    attempts: int
    last_error: str
    owner: Owner | None = None
    owner_name: str = ""


class Told(NamedTuple):
    """`undelivered` waits for somebody; `waiting` is on its way; `sent` are the newest that went out."""

    undelivered: tuple[Sent, ...]
    waiting: tuple[Sent, ...]
    sent: tuple[Sent, ...]


def told(facility: UUID) -> Told:
    here = Message.objects.filter(facility_id=facility)
    items = {
        row.owner: item_of(row)
        for row in OpenItemRow.objects.filter(facility_id=facility, kind="message-dead", **STANDING)
    }
    dead = list(here.filter(id__in=list(items), state=DEAD).order_by("-queued_at"))
    waiting = list(here.filter(state__in=[WAITING, LEASED]).order_by("next_at")[:NEWEST])
    sent = list(here.filter(state=SENT).order_by("-sent_at")[:NEWEST])
    cared = owners(facility, items.values())
    names = _names([*dead, *waiting, *sent], cared.values())
    undelivered = []
    for row in dead:
        owner = cared.get(items[row.id])
        shown = _shown(row, names)
        undelivered.append(shown._replace(owner=owner, owner_name=names.get(owner.person, "") if owner else ""))
    return Told(
        tuple(undelivered), tuple(_shown(row, names) for row in waiting), tuple(_shown(row, names) for row in sent)
    )


def _names(rows: Sequence[Message], cared: Iterable[Owner]) -> dict[UUID, str]:
    people = {row.person for row in rows if row.person} | {owner.person for owner in cared}
    shared = {row.contact for row in rows if row.contact}
    found: dict[UUID, str] = dict(Person.objects.filter(id__in=people).values_list("id", "name"))
    return found | dict(Contact.objects.filter(id__in=shared).values_list("id", "label"))


def _shown(row: Message, names: dict[UUID, str]) -> Sent:
    whom = names.get(row.person or row.contact or row.id, "somebody who left")
    when = (row.queued_at, row.sent_at, row.next_at)
    said = (row.subject, row.text, row.link)
    return Sent(row.id, row.channel, whom, *said, row.state, *when, row.attempts, row.last_error)

"""The sweep's other half: what time alone makes due for open items, each step once, with what it tells people."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import NamedTuple, cast
from uuid import UUID
from zoneinfo import ZoneInfo

from incidents.identity import contacts
from incidents.identity.ids import new_id
from incidents.identity.models import Facility
from incidents.identity.rights import people_by_role
from incidents.ledger.writing import LedgerBusy, NoLedger, Receipt
from incidents.operations.deeds import NOTHING_TO_WRITE, Doer, Doing, Request, decision
from incidents.outbox.messages import Outgoing, enqueue
from incidents.projections import climbing
from incidents.projections.climbing import NEVER, Standing
from incidents.queries import escalation as told
from incidents.queries import facts, joined
from incidents.queries.joined import Lead
from incidents.rules.escalation import (
    Step,
    Times,
    Told,
    outlook,
    times_of,
    whom,
    why,
)
from incidents.rules.events import Actor, CalendarSet, EscalationApproved, ItemEscalated, Priority, Stream
from incidents.rules.ladders import Edition, Policy
from incidents.rules.refusals import Refusal
from incidents.rules.rotas import Calendar

logger = logging.getLogger(__name__)
AT_ONCE = 200  # open items looked at under one lock


class Department(NamedTuple):
    """What of a facility decides how its items climb."""

    slug: str
    zone: ZoneInfo
    edition: Edition
    calendar: CalendarSet | None
    of_role: dict[str, list[UUID]]

    @property
    def policy(self) -> EscalationApproved:
        return self.edition.told

    @property
    def times(self) -> Times:
        return times_of(self.edition.effective_at, self.zone, self.calendar)


class Taken(NamedTuple):
    """A step of an item, whom it told, and for how many other alarms of its incident it stands."""

    item: Standing
    step: Step
    told: Told
    others: int = 0


@decision
def escalate(doing: Doing, *, most: int) -> None:
    """Look at the open items that wait for it, at most so many, and take every step that is due.

    Events and messages are written together, and when each item is looked at next.
    """
    now = doing.request.now
    items = climbing.waiting(doing.facility, now, most)
    policy: Policy = doing.state(Stream("escalation", doing.facility))
    edition = policy.in_force(now)
    if edition is None:
        until = policy.next_change(now) or NEVER
        climbing.put_off(doing.log.hand, doing.facility, [(item, until) for item in items])
        return
    department = _department(doing, edition)
    climbs = [item.climb for item in items]
    before, owners = climbing.taken(doing.facility, climbs), climbing.owners(doing.facility, climbs)
    led = _led(doing.facility, items)
    taken: list[Taken] = []
    looked_at: list[tuple[Standing, datetime]] = []
    for item in items:
        climber = told.climber(doing.facility, item, department.policy, owners.get(item.climb))
        look = outlook(climber, department.policy, department.times, before[item.climb], now)
        lead = led.get((item.kind, item.alarm))
        # An incident's other alarms leave it to the first: when that is seen or resolved, they are looked at anew.
        due = look.due if lead is None or lead.alarm == item.alarm else []
        taken += [Taken(item, step, _whom(step, department, now), lead.others if lead else 0) for step in due]
        comes = look.next.due_at if look.next else NEVER
        looked_at.append((item, min(comes, policy.next_change(now) or NEVER)))
    for each in taken:
        doing.conclude(Stream("climb", each.item.climb), _event(each, department.policy.edition))
    enqueue(doing.facility, _messages(doing.facility, taken, department, now), now)
    climbing.put_off(doing.log.hand, doing.facility, looked_at)


def _led(facility: UUID, items: list[Standing]) -> dict[tuple[str, UUID | None], Lead]:
    within = timedelta(minutes=facts.policy(facility).incident_min)
    found: dict[tuple[str, UUID | None], Lead] = {}
    for kind in joined.KINDS:
        alarms = [(item.alarm, item.since) for item in items if item.kind == kind and item.alarm]
        found |= {(kind, alarm): lead for alarm, lead in joined.leads(facility, kind, alarms, within).items()}
    return found


def _whom(step: Step, department: Department, now: datetime) -> Told:
    return whom(step.rung, department.calendar, department.of_role, department.times, now)


def _department(doing: Doing, edition: Edition) -> Department:
    row = Facility.objects.get(id=doing.facility)
    calendar: Calendar = doing.state(Stream("calendar", doing.facility))
    zone = ZoneInfo(row.time_zone)
    return Department(row.slug, zone, edition, calendar.told, people_by_role(doing.facility))


def _event(taken: Taken, edition: int) -> ItemEscalated:
    item, step, told, _ = taken
    return ItemEscalated(
        about_kind=item.about.kind,
        about=item.about.id,
        item=item.item,
        since=item.since,
        ladder=step.key.ladder,
        rung=step.key.rung,
        repeat=step.key.repeat,
        due_at=step.due_at,
        edition=edition,
        said=step.rung,
        to=told.people,
        nobody_on=told.nobody_on,
    )


# --- what is told -------------------------------------------------------------------------------------


def _messages(facility: UUID, taken: list[Taken], department: Department, now: datetime) -> Iterator[Outgoing]:
    """One for each person or shared contact; who has no contact of the step's channel is told on the screens."""
    people = {person for each in taken for person in each.told.people}
    channels = {each.step.rung.channel for each in taken} - {"screen"}
    reached = {channel: contacts.reachable(facility, people, channel) for channel in channels}
    for each in taken:
        channel = each.step.rung.channel
        for person in each.told.people:
            by = channel if person in reached.get(channel, ()) else "screen"
            yield _message(each, department, now, by, person=person)
        if each.told.contact is not None:
            yield _message(each, department, now, channel, contact=each.told.contact)


def _message(
    taken: Taken,
    department: Department,
    now: datetime,
    channel: str,
    *,
    person: UUID | None = None,
    contact: UUID | None = None,
) -> Outgoing:
    item, step, told, others = taken
    return Outgoing(
        key=f"{item.climb}/{step.key.ladder}/{step.key.rung}/{step.key.repeat}/{person or contact}",
        channel=channel,
        person=person,
        contact=contact,
        subject=subject_of(item),
        text=_text(item, step, told, department, others),
        link=_link(item, department.slug),
        priority=cast(Priority, item.priority),
        about=item.about,
        item=item.item,
        due_at=min(step.due_at, now),
    )


def subject_of(item: Standing) -> str:
    """What stands, without what somebody typed."""
    return item.title.split(":")[0] if item.kind == "machine-blocked" else item.title


def _text(item: Standing, step: Step, told: Told, department: Department, others: int) -> str:
    since = item.since.astimezone(department.zone)
    said = [subject_of(item).rstrip(".") + ".", f"It stands since {since:%Y-%m-%d %H:%M}."]
    said += [f"{others} more alarm{'s' if others > 1 else ''} of the same incident."] if others else []
    said += [why(step.key.ladder, step.rung, step.key.repeat)]
    said += ["Nobody was on who should have been."] if told.nobody_on else []
    return " ".join(said)


def _link(item: Standing, slug: str) -> str:
    pages = {"load": "loads", "machine": "machines"}
    return f"/f/{slug}/{pages[item.about.kind]}/{item.about.id}/" if item.about.kind in pages else f"/f/{slug}/"


# --- the sweep ----------------------------------------------------------------------------------------


def sweep(now: datetime, facility: UUID | None = None) -> int:
    """Take every step that is due, one facility locked at a time. Returns how many deeds wrote something.

    However often it runs, late or ten at a time, each step is taken once: whoever comes second finds it taken.
    A facility whose lock does not come is passed by. Raises LedgerBusy at the end, where there was one.
    """
    busy: LedgerBusy | None = None
    done = 0
    for each in climbing.facilities(now) if facility is None else [facility]:
        try:
            while climbing.waiting(each, now, 1):
                system = Doer(Actor("system", each), ())
                outcome = escalate(Request(deed=new_id(), facility=each, by=system, now=now), most=AT_ONCE)
                # Where no step was due there is no event to write: the items were put off all the same.
                if isinstance(outcome, Refusal) and outcome != NOTHING_TO_WRITE:
                    logger.error("the open items of %s were not looked at: %s", each, outcome.sentence)
                    break
                done += isinstance(outcome, Receipt)
        except LedgerBusy as error:
            busy = error
        except NoLedger:
            continue
    if busy is not None:
        raise busy
    return done

"""The escalation policy for its pages, and what comes next for an open item."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple, cast
from uuid import UUID
from zoneinfo import ZoneInfo

from incidents.identity.models import Contact, Facility, Person
from incidents.identity.rights import people_by_role
from incidents.ledger.reading import read_stream
from incidents.projections import climbing
from incidents.projections.climbing import climb_of
from incidents.projections.models import OpenItemRow
from incidents.queries import facts
from incidents.rules import ladders, rotas
from incidents.rules.escalation import FAULT_AGAIN, Item, Step, ladder_for, outlook, times_of, whom, why
from incidents.rules.events import EscalationApproved, EscalationDrafted, Priority, Stream
from incidents.rules.ladders import CHANNELS, Change, Edition, Policy


class EditionTold(NamedTuple):
    edition: int
    by: str
    drafted_by: str
    effective_at: datetime
    now: bool


class Standing(NamedTuple):
    """The policy as it stands; `version` is what a deed names as `expected_version`."""

    version: int
    editions: tuple[EditionTold, ...]
    in_force: Edition | None
    says: dict[str, str]
    draft: EscalationDrafted | None
    draft_by: UUID | None
    draft_by_name: str
    draft_at: datetime | None
    changes: tuple[Change, ...]
    rotas: tuple[str, ...]

    @property
    def next_edition(self) -> int:
        return (self.editions[0].edition if self.editions else 0) + 1


def policy_of(facility: UUID) -> Policy:
    return ladders.fold(facility, read_stream(facility, Stream("escalation", facility)))


def calendar_of(facility: UUID) -> rotas.Calendar:
    return rotas.fold(facility, read_stream(facility, Stream("calendar", facility)))


def standing(facility: UUID, now: datetime) -> Standing:
    state, calendar, names = policy_of(facility), calendar_of(facility).told, _names(facility)
    in_force, draft = state.in_force(now), state.draft
    newest = state.editions[-1].told if state.editions else None

    def name(person: UUID | None) -> str:
        return names.get(person, "Someone who left") if person else ""

    return Standing(
        state.version,
        tuple(
            EditionTold(
                each.told.edition, name(each.by), name(each.drafted_by), each.effective_at, each is in_force
            )
            for each in reversed(state.editions)
        ),
        in_force,
        ladders.in_words(in_force.told, names) if in_force else {},
        draft.told if draft else None,
        draft.by if draft else None,
        name(draft.by) if draft else "",
        draft.at if draft else None,
        tuple(ladders.compare(newest, draft.told, names)) if draft else (),
        tuple(rota.name for rota in calendar.rotas) if calendar else (),
    )


def _names(facility: UUID) -> dict[UUID, str]:
    """Whoever has or had a role here, and the contacts that the facility shares."""
    people = Person.objects.filter(membership__facility_id=facility).values_list("id", "name")
    shared = Contact.objects.filter(facility_id=facility, person__isnull=True).values_list("id", "label")
    return dict(people) | dict(shared)


# --- an open item's own -------------------------------------------------------------------------------


class Planned(NamedTuple):
    """A step that comes unless something stops it: when, why, how, and who would be told if it were now."""

    at: datetime
    why: str
    to: tuple[str, ...]
    channel: str


class Climb(NamedTuple):
    """What is planned for an open item, the next step first, and whether any edition is in force."""

    planned: tuple[Planned, ...]
    in_force: bool


def climb(facility: UUID, row: OpenItemRow, now: datetime) -> Climb:
    """What comes of an open item if nobody does anything."""
    edition = policy_of(facility).in_force(now)
    return Climb(_planned(facility, row, edition, now) if edition else (), edition is not None)


def climber(
    facility: UUID, row: OpenItemRow | climbing.Standing, policy: EscalationApproved, owner: UUID | None
) -> Item:
    """An open item as the rules see it climb. `owner` took it over; whoever saw it or caused it has not."""
    priority = cast(Priority, row.priority)
    again = (
        row.alarm is not None
        and ladder_for(policy, FAULT_AGAIN, priority) is not None
        and facts.came_again(facility, row.alarm, policy.again_within_cycles)
    )
    return Item(row.kind, priority, row.since, row.taken_by is not None, owner, again)


def _planned(facility: UUID, row: OpenItemRow, edition: Edition, now: datetime) -> tuple[Planned, ...]:
    zone = ZoneInfo(Facility.objects.values_list("time_zone", flat=True).get(id=facility))
    calendar, names, of_role = calendar_of(facility).told, _names(facility), people_by_role(facility)
    times = times_of(edition.effective_at, zone, calendar)
    named = climb_of(row.owner, row.item, row.since)
    item = climber(facility, row, edition.told, climbing.owners(facility, [named]).get(named))
    look = outlook(item, edition.told, times, climbing.taken(facility, [named])[named], now)

    def planned(step: Step) -> Planned:
        told = whom(step.rung, calendar, of_role, times, step.due_at)
        everyone = [*told.people, *([told.contact] if told.contact else [])]
        to = tuple(names.get(each, "someone who left") for each in everyone)
        return Planned(
            step.due_at, why(step.key.ladder, step.rung, step.key.repeat), to, CHANNELS[step.rung.channel]
        )

    return tuple(planned(step) for step in (*look.due, *look.to_come))

"""A programme for its pages: its editions with their people, the draft that stands, and what differs."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from incidents.identity.models import Person
from incidents.ledger.reading import read_stream
from incidents.queries.judging import delivered_as_set
from incidents.rules import editions
from incidents.rules.editions import Change, Programme
from incidents.rules.events import AnyEvent, ProgrammeDrafted, ProgrammePublished, Stream
from incidents.rules.limits import Calculation, calculation
from incidents.rules.programme_words import described


class EditionTold(NamedTuple):
    """`now` is whether it is the one in force at this moment; `fallen_at`, when it turned out to bind nobody."""

    told: ProgrammePublished
    by: str
    drafted_by: str
    effective_at: datetime
    now: bool
    fallen_at: datetime | None


class Work(NamedTuple):
    """A draft or a publication, with who did it, as every correction left that."""

    event: UUID
    at: datetime
    by: str
    sentence: str


class Standing(NamedTuple):
    """A programme as it stands; `version` is what a deed names as `expected_version`."""

    id: UUID
    version: int
    name: str
    editions: tuple[EditionTold, ...]
    in_force: ProgrammePublished | None
    withdrawn_at: datetime | None
    draft: ProgrammeDrafted | None
    draft_by: UUID | None
    draft_by_name: str
    draft_at: datetime | None

    @property
    def newest(self) -> ProgrammePublished | None:
        """The newest edition that did not fall."""
        return next((each.told for each in self.editions if each.fallen_at is None), None)

    @property
    def next_edition(self) -> int:
        return (self.editions[0].told.edition if self.editions else 0) + 1

    @property
    def says(self) -> dict[str, str]:
        told = self.in_force or self.newest or self.draft
        return described(told) if told else {}

    @property
    def changes(self) -> list[Change]:
        return editions.compare(self.newest, self.draft) if self.draft else []

    @property
    def calculation(self) -> Calculation:
        """Of the draft or, without one, of the newest edition."""
        return _calculation(self.draft or self.newest)

    @property
    def calculation_in_force(self) -> Calculation:
        """Of what the page tells: the edition in force, else the newest, else the draft."""
        return _calculation(self.in_force or self.newest or self.draft)


def _calculation(told: ProgrammePublished | ProgrammeDrafted | None) -> Calculation:
    limits = told.limits if told else None
    return calculation(limits, delivered_as_set(limits) if limits else None)


def standing(facility: UUID, programme: UUID, now: datetime) -> Standing | None:
    """None of a programme that isn't here."""
    state: Programme = editions.fold(programme, read_stream(facility, Stream("programme", programme)))
    if not state.version:
        return None
    draft = state.draft
    ids = {each.by for each in state.editions} | {each.drafted_by for each in state.editions if each.drafted_by}
    ids |= {draft.by} if draft else set()
    names = dict(Person.objects.filter(id__in=ids).values_list("id", "name"))
    in_force = state.in_force(now)

    def name(person: UUID | None) -> str:
        return names.get(person, "Someone who left") if person else ""

    return Standing(
        programme,
        state.version,
        state.name,
        tuple(
            EditionTold(
                *(each.told, name(each.by), name(each.drafted_by), each.effective_at),
                now=each.told is in_force,
                fallen_at=each.fallen_at,
            )
            for each in reversed(state.editions)
        ),
        in_force,
        state.withdrawn_at,
        draft.told if draft else None,
        draft.by if draft else None,
        name(draft.by) if draft else "",
        draft.at if draft else None,
    )


def work(facility: UUID, programme: UUID, limit: int = 20) -> list[Work]:
    """What people did to the programme, newest first."""
    events = read_stream(facility, Stream("programme", programme))
    state = editions.fold(programme, events)
    done = [each for each in events if isinstance(each.data, ProgrammeDrafted | ProgrammePublished)][-limit:]
    who = {each.event_id: state.done_by(each.event_id, each.actor.id) for each in done}
    names = dict(Person.objects.filter(id__in=set(who.values())).values_list("id", "name"))
    return [
        Work(each.event_id, each.occurred_at, names.get(who[each.event_id], "Someone who left"), _what(each.data))
        for each in reversed(done)
    ]


def _what(told: AnyEvent) -> str:
    return f"Edition {told.edition} approved" if isinstance(told, ProgrammePublished) else "Drafted"

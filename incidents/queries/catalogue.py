"""The fault catalogue for its pages: the edition in force, the draft that stands, and what differs."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple
from uuid import UUID

import msgspec

from incidents.identity.models import Person
from incidents.ledger.reading import read_stream
from incidents.projections.models import CatalogueDraftRow, CatalogueRow, ProgrammeRow
from incidents.rules import catalogue as rules
from incidents.rules.catalogue import Difference
from incidents.rules.events import (
    AnyEvent,
    CatalogueDrafted,
    CataloguePublished,
    Fault,
    ProgrammePublished,
    Stream,
)
from incidents.rules.programmes import PHASE_CODES


class DraftTold(NamedTuple):
    by: UUID
    by_name: str
    at: datetime
    faults: tuple[Fault, ...]


class Standing(NamedTuple):
    """`version` is that of the draft or, without one, of the edition in force: what a deed has to name."""

    version: int
    edition: int
    faults: tuple[Fault, ...]
    draft: DraftTold | None

    @property
    def next_faults(self) -> tuple[Fault, ...]:
        """The draft's faults; without a draft, those in force."""
        return self.draft.faults if self.draft else self.faults

    @property
    def differences(self) -> list[Difference]:
        return rules.compare(self.faults, self.next_faults)

    @property
    def changed(self) -> list[Difference]:
        return [difference for difference in self.differences if difference.kind != "unchanged"]


class Work(NamedTuple):
    """A draft or a publication, with who did it, as every correction left that."""

    event: UUID
    at: datetime
    by: str
    sentence: str


def work(facility: UUID, limit: int = 20) -> list[Work]:
    """What people did to the catalogue, newest first."""
    events = read_stream(facility, Stream("catalogue", facility))
    state = rules.fold(facility, events)
    done = [each for each in events if isinstance(each.data, CatalogueDrafted | CataloguePublished)][-limit:]
    who = {each.event_id: state.done_by(each.event_id, each.actor.id) for each in done}
    names = dict(Person.objects.filter(id__in=set(who.values())).values_list("id", "name"))
    return [
        Work(each.event_id, each.occurred_at, names.get(who[each.event_id], "Someone who left"), _what(each.data))
        for each in reversed(done)
    ]


def _what(told: AnyEvent) -> str:
    return f"Edition {told.edition} published" if isinstance(told, CataloguePublished) else "Drafted"


def standing(facility: UUID) -> Standing:
    published = CatalogueRow.objects.filter(facility_id=facility, known_to=None).first()
    drafted = CatalogueDraftRow.objects.filter(facility_id=facility, known_to=None).first()
    told = msgspec.json.decode(published.body, type=CataloguePublished) if published else None
    version = drafted.version if drafted else published.version if published else 0
    return Standing(
        version, told.edition if told else 0, told.faults if told else (), _draft(drafted) if drafted else None
    )


def _draft(row: CatalogueDraftRow) -> DraftTold:
    person = Person.objects.filter(id=row.drafted_by).first()
    faults = msgspec.json.decode(row.body, type=tuple[Fault, ...])
    return DraftTold(row.drafted_by, person.name if person else "Someone who left", row.drafted_at, faults)


def phases(facility: UUID) -> list[str]:
    """Every phase that a programme here has, the usual ones first."""
    found = dict.fromkeys(PHASE_CODES)
    for row in ProgrammeRow.objects.filter(facility_id=facility, known_to=None).order_by("name"):
        programme = msgspec.json.decode(row.body, type=ProgrammePublished)
        found |= dict.fromkeys(phase.code for phase in programme.phases)
    return list(found)

"""One machine as its own stream tells it."""

from __future__ import annotations

from typing import NamedTuple
from uuid import UUID

from incidents.identity.models import Person
from incidents.ledger.reading import read_stream, words_of
from incidents.queries.sentences import Names, sentence_of_machine
from incidents.queries.story import Entry, digests_of, oddity_of
from incidents.rules import machines
from incidents.rules.events import Recorded, Stream
from incidents.rules.machines import Machine


class MachineStory(NamedTuple):
    machine: Machine
    entries: tuple[Entry, ...]


def machine(facility: UUID, machine_id: UUID) -> Machine | None:
    """None where this facility has no such machine."""
    events = read_stream(facility, Stream("machine", machine_id))
    return machines.fold(machine_id, events) if events else None


def story(facility: UUID, machine_id: UUID) -> MachineStory | None:
    """The machine and what happened to it, newest first; None where this facility has no such machine."""
    events = read_stream(facility, Stream("machine", machine_id))
    if not events:
        return None
    people = {event.actor.id for event in events if event.actor.kind == "person"}
    named = dict(Person.objects.filter(id__in=people).values_list("id", "name"))
    names = Names(named, words_of(facility, digests_of(events)))
    entries = tuple(_entry(event, names) for event in reversed(events))
    return MachineStory(machines.fold(machine_id, events), entries)


def _entry(event: Recorded, names: Names) -> Entry:
    glyph, sentence = sentence_of_machine(event, names)
    said = names.said(getattr(event.data, "words", None))
    detail = " · ".join(part for part in (f"“{said}”" if said else "", oddity_of(event)) if part)
    by_person = event.actor.kind == "person"
    return Entry(
        event.occurred_at, glyph, sentence, detail, event.position, event.event_id, sentence, False, by_person
    )

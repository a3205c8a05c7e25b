"""One machine as its own stream tells it."""

from __future__ import annotations

from typing import NamedTuple
from uuid import UUID

from incidents.identity.models import Person
from incidents.ledger.reading import read_stream, words_of
from incidents.queries.sentences import Names, sentence_of_machine
from incidents.queries.story import Entry, digests_of, oddity_of
from incidents.rules import machines
from incidents.rules.events import ExposureRecorded, Recorded, Stream
from incidents.rules.machines import Machine

PAGE = 50


class MachineStory(NamedTuple):
    """`older` is the position that the next page of entries lies below, or None at the beginning."""

    machine: Machine
    entries: tuple[Entry, ...]
    older: int | None


def machine(facility: UUID, machine_id: UUID) -> Machine | None:
    """None where this facility has no such machine."""
    events = read_stream(facility, Stream("machine", machine_id))
    return machines.fold(machine_id, events) if events else None


def story(facility: UUID, machine_id: UUID, below: int | None = None) -> MachineStory | None:
    """The machine as it is, and a page of what happened to it, newest first, below a position.

    None where this facility has no such machine.
    """
    events = read_stream(facility, Stream("machine", machine_id))
    if not events:
        return None
    told = [event for event in reversed(events) if below is None or event.position < below]
    shown = told[:PAGE]
    people = {event.actor.id for event in shown if event.actor.kind == "person"}
    people |= {
        event.data.person for event in shown if isinstance(event.data, ExposureRecorded) and event.data.person
    }
    named = dict(Person.objects.filter(id__in=people).values_list("id", "name"))
    names = Names(named, words_of(facility, digests_of(shown)))
    entries = tuple(_entry(event, names) for event in shown)
    older = shown[-1].position if len(told) > PAGE else None
    return MachineStory(machines.fold(machine_id, events), entries, older)


def _entry(event: Recorded, names: Names) -> Entry:
    glyph, sentence = sentence_of_machine(event, names)
    said = names.said(getattr(event.data, "words", None))
    detail = " · ".join(part for part in (f"“{said}”" if said else "", oddity_of(event)) if part)
    return Entry(event.occurred_at, glyph, sentence, detail, event.position, event.event_id, sentence)

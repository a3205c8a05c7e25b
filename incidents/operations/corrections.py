"""Notes and corrections: beside the old event, never in its place."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from uuid import UUID

from incidents.identity.rights import Rights, rights_on
from incidents.operations.deeds import Doing, decision, observation, refuse
from incidents.rules import authority, corrections
from incidents.rules.catalogue import Catalogue
from incidents.rules.editions import Programme
from incidents.rules.events import AttributionCorrected, CycleResumed, EnteredFromPaper, NoteAdded, Recorded, Stream
from incidents.rules.load_state import Load


@observation
def add_note(doing: Doing, *, load: UUID, words: str) -> None:
    doing.load(load)
    doing.record(Stream("load", load), NoteAdded(words=doing.words(_reason(words))))


@decision
def correct_event(doing: Doing, *, load: UUID, event: UUID, field: str, value: str, words: str) -> None:
    """Correct a field of an earlier event, with the reason. It never lifts a hold."""
    doing.load(load)
    stream = Stream("load", load)
    reason = doing.words(_reason(words))
    value = corrections.as_kept(field, value)
    doing.record(stream, corrections.correct(doing.log.read(stream), event, field, value, reason))


@decision
def correct_attribution(
    doing: Doing, *, load: UUID, event: UUID, person: UUID, words: str, was: UUID | None = None
) -> None:
    """An earlier event was done by somebody else in another's session: every authority is asked again."""
    found = doing.load(load)
    stream = Stream("load", load)
    told = _told(doing, stream, event)
    deed, stood = _on_paper(doing.log.read(stream), told) or (told.operation, told.actor.id)
    was = was or found.done_by(event, stood)
    theirs = _rights_then(doing, person, was, told)
    refusal = authority.refusal(deed, theirs.roles, theirs.competences)
    may = refusal is None and _might_resume(found, told, theirs.roles)
    doing.record(stream, _corrected(doing, told, was, person, theirs, words, may))


@decision
def correct_catalogue_attribution(doing: Doing, *, event: UUID, person: UUID, words: str) -> None:
    """An edition of the fault catalogue, or its draft, was somebody else's work. It falls if they were one."""
    stream = Stream("catalogue", doing.facility)
    state: Catalogue = doing.state(stream)
    told = _told(doing, stream, event)
    was = state.done_by(event, told.actor.id)
    theirs = _rights_then(doing, person, was, told)
    may = authority.refusal(told.operation, theirs.roles, theirs.competences) is None
    doing.record(stream, _corrected(doing, told, was, person, theirs, words, may))


@decision
def correct_programme_attribution(doing: Doing, *, programme: UUID, event: UUID, person: UUID, words: str) -> None:
    """An edition of a programme, or its draft, was somebody else's work. It falls if they were one."""
    stream = Stream("programme", programme)
    state: Programme = doing.state(stream)
    if not state.version:
        raise refuse("programme-not-here", "There is no such programme here.", "Choose one from Set-up.")
    told = _told(doing, stream, event)
    was = state.done_by(event, told.actor.id)
    theirs = _rights_then(doing, person, was, told)
    may = authority.refusal(told.operation, theirs.roles, theirs.competences) is None
    doing.record(stream, _corrected(doing, told, was, person, theirs, words, may))


def _told(doing: Doing, stream: Stream, event: UUID) -> Recorded:
    """The event of this stream that a person did."""
    told = next((told for told in doing.log.read(stream) if told.event_id == event), None)
    if told is None or told.actor.kind != "person":
        raise refuse("event-unknown", "No person did such an event here.", "Choose it on its page.")
    return told


def _rights_then(doing: Doing, person: UUID, was: UUID, told: Recorded) -> Rights:
    """What whoever did it might do on its day."""
    if was == person:
        raise refuse("same-person", "It stands in this person’s name already.", "Choose who did it.")
    theirs = rights_on(person, doing.facility, told.occurred_at)
    if not theirs.roles:
        raise refuse("person-unknown", "This person has no role here.", "Choose somebody of this facility.")
    return theirs


def _corrected(
    doing: Doing, told: Recorded, was: UUID, person: UUID, theirs: Rights, words: str, may: bool
) -> AttributionCorrected:
    return AttributionCorrected(
        event=told.event_id,
        was=was,
        person=person,
        roles=theirs.roles,
        authorised=may,
        words=doing.words(_reason(words)),
    )


def _on_paper(events: Sequence[Recorded], told: Recorded) -> tuple[str, UUID] | None:
    """(deed, whose name stands there) of what a form tells: it was done on paper, not by whoever entered it."""
    deed = corrections.DEED_ON_PAPER.get(type(told.data))
    if told.operation != "enter_form" or deed is None:
        return None
    form = next(each.data for each in events if each.deed == told.deed and isinstance(each.data, EnteredFromPaper))
    return deed, form.claimed_by or told.actor.id


def _might_resume(load: Load, told: Recorded, roles: Collection[str]) -> bool:
    """A resume asks the catalogue's rule besides the deed's: some are a supervisor's alone."""
    if not isinstance(told.data, CycleResumed):
        return True
    stood = [alarm for alarm in load.alarms if alarm.halts and alarm.raised_at <= told.occurred_at]
    return "supervisor" in roles or all(alarm.resume != "supervisor" for alarm in stood)


def _reason(words: str) -> str:
    if not words.strip():
        raise refuse("reason-missing", "This needs a reason or a remark.", "One sentence is enough.")
    return words

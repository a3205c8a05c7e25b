"""Notes and corrections: beside the old event, never in its place."""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC
from uuid import UUID

from incidents.identity.rights import rights
from incidents.operations.deeds import Doing, decision, observation, refuse
from incidents.rules import authority, corrections
from incidents.rules.events import AttributionCorrected, CycleResumed, NoteAdded, Recorded, Stream
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
    doing.record(stream, corrections.correct(doing.log.read(stream), event, field, value.strip(), reason))


@decision
def correct_attribution(
    doing: Doing, *, load: UUID, event: UUID, person: UUID, words: str, was: UUID | None = None
) -> None:
    """An earlier event was done by somebody else in another's session: every authority is asked again."""
    found = doing.load(load)
    stream = Stream("load", load)
    told = next((told for told in doing.log.read(stream) if told.event_id == event), None)
    if told is None or told.actor.kind != "person":
        raise refuse("event-unknown", "No person did such an event here.", "Choose it on the load’s page.")
    was = was or found.done_by(event, told.actor.id)
    if was == person:
        raise refuse("same-person", "It stands in this person’s name already.", "Choose who did it.")
    theirs = rights(person, doing.facility, told.occurred_at.astimezone(UTC).date())
    if not theirs.roles:
        raise refuse("person-unknown", "This person has no role here.", "Choose somebody of this facility.")
    refusal = authority.refusal(told.operation, theirs.roles, theirs.competences)
    doing.record(
        stream,
        AttributionCorrected(
            event=event,
            was=was,
            person=person,
            roles=theirs.roles,
            authorised=refusal is None and _might_resume(found, told, theirs.roles),
            words=doing.words(_reason(words)),
        ),
    )


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

"""Incidents: who looks into one, its cause, what was done about it, and that it helped."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID

from incidents.operations.deeds import Doing, decision, refuse
from incidents.queries import facts, joined
from incidents.rules import incidents
from incidents.rules.events import Part, Stream
from incidents.rules.incidents import Incident


@decision
def take_incident(doing: Doing, *, alarm: UUID) -> None:
    """Look into the incident that this alarm is in."""
    alarms, state = _incident(doing, alarm)
    doing.record(Stream("incident", state.id), incidents.take(state, alarms, doing.by.actor.id))


@decision
def tell_incident(doing: Doing, *, alarm: UUID, part: Part, words: str) -> None:
    """Record the cause of the incident that an alarm is in, its correction, or its verification: that closes it."""
    if not words.strip():
        raise refuse("reason-missing", "This needs a sentence.", "Say what was found, done or seen.")
    alarms, state = _incident(doing, alarm)
    decided = incidents.tell(state, alarms, part, doing.words(words.strip()))
    doing.record(Stream("incident", state.id), decided)


def _incident(doing: Doing, alarm: UUID) -> tuple[list[UUID], Incident]:
    within = timedelta(minutes=facts.policy(doing.facility).incident_min)
    found = joined.group_of(doing.facility, alarm, within)
    if found is None:
        raise refuse("alarm-unknown", "There is no such alarm here.", "Open it from Now.")
    state: Incident = doing.state(Stream("incident", found.incident))
    expected = doing.request.expected_version
    if expected is not None and expected != state.version:
        raise refuse("stale", "The incident changed since you looked. Nothing was written.", "Read it again.")
    return [each.alarm for each in found.alarms], state

"""Incidents: related alarms are one thing to look into, so that a burst wakes people once.

Alarms of one load belong together, and so does the same fault of one machine while it comes again within a window.
Which incident an alarm belongs to follows from the alarms; once something is told of an incident, its alarms stay
with it, and after its verification no other joins.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules.events import IncidentTaken, IncidentTold, Part, Recorded, WordsRef
from incidents.rules.refusals import Refusal

PARTS: dict[Part, str] = {"cause": "Cause", "correction": "Correction", "verification": "Verification"}


class Joins(NamedTuple):
    """An alarm as far as it decides what it joins. `load` is None where the machine alarmed without one."""

    alarm: UUID
    load: UUID | None
    machine: UUID | None
    code: str
    raised_at: datetime


class Anchor(NamedTuple):
    """An incident of which something was told, and when it was verified."""

    incident: UUID
    verified_at: datetime | None


def join(alarms: Iterable[Joins], within: timedelta, told: Mapping[UUID, Anchor]) -> list[list[Joins]]:
    """The alarms by incident, in the order in which they were raised. `told`: an alarm's incident, once told of."""
    groups: list[list[Joins]] = []
    newest: dict[object, list[Joins]] = {}
    for alarm in sorted(alarms, key=lambda each: (each.raised_at, each.alarm)):
        anchor = told.get(alarm.alarm)
        group = newest.get(anchor.incident) if anchor else _open_to(alarm, newest, within, told)
        if group is None:
            group = []
            groups.append(group)
        group.append(alarm)
        newest |= {key: group for key in (alarm.load, _fault(alarm), anchor and anchor.incident) if key}
    return groups


def _fault(alarm: Joins) -> tuple[UUID, str] | None:
    return (alarm.machine, alarm.code.casefold()) if alarm.machine else None


def _open_to(
    alarm: Joins, newest: Mapping[object, list[Joins]], within: timedelta, told: Mapping[UUID, Anchor]
) -> list[Joins] | None:
    """The newest incident that this alarm joins: its load's, or that of the same fault a while ago."""
    for group in (newest.get(alarm.load), newest.get(_fault(alarm))):
        if group and not _closed_before(alarm, group, told) and _related(alarm, group, within):
            return group
    return None


def _closed_before(alarm: Joins, group: list[Joins], told: Mapping[UUID, Anchor]) -> bool:
    ends = (told[each.alarm].verified_at for each in group if each.alarm in told)
    return any(end is not None and end < alarm.raised_at for end in ends)


def _related(alarm: Joins, group: list[Joins], within: timedelta) -> bool:
    if alarm.load is not None and any(alarm.load == each.load for each in group):
        return True
    last = max(each.raised_at for each in group if _fault(each) == _fault(alarm))
    return alarm.raised_at - last <= within


# --- what is told of it -------------------------------------------------------------------------------


class Said(NamedTuple):
    by: UUID
    at: datetime
    words: WordsRef


class Incident(msgspec.Struct, frozen=True):
    """`alarms` are those of which it was told that they are in it; `owner` looks into it since `owned_at`."""

    id: UUID
    version: int = 0
    alarms: tuple[UUID, ...] = ()
    owner: UUID | None = None
    owned_at: datetime | None = None
    cause: Said | None = None
    correction: Said | None = None
    verification: Said | None = None
    told_at: datetime | None = None

    @property
    def next_part(self) -> Part | None:
        """What is to be told next; None once it was verified."""
        told = {"cause": self.cause, "correction": self.correction, "verification": self.verification}
        return next((part for part in PARTS if told[part] is None), None)


def fold(incident: UUID, events: Sequence[Recorded]) -> Incident:
    state = Incident(incident)
    for event in events:
        state = evolve(state, event)
    return state


def evolve(state: Incident, event: Recorded) -> Incident:
    """The next state. Total. A part told again stands in the place of what was told before."""
    after = replace(state, version=event.version, told_at=event.recorded_at)
    match event.data:
        case IncidentTaken() as data:
            return replace(_with(after, data.alarms), owner=event.actor.id, owned_at=event.recorded_at)
        case IncidentTold() as data:
            said = Said(event.actor.id, event.recorded_at, data.words)
            return replace(_with(after, data.alarms), **{data.part: said})
        case _:
            return after


def _with(state: Incident, alarms: Iterable[UUID]) -> Incident:
    return replace(state, alarms=tuple(dict.fromkeys((*state.alarms, *alarms))))


def take(state: Incident, alarms: Sequence[UUID], person: UUID) -> IncidentTaken | Refusal:
    if state.verification is not None:
        return _closed()
    if state.owner == person:
        return Refusal("yours-already", "You look into it already.", "Go on with it.")
    return IncidentTaken(alarms=tuple(alarms))


def tell(state: Incident, alarms: Sequence[UUID], part: Part, words: WordsRef) -> IncidentTold | Refusal:
    """A correction needs a cause, a verification a correction; until then what was told may be told better."""
    if part not in PARTS:
        return Refusal(
            "part-unknown", f"“{str(part)[:40]}” is not asked for.", "Cause, correction or verification."
        )
    if state.verification is not None:
        return _closed()
    before: dict[Part, Part] = {"correction": "cause", "verification": "correction"}
    needs = before.get(part)
    if needs is not None and getattr(state, needs) is None:
        return Refusal(f"{needs}-missing", f"The {part} needs the {needs} first.", f"Record the {needs}.")
    return IncidentTold(alarms=tuple(alarms), part=part, words=words)


def _closed() -> Refusal:
    return Refusal(
        "incident-verified", "This incident was verified: it is closed.", "A new alarm begins another one."
    )

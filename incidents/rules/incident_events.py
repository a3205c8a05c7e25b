"""What is told of an incident: several alarms that are one thing to look into."""

from __future__ import annotations

from typing import Literal
from uuid import UUID

from incidents.rules.vocabulary import Event, WordsRef

Part = Literal["cause", "correction", "verification"]


class IncidentTaken(Event, frozen=True, tag="incident-taken"):
    """Whoever did it looks into this incident from now on. `alarms` are those that had joined it by then."""

    alarms: tuple[UUID, ...]


class IncidentTold(Event, frozen=True, tag="incident-told"):
    """What was the cause, what was done about it, or how it was seen that this helped: the last closes it."""

    alarms: tuple[UUID, ...]
    part: Part
    words: WordsRef

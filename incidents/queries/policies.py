"""The facility's policy: the edition in force, and every one before it with who set it and when."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from incidents.identity.models import Person
from incidents.ledger.reading import read_stream
from incidents.rules.events import PolicySet, Stream


class Edition(NamedTuple):
    policy: PolicySet
    set_at: datetime
    by: str


def editions(facility: UUID) -> list[Edition]:
    """Newest first; none while the starting values count."""
    events = read_stream(facility, Stream("policy", facility))
    names = dict(Person.objects.filter(id__in={event.actor.id for event in events}).values_list("id", "name"))
    return [
        Edition(event.data, event.occurred_at, names.get(event.actor.id, "Someone who left"))
        for event in reversed(events)
        if isinstance(event.data, PolicySet)
    ]

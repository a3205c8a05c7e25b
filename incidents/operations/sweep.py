"""What time alone makes due, found by a sweep and written as events."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from incidents.identity.ids import named
from incidents.operations.deeds import Doer, Doing, Request, decision, refuse
from incidents.queries import floor
from incidents.rules.events import Actor, OutcomeOverdue, Stream


@decision
def note_overdue(doing: Doing, *, load: UUID) -> None:
    """A cycle past its expected end and grace has an unknown outcome, and is held."""
    found = doing.load(load)
    if found.due_at is None or found.overdue_since is not None or found.due_at > doing.request.now:
        raise refuse("not-due", f"{found.name} is not overdue.", "Nothing is to be done.")
    doing.record(Stream("load", load), OutcomeOverdue(due_at=found.due_at))


def sweep(now: datetime) -> int:
    """Note every overdue cycle once; however often it runs, late or twice at a time. Returns how many."""
    noted = 0
    for facility, load, due_at in floor.overdue(now):
        system = Doer(Actor("system", facility), ())
        deed = named(load, f"overdue {due_at.isoformat()}")
        done = note_overdue(Request(deed=deed, facility=facility, by=system, now=now), load=load)
        noted += hasattr(done, "deed_id")
    return noted

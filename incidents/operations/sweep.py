"""What time alone makes due, found by a sweep and written as events."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from incidents.identity.ids import named
from incidents.ledger.writing import LedgerBusy, Receipt
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
    """Note every overdue cycle once; however often it runs, late or twice at a time. Returns how many.

    A facility whose lock does not come is passed by, so that the others are not kept waiting.
    Raises LedgerBusy at the end, where there was one: the next sweep finds the rest.
    """
    noted = 0
    busy: LedgerBusy | None = None
    for facility, load, due_at in floor.overdue(now):
        system = Doer(Actor("system", facility), ())
        deed = named(load, f"overdue {due_at.isoformat()}")
        try:
            done = note_overdue(Request(deed=deed, facility=facility, by=system, now=now), load=load)
        except LedgerBusy as error:
            busy = error
            continue
        noted += isinstance(done, Receipt)
    if busy is not None:
        raise busy
    return noted

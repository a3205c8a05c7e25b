"""What time alone makes due, found by a sweep and written as events."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from functools import partial
from uuid import UUID

from incidents.identity.ids import new_id
from incidents.ledger.writing import LedgerBusy, Receipt
from incidents.operations.care import note_unshelved
from incidents.operations.deeds import Doer, Doing, Outcome, Request, decision, refuse
from incidents.queries import care, facts, floor, silence
from incidents.rules import machines
from incidents.rules.events import Actor, OutcomeOverdue, Stream


@decision
def note_overdue(doing: Doing, *, load: UUID) -> None:
    """A cycle past its expected end and grace has an unknown outcome, and is held."""
    found = doing.load(load)
    if found.due_at is None or found.overdue_since is not None or found.due_at > doing.request.now:
        raise refuse("not-due", f"{found.name} is not overdue.", "Nothing is to be done.")
    doing.record(Stream("load", load), OutcomeOverdue(due_at=found.due_at))


@decision
def note_silence(doing: Doing, *, machine: UUID) -> None:
    """A device was not heard for as long as policy allows, or is heard again."""
    found = doing.machine(machine)
    heard_at = silence.last_heard_at(doing.facility, machine)
    allowed = timedelta(minutes=facts.policy(doing.facility).silent_min)
    event = machines.silence(found, heard_at, allowed, doing.request.now)
    if event is None:
        raise refuse("not-due", f"Nothing is new of the device of {found.name}.", "Nothing is to be done.")
    doing.record(Stream("machine", machine), event)


def _due(now: datetime) -> Iterator[tuple[UUID, Callable[[Request], Outcome]]]:
    """Each thing that is due, as a deed of its facility."""
    for facility, load, _ in floor.overdue(now):
        yield facility, partial(note_overdue, load=load)
    for facility, stream, alarm in care.back_from_the_shelf(now):
        yield facility, partial(note_unshelved, stream=stream, alarm=alarm)
    for facility, machine in silence.to_note(now):
        yield facility, partial(note_silence, machine=machine)


def sweep(now: datetime) -> int:
    """Note once what is due: overdue cycles, alarms whose time aside is over. Returns how many.

    However often it runs, late or twice at a time, the result is the same.

    A facility whose lock does not come is passed by, so that the others are not kept waiting.
    Raises LedgerBusy at the end, where there was one: the next sweep finds the rest.
    """
    noted = 0
    busy: LedgerBusy | None = None
    for facility, note in _due(now):
        system = Doer(Actor("system", facility), ())
        # An id of its own each time: another sweep that was quicker is no receipt for this one, and isn't counted.
        try:
            done = note(Request(deed=new_id(), facility=facility, by=system, now=now))
        except LedgerBusy as error:
            busy = error
            continue
        noted += isinstance(done, Receipt)
    if busy is not None:
        raise busy
    return noted

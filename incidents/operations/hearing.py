"""What a machine's observations lean on while they are told: who is in its chambers, and which numbers it used.

Asked of the read models once in a transaction, then moved along with what is recorded.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta
from uuid import UUID

from msgspec.structs import replace

from incidents.operations.deeds import Doing
from incidents.queries import facts
from incidents.rules import devices, passages
from incidents.rules.devices import Heard
from incidents.rules.events import ObservationArrived, Recorded, Stream
from incidents.rules.loads import ENDED, Load
from incidents.rules.machines import Machine
from incidents.rules.passages import Passage, Report


class Hearing:
    """One machine, heard in one transaction."""

    def __init__(self, doing: Doing, machine: UUID, chambers: Collection[str], cycles: Collection[int]) -> None:
        doing.log.settle_rows()
        self.machine = machine
        self.device = doing.by.actor.id
        self.chambers, self.cycles = frozenset(chambers), frozenset(cycles)
        found = facts.passages(doing.facility, machine, self.chambers, self.cycles)
        self.passages: dict[UUID, Passage] = {passage.load: passage for passage in found}
        self.heard: Heard | None = facts.heard(doing.facility, self.device)

    def covers(self, chamber: str, cycle: int | None) -> bool:
        return chamber in self.chambers and (cycle is None or cycle in self.cycles)

    def load_of(self, machine: Machine, report: Report) -> UUID | None:
        without_load = {*machine.explained, *(stray.machine_cycle for stray in machine.strays)}
        return passages.load_of(report, self.passages.values(), without_load)

    def overtakes(self, machine: Machine, number: int | None) -> bool:
        return devices.overtakes(self.heard, machine.missing, number)

    def note(self, event: Recorded, load: Load | None) -> None:
        """Move along with an observation that was recorded."""
        if event.sequence is not None:
            known = self.heard or Heard(self.device, event.sequence, event.sequence)
            self.heard = known.with_number(event.sequence)
        if load is not None:
            self._move(load, event.position)

    def _move(self, load: Load, position: int) -> None:
        stage = "ended" if load.stage in ENDED else load.stage
        known = self.passages.get(load.id)
        now = Passage(load.id, load.chamber, load.machine_cycle, stage, position, load.assembled_at)
        if load.machine != self.machine:
            self.passages.pop(load.id, None)
        elif known is None or replace(known, since=position) != now:
            self.passages[load.id] = now


def of(doing: Doing, machine: UUID, chamber: str, cycle: int | None) -> Hearing:
    """The hearing of this transaction, opened for this report where there is none that covers it."""
    known: Hearing | None = doing.log.memo.get(("hearing", machine))
    if known is None or not known.covers(chamber, cycle) or known.device != doing.by.actor.id:
        known = open_for(doing, machine, [chamber], [] if cycle is None else [cycle])
    return known


def open_for(doing: Doing, machine: UUID, chambers: Collection[str], cycles: Collection[int]) -> Hearing:
    hearing = Hearing(doing, machine, chambers, cycles)
    doing.log.memo["hearing", machine] = hearing
    return hearing


def by_our_clock(machine: Machine, claimed: datetime) -> datetime:
    """The moment claimed, less what the sender's clock is known to be off."""
    off = machine.clock.ahead_s if machine.clock and machine.clock.is_skewed else 0
    try:
        return claimed - timedelta(seconds=off)
    except OverflowError:
        return claimed


def conclude_missing(doing: Doing, machine: Machine, heard: Heard | None) -> None:
    """Say which numbers are missing now that this one was heard, or that it is missing no longer."""
    number = doing.request.sequence
    if number is None:
        return
    stream = Stream("machine", machine.id)
    if devices.is_missing(machine.missing, number):
        doing.conclude(stream, ObservationArrived(number=number))
        return
    gap = devices.missed(heard, number)
    if gap is not None:
        doing.conclude(stream, gap)

"""What stands on a downtime form, and what of it doesn't fit what is known here.

None of these doubts keeps a form out. Each of them holds the load until somebody named has looked.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Literal
from uuid import UUID

import msgspec

from incidents.identity.rights import Rights, rights_on
from incidents.ledger.reading import size_at
from incidents.operations.deeds import Doing
from incidents.queries import facts
from incidents.rules import authority, downtime, machines
from incidents.rules.downtime import Downtime
from incidents.rules.events import AlarmRaised, AnyEvent, CycleFinished, DoorOpened, PowerLost, Stream, Verdict
from incidents.rules.loads import Load

RELEASES = ("packing", "use")
UNFINISHED = ("assembled", "running", "stopped")


class Paper(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What stands on a form. A field left blank is absent here, and never guessed.

    `load` is the load that the form goes on with, where it was known before the server was gone.
    """

    machine: UUID
    chamber: str
    load: UUID | None = None
    trays: tuple[UUID, ...] = ()
    programme: str = ""
    machine_cycle: int | None = None
    started_at: datetime | None = None
    alarm_code: str = ""
    alarm_phase: str = ""
    alarm_at: datetime | None = None
    ending: Literal["", "ended", "aborted"] = ""
    ended_at: datetime | None = None
    verdicts: dict[str, Verdict] = {}
    decision: Literal["", "packing", "use", "held"] = ""
    decided_at: datetime | None = None
    claimed_by: UUID | None = None

    @property
    def begun(self) -> bool:
        told = (self.started_at, self.programme, self.machine_cycle, self.alarm_code, self.ending)
        return any(one not in (None, "") for one in told)

    def began_at(self, now: datetime) -> datetime:
        """When its cycle began, as far as the form says it."""
        return self.started_at or self.alarm_at or self.ended_at or now

    def decided_on(self, now: datetime) -> datetime:
        return self.decided_at or self.ended_at or self.began_at(now)


def rights_of(doing: Doing, person: UUID, at: datetime) -> Rights:
    return rights_on(person, doing.facility, at)


def doubts(doing: Doing, number: int, paper: Paper, known: Load | None) -> Iterator[str]:
    """Codes of what doesn't fit, as `rules.paper` words them."""
    forms: Downtime = doing.state(Stream("downtime", doing.facility))
    began_at = paper.began_at(doing.request.now)
    yield from downtime.doubts_of_number(forms, number)
    yield from _of_the_contents(doing, paper, known, began_at)
    if paper.begun and known is None and paper.started_at is None:
        yield "start-missing"
    if paper.ended_at is not None and paper.ended_at < began_at:
        yield "order-of-times"
    yield from _of_the_machine(doing, paper, known, began_at)
    if paper.decision in RELEASES:
        yield from _of_the_signer(doing, paper)


def _of_the_contents(doing: Doing, paper: Paper, known: Load | None, began_at: datetime) -> Iterator[str]:
    if known is None and not paper.trays:
        yield "trays-missing"
    for tray in facts.trays(doing.facility, paper.trays):
        if tray.load is None or (known and tray.load == known.id):
            continue
        other = doing.state_of_load(tray.load)
        if other.stage in UNFINISHED and (other.assembled_at or began_at) <= began_at:
            yield "tray-elsewhere"
            return


def _of_the_machine(doing: Doing, paper: Paper, known: Load | None, began_at: datetime) -> Iterator[str]:
    machine = doing.machine(paper.machine)
    block = machines.blocked(machine, paper.chamber)
    if block is not None and block.at <= began_at:
        yield "machine-blocked"
    told = doing.log.read(Stream("machine", paper.machine))
    then = size_at(doing.facility, began_at)
    takes = machines.fold(paper.machine, [event for event in told if event.position < then]).takes
    rack = facts.rack(doing.facility, known.rack) if known and known.rack else None
    if takes.not_taken(paper.programme, rack.code if rack else ""):
        yield "machine-takes-not"
    mine = (None, known.id if known else None)
    where = (doing.facility, paper.machine, paper.chamber)
    if paper.machine_cycle is not None:
        if any(_broke(event.data, paper.chamber, paper.machine_cycle) for event in told):
            yield "machine-told-otherwise"
        if facts.has_cycle(*where, paper.machine_cycle) not in mine:
            yield "cycle-known"
    if paper.begun and not paper.ending and facts.load_in_chamber(*where) not in mine:
        yield "chamber-busy"


def _broke(told: AnyEvent, chamber: str, cycle: int) -> bool:
    """Did the machine tell, while no load was known in it, of something that broke this cycle?"""
    if not isinstance(told, AlarmRaised | PowerLost | DoorOpened | CycleFinished):
        return False
    complete = isinstance(told, CycleFinished) and told.complete
    return not complete and told.machine_cycle == cycle and told.chamber == chamber


def _of_the_signer(doing: Doing, paper: Paper) -> Iterator[str]:
    if paper.claimed_by is None:
        yield "signer-missing"
        return
    then = rights_of(doing, paper.claimed_by, paper.decided_on(doing.request.now))
    if authority.refusal("release_load", then.roles, then.competences) is not None:
        yield "signer-not-authorised"

"""Importing history: what an older record says, kept beside the department's own events and never among them.

Each thing that is told has a stream of its own, named from what it is, so that telling it again writes nothing
and telling it otherwise is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

import msgspec

from incidents.identity.ids import named
from incidents.ledger import writing
from incidents.ledger.reading import read_stream
from incidents.ledger.writing import Deed, digest_of
from incidents.operations import setting_up
from incidents.operations.deeds import Doer, Doing, Outcome, Request, decision
from incidents.queries import facts
from incidents.queries.facts import MachineFact
from incidents.rules import history
from incidents.rules.events import (
    MachineRegistered,
    PastAlarmImported,
    PastLoadImported,
    PastRepairImported,
    Recorded,
    Stream,
    WordsRef,
)
from incidents.rules.history import HasChambers, PastEvent
from incidents.rules.history_events import PastOutcome
from incidents.rules.refusals import Refusal

CHAMBER_LIMIT = 40  # characters, as `register_machine` has it
KNOWN = "imported-already"  # the refusal of what stands here word for word


class SaidOfMachine(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: str
    code: str
    chambers: tuple[str, ...]


class SaidOfLoad(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a record says of a load; `stated` is its outcome in the record's own word."""

    machine: UUID
    chamber: str
    started_at: datetime
    outcome: PastOutcome
    source: str
    line: int
    programme: str = ""
    stated: str = ""
    machine_cycle: int | None = None
    ended_at: datetime | None = None
    trays: tuple[str, ...] = ()


class SaidOfAlarm(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    machine: UUID
    code: str
    raised_at: datetime
    source: str
    line: int
    chamber: str = ""
    machine_cycle: int | None = None
    phase: str = ""
    title: str = ""
    acknowledged_at: datetime | None = None
    cleared_at: datetime | None = None


class SaidOfRepair(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Out of service from `out_at`; `back_at` is absent where the record doesn't say until when."""

    machine: UUID
    out_at: datetime
    words: str
    source: str
    line: int
    chamber: str = ""
    back_at: datetime | None = None


PastSaid = SaidOfLoad | SaidOfAlarm | SaidOfRepair
Said = SaidOfMachine | PastSaid


# --- the deeds ----------------------------------------------------------------------------------------


@decision
def import_load(doing: Doing, *, said: SaidOfLoad) -> None:
    """Keep what an older record says of a load. It proves nothing, and no deed can reach it."""
    _keep(doing, said)


@decision
def import_alarm(doing: Doing, *, said: SaidOfAlarm) -> None:
    """Keep what an older record says of an alarm, for the machine's story and the trends."""
    _keep(doing, said)


@decision
def import_repair(doing: Doing, *, said: SaidOfRepair) -> None:
    """Keep that a machine was out of service. It blocks nothing now."""
    _keep(doing, said)


def _keep(doing: Doing, said: PastSaid) -> None:
    machine = doing.machine(said.machine)
    found = weigh(doing.facility, said, machine, doing.request.now, read=doing.log.read)
    if isinstance(found, Refusal):
        doing.record(Stream("history", doing.facility), found)
        return
    event = found.event
    if isinstance(event, PastRepairImported) and isinstance(said, SaidOfRepair):
        event = msgspec.structs.replace(event, words=doing.words(said.words))
    doing.claim(found.stream, event, found.at)


# --- weighing, which a dry run does too ---------------------------------------------------------------


class New(NamedTuple):
    """What would be written, to which stream, at which claimed time."""

    stream: Stream
    event: PastEvent
    at: datetime


def weigh(
    facility: UUID,
    said: PastSaid,
    machine: HasChambers,
    now: datetime,
    *,
    read: Callable[[Stream], Sequence[Recorded]] | None = None,
) -> New | Refusal:
    """What this telling would write, or why it writes nothing; `KNOWN` where it stands here already."""
    new = told_by(facility, said, machine)
    refusal = history.refusal(new.event, new.at, machine, now)
    if refusal is not None:
        return refusal
    for event in read(new.stream) if read else read_stream(facility, new.stream):
        if isinstance(event.data, PastEvent):
            return _again(new, event, event.data)
    return _seen_here(facility, said, machine) or new


def told_by(facility: UUID, said: PastSaid, machine: HasChambers) -> New:
    """The event that this telling would be, with words that are not kept yet."""
    words = said.words if isinstance(said, SaidOfRepair) else ""
    given = msgspec.structs.asdict(said) | {"machine_name": machine.name}
    event: PastEvent
    if isinstance(said, SaidOfLoad):
        at = given.pop("started_at")
        event = PastLoadImported(**given)
    elif isinstance(said, SaidOfAlarm):
        at = given.pop("raised_at")
        event = PastAlarmImported(**given)
    else:
        at = given.pop("out_at")
        event = PastRepairImported(**given | {"words": WordsRef("")})
    return New(Stream("history", named(facility, history.identity(event, at, words))), event, at)


def _again(new: New, known: Recorded, its: PastEvent) -> Refusal:
    where = f"line {its.line} of {its.source}"
    if history.same(new.event, new.at, its, known.occurred_at):
        return Refusal(KNOWN, f"It was imported before, from {where}.", "Nothing is to be done.")
    return Refusal(
        "imported-otherwise",
        f"It was imported before and said otherwise, from {where}.",
        "Leave this line out. If the machine’s counter began anew, leave the older counter empty.",
    )


def _seen_here(facility: UUID, said: PastSaid, machine: HasChambers) -> Refusal | None:
    """What was watched here is told here: an older record of the same cycle would count it twice."""
    if isinstance(said, SaidOfRepair) or said.machine_cycle is None:
        return None
    for chamber in (said.chamber,) if said.chamber else machine.chambers:
        if facts.has_cycle(facility, said.machine, chamber, said.machine_cycle) is not None:
            return Refusal(
                "cycle-known",
                f"{machine.name} {said.machine_cycle} is a load that was recorded here.",
                "Leave this line out. What is missing of that load is entered on its page.",
            )
    return None


# --- many at once -------------------------------------------------------------------------------------


def machine_deed(facility: UUID, code: str) -> UUID:
    """The deed by which an import registers the machine of this code."""
    return named(facility, f"import machine {code}")


def machine_id(facility: UUID, code: str) -> UUID:
    return named(machine_deed(facility, code), "machine")


def weigh_machine(facility: UUID, said: SaidOfMachine, known: MachineFact | None) -> MachineRegistered | Refusal:
    """What this line would register; `known` is the machine that has its code or its name."""
    if any(len(chamber) > CHAMBER_LIMIT for chamber in said.chambers):
        long = f"A chamber’s name has more than {CHAMBER_LIMIT} characters."
        return Refusal("chamber-long", long, "Shorten it.")
    if known is None:
        return MachineRegistered(name=said.name, code=said.code, chambers=said.chambers)
    if (known.name, known.code, known.chambers) == (said.name, said.code, said.chambers):
        return Refusal(KNOWN, f"{said.name} is registered here.", "Nothing is to be done.")
    told = f"{known.name}, {known.code}, chambers {', '.join(known.chambers)}"
    return Refusal("machine-taken", f"Registered here is {told}.", "Say the same, or leave the line out.")


def import_together(facility: UUID, by: Doer, now: datetime, told: Sequence[Said]) -> list[Outcome]:
    """Import some lines in one transaction, one deed each; a line that is refused leaves the others standing.

    Raises LedgerBusy; nothing was written then.
    """
    page = Deed(named(facility, "import"), "import_history", by.actor, digest_of("import_history", by.actor, {}))
    with writing.writing(facility, now, page):
        return [_import(facility, by, now, said) for said in told]


def _import(facility: UUID, by: Doer, now: datetime, said: Said) -> Outcome:
    if isinstance(said, SaidOfMachine):
        asked = Request(deed=machine_deed(facility, said.code), facility=facility, by=by, now=now)
        return setting_up.register_machine(asked, name=said.name, code=said.code, chambers=said.chambers)
    # Named from what is said and by whom, so that nothing but the same telling is ever the same deed.
    deed = named(facility, f"import {by.actor.id} {msgspec.json.encode(said).decode()}")
    asked = Request(deed=deed, facility=facility, by=by, now=now)
    if isinstance(said, SaidOfLoad):
        return import_load(asked, said=said)
    if isinstance(said, SaidOfAlarm):
        return import_alarm(asked, said=said)
    return import_repair(asked, said=said)

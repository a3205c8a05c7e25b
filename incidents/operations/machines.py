"""Machines and racks out of service and back; supplies; the machine's counter; people who were hurt."""

from __future__ import annotations

from uuid import UUID

from incidents.identity.rights import rights_on
from incidents.operations.deeds import SEQUENCE_LIMIT, Doing, decision, observation, refuse
from incidents.queries import counters, facts
from incidents.rules import devices, machines, racks
from incidents.rules.events import (
    CycleExplained,
    Exposure,
    ExposureRecorded,
    NoteAdded,
    RackRegistered,
    Stream,
    SupplyChanged,
)
from incidents.rules.racks import Rack

ROW_LIMIT = 500  # numbers explained by one deed: an event each
EXPOSURES: dict[Exposure, str] = {
    "splash": "Splash",
    "burn": "Burn",
    "sharps": "Sharps injury",
    "near-miss": "Near miss",
}


@decision
def block_machine(doing: Doing, *, machine: UUID, reason: str, chamber: str = "") -> None:
    """No cycle starts in it until it is returned to service."""
    found = doing.machine(machine)
    doing.record(Stream("machine", machine), machines.block(found, chamber, _said(reason), None))


@decision
def return_machine(doing: Doing, *, machine: UUID, words: str, chamber: str = "") -> None:
    found = doing.machine(machine)
    doing.record(Stream("machine", machine), machines.bring_back(found, chamber, doing.words(_said(words))))


@observation
def change_supply(doing: Doing, *, machine: UUID, line: str, product: str, lot: str, expires_on: str = "") -> None:
    """A canister or another consumable was changed on one of the machine's lines."""
    doing.machine(machine)
    if not line.strip() or not product.strip() or not lot.strip():
        raise refuse("supply-incomplete", "A change needs the line, the product and its lot.", "Fill them in.")
    event = SupplyChanged(line=line.strip(), product=product.strip(), lot=lot.strip(), expires_on=expires_on)
    doing.record(Stream("machine", machine), event)


@decision
def explain_cycle(
    doing: Doing,
    *,
    machine: UUID,
    machine_cycle: int | None,
    words: str,
    stray: UUID | None = None,
    load: UUID | None = None,
    contents_confirmed: bool = False,
    through: int | None = None,
) -> None:
    """Explain a number of the counter that no load has, or all from it to `through`, by the same words.

    Linked to a load, that load is none the more proven.
    """
    found = doing.machine(machine)
    if load is not None:
        doing.state_of_load(load)
        if not contents_confirmed:
            raise refuse(
                "contents-unconfirmed", "Nobody has confirmed that these trays were in it.", "Look, then confirm."
            )
    reason = doing.words(_said(words))
    numbers = _numbers(machine_cycle, through, load)
    decided = [machines.explain(found, number, reason, load, stray) for number in numbers]
    if machine_cycle is not None and all(isinstance(each, CycleExplained) for each in decided):
        _must_be_owed(doing, machine, machine_cycle, through or machine_cycle)
    for each in decided:
        doing.record(Stream("machine", machine), each)
    if load is not None:
        doing.record(Stream("load", load), NoteAdded(words=reason))


@decision
def explain_missing(doing: Doing, *, machine: UUID, first: int, last: int, words: str) -> None:
    """Say why observations with these numbers of the device's own, both included, will not come."""
    found = doing.machine(machine)
    if not 0 <= first <= last <= SEQUENCE_LIMIT:
        raise refuse("numbers-odd", "The last number comes before the first.", "Give the first, then the last.")
    reason = doing.words(_said(words))
    doing.record(Stream("machine", machine), devices.explain(found.name, found.missing, first, last, reason))


def _numbers(first: int | None, through: int | None, load: UUID | None) -> list[int | None]:
    if through is None or through == first:
        return [first]
    if first is None or load is not None:
        raise refuse("numbers-odd", "Only numbers without a load are explained by the row.", "Give one number.")
    if not first < through < first + ROW_LIMIT:
        raise refuse(
            "numbers-odd",
            f"{first} to {through} is no row of at most {ROW_LIMIT} numbers.",
            "Give the first, then the last; a longer row in parts.",
        )
    return list(range(first, through + 1))


def _must_be_owed(doing: Doing, machine: UUID, first: int, last: int) -> None:
    odd = counters.not_owed(doing.facility, machine, first, last)
    if odd is not None:
        raise refuse("number-not-owed", f"Nothing is to be explained of cycle {odd}.", "Choose from the list.")


@observation
def record_exposure(
    doing: Doing,
    *,
    machine: UUID,
    kind: Exposure,
    words: str,
    load: UUID | None = None,
    person: UUID | None = None,
) -> None:
    """Somebody was splashed, burnt or hurt, or nearly: who and what happened, without a patient's name."""
    doing.machine(machine)
    if person is not None and not rights_on(person, doing.facility, doing.occurred_at).roles:
        raise refuse(
            "person-unknown", "There is no such person here.", "Choose one of the list, or say who it was."
        )
    if kind not in EXPOSURES:
        raise refuse("exposure-unknown", f"“{kind}” is not known here.", "Splash, burn, sharps or near miss.")
    event = ExposureRecorded(kind=kind, words=doing.words(_said(words)), load=load, person=person)
    doing.record(Stream("machine", machine), event)


@decision
def take_on_exposure(doing: Doing, *, machine: UUID, exposure: UUID) -> None:
    """Look after somebody who was hurt at the machine, or nearly: it is nobody's open item any more."""
    doing.record(Stream("machine", machine), machines.take_on(doing.machine(machine), exposure))


@decision
def register_rack(doing: Doing, *, code: str, name: str) -> None:
    if not code.strip() or not name.strip():
        raise refuse("rack-incomplete", "A rack needs a code and a name.", "Fill them in.")
    if facts.rack_by_code(doing.facility, code.strip()) is not None:
        raise refuse("rack-taken", f"“{code}” is taken by another rack.", "Choose another code.")
    doing.record(Stream("rack", doing.new("rack")), RackRegistered(code=code.strip(), name=name.strip()))


@decision
def block_rack(doing: Doing, *, rack: UUID, words: str) -> None:
    """A defect keeps a rack out of use."""
    doing.record(Stream("rack", rack), racks.block(_rack(doing, rack), doing.words(_said(words))))


@decision
def return_rack(doing: Doing, *, rack: UUID, words: str) -> None:
    doing.record(Stream("rack", rack), racks.bring_back(_rack(doing, rack), doing.words(_said(words))))


def _rack(doing: Doing, rack: UUID) -> Rack:
    found: Rack = doing.state(Stream("rack", rack))
    if not found.code:
        raise refuse("rack-unknown", "There is no such rack here.", "Scan its code again.")
    return found


def _said(words: str) -> str:
    if not words.strip():
        raise refuse("reason-missing", "This needs a reason.", "One sentence is enough.")
    return words.strip()

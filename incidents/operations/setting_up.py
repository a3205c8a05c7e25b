"""What a department is made of: its facility, machines, programmes, fault catalogue, sets and trays."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Literal
from uuid import UUID

from incidents.operations.deeds import Doing, decision, refuse
from incidents.queries import facts, judging
from incidents.rules import catalogue, facility, machines, policies
from incidents.rules import programmes as recipes
from incidents.rules.events import (
    Criterion,
    FacilityOpened,
    Fault,
    MachineRegistered,
    Phase,
    PolicySet,
    ProgrammePublished,
    RejectReason,
    SetRegistered,
    Shift,
    Stream,
    Tray,
)
from incidents.rules.limits import Limits, Requirement, Resuming, requirement_refusal
from incidents.rules.machines import Takes


@decision
def open_facility(doing: Doing) -> None:
    """The first event of a facility's log: its evidence basis is *transcribed*."""
    stream = Stream("facility", doing.facility)
    if doing.log.read(stream):
        raise refuse("already-open", "This facility is open already.", "Go to Set-up.")
    doing.record(stream, FacilityOpened(basis="transcribed"))


@decision
def register_machine(
    doing: Doing,
    *,
    name: str,
    code: str,
    chambers: Sequence[str],
    programmes: Sequence[str] = (),
    racks: Sequence[str] = (),
) -> None:
    """Register a washer-disinfector: its name, the code on it, its chambers, and what it takes if not all."""
    named = tuple(dict.fromkeys(chamber.strip() for chamber in chambers if chamber.strip()))
    if not name.strip() or not code.strip() or not named:
        raise refuse("machine-incomplete", "A machine needs a name, a code and a chamber.", "Fill them in.")
    if any(len(chamber) > 40 for chamber in named):
        raise refuse("chamber-long", "A chamber's name has more than 40 characters.", "Shorten it.")
    for taken in (code, name):
        if facts.machine_by_code(doing.facility, taken) is not None:
            raise refuse("machine-taken", f"“{taken}” is taken by another machine.", "Choose another.")
    stream = Stream("machine", doing.new("machine"))
    doing.record(stream, MachineRegistered(name=name.strip(), code=code.strip(), chambers=named))
    takes = _takes(doing, programmes, racks)
    if takes != Takes():
        doing.record(stream, machines.limit(doing.machine(stream.id), takes))


@decision
def limit_machine(doing: Doing, *, machine: UUID, programmes: Sequence[str], racks: Sequence[str]) -> None:
    """Say which programmes and racks (by their codes) a machine takes; none named takes all."""
    found = doing.machine(machine)
    doing.record(Stream("machine", machine), machines.limit(found, _takes(doing, programmes, racks)))


def _takes(doing: Doing, programmes: Sequence[str], racks: Sequence[str]) -> Takes:
    """What was named, each once. A rack may be registered later; a programme nobody published is a slip."""
    names, codes = (
        tuple(dict.fromkeys(stripped for each in given if (stripped := each.strip())))
        for given in (programmes, racks)
    )
    strange = next((name for name in names if facts.programme(doing.facility, name) is None), None)
    if strange is not None:
        raise refuse(
            "programme-unknown", f"Programme “{strange}” is not known here.", "Publish it first, or mend its name."
        )
    return Takes(names, codes)


@decision
def publish_programme(
    doing: Doing,
    *,
    name: str,
    phases: Sequence[Phase],
    expected_s: int,
    grace_s: int,
    criteria: Sequence[Criterion],
    limits: Limits | None = None,
    resuming: Resuming | None = None,
) -> None:
    """Publish the first programme of a facility, which one person founds; all else two people agree on."""
    if not name.strip():
        raise refuse("programme-unnamed", "A programme needs a name.", "Give the name on the machine’s display.")
    if facts.has_programme(doing.facility) or facts.programme_id(doing.facility, name.strip()) is not None:
        raise refuse(
            "second-person-approves",
            "This department has a programme. Another one, or another edition, needs two people.",
            "Draft it; a second person approves the draft.",
        )
    publication = ProgrammePublished(
        name=name.strip(),
        edition=1,
        phases=tuple(phases),
        expected_s=expected_s,
        grace_s=grace_s,
        criteria=tuple(criteria),
        limits=limits,
        resuming=resuming,
    )
    refusal = recipes.programme_refusal(publication)
    if refusal is None and limits is not None:
        refusal = requirement_refusal(limits, judging.delivered_as_set(limits))
    doing.record(Stream("programme", doing.new("programme")), refusal or publication)


@decision
def publish_catalogue(doing: Doing, *, faults: Sequence[Fault]) -> None:
    """Publish the first fault catalogue of a facility; its next editions are drafted (`operations.catalogue`)."""
    stream = Stream("catalogue", doing.facility)
    doing.record(stream, catalogue.found(doing.state(stream), faults))


@decision
def set_policy(
    doing: Doing,
    *,
    source: str,
    same_fault_blocks: int,
    same_fault_cycles: int,
    rest_may_go_on: Sequence[RejectReason],
    shifts: Sequence[Shift] | None = None,
    requirements: Sequence[Requirement] | None = None,
    two_people_lift: Sequence[str] | None = None,
    silent_min: int | None = None,
    incident_min: int | None = None,
) -> None:
    """Set what the trade leaves to the facility, with the source it goes by. What is not given stays as it is."""
    standing = facts.policy(doing.facility)
    twice = standing.two_people_lift if two_people_lift is None else sorted(set(two_people_lift))
    policy = PolicySet(
        edition=standing.edition + 1,
        source=source.strip(),
        same_fault_blocks=same_fault_blocks,
        same_fault_cycles=same_fault_cycles,
        rest_may_go_on=tuple(rest_may_go_on),
        shifts=standing.shifts if shifts is None else tuple(sorted(shifts, key=lambda shift: shift.starts)),
        requirements=standing.requirements if requirements is None else tuple(requirements),
        two_people_lift=tuple(twice),
        silent_min=standing.silent_min if silent_min is None else silent_min,
        incident_min=standing.incident_min if incident_min is None else incident_min,
    )
    doing.record(Stream("policy", doing.facility), policies.policy_refusal(policy) or policy)


@decision
def set_basis(doing: Doing, *, basis: Literal["transcribed", "computed"], source: str) -> None:
    """Say what the evidence rests on in cycles that start from here on."""
    stream = Stream("facility", doing.facility)
    doing.record(stream, facility.set_basis(doing.state(stream), basis, source))


@decision
def register_set(
    doing: Doing, *, name: str, owner: str, labels: Sequence[str], loaner: bool = False, needed_by: str = ""
) -> None:
    """Register a set and its trays; the tray is what is traced. A loaner is needed back by a date."""
    wanted = [label.strip() for label in labels if label.strip()]
    if not name.strip() or not wanted:
        raise refuse("set-incomplete", "A set needs a name and at least one tray.", "Fill them in.")
    if loaner and not (owner.strip() and _is_date(needed_by)):
        raise refuse(
            "loaner-incomplete", "A loaner set needs its owner and the date it is needed by.", "Fill them in."
        )
    if any(len(label) > 120 for label in wanted):
        raise refuse("label-long", "A tray's label has more than 120 characters.", "Shorten it.")
    taken = facts.trays_labelled(doing.facility, wanted)
    folded = [label.casefold() for label in wanted]
    doubled = {label for label in wanted if folded.count(label.casefold()) > 1} | set(taken)
    if doubled:
        raise refuse("tray-taken", f"Tray “{min(doubled)}” exists already.", "Give each tray its own label.")
    trays = tuple(Tray(doing.new(f"tray {n}"), label) for n, label in enumerate(wanted, 1))
    doing.record(
        Stream("set", doing.new("set")),
        SetRegistered(
            name=name.strip(),
            owner=owner.strip(),
            trays=trays,
            loaner=loaner,
            needed_by=needed_by if loaner else "",
        ),
    )


def _is_date(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False

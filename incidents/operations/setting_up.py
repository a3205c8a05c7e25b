"""What a department is made of: its facility, machines, programmes, fault catalogue, sets and trays."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from incidents.operations.deeds import Doing, decision, refuse
from incidents.queries import facts
from incidents.rules import catalogue, policies, programmes
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
    Stream,
    Tray,
)


@decision
def open_facility(doing: Doing) -> None:
    """The first event of a facility's log: its evidence basis is *transcribed*."""
    stream = Stream("facility", doing.facility)
    if doing.log.read(stream):
        raise refuse("already-open", "This facility is open already.", "Go to Set-up.")
    doing.record(stream, FacilityOpened(basis="transcribed"))


@decision
def register_machine(doing: Doing, *, name: str, code: str, chambers: Sequence[str]) -> None:
    """Register a washer-disinfector: the name people call it, the code on it, its chambers."""
    named = tuple(dict.fromkeys(chamber.strip() for chamber in chambers if chamber.strip()))
    if not name.strip() or not code.strip() or not named:
        raise refuse("machine-incomplete", "A machine needs a name, a code and a chamber.", "Fill them in.")
    if any(len(chamber) > 40 for chamber in named):
        raise refuse("chamber-long", "A chamber's name has more than 40 characters.", "Shorten it.")
    for taken in (code, name):
        if facts.machine_by_code(doing.facility, taken) is not None:
            raise refuse("machine-taken", f"“{taken}” is taken by another machine.", "Choose another.")
    doing.record(
        Stream("machine", doing.new("machine")),
        MachineRegistered(name=name.strip(), code=code.strip(), chambers=named),
    )


@decision
def publish_programme(
    doing: Doing,
    *,
    name: str,
    phases: Sequence[Phase],
    expected_s: int,
    grace_s: int,
    criteria: Sequence[Criterion],
) -> None:
    """Publish a programme, or its next edition where one of that name stands."""
    if not name.strip():
        raise refuse("programme-unnamed", "A programme needs a name.", "Give the name on the machine’s display.")
    before = facts.programme(doing.facility, name.strip())
    publication = ProgrammePublished(
        name=name.strip(),
        edition=before.edition + 1 if before else 1,
        phases=tuple(phases),
        expected_s=expected_s,
        grace_s=grace_s,
        criteria=tuple(criteria),
    )
    stream = Stream("programme", facts.programme_id(doing.facility, name.strip()) or doing.new("programme"))
    doing.record(stream, programmes.programme_refusal(publication) or publication)


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
) -> None:
    """Set what the trade leaves to the facility, with the source it goes by."""
    policy = PolicySet(
        edition=facts.policy(doing.facility).edition + 1,
        source=source.strip(),
        same_fault_blocks=same_fault_blocks,
        same_fault_cycles=same_fault_cycles,
        rest_may_go_on=tuple(rest_may_go_on),
    )
    doing.record(Stream("policy", doing.facility), policies.policy_refusal(policy) or policy)


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
    doubled = {label for label in wanted if wanted.count(label) > 1} | set(taken)
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

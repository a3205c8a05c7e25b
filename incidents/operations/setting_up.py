"""What a department is made of: its facility, machines, programmes, fault catalogue, sets and trays."""

from __future__ import annotations

from collections.abc import Sequence

from incidents.operations.deeds import Doing, decision, refuse
from incidents.queries import facts
from incidents.rules import programmes
from incidents.rules.events import (
    CataloguePublished,
    Criterion,
    FacilityOpened,
    Fault,
    MachineRegistered,
    Phase,
    ProgrammePublished,
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
    """Publish the whole fault catalogue as its next edition."""
    before = facts.catalogue(doing.facility)
    publication = CataloguePublished(edition=before.edition + 1 if before else 1, faults=tuple(faults))
    doing.record(Stream("catalogue", doing.facility), programmes.catalogue_refusal(publication) or publication)


@decision
def register_set(doing: Doing, *, name: str, owner: str, labels: Sequence[str]) -> None:
    """Register a set and its trays; the tray is what is traced."""
    wanted = [label.strip() for label in labels if label.strip()]
    if not name.strip() or not wanted:
        raise refuse("set-incomplete", "A set needs a name and at least one tray.", "Fill them in.")
    if any(len(label) > 120 for label in wanted):
        raise refuse("label-long", "A tray's label has more than 120 characters.", "Shorten it.")
    taken = facts.trays_labelled(doing.facility, wanted)
    doubled = {label for label in wanted if wanted.count(label) > 1} | set(taken)
    if doubled:
        raise refuse("tray-taken", f"Tray “{min(doubled)}” exists already.", "Give each tray its own label.")
    trays = tuple(Tray(doing.new(f"tray {n}"), label) for n, label in enumerate(wanted, 1))
    doing.record(
        Stream("set", doing.new("set")), SetRegistered(name=name.strip(), owner=owner.strip(), trays=trays)
    )

"""The way of a load: assembled, started, ended, placed, run again."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from incidents.operations.deeds import Doing, decision, observation, refuse
from incidents.queries import facts
from incidents.queries.facts import MachineFact, RackFact
from incidents.rules import programmes, reruns
from incidents.rules.events import (
    CycleFinished,
    CycleStarted,
    LoadAssembled,
    LoadPlaced,
    Place,
    ProgrammePublished,
    RerunLinked,
    Stream,
)
from incidents.rules.loads import Load

PLACES: tuple[Place, ...] = ("dirty-side", "chamber", "clean-side", "quarantine")


@decision
def assemble_load(
    doing: Doing, *, machine: UUID, chamber: str, trays: Sequence[UUID], rack: UUID | None = None
) -> None:
    """Put trays together for one cycle of a chamber. A tray that is still in an unfinished load stays there."""
    _assemble(doing, _chamber(doing, machine, chamber), chamber, trays, rerun_of=None, rack=rack)


@decision
def start_cycle(doing: Doing, *, load: UUID, programme: str, machine_cycle: int | None = None) -> None:
    """Record that the load's cycle was started under a programme known here."""
    found = doing.load(load)
    if found.stage != "assembled":
        raise refuse("already-started", f"{found.name} was started already.", "Read the load’s page.")
    _start(doing, found, _programme(doing, programme), machine_cycle)


@observation
def report_end(doing: Doing, *, load: UUID, machine_cycle: int | None = None, complete: bool = True) -> None:
    """A person saw that the machine ended the cycle. That proves nothing about the record."""
    found = doing.load(load)
    if found.stage in ("none", "assembled"):
        raise refuse("not-started", f"{found.name} has not been started.", "Start its cycle first.")
    event = CycleFinished(machine_cycle=machine_cycle, chamber=found.chamber, complete=complete)
    doing.record(Stream("load", load), event)


@decision
def place_load(doing: Doing, *, load: UUID, place: Place, spot: str = "") -> None:
    """Record where the load stands now."""
    found = doing.load(load)
    if place not in PLACES or place == "chamber":
        raise refuse(
            "place-unknown", f"“{place}” is not a place for a load.", "dirty-side, clean-side or quarantine."
        )
    if len(spot) > 40:
        raise refuse("spot-long", "The bay has more than 40 characters.", "Shorten it.")
    if found.stage in ("running", "stopped"):
        raise refuse(
            "cycle-running", f"{found.name} is in the chamber: its cycle has not ended.", "Abort it first."
        )
    doing.record(Stream("load", load), LoadPlaced(place=place, spot=spot))


@decision
def rerun_load(
    doing: Doing,
    *,
    load: UUID,
    programme: str = "",
    machine: UUID | None = None,
    chamber: str = "",
    rack: UUID | None = None,
    without_rack: bool = False,
    machine_cycle: int | None = None,
) -> None:
    """Run a held load's items again as a new linked load, in its chamber and rack unless others are named."""
    old = doing.load(load)
    refusal = reruns.rerun_refusal(old)
    if refusal is not None:
        doing.record(Stream("load", load), refusal)
    where = machine or old.machine
    if where is None:
        raise refuse("machine-unknown", f"{old.name} names no machine.", "Choose a machine and a chamber.")
    recipe = _programme(doing, programme or old.programme_name)
    chamber = chamber or old.chamber
    newest = facts.newest_loads(doing.facility, old.trays)
    trays = [tray for tray in reruns.trays_to_run(old) if newest.get(tray, load) == load or not old.release]
    if not trays:
        raise refuse(
            "nothing-to-run", f"Every tray of {old.name} went into another load since.", "Follow that load."
        )
    rack = None if without_rack else rack or old.rack
    new = _assemble(doing, _chamber(doing, where, chamber), chamber, trays, rerun_of=load, rack=rack)
    doing.record(Stream("load", load), RerunLinked(load=new.id))
    _start(doing, new, recipe, machine_cycle)


def _assemble(
    doing: Doing,
    machine: MachineFact,
    chamber: str,
    trays: Sequence[UUID],
    rerun_of: UUID | None,
    rack: UUID | None,
) -> Load:
    wanted = tuple(dict.fromkeys(trays))
    if not wanted:
        raise refuse("no-trays", "A load needs at least one tray.", "Scan or choose its trays.")
    known = {tray.id: tray for tray in facts.trays(doing.facility, wanted)}
    if len(known) < len(wanted):
        raise refuse("tray-unknown", "One of the trays is not registered here.", "Register its set in Set-up.")
    _check_takes(doing, machine, "", _check_rack(doing, rack))
    for tray in known.values():
        if tray.fate == "discarded":
            raise refuse("tray-discarded", f"{tray.label} was discarded.", "Register the tray that replaces it.")
        if tray.load is not None and tray.load != rerun_of:
            raise refuse(
                "tray-occupied",
                f"{tray.label} is still in {tray.load_name}.",
                "Finish that load, or run it again, first.",
            )
    new = doing.new("load")
    year = doing.request.now.year
    ordinal = facts.next_ordinal(doing.facility, year)
    event = LoadAssembled(
        number=f"{year}-{ordinal:05d}",
        ordinal=ordinal,
        trays=wanted,
        machine=machine.id,
        machine_name=machine.name,
        chamber=chamber,
        rerun_of=rerun_of,
        rack=rack,
    )
    doing.record(Stream("load", new), event)
    found: Load = doing.state(Stream("load", new))
    return found


def _start(doing: Doing, load: Load, programme: ProgrammePublished, machine_cycle: int | None) -> None:
    machine = _chamber(doing, load.machine, load.chamber)
    blocked = machine.block_of(load.chamber)
    if blocked is not None:
        raise refuse(
            "machine-blocked",
            f"{machine.name} is blocked: {blocked}.",
            "Use another one, or have it returned to service.",
        )
    _check_takes(doing, machine, programme.name, _check_rack(doing, load.rack, load.id))
    busy = facts.load_in_chamber(doing.facility, machine.id, load.chamber)
    if busy is not None:
        other: Load = doing.state(Stream("load", busy))
        raise refuse("chamber-busy", f"{other.name} is still in {machine.name}.", "End or abort that cycle first.")
    _check_number(doing, machine, load.chamber, machine_cycle)
    catalogue = facts.catalogue(doing.facility)
    event = CycleStarted(
        machine=machine.id,
        machine_name=machine.name,
        chamber=load.chamber,
        programme_name=programme.name,
        programme=programmes.in_force(programme),
        catalogue_edition=catalogue.edition if catalogue else 0,
        basis=facts.basis(doing.facility),
        machine_cycle=machine_cycle,
    )
    doing.record(Stream("load", load.id), event)


def _check_number(doing: Doing, machine: MachineFact, chamber: str, machine_cycle: int | None) -> None:
    """A number of the counter is one load's: typed again, it was read off wrongly. A counter set back has none."""
    taken = None
    if machine_cycle is not None:
        taken = facts.has_cycle(doing.facility, machine.id, chamber, machine_cycle)
    if taken is not None:
        other: Load = doing.state(Stream("load", taken))
        raise refuse(
            "cycle-taken",
            f"Cycle {machine_cycle} of {machine.name} is another load’s already: {other.number}.",
            "Read the number again, or leave it empty.",
        )


def _check_takes(doing: Doing, machine: MachineFact, programme: str, rack: RackFact | None) -> None:
    code, name = (rack.code, rack.name) if rack else ("", "")
    missing = machine.takes.not_taken(programme, code, name)
    if missing:
        takers = facts.takers(doing.facility, programme, code)
        instead = f"Use {' or '.join(takers)}." if takers else "No machine here does: see Set-up."
        raise refuse("not-taken", f"{machine.name} does not take {missing}.", instead)


def _check_rack(doing: Doing, rack: UUID | None, load: UUID | None = None) -> RackFact | None:
    """Refuses a rack that nobody registered, that is blocked, or that stands in a chamber with another load.

    One that is only meant for another load is not refused: that load may never start.
    """
    if rack is None:
        return None
    found = facts.rack(doing.facility, rack)
    if found is None:
        raise refuse("rack-unknown", "There is no such rack here.", "Scan its code again.")
    if found.blocked:
        raise refuse("rack-blocked", f"Rack {found.name} is blocked.", "Use another rack.")
    uses = facts.loads_on_rack(doing.facility, rack)
    inside = next((use for use in uses if use.in_chamber and use.load != load), None)
    if inside is not None:
        raise refuse(
            "rack-occupied",
            f"Rack {found.name} is in {inside.machine_name} with {inside.load_name}.",
            "Use another rack, or end that cycle first.",
        )
    return found


def _chamber(doing: Doing, machine: UUID | None, chamber: str) -> MachineFact:
    found = facts.machine(doing.facility, machine) if machine else None
    if found is None:
        raise refuse("machine-unknown", "There is no such machine here.", "Scan its code again.")
    if chamber not in found.chambers:
        raise refuse("chamber-unknown", f"{found.name} has no chamber “{chamber}”.", "Choose one of its chambers.")
    return found


def _programme(doing: Doing, name: str) -> ProgrammePublished:
    found = facts.effective(doing.facility, facts.programme(doing.facility, name), doing.occurred_at)
    if found is None:
        raise refuse("programme-unknown", f"Programme “{name}” is not known here.", "Choose one from the list.")
    return found

"""The way of a simulated load: assembled, run, unloaded, read, released; or stopped, held and run again."""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import UUID

from incidents.identity.ids import named
from incidents.rules.programmes import STARTING_GRACE_S
from incidents.simulation import records, troubles
from incidents.simulation.cast import Recipe, Someone
from incidents.simulation.floor import SYSTEM, Act, Floor, Lane, Story

ALL_MET = {"disinfection": "met", "upper-band": "met", "cleaning": "met", "rinse": "met"} | {
    "drying": "met",
    "documentation": "met",
}
RECORDED = timedelta(days=1)  # before the end of the history
SPOTS = ("Bay 1", "Bay 2", "Bay 3", "Bay 4", "Table A", "Table B")


class SimulatedLoad:
    """What the floor knows of a load; `stage` follows the ledger's."""

    def __init__(self, load: UUID, lane: Lane, recipe: Recipe, trays: list[UUID], rack: UUID | None) -> None:
        self.id, self.lane, self.recipe, self.trays, self.rack = load, lane, recipe, trays, rack
        self.stage = "assembled"
        self.cycle: int | None = None
        self.started_at: datetime | None = None
        self.resumes = 0
        self.codes: set[str] = set()
        self.rejected: list[UUID] = []
        self.holds: list[str] = []
        self.released = self.recalled = False
        self.ready_at: datetime | None = None

    def remember(self, floor: Floor) -> None:
        """It is its trays' newest load, and among its machine's newest, which the policy on faults counts."""
        self.lane.machine.newest.append(self.codes)
        floor.newest.update(dict.fromkeys(self.trays, self.id))


def new_load(floor: Floor, lane: Lane, recipe: Recipe, trays: list[UUID]) -> Story:
    """From the dirty side to the end of its story. The lane is taken already."""
    who = floor.technician()
    rack = floor.takes_rack() if floor.happens(0.8) else None
    machine = lane.machine
    act = floor.does(who, "assemble_load", machine=machine.id, chamber=lane.chamber, trays=tuple(trays), rack=rack)
    load = SimulatedLoad(named(act.deed, "load"), lane, recipe, trays, rack)
    load.remember(floor)
    yield floor.about(4)
    yield from floor.until(lambda: not machine.blocked)
    _start(floor, load, who)
    if floor.happens(0.008):
        yield floor.about(3)
        noted = floor.does(who, "note_wrong_programme", load=load.id, meant=_other(recipe))
        load.holds.append(f"unexpected:{named(noted.deed, '0')}")
    yield from run_and_follow(floor, load)


def _other(recipe: Recipe) -> str:
    return "Instruments" if recipe.name == "Delicate" else "Delicate"


def _start(floor: Floor, load: SimulatedLoad, who: Someone) -> None:
    machine = load.lane.machine
    load.cycle = machine.counter
    machine.counter += 1
    name = load.recipe.name
    if machine.washer.gateway:
        floor.reports(load.lane, "cycle-started", machine_cycle=load.cycle, programme=name)
    else:
        floor.does(who, "start_cycle", load=load.id, programme=name, machine_cycle=load.cycle)
    started(floor, load)


def started(floor: Floor, load: SimulatedLoad) -> None:
    load.stage, load.started_at = "running", floor.clock
    allowed_s = 60 * load.recipe.minutes + STARTING_GRACE_S
    floor.begin(_overdue(floor, load, floor.clock + timedelta(seconds=allowed_s)), allowed_s / 60 + 0.2)


def _overdue(floor: Floor, load: SimulatedLoad, due_at: datetime) -> Story:
    """What the sweep finds; its deed has the same id as the real sweep's."""
    yield 0.0
    if load.stage in ("running", "stopped") and floor.clock > due_at:
        floor.does(SYSTEM, "note_overdue", load=load.id, _deed=named(load.id, f"overdue {due_at.isoformat()}"))


def run_and_follow(floor: Floor, load: SimulatedLoad) -> Story:
    """Its cycle, and whatever follows from how it ended."""
    yield from _cycle(floor, load)
    if load.stage == "aborted":
        _frees_its_rack(floor, load)
        yield from troubles.after_the_abort(floor, load)
        return
    yield from _end(floor, load)
    _frees_its_rack(floor, load)
    yield from _unload(floor, load)
    yield from review(floor, load)


def _frees_its_rack(floor: Floor, load: SimulatedLoad) -> None:
    """Once its end is recorded: before, the rack stands in a chamber as far as anybody knows."""
    if load.rack is not None:
        floor.racks_out.discard(load.rack)


def _cycle(floor: Floor, load: SimulatedLoad) -> Story:
    """The machine runs; its faults come at the ages of its own chamber."""
    lane, length_h = load.lane, load.recipe.minutes / 60
    done_h = 0.0
    while load.stage == "running":
        left_h, to_fault_h = length_h - done_h, lane.fails_h - lane.run_h
        step_h = min(left_h, to_fault_h)
        lane.run_h += step_h
        done_h += step_h
        yield step_h * 60
        if to_fault_h > left_h:
            return
        lane.failed_h.append(lane.run_h)
        lane.fails_h = next(lane.ages)
        yield from troubles.alarm(floor, load, _phase(load.recipe, done_h * 60))


def _phase(recipe: Recipe, minutes: float) -> str:
    for phase in recipe.phases:
        minutes -= phase.minutes
        if minutes < 0:
            return phase.code
    return recipe.phases[-1].code


def _end(floor: Floor, load: SimulatedLoad) -> Story:
    """The machine reports its end, or whoever stands there does; at times only when somebody asks."""
    lane = load.lane
    if lane.machine.washer.gateway:
        floor.reports(lane, "cycle-finished", machine_cycle=load.cycle)
        load.stage = "finished"
        _records(floor, load)
        return
    ended_at = floor.clock
    yield floor.about(30, 1.6) if floor.happens(0.04) else floor.about(2)
    late = floor.clock - ended_at
    floor.does(
        floor.technician(),
        "report_end",
        load=load.id,
        machine_cycle=load.cycle,
        _occurred_at=ended_at if late > timedelta(minutes=5) else None,
    )
    load.stage = "finished"


def _records(floor: Floor, load: SimulatedLoad) -> None:
    """The gateway gives the record of a cycle that ran through; of the last days only, for each takes time."""
    if load.started_at is None or load.codes or floor.clock < floor.end - RECORDED:
        return
    plan = records.planned([(phase.code, 60 * phase.minutes) for phase in load.recipe.phases])
    file = records.record(named(load.id, "record"), load.started_at, plan)
    machine = load.lane.machine
    given = {"load": load.id, "file": file, "machine": machine.id}
    floor.acts.append(Act(named(load.id, "keep"), floor.clock, machine.washer.code, "keep_readings", given))


def _unload(floor: Floor, load: SimulatedLoad) -> Story:
    yield floor.about(5)
    who = floor.technician()
    floor.does(who, "place_load", load=load.id, place="clean-side", spot=floor.one_of(SPOTS))
    load.lane.busy = False
    if floor.happens(0.035):
        yield floor.about(2)
        yield from troubles.reject(floor, load, who)


def review(floor: Floor, load: SimulatedLoad) -> Story:
    """A named person reads the record; what they find holds it or lets it go on."""
    if not load.trays:
        return  # its only tray went to repair
    if "soiled" in load.holds:
        yield from troubles.run_again(floor, load)
        return
    yield floor.about(14, 1.8)
    who = floor.supervisor() if floor.happens(0.2) else None
    who = who or floor.technician()
    if floor.happens(0.02):
        floor.does(
            who, "review_load", load=load.id, record_seen=False, verdicts={}, remark="The record is not here."
        )
        yield floor.about(70, 1.6)
    found = _finding(floor)
    verdicts = ALL_MET | found
    floor.does(who, "review_load", load=load.id, record_seen=True, verdicts=verdicts, remark=_remark(found))
    load.holds += [f"{kind}-{verdict}:{kind}" for kind, verdict in found.items()]
    if any(verdict == "not-met" and kind == "disinfection" for kind, verdict in found.items()):
        yield floor.about(25)
        yield from troubles.run_again(floor, load)
        return
    yield from troubles.lift_holds(floor, load)
    load.ready_at = floor.clock
    floor.to_release.append(load)


def _finding(floor: Floor) -> dict[str, str]:
    """Nearly always nothing."""
    roll = float(floor.chance.random())
    for share, kind, verdict in (
        (0.008, "rinse", "not-proven"),
        (0.016, "upper-band", "not-met"),
        (0.024, "documentation", "not-proven"),
        (0.028, "disinfection", "not-met"),
    ):
        if roll < share:
            return {kind: verdict}
    return {}


REMARKS = {
    "rinse": "No conductivity is printed for the last rinse.",
    "upper-band": "One reading stands above the band.",
    "documentation": "The last lines of the print are faint.",
    "disinfection": "The holding time on the print is too short.",
}


def _remark(found: dict[str, str]) -> str:
    return next((REMARKS[kind] for kind in found), "")


def let_go(floor: Floor, load: SimulatedLoad) -> None:
    """Released: its trays come back used, some hours later. Those rejected go through again at once."""
    load.released = True
    floor.released.append(load)
    going = [tray for tray in load.trays if tray not in load.rejected]
    floor.begin(_turnaround(floor, load, going), floor.about(9 * 60, 1.4))
    if load.rejected:
        floor.begin(troubles.run_again(floor, load), floor.about(20))


def _turnaround(floor: Floor, load: SimulatedLoad, trays: list[UUID]) -> Story:
    """Packed, sterilised, used, and back; trays under recall stay where they were found."""
    yield from floor.until(lambda: not load.recalled, 31.0)
    floor.trays.extend(trays)

"""The department's days: loads that arrive, release rounds, supplies, test runs, and the odd bad morning."""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import UUID

from incidents.identity.ids import named
from incidents.simulation import cast, chance, loads
from incidents.simulation.cast import Someone
from incidents.simulation.floor import Floor, Lane, Machine, Story, person_id

# Loads an hour for each chamber, by the hour of the department's own clock (invented): theatres send from the
# late morning on, the night is thin, and a week-end has a third of it.
BY_HOUR = (
    (0.06,) * 6
    + (0.2, 0.5, 0.62, 0.7, 0.75, 0.75, 0.75, 0.75, 0.75, 0.75, 0.72, 0.65, 0.5, 0.4, 0.3, 0.2)
    + (0.06,) * 2
)
WEEK_END = 0.34
ROUND_SIZE = 12
LINES = (("Cleaner", "Enzymatic cleaner", 55), ("Neutraliser", "Citric neutraliser", 120))


def arrivals_an_hour(floor: Floor, moment: datetime) -> float:
    """The known intensity with which loads come, all chambers together."""
    local = moment.astimezone(floor.zone)
    share = WEEK_END if local.weekday() >= 5 else 1.0
    return BY_HOUR[local.hour] * share * len(floor.lanes)


def arrivals(floor: Floor) -> Story:
    """A non-homogeneous Poisson process of loads, thinned; each takes a free chamber, or waits for one."""
    start = floor.clock
    bound = max(BY_HOUR) * len(floor.lanes)
    for hour in chance.thinned(
        floor.chance, lambda h: arrivals_an_hour(floor, start + timedelta(hours=h)), bound, 0.0, float("inf")
    ):
        yield floor.minutes_to(start + timedelta(hours=hour))
        floor.begin(_taken_in(floor))


def _taken_in(floor: Floor) -> Story:
    """Half an hour of patience; what finds no chamber or no trays by then is done with the next ones."""
    for _ in range(8):
        free = [lane for lane in floor.lanes if lane.free]
        wanted = int(floor.chance.integers(3, 8))
        if free and len(floor.trays) >= wanted and not _closing_down(floor):
            lane = floor.one_of(free)
            lane.busy = True
            trays = [floor.trays.popleft() for _ in range(wanted)]
            yield from loads.new_load(floor, lane, floor.recipe(), trays)
            return
        yield 4.0


def _closing_down(floor: Floor) -> bool:
    """Before the tool goes down nothing is begun that would not be done by then."""
    return any(begins - timedelta(minutes=110) <= floor.clock < ends for begins, ends in floor.quiet)


def rounds(floor: Floor) -> Story:
    """Every half hour or so somebody who may release signs for the loads that are ready."""
    while True:
        yield floor.about(34 if floor.shift != "night" else 75, 1.3)
        ready = [load for load in floor.to_release if load.ready_at and load.ready_at < floor.clock][:ROUND_SIZE]
        if not ready:
            continue
        who = floor.releaser()
        if len(ready) == 1 and floor.happens(0.04):
            _double_badge(floor, ready[0])
        sees = tuple(load.id for load in ready)
        meaning = f"I release {'this load' if len(ready) == 1 else f'these {len(ready)} loads'} for packing."
        floor.does(
            who,
            "release_round",
            loads=sees,
            purpose="packing",
            _signers=((who.login, meaning),),
            _sees=sees,
        )
        for load in ready:
            floor.to_release.remove(load)
            loads.let_go(floor, load)


def _double_badge(floor: Floor, load: loads.SimulatedLoad) -> None:
    """In one person's session another one's badge is shown."""
    who = floor.releaser()
    other = next(one for one in floor.place.people if one.releases and one != who)
    meaning = "I release this load for packing."
    floor.does(
        who,
        "release_load",
        load=load.id,
        purpose="packing",
        refused="other-person",
        _signers=((other.login, meaning),),
        _sees=(load.id,),
    )


def supplies(floor: Floor, machine: Machine) -> Story:
    """Canisters by the cycles that they last; the fine strainer each week."""
    left = {line: int(floor.chance.integers(5, lasts)) for line, _, lasts in LINES}
    seen, next_strainer = machine.counter, floor.clock + timedelta(days=float(floor.chance.random()) * 7)
    while True:
        yield floor.about(240, 1.2)
        used, seen = machine.counter - seen, machine.counter
        for line, product, lasts in LINES:
            left[line] -= used
            if left[line] <= 0:
                left[line] = lasts
                _changed(floor, machine, line, product, 400)
        if floor.clock >= next_strainer:
            next_strainer += timedelta(days=7)
            _changed(floor, machine, "Strainer", "Fine strainer", 0)


def _changed(floor: Floor, machine: Machine, line: str, product: str, keeps_days: int) -> None:
    lot = f"{line[:2].upper()}{floor.local:%y%m}-{int(floor.chance.integers(100, 999))}"
    expires = f"{floor.local.date() + timedelta(days=keeps_days)}" if keeps_days else ""
    floor.does(
        floor.technician(),
        "change_supply",
        machine=machine.id,
        line=line,
        product=product,
        lot=lot,
        expires_on=expires,
    )


def test_runs(floor: Floor, lane: Lane) -> Story:
    """Engineering runs a machine without a load; and now and then its gateway sleeps through one."""
    machine = lane.machine
    while True:
        yield floor.about(6 * 24 * 60, 1.4)
        yield from floor.until(lambda: floor.by_day("engineering") and lane.free)
        cycle = machine.counter
        machine.counter += 1
        if machine.washer.gateway and floor.happens(0.6):
            lane.busy = True
            floor.reports(lane, "cycle-started", machine_cycle=cycle, programme="Bowls")
            yield 16.0
            floor.reports(lane, "cycle-finished", machine_cycle=cycle)
            lane.busy = False
        floor.begin(_explained(floor, machine, cycle), floor.about(20 * 60, 1.5))


def _explained(floor: Floor, machine: Machine, cycle: int) -> Story:
    """The number is explained once a later one is known; a few wait long."""
    if floor.happens(0.2):
        yield floor.about(5 * 24 * 60)
    known = machine.counter
    yield from floor.until(lambda: machine.counter > known + 1 and floor.by_day("engineering"), 31.0)
    yield 120.0
    who = floor.by_day("engineering") or floor.somebody("engineering")
    floor.does(
        who, "explain_cycle", machine=machine.id, machine_cycle=cycle, words="Test run without a load after upkeep."
    )


NEAR = (
    ("near-miss", "The rack slipped at the dirty side; nobody was hurt."),
    ("near-miss", "The door was warm to the touch while it said open."),
    ("splash", "Rinse water over the glove while unloading. Visor was on."),
)


def near_misses(floor: Floor) -> Story:
    while True:
        yield floor.about(8 * 24 * 60, 1.6)
        lane = floor.one_of(floor.lanes)
        kind, words = floor.one_of(NEAR)
        given = {"machine": lane.machine.id, "kind": kind, "words": words}
        told = floor.does(floor.technician(), "record_exposure", **given)
        yield 25.0
        while (who := floor.supervisor()) is None:
            yield 60.0
        floor.does(who, "take_on_exposure", machine=lane.machine.id, exposure=named(told.deed, "0"))


def racks(floor: Floor) -> Story:
    """A rack's wheel jams; engineering mends it."""
    while True:
        yield floor.about(9 * 24 * 60, 1.5)
        if len(floor.racks) < 3:
            continue
        rack = floor.racks.pop(int(floor.chance.integers(len(floor.racks))))
        yield 90.0  # loads that were about to use it have started by then
        floor.does(floor.technician(), "block_rack", rack=rack, words="A wheel jams.")
        yield floor.about(30 * 60, 1.4)
        yield from floor.until(lambda: floor.by_day("engineering"))
        who = floor.by_day("engineering") or floor.somebody("engineering")
        floor.does(who, "return_rack", rack=rack, words="Wheel changed.")
        floor.racks.append(rack)


def recalls(floor: Floor) -> Story:
    """A morning's cleaning test fails: what one machine released since the last passed one is held."""
    yield floor.about(3 * 24 * 60, 1.3)
    while True:
        yield from floor.until(lambda: floor.by_day("infection-prevention"))
        yield from _recall(floor, floor.by_day("infection-prevention") or floor.somebody("infection-prevention"))
        yield floor.about(8 * 24 * 60, 1.3)


def last_recall(floor: Floor) -> Story:
    """One that still stands when the history ends, for whoever looks at it then."""
    yield from floor.until(lambda: len(floor.released) > 3)
    yield from _recall(floor, floor.somebody("infection-prevention"))


def _recall(floor: Floor, who: Someone) -> Story:
    recent = [load for load in floor.released if not load.rejected and not load.recalled]
    if not recent:
        return
    machine = recent[-1].lane.machine
    held = [load for load in recent if load.lane.machine is machine][-3:]
    words = f"The cleaning test of {machine.washer.name} failed this morning; released since the last passed one."
    for load in held:
        placed = floor.does(who, "hold_load", load=load.id, words=words)
        key = f"manual:{named(placed.deed, 'hold')}"
        floor.begin(_cleared(floor, load, key, _kept_back(floor, load)), floor.about(26 * 60, 1.5))
        yield 2.0


def _kept_back(floor: Floor, load: loads.SimulatedLoad) -> list[UUID]:
    """Trays that came back and went nowhere since stay aside with their load."""
    load.recalled = True
    aside = [tray for tray in floor.trays if floor.newest.get(tray) == load.id]
    for tray in aside:
        floor.trays.remove(tray)
    return aside


def _cleared(floor: Floor, load: loads.SimulatedLoad, key: str, aside: list[UUID]) -> Story:
    yield from floor.until(lambda: floor.by_day("infection-prevention"))
    who = floor.by_day("infection-prevention") or floor.somebody("infection-prevention")
    floor.does(
        who,
        "lift_hold",
        load=load.id,
        hold=key,
        words="Repeated twice and passed; the first test’s strip was past its date. Cause recorded.",
        _signers=((who.login, "I lift this hold; the cause is recorded."),),
        _sees=(load.id,),
    )
    load.recalled = False
    floor.trays.extend(aside)


def repair(floor: Floor, machine: Machine) -> Story:
    """The machine that is truly repaired stands for a day; then it runs as new."""
    lane = next(lane for lane in floor.lanes if lane.machine is machine)
    repaired_h = cast.REPAIRED_AT * floor.days * cast.HOURS_A_DAY
    yield from floor.until(lambda: lane.run_h >= repaired_h and lane.free, 30.0)
    engineer = floor.somebody("engineering")
    machine.blocked = True
    floor.does(engineer, "block_machine", machine=machine.id, reason="circulation pump is being changed")
    yield 20 * 60.0
    yield from floor.until(lambda: floor.by_day("engineering"))
    words = "Circulation pump and its seal changed; pressure as on the first day."
    floor.does(engineer, "return_machine", machine=machine.id, words=words)
    machine.blocked = False
    machine.newest.clear()


def outage(floor: Floor, begins: datetime, ends: datetime) -> Story:
    """A night without the tool: forms are issued beforehand, written on, and entered the next morning."""
    supervisor = floor.somebody("supervisor")
    yield floor.minutes_to(begins) - 9 * 60
    floor.does(floor.supervisor() or supervisor, "issue_forms", count=8)
    first = 1
    written: list[datetime] = []
    yield floor.minutes_to(begins) - 30
    # What is written during the night is told by nobody until the morning.
    moment = begins + timedelta(minutes=floor.about(20))
    while moment < ends - timedelta(minutes=100) and len(written) < 6:
        written.append(moment)
        moment += timedelta(minutes=floor.about(65, 1.2))
    yield floor.minutes_to(ends) + 15
    number = first
    for started_at in written:
        if number == first + 2:
            number += 1  # one form got wet
        yield from _entered(floor, number, started_at)
        number += 1
    yield floor.about(300)
    who = floor.supervisor() or supervisor
    floor.does(
        who, "void_form", number=first + 2, words="It got wet in the sluice; nothing had been written on it."
    )


def _entered(floor: Floor, number: int, started_at: datetime) -> Story:
    """One form; its load has been through by the time that it is entered."""
    yield floor.about(6)
    free = [lane for lane in floor.lanes if lane.free]
    if not free or len(floor.trays) < 3:
        yield from floor.until(lambda: any(lane.free for lane in floor.lanes) and len(floor.trays) >= 3, 5.0)
        free = [lane for lane in floor.lanes if lane.free]
    lane = floor.one_of(free)
    night = floor.place.of_role("technician", "night")[0]
    trays = tuple(floor.trays.popleft() for _ in range(3))
    recipe = cast.RECIPES["Instruments"]
    cycle = lane.machine.counter
    lane.machine.counter += 1
    ended_at = started_at + timedelta(minutes=46)
    paper = {
        "machine": lane.machine.id,
        "chamber": lane.chamber,
        "trays": trays,
        "programme": recipe.name,
        "machine_cycle": cycle,
        "started_at": started_at,
        "ending": "ended",
        "ended_at": ended_at,
        "verdicts": dict(loads.ALL_MET),
        "decision": "packing",
        "decided_at": ended_at + timedelta(minutes=12),
        "claimed_by": person_id(floor.facility, night.login),
    }
    act = floor.does(floor.technician(), "enter_form", number=number, paper=paper)
    load = loads.SimulatedLoad(named(act.deed, "load"), lane, recipe, list(trays), None)
    load.remember(floor)
    loads.let_go(floor, load)


def begin(floor: Floor) -> None:
    """Set everything going that a department does by itself."""
    nights = [day for day in (9,) if day < floor.days] or ([2] if floor.days >= 4 else [])
    for day in nights:
        begins, ends = floor.at_local(day, 22, 40), floor.at_local(day + 1, 5, 20)
        floor.quiet.append((begins, ends))
        floor.begin(outage(floor, begins, ends))
    floor.begin(arrivals(floor))
    floor.begin(rounds(floor))
    floor.begin(near_misses(floor))
    floor.begin(racks(floor))
    floor.begin(recalls(floor))
    floor.begin(last_recall(floor), floor.minutes_to(floor.end) - 200)
    for machine in dict.fromkeys(lane.machine for lane in floor.lanes):
        floor.begin(supplies(floor, machine))
        lane = next(lane for lane in floor.lanes if lane.machine is machine)
        floor.begin(test_runs(floor, lane), float(floor.chance.random()) * 4_000)
        if machine.washer.temper == "repaired":
            floor.begin(repair(floor, machine))

"""What goes wrong on the simulated floor, and what people do about it: mostly the right thing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from uuid import UUID

from incidents.identity.ids import named
from incidents.rules.events import Stream
from incidents.simulation import cast
from incidents.simulation.cast import Someone
from incidents.simulation.floor import Floor, Lane, Machine, Story

if TYPE_CHECKING:
    from incidents.simulation.loads import SimulatedLoad

UNKNOWN_TEXT = "Service code, see display"


def alarm(floor: Floor, load: SimulatedLoad, phase: str) -> Story:
    """It alarms in mid-cycle. Afterwards the load runs on, or its cycle was aborted."""
    lane, machine = load.lane, load.lane.machine
    code = _code(floor, machine, phase)
    alarm_id = _told(floor, load, code, phase)
    halts = code != "P01" or not machine.washer.gateway
    load.stage = "stopped" if halts else "running"
    if machine.blocks_itself(load.codes, code):
        machine.blocked = True
        floor.begin(_bring_back(floor, machine))
    yield _until_seen(floor)
    who = floor.technician()
    floor.does(who, "acknowledge_alarm", stream=Stream("load", load.id), alarm=alarm_id)
    if halts:
        yield floor.about(2, 1.4)
        yield from _decide(floor, load, alarm_id, code, phase, who)
    if load.stage == "running":
        yield 0.4
        if machine.washer.gateway:
            floor.reports(lane, "alarm-cleared", machine_cycle=load.cycle, code=code)


def _code(floor: Floor, machine: Machine, phase: str) -> str:
    choices = cast.COMES_UP[machine.washer.temper][phase]
    weights = [weight for _, weight in choices]
    drawn = floor.chance.choice(len(choices), p=[weight / sum(weights) for weight in weights])
    return choices[int(drawn)][0]


def _told(floor: Floor, load: SimulatedLoad, code: str, phase: str) -> UUID:
    lane = load.lane
    if lane.machine.washer.gateway:
        text = "" if floor.fault(code) else UNKNOWN_TEXT
        told = {"code": code, "phase": phase, "text": text, "halts": code != "P01"}
        act = floor.reports(lane, "alarm-raised", machine_cycle=load.cycle, **told)
    else:
        act = floor.does(floor.technician(), "report_alarm", load=load.id, code=code, phase=phase)
    return named(act.deed, "alarm")


def _until_seen(floor: Floor) -> float:
    """Minutes until somebody has seen an alarm; at night and now and then much too late."""
    late = 0.2 if floor.shift == "night" else 0.06
    return floor.about(28, 1.5) if floor.happens(late) else floor.about(1.6, 1.7)


def _decide(floor: Floor, load: SimulatedLoad, alarm_id: UUID, code: str, phase: str, who: Someone) -> Story:
    """Resume where the catalogue lets this person, else abort; some try first and are refused."""
    against = _against(floor, load, code, phase)
    supervisor = floor.supervisor()
    if against == "" and floor.happens(0.92):
        _resumed(floor, load, alarm_id, phase, who)
        return
    if against == "supervisor-resumes" and supervisor is not None and floor.happens(0.6):
        yield floor.about(4)
        _resumed(floor, load, alarm_id, phase, supervisor)
        return
    if against and floor.happens(0.15):
        floor.does(who, "resume_cycle", load=load.id, alarm=alarm_id, refused=against)
        yield floor.about(1)
    floor.does(who, "abort_cycle", load=load.id, reason="fault", alarm=alarm_id)
    load.stage = "aborted"


def _resumed(floor: Floor, load: SimulatedLoad, alarm_id: UUID, phase: str, who: Someone) -> None:
    floor.does(who, "resume_cycle", load=load.id, alarm=alarm_id)
    load.stage = "running"
    load.resumes += 1
    if phase == "drying" and "drying-resumed" not in load.holds:
        load.holds.append("drying-resumed")


def _against(floor: Floor, load: SimulatedLoad, code: str, phase: str) -> str:
    """The code with which the rules refuse a technician's resume, in their own order; empty where they don't."""
    fault = floor.fault(code)
    if fault is None:
        return "fault-unknown"
    if phase == "disinfection":
        return "phase-protected"
    if load.resumes:
        return "resumed-before"
    allowed = fault.resume.get(phase, "never")
    return {"never": "resume-not-permitted", "supervisor": "supervisor-resumes"}.get(allowed, "")


def after_the_abort(floor: Floor, load: SimulatedLoad) -> Story:
    """Where the load is put, and when it is run again. A few are put wrong, or left standing."""
    yield floor.about(7)
    who = floor.technician()
    roll = float(floor.chance.random())
    if roll < 0.08:
        floor.does(who, "place_load", load=load.id, place="clean-side", spot="Table A")
        load.lane.busy = False
        yield floor.about(50)
        yield from _contaminated(floor, load)
    elif roll < 0.2:
        floor.does(who, "place_load", load=load.id, place="dirty-side", spot="Trolley 3")
        load.lane.busy = False
        yield floor.about(7 * 60, 1.3)
    else:
        floor.does(who, "place_load", load=load.id, place="quarantine", spot="Quarantine shelf")
        load.lane.busy = False
        yield floor.about(18, 1.6)
    yield from run_again(floor, load)


def _contaminated(floor: Floor, load: SimulatedLoad) -> Story:
    """It stood on the clean side unproven: somebody notices, cleans, and records what it touched."""
    nearby = tuple(other.id for other in list(floor.to_release)[-2:])
    who = floor.supervisor() or floor.technician()
    floor.does(who, "place_load", load=load.id, place="quarantine", spot="Quarantine shelf")
    yield floor.about(15)
    floor.does(
        who,
        "record_contamination",
        load=load.id,
        surfaces="Table A and the trolley beside it.",
        cleaned_by="The clean side’s early shift, with wipes.",
        loads_nearby=nearby,
    )


def run_again(floor: Floor, old: SimulatedLoad) -> Story:
    """The items go through a whole new cycle, in their own chamber where that is free."""
    from incidents.simulation import loads

    yield from floor.until(lambda: _lane_for(floor, old) is not None, 9.0)
    lane = _lane_for(floor, old)
    assert lane is not None
    lane.busy = True
    who, machine = floor.technician(), lane.machine
    rack = old.rack if old.rack in floor.racks and old.rack not in floor.racks_out else None
    bare: dict[str, Any] = {"without_rack": True} if rack != old.rack else {}
    if rack is not None:
        floor.racks_out.add(rack)
    act = floor.does(who, "rerun_load", load=old.id, machine=machine.id, chamber=lane.chamber, **bare)
    trays = list(old.rejected) if old.released else list(old.trays)
    new = loads.SimulatedLoad(named(act.deed, "load"), lane, old.recipe, trays, rack)
    new.remember(floor)
    loads.started(floor, new)
    new.cycle = machine.counter
    machine.counter += 1
    if machine.washer.gateway:
        yield 0.3
        floor.reports(lane, "cycle-started", machine_cycle=new.cycle, programme=new.recipe.name)
    yield from loads.run_and_follow(floor, new)


def _lane_for(floor: Floor, old: SimulatedLoad) -> Lane | None:
    if old.lane.free:
        return old.lane
    return next((lane for lane in floor.lanes if lane.free), None)


def reject(floor: Floor, load: SimulatedLoad, who: Someone) -> Story:
    """One tray comes out wet, soiled or damaged."""
    tray = floor.one_of(load.trays)
    roll = float(floor.chance.random())
    reason = "wet" if roll < 0.6 else "soiled" if roll < 0.85 else "damaged"
    words = {"wet": "Water stands in the tray.", "soiled": "Residue in the hinge.", "damaged": "A handle is bent."}
    floor.does(who, "reject_trays", load=load.id, trays=(tray,), reason=reason, words=words[reason])
    if reason == "wet":
        load.rejected.append(tray)
    elif reason == "soiled":
        load.holds.append("soiled")
    else:
        yield floor.about(6)
        load.trays = [each for each in load.trays if each != tray]
        sent = "The repair shop, tagged."
        floor.does(who, "send_tray", load=load.id, tray=tray, way="repair", contaminated=True, words=sent)
        floor.begin(_repaired(floor, tray), floor.about(3 * 24 * 60, 1.3))


def _repaired(floor: Floor, tray: UUID) -> Story:
    floor.trays.append(tray)
    yield from ()


LIFT_WORDS = {
    "drying-resumed": "Dry on inspection, tray by tray.",
    "documentation": "The missing lines were read from the machine’s memory.",
    "upper-band": "The instructions for use of these instruments allow it.",
    "rinse": "Conductivity was read at the water plant for that hour.",
    "unexpected": "Looked into; it was noticed at once and the right one had run before.",
}


def lift_holds(floor: Floor, load: SimulatedLoad) -> Story:
    """Whoever may, lifts: some at once, some with a second person who comes in the morning."""
    for key in list(load.holds):
        yield from floor.until(lambda: floor.supervisor() is not None)
        yield floor.about(25, 1.7)
        supervisor = floor.supervisor() or floor.place.of_role("supervisor")[0]
        if key.startswith("rinse-not-proven"):
            yield from _lift_together(floor, load, key)
        else:
            _lift(floor, load, key, supervisor)
        load.holds.remove(key)


def _lift(floor: Floor, load: SimulatedLoad, key: str, *signers: Someone, refused: str = "") -> None:
    words = next((said for begin, said in LIFT_WORDS.items() if key.startswith(begin)), "Looked into it.")
    floor.does(
        signers[0],
        "lift_hold",
        load=load.id,
        hold=key,
        words=words,
        refused=refused,
        _signers=tuple((who.login, "I lift this hold; I have looked into it.") for who in signers),
        _sees=(load.id,),
    )


def _lift_together(floor: Floor, load: SimulatedLoad, key: str) -> Story:
    """Two people; where the same badge was shown twice, the rules refuse."""
    yield from floor.until(lambda: floor.by_day("infection-prevention") and floor.supervisor())
    supervisor, second = floor.supervisor(), floor.by_day("infection-prevention")
    assert supervisor is not None
    assert second is not None
    if floor.happens(0.5):
        _lift(floor, load, key, supervisor, supervisor, refused="same-person-twice")
        yield 1.0
    _lift(floor, load, key, supervisor, second)


def _bring_back(floor: Floor, machine: Machine) -> Story:
    """Engineering returns a blocked machine; out of hours a supervisor may, after some time."""
    began = floor.clock
    patience_min = floor.about(240, 1.3)
    yield from floor.until(
        lambda: (
            floor.by_day("engineering")
            or (floor.supervisor() and (floor.clock - began).total_seconds() / 60 > patience_min)
        )
    )
    yield floor.about(80, 1.5)
    engineer = floor.by_day("engineering")
    who = engineer or floor.supervisor() or floor.somebody("engineering")
    said = (
        "Part looked at, test run without fault." if engineer else "Ran empty without fault. Engineering was told."
    )
    floor.does(who, "return_machine", machine=machine.id, words=said)
    machine.blocked = False

"""A department on a bad day: something of everything at once, for whoever looks at every page.

Alder has gone through loads of every fate; each other machine stands at one step of an alarm or a cycle.
"""

from __future__ import annotations

import io
from typing import Any
from uuid import UUID

from msgspec.structs import replace

from incidents.identity.ids import named
from incidents.operations import alarms, catalogue, cycles, downtime, figures, machines, readings
from incidents.operations.paper import Paper
from incidents.operations.sweep import sweep
from incidents.rules.programmes import STARTING_FAULTS
from tests import cast, floor_cast, history_cast, visitors
from tests import recorded as records
from tests.cast import Department, done, request, tell

Things = dict[str, Any]
NOT_PROVEN = {"conductivity": "not-proven"}


def busy(spd: Department) -> Things:
    """Fill the department; what stands in it afterwards, by name."""
    things: Things = {}
    things |= _fates(spd)
    things |= _at_the_machines(spd)
    things |= _on_paper(spd)
    things |= _set_up(spd)
    spd.wait(90)
    sweep(spd.now)
    figures.compute(spd.id, spd.now)
    return things


def _trays(spd: Department, name: str, size: int = 1, **more: Any) -> tuple[UUID, ...]:
    return cast.register_set(spd, name, size, **more)


def _fates(spd: Department) -> Things:
    """A load of every disposition, all of them run in Alder."""
    reprocessed = cast.given_aborted_load(spd)
    cast.rerun_and_release(spd, reprocessed, cycle=17)
    recalled = cast.given_released_load(spd, trays=_trays(spd, "Eye set"))
    done(cast.hold(spd, recalled, words="A tray was found wet at packing."))
    awaiting = cast.given_finished_load(spd, trays=_trays(spd, "Hand set", 2))
    reviewed = cast.given_reviewed_load(spd, trays=_trays(spd, "Hip set"))
    cast.given_reviewed_load(spd, trays=_trays(spd, "Knee set"))
    held = cast.given_finished_load(spd, trays=_trays(spd, "Loan set", 2, owner="Maker"))
    done(cast.review(spd, held, **NOT_PROVEN))
    done(cast.hold(spd, held))
    recorded = cast.given_finished_load(spd, trays=_trays(spd, "Nail set"))
    file = io.BytesIO(records.as_csv(records.good()))
    done(readings.keep(request(spd, "Ines"), load=recorded, file=file))
    signed = cast.given_finished_load(spd, trays=_trays(spd, "Foot set"))
    done(cast.review(spd, signed, conductivity="not-proven"))
    done(cast.sign_first(spd, signed, "rinse-not-proven:conductivity", "Sanne"))
    rejected, tray = _rejected(spd)
    touched = cast.given_aborted_load(spd, trays=_trays(spd, "Ear set"))
    done(cycles.place_load(request(spd, "Ines"), load=touched, place="clean-side"))
    corrected = cast.given_running_load(spd, cycle=4471, trays=_trays(spd, "Jaw set"))
    done(tell(spd, "cycle-finished", cycle=4471))
    return locals()


def _rejected(spd: Department) -> tuple[UUID, UUID]:
    trays = _trays(spd, "Spine set", 2)
    load = cast.given_finished_load(spd, trays=trays)
    done(floor_cast.reject(spd, load, trays[0]))
    return load, trays[0]


def _at_the_machines(spd: Department) -> Things:
    """Each at another step; Alder alarms without a load and is blocked, with gaps in its counter."""
    things: Things = {}
    for machine, stage in {
        "Birch": "assembled",
        "Cedar": "running",
        "Dogwood": "unseen",
        "Elm": "abort",
        "Fir": "resume",
        "Hazel": "place",
        "Larch": "placed",
        "Oak": "overdue",
    }.items():
        things |= {stage: _stands(spd, machine, stage, things)}
    cast.register_machine(spd, "Pine", "left", "right")
    told = done(tell(spd, "alarm-raised", code="W01", phase="wash"))
    things["machine alarm"] = named(told.deed_id, "alarm")
    done(tell(spd, "cycle-started", cycle=4475, programme="Turbo"))
    done(tell(spd, "cycle-finished", cycle=4475))
    supply = {"line": "1", "product": "Cleaner", "lot": "L-17", "expires_on": "2027-01-31"}
    done(machines.change_supply(request(spd, "Ines"), machine=spd.machine, **supply))
    done(floor_cast.block(spd))
    return things


def _stands(spd: Department, name: str, stage: str, things: Things) -> UUID:
    """A load in a machine of its own, led to this stage; its alarm stands beside it as “… alarm”."""
    machine = cast.register_machine(spd, name)
    load = cast.given_assembled_load(spd, trays=_trays(spd, f"{name} set", 2), machine=machine)
    if stage != "assembled":
        done(floor_cast.run(spd, load))
    if stage in ("assembled", "running", "overdue"):
        return load
    asked = request(spd, "Ines")
    code = "P01" if stage == "resume" else "W02"
    done(alarms.report_alarm(asked, load=load, code=code, phase="wash"))
    alarm = things[f"{stage} alarm"] = named(asked.deed, "alarm")
    if stage != "unseen":
        done(cast.acknowledge(spd, load, alarm))
    if stage in ("place", "placed"):
        done(alarms.abort_cycle(request(spd, "Ines"), load=load, reason="fault", alarm=alarm))
    if stage == "placed":
        done(cycles.place_load(request(spd, "Ines"), load=load, place="quarantine", spot="Bay 3"))
    return load


def _on_paper(spd: Department) -> Things:
    """Five forms: one out, one missing, one entered, one voided, one back without a number of ours."""
    done(downtime.issue_forms(request(spd, "Sanne"), count=5))
    paper = Paper(machine=spd.machine, chamber="1", trays=_trays(spd, "Nose set"), programme="Instruments")
    done(downtime.enter_form(request(spd, "Ines"), number=3, paper=paper))
    done(downtime.void_form(request(spd, "Sanne"), number=2, words="Torn."))
    done(downtime.enter_form(request(spd, "Ines"), number=77, paper=Paper(machine=spd.machine, chamber="1")))
    return {}


def _set_up(spd: Department) -> Things:
    """Racks, a second programme, a policy, a draft that differs in every way, a gateway's token."""
    rack = cast.register_rack(spd, "Rack 3")
    blocked_rack = cast.register_rack(spd, "Rack 4")
    done(floor_cast.block_rack(spd, blocked_rack))
    cast.publish_programme(spd, "Heavy")
    done(floor_cast.set_policy(spd))
    changed = [_renamed(fault) for fault in STARTING_FAULTS[1:3]]
    added = [_renamed(STARTING_FAULTS[0], code="L01")]
    done(catalogue.draft_catalogue(request(spd, "Bo"), faults=[*changed, *STARTING_FAULTS[3:], *added]))
    visitors.token_of(spd)
    history_cast.import_past(spd)
    past = history_cast.given_past_load(spd, 4469, trays=("Hip tray 1",), ended_at=history_cast.LONG_AGO)
    return {"rack": rack, "blocked rack": blocked_rack, "past": past}


def _renamed(fault: Any, **more: Any) -> Any:
    return replace(fault, **({"title": f"{fault.title}, again"} | more))

"""A shift's other stories: what the machine tells by itself, one thing at a time, what time alone does.

Every story ends with *rebuilt equals live*.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any
from uuid import UUID

import pytest

from incidents.identity.ids import named
from incidents.ledger import writing
from incidents.ledger.writing import Deed, digest_of
from incidents.operations import alarms, cycles, sweep
from incidents.projections.models import LoadRow
from incidents.queries import floor, loads
from incidents.rules import open_items
from incidents.rules.events import Actor, Stream
from tests.cast import (
    PROGRAMME_NAME,
    Department,
    acknowledge,
    agree_on_faults,
    done,
    fate,
    given_aborted_load,
    given_assembled_load,
    given_finished_load,
    given_load_with_alarm,
    given_released_load,
    given_reviewed_load,
    given_running_load,
    last_event,
    let_go,
    lift,
    load_now,
    open_department,
    publish_programme,
    rebuilt_equals_live,
    refused,
    register_machine,
    register_set,
    request,
    rerun,
    review,
    standing,
    tell,
    whole_log,
)
from tests.story import CRITERIA

pytestmark = pytest.mark.django_db


@pytest.fixture
def spd() -> Iterator[Department]:
    """A sterile processing department, ready for work; whatever the story, its read models are as folded."""
    department = open_department()
    yield department
    rebuilt_equals_live(department)


def kinds(spd: Department, stream: Stream) -> list[str]:
    return [str(type(event.data).__struct_config__.tag) for event in whole_log(spd) if event.stream == stream]


def told_of(spd: Department, load: UUID) -> list[str]:
    return kinds(spd, Stream("load", load))


def needs(spd: Department, load: UUID) -> list[str]:
    return [matter.kind for matter in floor.open_items(spd.id) if matter.owner == load]


# --- what the machine tells by itself -----------------------------------------------------------------


def test_the_machines_counter_gives_the_load_its_name(spd: Department) -> None:
    load = given_assembled_load(spd)
    done(tell(spd, "cycle-started", cycle=4471, programme=PROGRAMME_NAME))
    assert load_now(spd, load).name == "Alder 4471"
    assert [row.name for row in loads.page(spd.id, search="4471").rows] == ["Alder 4471"]
    assert [row.name for row in loads.page(spd.id, search="2026-00001").rows] == ["Alder 4471"]


def test_a_programme_unknown_here_is_recorded_and_held(spd: Department) -> None:
    load = given_assembled_load(spd)
    done(tell(spd, "cycle-started", cycle=4471, programme="Turbo"))
    done(tell(spd, "cycle-finished", cycle=4471))
    assert standing(spd, load) == ["disinfection-not-proven", "unexpected"]
    assert refused(review(spd, load)) == "programme-unknown"


def test_a_fault_code_unknown_here_is_high_and_never_resumed(spd: Department) -> None:
    load, alarm = given_load_with_alarm(spd, "X99")
    assert load_now(spd, load).alarms[0].priority == "high"
    assert standing(spd, load) == ["unexpected"]
    done(acknowledge(spd, load, alarm))
    assert refused(alarms.resume_cycle(request(spd, "Sanne"), load=load, alarm=alarm)) == "fault-unknown"


def test_the_catalogue_in_force_at_the_start_counts(spd: Department) -> None:
    load = given_running_load(spd)
    agree_on_faults(spd, ())
    done(tell(spd, "alarm-raised", code="W02", phase="pre-wash"))
    assert load_now(spd, load).alarms[0].resume == "technician"


def test_the_programme_as_it_stood_at_the_start_counts(spd: Department) -> None:
    load = given_finished_load(spd)
    publish_programme(spd, criteria=CRITERIA[:1])
    done(review(spd, load))
    assert fate(spd, load) == "awaiting review"
    assert len(last_event(spd, load).findings) == len(CRITERIA)


def test_an_alarm_of_an_empty_chamber_is_the_machines_and_can_be_seen(spd: Department) -> None:
    receipt = done(tell(spd, "alarm-raised", code="W01", phase="wash"))
    stream = Stream("machine", spd.machine)
    assert needs(spd, spd.machine) == ["alarm"]
    seen = alarms.acknowledge_alarm(request(spd, "Bo"), stream=stream, alarm=named(receipt.deed_id, "alarm"))
    done(seen)
    assert needs(spd, spd.machine) == ["alarm-unresolved"]
    done(tell(spd, "alarm-cleared", code="W01"))
    assert needs(spd, spd.machine) == []


def test_a_cycle_without_a_load_is_listed(spd: Department) -> None:
    done(tell(spd, "cycle-started", cycle=4471, programme=PROGRAMME_NAME))
    done(tell(spd, "cycle-finished", cycle=4471))
    assert needs(spd, spd.machine) == ["cycle-without-load"]


def test_the_late_end_of_an_earlier_cycle_does_not_end_the_load_that_runs_now(spd: Department) -> None:
    """The device kept it while the network was down; the load in the chamber has no counter yet."""
    before = spd.now
    spd.wait(10)
    load = given_running_load(spd)
    done(tell(spd, "cycle-finished", cycle=4470, occurred_at=before))
    assert load_now(spd, load).stage == "running" or "unexpected" in standing(spd, load)
    assert fate(spd, load) != "awaiting review"


@pytest.mark.parametrize("order", [(1, 2, 3, 4), (4, 3, 2, 1), (2, 4, 1, 3), (3, 1, 4, 2), (1, 1, 2, 1)])
def test_reports_in_any_order_make_the_same_load_live_and_rebuilt(spd: Department, order: Any) -> None:
    load = given_running_load(spd, cycle=4471)
    told: dict[int, tuple[str, dict[str, Any]]] = {
        1: ("alarm-raised", {"code": "P01", "phase": "wash", "halts": False}),
        2: ("alarm-cleared", {"code": "P01"}),
        3: ("cycle-finished", {}),
        4: ("alarm-raised", {"code": "A01", "phase": "drying", "halts": False}),
    }
    for number in order:
        kind, more = told[number]
        done(tell(spd, kind, cycle=4471, sequence=number, **more))
        rebuilt_equals_live(spd)
    if set(order) == set(told):
        assert standing(spd, load) == ["alarm-unseen", "alarm-unseen", "unexpected"]


def test_a_batch_of_reports_is_one_deed_row_each_and_one_refusal_spoils_nothing(spd: Department) -> None:
    load = given_running_load(spd)
    actor = Actor("device", spd.machine)
    batch = Deed(named(spd.id, "batch"), "batch", actor, digest_of("batch", actor, {}))
    with writing.writing(spd.id, spd.now, batch):
        done(tell(spd, "alarm-raised", code="P01", phase="wash", halts=False))
        assert refused(tell(spd, "cycle-finished", machine=named(spd.id, "no machine"))) == "machine-unknown"
        done(tell(spd, "cycle-finished"))
    assert load_now(spd, load).stage == "finished"
    assert [alarm.code for alarm in load_now(spd, load).alarms] == ["P01"]


# --- one thing at a time ------------------------------------------------------------------------------


def test_a_tray_is_in_one_unfinished_load_at_a_time(spd: Department) -> None:
    given_assembled_load(spd)
    again = cycles.assemble_load(request(spd, "Ines"), machine=spd.machine, chamber="1", trays=spd.trays[:1])
    assert refused(again) == "tray-occupied"


def test_a_held_loads_trays_go_nowhere_but_into_its_rerun(spd: Department) -> None:
    old = given_aborted_load(spd)
    elsewhere = cycles.assemble_load(request(spd, "Ines"), machine=spd.machine, chamber="1", trays=spd.trays)
    assert refused(elsewhere) == "tray-occupied"
    assert load_now(spd, rerun(spd, old)).trays == spd.trays


def test_a_load_is_run_again_once_at_a_time(spd: Department) -> None:
    old = given_aborted_load(spd)
    rerun(spd, old)
    assert refused(cycles.rerun_load(request(spd, "Ines"), load=old)) in ("tray-occupied", "chamber-busy")


def test_released_trays_are_free_again(spd: Department) -> None:
    given_released_load(spd)
    assert given_assembled_load(spd)


def test_a_chamber_holds_one_cycle_at_a_time(spd: Department) -> None:
    given_running_load(spd)
    waiting = given_assembled_load(spd, trays=register_set(spd, "Second set", 1))
    begun = cycles.start_cycle(request(spd, "Ines"), load=waiting, programme=PROGRAMME_NAME)
    assert refused(begun) == "chamber-busy"


def test_a_rerun_may_take_another_machine(spd: Department) -> None:
    old = given_aborted_load(spd)
    birch = register_machine(spd, "Birch", "left", "right")
    new = load_now(spd, rerun(spd, old, machine=birch, chamber="left"))
    assert (new.machine_name, new.chamber) == ("Birch", "left")


def test_a_refused_rerun_leaves_nothing_of_the_new_load(spd: Department) -> None:
    old = given_aborted_load(spd)
    given_running_load(spd, trays=register_set(spd, "Second set", 1))
    before = len(whole_log(spd))
    assert refused(cycles.rerun_load(request(spd, "Ines"), load=old)) == "chamber-busy"
    assert len(whole_log(spd)) == before
    assert LoadRow.objects.filter(facility_id=spd.id).count() == 2


def test_numbers_run_through_the_year(spd: Department) -> None:
    numbers = [load_now(spd, given_released_load(spd)).number for _ in range(2)]
    spd.now = datetime(2027, 1, 1, 7, tzinfo=spd.now.tzinfo)
    numbers.append(load_now(spd, given_assembled_load(spd)).number)
    assert numbers == ["2026-00001", "2026-00002", "2027-00001"]


# --- what time alone does -----------------------------------------------------------------------------


def test_a_cycle_without_an_end_becomes_unknown_once(spd: Department) -> None:
    """Expected 60 min and 10 min of grace after the start."""
    load = given_running_load(spd)
    assert sweep.sweep(spd.wait(69)) == 0
    assert sweep.sweep(spd.wait(2)) == 1
    assert sweep.sweep(spd.wait(600)) == 0
    assert told_of(spd, load).count("outcome-overdue") == 1
    assert (standing(spd, load), needs(spd, load)) == (["outcome-unknown"], ["outcome-unknown"])


def test_two_sweeps_that_found_the_same_note_it_once(spd: Department) -> None:
    """The second one finds the deed done: it is named after the load and the moment."""
    load = given_running_load(spd)
    spd.wait(90)
    found = list(floor.overdue(spd.now))
    sweep.sweep(spd.now)
    before = len(whole_log(spd))
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(floor, "overdue", lambda now: iter(found))
        sweep.sweep(spd.wait())
    assert told_of(spd, load).count("outcome-overdue") == 1
    assert len(whole_log(spd)) == before


def test_an_unknown_outcome_ends_with_evidence(spd: Department) -> None:
    load = given_running_load(spd)
    sweep.sweep(spd.wait(90))
    assert refused(lift(spd, load, "outcome-unknown", "Sanne", "Joan")) == "hold-not-liftable"
    done(tell(spd, "cycle-finished"))
    done(review(spd, load))
    done(let_go(spd, load))


def test_nothing_is_released_by_time(spd: Department) -> None:
    """I7: ten years and a sweep each month, and every load is where somebody left it, or worse."""
    running = given_running_load(spd)
    trays = [register_set(spd, f"Set {n}", 1) for n in range(3)]
    register_machine(spd, "Birch")
    done(alarms.abort_cycle(request(spd, "Ines"), load=running, reason="fault"))
    reviewed = given_reviewed_load(spd, trays=trays[0])
    finished = given_finished_load(spd, trays=trays[1])
    stopped = given_running_load(spd, trays=trays[2])
    for _ in range(120):
        sweep.sweep(spd.wait(30 * 24 * 60))
    loads = (running, reviewed, finished, stopped)
    assert [fate(spd, load) for load in loads] == [
        "quarantined",
        "awaiting review",
        "awaiting review",
        "quarantined",
    ]


def test_open_items_are_those_that_the_states_ask_for(spd: Department) -> None:
    loads = [given_aborted_load(spd), given_reviewed_load(spd, trays=register_set(spd, "Second set", 1))]
    asked = {item.kind for load in loads for item in open_items.of_load(load_now(spd, load))}
    assert {matter.kind for matter in floor.open_items(spd.id)} == asked == {"rerun-due", "review-due"}

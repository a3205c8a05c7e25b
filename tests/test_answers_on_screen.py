"""What a shift asks of the screens in words, and not in records that have to be opened."""

from typing import Any

import pytest

from incidents.identity.ids import named
from incidents.operations import alarms, cycles
from incidents.operations.corrections import correct_event
from incidents.queries import floor
from incidents.queries.story import story
from incidents.rules import meanings
from tests import cast, visitors
from tests.cast import Department, done, request
from tests.visitors import address, visitor, words_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def spd(db: None) -> Department:
    return visitors.another_department("eastmere")


def test_evidence_says_which_hold_was_lifted_by_whom_and_why(spd: Department) -> None:
    load = cast.given_finished_load(spd)
    done(cast.hold(spd, load, words="A tray is wet."))
    key = next(hold.key for hold in cast.standing_holds(cast.load_now(spd, load)) if hold.code == "manual")
    done(cast.lift(spd, load, key, "Sanne"))
    page = words_of(visitor(spd, "Quinn").get(address(spd, "evidence") + "?type=overrides"))
    assert "Hold lifted by Sanne" in page
    assert "“Looked into it.”" in page


def test_the_decision_names_who_may_resume_and_where(spd: Department) -> None:
    """W01 of the starting catalogue: a technician in the pre-wash, a supervisor in the wash."""
    load = cast.given_running_load(spd)
    asked = request(spd, "Ines")
    done(alarms.report_alarm(asked, load=load, code="W01", phase="rinse"))
    alarm = named(asked.deed, "alarm")
    done(cast.acknowledge(spd, load, alarm))
    client = visitor(spd, "Ines")
    client.get(address(spd, "scan") + "?code=M-Alder")
    page = words_of(client.get(address(spd, "alarm", kind="load", owner=load, alarm=alarm)))
    assert "After W01, a cycle may be resumed in pre-wash by a technician or in wash by a supervisor" in page


def test_a_load_says_how_often_it_was_resumed_and_how_long_it_halted(spd: Department) -> None:
    load = cast.given_running_load(spd)
    asked = request(spd, "Ines")
    done(alarms.report_alarm(asked, load=load, code="P01", phase="wash"))
    alarm = named(asked.deed, "alarm")
    done(cast.acknowledge(spd, load, alarm))
    done(alarms.resume_cycle(request(spd, "Ines"), load=load, alarm=alarm))
    page = words_of(visitor(spd, "Ines").get(address(spd, "load", load=load)))
    assert "resumed one time, halted 120 s in all" in page


def test_the_scan_of_another_machine_says_where_the_alarm_stands(spd: Department) -> None:
    """Typed where an alarm asks for its machine, another one's code opens nothing else."""
    cast.register_machine(spd, "Birch")
    load = cast.given_running_load(spd)
    asked = request(spd, "Ines")
    done(alarms.report_alarm(asked, load=load, code="W02", phase="wash"))
    alarm = named(asked.deed, "alarm")
    client = visitor(spd, "Ines")
    found = client.get(address(spd, "scan"), {"code": "M-Birch", "alarm": f"load/{load}/{alarm}"}, follow=True)
    assert "That was Birch. This alarm stands at Alder: go there and scan it." in words_of(found)
    assert "Go to Alder and scan it" in words_of(found)
    odd = client.get(address(spd, "scan"), {"code": "M-Birch", "alarm": "load/none/of it"}, follow=True)
    assert odd.status_code == 200


def test_now_says_why_a_person_holds_a_load(spd: Department) -> None:
    load = cast.given_finished_load(spd)
    done(cast.hold(spd, load, words="The rack’s label does not fit."))
    assert "“The rack’s label does not fit.”" in words_of(visitor(spd, "Ines").get(address(spd, "now")))


def test_a_corrected_line_says_so(spd: Department) -> None:
    load = cast.given_running_load(spd, cycle=4471)
    start = story(spd.id, load).events[1].event_id
    page = visitor(spd, "Ines").get(address(spd, "load-deed", load=load, name="correct"))
    assert "Cycle number" in words_of(page) and "Bay" not in words_of(page)
    asked = request(spd, "Ines")
    done(correct_event(asked, load=load, event=start, field="machine_cycle", value="4472", words="Misread."))
    assert "corrected below" in words_of(visitor(spd, "Ines").get(address(spd, "load", load=load)))


def test_a_number_of_the_counter_is_one_loads(spd: Department) -> None:
    cycle: dict[str, Any] = {"programme": "Instruments", "machine_cycle": 4471}
    first = cast.given_assembled_load(spd, trays=spd.trays[:1])
    done(cycles.start_cycle(request(spd, "Ines"), load=first, **cycle))
    done(cycles.report_end(request(spd, "Ines"), load=first))
    second = cast.given_assembled_load(spd, trays=spd.trays[1:])
    assert cast.refused(cycles.start_cycle(request(spd, "Ines"), load=second, **cycle)) == "cycle-taken"
    done(cycles.start_cycle(request(spd, "Ines"), load=second, **cycle | {"machine_cycle": 4472}))


def test_a_stopped_cycle_stands_in_the_phase_that_its_alarm_named(spd: Department) -> None:
    load = cast.given_running_load(spd)
    done(alarms.report_alarm(request(spd, "Ines"), load=load, code="W02", phase="wash"))
    chamber = floor.chambers(spd.id)[0]
    first, second = (phase.share for phase in chamber.phases[:2])
    client = visitor(spd, "Ines")
    lane = client.get(address(spd, "now")).context["lanes"][0]
    assert chamber.phases[1].code == "wash"
    assert first <= lane["filled"] <= first + second


def test_the_signature_of_a_round_never_says_that_all_of_it_is_released() -> None:
    said = meanings.of_round(["Alder 1", "Alder 2"], "packing")
    assert said.startswith("I release each of these 2 loads that is as I saw it for packing: Alder 1, Alder 2.")

"""What somebody who acted a night shift from the card alone stumbled over, each at the page where it happened."""

from collections.abc import Iterator
from typing import Any
from uuid import UUID

import pytest
from django.http import HttpResponse

from incidents.operations import alarms, cycles
from incidents.rules import holds
from incidents.rules.events import DoorOpened
from tests import cast, floor_cast, visitors
from tests.cast import Department
from tests.visitors import address, carried, visitor, words_of


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def spd(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


def sends(department: Department, route: str, load: UUID, who: str = "Ines", **typed: Any) -> HttpResponse:
    """A form of a load, filled in and sent."""
    name = {"name": typed.pop("deed_name")} if "deed_name" in typed else {}
    url = address(department, route, load=load, **name)
    return visitor(department, who).post(url, carried(department, load) | typed)


# --- the door after the cycle -------------------------------------------------------------------------


def test_a_door_forced_after_the_power_was_lost_is_told(spd: Department) -> None:
    load = cast.given_running_load(spd)
    cast.done(floor_cast.interrupt(spd, load, "power", phase="rinse"))
    held = cast.standing(spd, load)
    assert "The door was opened or forced" in words_of(visitors.page_of(spd, load))
    forced = {"phase": "after-its-end", "forced": "yes", "out": "yes"}
    assert sends(spd, "load-deed", load, deed_name="door", **forced).status_code == 302
    told = cast.events_of(spd, load)[-1].data
    assert isinstance(told, DoorOpened)
    assert (told.forced, told.load_taken_out, told.phase) == (True, True, "")
    assert cast.standing(spd, load) == held
    assert "the door was forced" in words_of(visitors.page_of(spd, load)).lower()


def test_no_phase_of_an_interruption_is_chosen_by_leaving_it(spd: Department) -> None:
    load = cast.given_running_load(spd)
    before = visitors.written(spd)
    assert sends(spd, "load-deed", load, deed_name="power", phase="").status_code == 422
    assert visitors.written(spd) == before


# --- two alarms, and who may do what ------------------------------------------------------------------


def test_another_alarm_that_nobody_saw_is_named_and_linked_before_a_resume(spd: Department) -> None:
    load, first = cast.given_load_with_alarm(spd, "A01", "drying")
    cast.done(alarms.report_alarm(cast.request(spd, "Ines"), load=load, code="W02", phase="drying"))
    other = cast.load_now(spd, load).alarms[-1]
    cast.done(cast.acknowledge(spd, load, first))
    client = visitor(spd, "Ines")
    visitors.scan(client, spd)
    page = client.get(address(spd, "alarm", kind="load", owner=load, alarm=first))
    sentence = f"Resume is not permitted: nobody has seen the alarm “{other.title}”."
    assert f"It is resumed: r{sentence[1:]}" in words_of(page)
    html = page.content.decode()
    assert address(spd, "alarm", kind="load", owner=load, alarm=other.id) in html
    assert address(spd, "resume", owner=load, alarm=first) not in html
    sent = client.post(address(spd, "resume", owner=load, alarm=first), carried(spd, load))
    assert sent.status_code == 409
    assert sentence in visitors.alert_of(sent)


@pytest.mark.parametrize("who", ["Ines", "Sanne", "Joan"])
def test_the_board_and_the_acts_agree_who_may_lift(spd: Department, who: str) -> None:
    """A hold after a resume in drying is the supervisor's alone (design, section 4)."""
    load, alarm = cast.given_load_with_alarm(spd, "A01", "drying")
    cast.done(cast.acknowledge(spd, load, alarm))
    cast.done(alarms.resume_cycle(cast.request(spd, "Ines"), load=load, alarm=alarm))
    page = visitors.page_of(spd, load, who)
    board = next(each for each in page.context["story"].holds if each.code == "drying-resumed")
    act = next(each for each in page.context["acts"] if each["title"].startswith("Lift hold"))
    assert board.who == holds.who_lifts("drying-resumed") == "Supervisor, with reason, signed"
    assert (act["kind"] == "open") == (who == "Sanne")
    assert board.who in act["sentence"]


# --- running again ------------------------------------------------------------------------------------


def test_a_chamber_that_takes_no_rerun_stands_there_with_its_reason(spd: Department) -> None:
    cast.register_machine(spd, "Birch")
    load = cast.given_aborted_load(spd)
    cast.done(floor_cast.block(spd, reason="door lock broken"))
    html = visitors.page_of(spd, load).content.decode()
    assert f'<option value="{spd.machine}/1" disabled>Alder: blocked, door lock broken</option>' in html


def test_a_rerun_is_given_its_counter_at_its_start(spd: Department) -> None:
    load = cast.given_aborted_load(spd)
    typed = {"programme": cast.PROGRAMME_NAME, "machine_cycle": "4472"}
    assert sends(spd, "rerun", load, **typed).status_code == 302
    (again,) = cast.load_now(spd, load).reruns
    assert cast.load_now(spd, again).name == "Alder 4472"


# --- racks --------------------------------------------------------------------------------------------


def two_loads_on_a_rack(department: Department) -> tuple[UUID, UUID, UUID]:
    """Two loads that wait, both on Rack 3, in Alder and in Birch."""
    rack = cast.register_rack(department, "Rack 3")
    birch = cast.register_machine(department, "Birch")
    trays = cast.register_set(department, "Hip", 2)
    first = cast.given_assembled_load(department, rack=rack)
    second = cast.given_assembled_load(department, trays, rack=rack, machine=birch)
    return rack, first, second


def test_a_rack_that_runs_in_one_machine_starts_in_no_other(spd: Department) -> None:
    _rack, first, second = two_loads_on_a_rack(spd)
    cast.done(start(spd, first))
    refusal = start(spd, second)
    assert cast.refused(refusal) == "rack-occupied"
    assert refusal.sentence == f"Rack Rack 3 is in Alder with {cast.load_now(spd, first).name}."
    page = visitor(spd, "Ines").get(address(spd, "assemble"))
    assert f"in Alder with {cast.load_now(spd, first).name}" in words_of(page)
    assert "Rack 3" in words_of(visitors.page_of(spd, first))
    cast.done(cycles.report_end(cast.request(spd, "Ines"), load=first))
    cast.done(start(spd, second))


def start(department: Department, load: UUID) -> Any:
    asks = cast.request(department, "Ines")
    return cycles.start_cycle(asks, load=load, programme=cast.PROGRAMME_NAME)


def test_a_machine_that_starts_all_the_same_is_recorded(spd: Department) -> None:
    _rack, first, second = two_loads_on_a_rack(spd)
    cast.done(start(spd, second))
    cast.done(cast.tell(spd, "cycle-started", cycle=4471, programme=cast.PROGRAMME_NAME))
    assert cast.load_now(spd, first).stage == "running"


def test_a_rerun_may_go_without_the_rack(spd: Department) -> None:
    rack = cast.register_rack(spd, "Rack 3")
    load = cast.given_aborted_load(spd, rack=rack)
    assert sends(spd, "rerun", load, programme=cast.PROGRAMME_NAME, rack="none").status_code == 302
    (again,) = cast.load_now(spd, load).reruns
    assert cast.load_now(spd, again).rack is None


# --- a machine with something in it -------------------------------------------------------------------


def machine_page(department: Department) -> HttpResponse:
    return visitor(department, "Ines").get(address(department, "machine", machine=department.machine))


def test_a_machines_page_says_what_runs_in_it(spd: Department) -> None:
    assert "Nothing keeps a cycle from starting." in words_of(machine_page(spd))
    load = cast.given_running_load(spd, 4471)
    said = words_of(machine_page(spd))
    assert "Alder 4471 runs. By the clock in " in said
    assert "Nothing keeps a cycle from starting." not in said
    cast.done(cast.tell(spd, "alarm-raised", cycle=4471, code="W02", phase="wash"))
    (alarm,) = cast.load_now(spd, load).alarms
    page = machine_page(spd)
    words = words_of(page)
    assert "Alder 4471 stands still in wash." in words
    assert alarm.title in words
    assert address(spd, "alarm", kind="load", owner=load, alarm=alarm.id) in page.content.decode()


def test_a_broken_load_that_is_still_in_its_chamber_is_said(spd: Department) -> None:
    load = cast.given_aborted_load(spd)
    name = cast.load_now(spd, load).name
    client = visitor(spd, "Ines")
    (alarm,) = cast.load_now(spd, load).alarms
    led = client.get(address(spd, "scan"), {"code": visitors.ALDER})
    assert led["Location"] == address(spd, "alarm", kind="load", owner=load, alarm=alarm.id)
    assert "Taken out: where does it stand?" in words_of(client.get(led["Location"]))
    assert f"{name} still stands. Its cycle is broken. Record its place." in words_of(machine_page(spd))
    page = client.get(address(spd, "assemble"))
    assert f"{name} is still in it, held: record first where it stands" in words_of(page)
    assert sends(spd, "place", load, place="quarantine", spot="").status_code == 302
    assert "is still in it" not in words_of(client.get(address(spd, "assemble")))
    assert client.get(address(spd, "scan"), {"code": visitors.ALDER})["Location"].endswith(
        f"?machine={spd.machine}"
    )


def test_a_busy_tray_says_where_it_is(spd: Department) -> None:
    load = cast.given_running_load(spd, 4471)
    assert cast.load_now(spd, load).trays
    html = visitor(spd, "Ines").get(address(spd, "assemble")).content.decode()
    assert 'data-why="Basic set 1 is still in Alder 4471, in Alder. Finish that load' in html

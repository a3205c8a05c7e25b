"""Codes compare without case: a shift key makes no other machine, fault, tray or rack (acted on a night shift).

One key more or less is the commonest slip of a typed code; whoever made it must not lose a load by it.
"""

from collections.abc import Iterator
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID

import pytest

from incidents.operations import machines, setting_up
from incidents.queries import search
from incidents.rules import alarms, catalogue
from incidents.rules.events import AlarmCleared, AlarmRaised, Fault
from incidents.rules.machines import Takes
from incidents.rules.programmes import STARTING_FAULTS
from incidents.rules.refusals import Refusal
from tests import cast, visitors
from tests.cast import Department
from tests.story import ALARM, STOPPED, load_of
from tests.visitors import address, carried, visitor, words_of, written


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def spd(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


def raised_in(department: Department, load: UUID) -> AlarmRaised:
    found = [event.data for event in cast.events_of(department, load) if isinstance(event.data, AlarmRaised)]
    return found[-1]


# --- faults -------------------------------------------------------------------------------------------


def test_a_fault_is_found_in_small_letters_and_one_written_just_so_comes_first() -> None:
    small = Fault("a01", "Another", "", "", "low", "", "", "")
    found = alarms.catalogue_entry(STARTING_FAULTS, "a01")
    assert found is not None and found.code == "A01"
    assert alarms.catalogue_entry((*STARTING_FAULTS, small), "a01") == small
    assert alarms.catalogue_entry(STARTING_FAULTS, "a0") is None


def test_a_catalogue_tells_no_two_faults_apart_by_case_alone() -> None:
    first = STARTING_FAULTS[0]
    refusal = catalogue.faults_refusal([first, Fault(first.code.lower(), *([""] * 3), "low", "", "", "")])
    assert isinstance(refusal, Refusal)
    assert refusal.code == "fault-twice"


def test_a_condition_is_gone_in_small_letters_too() -> None:
    found = alarms.find(load_of(*STOPPED, AlarmCleared("w02")), ALARM)
    assert found is not None and found.cleared_at is not None


def test_a_device_tells_a_fault_in_small_letters(spd: Department) -> None:
    load = cast.given_running_load(spd, 4471)
    cast.done(cast.tell(spd, "alarm-raised", cycle=4471, code="w02", phase="wash"))
    raised = raised_in(spd, load)
    assert (raised.code, raised.known, raised.priority) == ("W02", True, "high")


def test_a_device_is_never_asked_about_a_code(spd: Department) -> None:
    load = cast.given_running_load(spd, 4471)
    cast.done(cast.tell(spd, "alarm-raised", cycle=4471, code="x99", phase="wash"))
    assert (raised_in(spd, load).code, raised_in(spd, load).known) == ("x99", False)


def test_a_person_types_a_fault_in_small_letters(spd: Department) -> None:
    load = cast.given_running_load(spd)
    typed = {"code": "a01", "phase": "drying"}
    answer = visitor(spd, "Ines").post(address(spd, "report-alarm", load=load), carried(spd, load) | typed)
    assert answer.status_code == 302
    assert (raised_in(spd, load).code, raised_in(spd, load).resume) == ("A01", "technician")


def test_an_unknown_fault_is_asked_about_once_more(spd: Department) -> None:
    load = cast.given_running_load(spd)
    client, url, before = visitor(spd, "Ines"), address(spd, "report-alarm", load=load), written(spd)
    typed = {"code": "x99", "phase": "drying"}
    answer = client.post(url, carried(spd, load) | typed)
    assert (answer.status_code, written(spd)) == (409, before)
    assert "“x99” is not in the catalogue: record it all the same?" in words_of(answer)
    form = visitors.form_of(answer, url) | typed
    assert form["all_the_same"] == "x99"
    assert '<option value="drying" selected>' in answer.content.decode()
    other = client.post(url, form | {"code": "x98"})  # the yes was to another code
    assert (other.status_code, written(spd)) == (409, before)
    assert client.post(url, form).status_code == 302
    assert (raised_in(spd, load).code, raised_in(spd, load).known) == ("x99", False)


def test_the_codes_of_the_catalogue_are_offered_and_no_phase_is_chosen(spd: Department) -> None:
    """With some faults the phase decides between a resume and an abort: nobody chooses it by leaving it."""
    load = cast.given_running_load(spd)
    html = visitors.page_of(spd, load).content.decode()
    assert all(f'<option value="{fault.code}">' in html for fault in STARTING_FAULTS)
    assert '<select id="phase" name="phase" required><option value="">' in html
    without = carried(spd, load) | {"code": "W02", "phase": ""}
    before = written(spd)
    assert visitor(spd, "Ines").post(address(spd, "report-alarm", load=load), without).status_code == 400
    assert written(spd) == before


# --- machines, trays, racks ---------------------------------------------------------------------------


@pytest.mark.parametrize("code", ["M-Alder", "m-alder", "M-ALDER"])
def test_a_machine_is_scanned_in_any_case(spd: Department, code: str) -> None:
    answer = visitor(spd, "Ines").get(address(spd, "scan"), {"code": code})
    assert urlsplit(answer["Location"]).query == f"machine={spd.machine}"


def test_a_rack_and_a_tray_are_found_in_any_case(spd: Department) -> None:
    rack = cast.register_rack(spd, "Rack 3")
    assert search.rack_by_code(spd.id, "r-rACK 3") == rack
    assert search.tray_by_label(spd.id, "BASIC SET 1") == spd.trays[0]
    assert search.trays_labelled(spd.id, ["basic SET 2", "none"]) == {"basic SET 2": spd.trays[1]}


def test_no_code_is_given_twice_in_another_case(spd: Department) -> None:
    cast.register_rack(spd, "Rack 3")
    ask = lambda: cast.request(spd, "Ada")  # noqa: E731
    assert cast.refused(machines.register_rack(ask(), code="r-rack 3", name="Another")) == "rack-taken"
    alder = setting_up.register_machine(ask(), name="Elm", code="m-ALDER", chambers=["1"])
    assert cast.refused(alder) == "machine-taken"
    trays = setting_up.register_set(ask(), name="Other", owner="", labels=["BASIC set 1"])
    assert cast.refused(trays) == "tray-taken"
    twice = setting_up.register_set(ask(), name="Other", owner="", labels=["Eye 1", "EYE 1"])
    assert cast.refused(twice) == "tray-taken"


def test_a_machine_takes_a_rack_by_its_code_in_any_case() -> None:
    assert Takes(racks=("R-3",)).not_taken(rack="r-3") == ""
    assert Takes(racks=("R-3",)).not_taken(rack="R-4") == "rack “R-4”"

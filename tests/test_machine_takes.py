"""Machines that take only some programmes and racks.

Common practice: a machine and its load carriers are validated together for named programmes, and instructions
for use say which belong together (from memory of ISO 15883-1, clause 4, on load carriers and cycles).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from uuid import UUID

import pytest

from incidents.operations import cycles, setting_up
from incidents.operations.deeds import Outcome
from incidents.queries import floor
from incidents.rules import machines
from incidents.rules.events import MachineLimited, MachineRegistered, Stream
from incidents.rules.machines import Takes
from incidents.rules.refusals import Refusal
from tests import visitors
from tests.cast import (
    PROGRAMME_NAME,
    Department,
    done,
    given_aborted_load,
    given_assembled_load,
    load_now,
    open_department,
    publish_programme,
    rebuilt_equals_live,
    refused,
    register_machine,
    register_rack,
    request,
    rerun,
    standing,
    tell,
)
from tests.floor import refused as refused_by_the_rules
from tests.floor_cast import block, machine_now
from tests.story import ALDER, story

pytestmark = pytest.mark.django_db


@pytest.fixture
def spd() -> Iterator[Department]:
    """Alder takes everything; Cedar, beside it, takes *Heavy* in rack R-Deep alone."""
    department = open_department()
    publish_programme(department, "Heavy")
    register_rack(department, "Deep")
    yield department
    rebuilt_equals_live(department)


def limit(
    spd: Department, machine: UUID, *programmes: str, racks: tuple[str, ...] = (), who: str = "Ada"
) -> Outcome:
    return setting_up.limit_machine(request(spd, who), machine=machine, programmes=programmes, racks=racks)


def given_cedar(spd: Department, *programmes: str, racks: tuple[str, ...] = ()) -> UUID:
    cedar = register_machine(spd, "Cedar")
    done(limit(spd, cedar, *programmes, racks=racks))
    return cedar


def start(spd: Department, load: UUID, programme: str = PROGRAMME_NAME) -> Any:
    return cycles.start_cycle(request(spd, "Ines"), load=load, programme=programme)


# --- the rule -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("takes", "programme", "rack", "missing"),
    [
        (Takes(), "Heavy", "R-1", ""),
        (Takes(("Heavy",)), "Heavy", "R-1", ""),
        (Takes(("Heavy",)), "Light", "", "programme “Light”"),
        (Takes((), ("R-1",)), "Light", "R-1", ""),
        (Takes((), ("R-1",)), "Light", "R-2", "rack “Rack 2”"),
        (Takes((), ("R-1",)), "Light", "", ""),  # without a rack nothing speaks against it
        (Takes(("Heavy",), ("R-1",)), "Light", "R-2", "programme “Light”"),
    ],
)
def test_nothing_named_takes_all(takes: Takes, programme: str, rack: str, missing: str) -> None:
    assert takes.not_taken(programme, rack, "Rack 2" if rack else "") == missing


def test_what_is_said_later_stands_in_place_of_what_was_said_before() -> None:
    registered = MachineRegistered("Cedar", "M-Cedar", ("1",))
    told = [registered, MachineLimited(("Heavy",), ("R-1",)), MachineLimited((), ("R-2",))]
    machine = machines.fold(ALDER, story(*told, stream=Stream("machine", ALDER)))
    assert machine.takes == Takes((), ("R-2",))
    same = machines.limit(machine, Takes((), ("R-2",)))
    assert refused_by_the_rules(same) == "nothing-changed"
    assert refused_by_the_rules(machines.limit(machine, Takes(("p" * 81,)))) == "name-long"


# --- the deeds ----------------------------------------------------------------------------------------


def test_a_programme_that_the_machine_does_not_take_is_not_started(spd: Department) -> None:
    cedar = given_cedar(spd, "Heavy")
    load = given_assembled_load(spd, machine=cedar)
    outcome = start(spd, load)
    assert outcome == Refusal("not-taken", f"Cedar does not take programme “{PROGRAMME_NAME}”.", "Use Alder.")
    done(start(spd, load, "Heavy"))


def test_where_no_machine_takes_it_set_up_is_the_next_step(spd: Department) -> None:
    done(limit(spd, spd.machine, "Heavy"))
    outcome = start(spd, given_assembled_load(spd))
    assert isinstance(outcome, Refusal)
    assert outcome.next_step == "No machine here does: see Set-up."


def test_a_rack_that_the_machine_does_not_take_is_refused_at_the_assembly(spd: Department) -> None:
    deep, flat = register_rack(spd, "Low"), register_rack(spd, "Flat")
    cedar = given_cedar(spd, racks=("R-Low",))
    asked = request(spd, "Ines")
    outcome = cycles.assemble_load(asked, machine=cedar, chamber="1", trays=spd.trays, rack=flat)
    assert outcome == Refusal("not-taken", "Cedar does not take rack “Flat”.", "Use Alder.")
    given_assembled_load(spd, machine=cedar, rack=deep)


def test_a_machine_that_was_limited_since_does_not_start_what_was_assembled_for_it(spd: Department) -> None:
    rack = register_rack(spd, "Flat")
    load = given_assembled_load(spd, rack=rack)
    done(limit(spd, spd.machine, racks=("R-Deep",)))
    assert refused(start(spd, load)) == "not-taken"


def test_a_rerun_elsewhere_needs_a_machine_that_takes_programme_and_rack(spd: Department) -> None:
    rack = register_rack(spd, "Flat")
    cedar = given_cedar(spd, "Heavy", racks=("R-Deep",))
    old = given_aborted_load(spd, rack=rack)
    elsewhere = {"machine": cedar, "chamber": "1"}
    assert refused(cycles.rerun_load(request(spd, "Ines"), load=old, **elsewhere)) == "not-taken"
    done(limit(spd, cedar, "Heavy", racks=("R-Flat",)))
    assert refused(cycles.rerun_load(request(spd, "Ines"), load=old, **elsewhere)) == "not-taken"
    assert load_now(spd, old).reruns == ()  # what the refused deeds had begun is gone
    rerun(spd, old, programme="Heavy", **elsewhere)


def test_the_one_tap_rerun_is_offered_where_programme_and_rack_are_taken(spd: Department) -> None:
    rack = register_rack(spd, "Flat")
    old = load_now(spd, given_aborted_load(spd, rack=rack))
    done(block(spd))
    register_machine(spd, "Elm")
    cedar, birch = given_cedar(spd, "Heavy"), register_machine(spd, "Birch")
    done(limit(spd, birch, racks=("R-Deep",)))

    def offered() -> list[str]:
        return [one.machine_name for one in floor.free_chambers(spd.id, old)]

    assert offered() == ["Elm"]
    done(limit(spd, cedar, "Heavy", PROGRAMME_NAME, racks=("R-Flat",)))
    assert offered() == ["Cedar", "Elm"]


def test_a_cycle_that_the_machine_started_all_the_same_is_recorded_and_held(spd: Department) -> None:
    """Observations are never refused (design 4, 13)."""
    rack = register_rack(spd, "Flat")
    load = given_assembled_load(spd, rack=rack)
    done(limit(spd, spd.machine, racks=("R-Deep",)))
    done(tell(spd, "cycle-started", programme=PROGRAMME_NAME))
    assert standing(spd, load) == ["unexpected"]
    assert load_now(spd, load).unexpected[0].sentence == "It started though Alder does not take rack “Flat”."


def test_only_programmes_known_here_are_named(spd: Department) -> None:
    assert refused(limit(spd, spd.machine, "Hevay")) == "programme-unknown"
    assert refused(limit(spd, spd.machine)) == "nothing-changed"
    assert refused(limit(spd, spd.machine, "Heavy", who="Sanne")) == "role"
    done(limit(spd, spd.machine, "Heavy", " Heavy ", racks=("R-9", "")))
    assert machine_now(spd).takes == Takes(("Heavy",), ("R-9",))
    done(limit(spd, spd.machine))
    assert machine_now(spd).takes == Takes()


def test_a_machine_is_registered_with_what_it_takes(spd: Department) -> None:
    asked = request(spd, "Ada")
    given: dict[str, Any] = {"name": "Fir", "code": "M-Fir", "chambers": ["1"]}
    assert refused(setting_up.register_machine(asked, **given, programmes=["Nothing"])) == "programme-unknown"
    done(setting_up.register_machine(asked, **given, programmes=["Heavy"], racks=["R-Deep"]))
    fir = next(one.machine for one in floor.chambers(spd.id) if one.machine_name == "Fir")
    assert machine_now(spd, fir).takes == Takes(("Heavy",), ("R-Deep",))


# --- the pages ----------------------------------------------------------------------------------------


def test_set_up_says_what_a_machine_takes_and_its_page_too(
    db: None, monkeypatch: pytest.MonkeyPatch, settings: Any
) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS
    eastmere = visitors.department_with_doors(monkeypatch, slug="eastmere")
    publish_programme(eastmere, "Heavy")
    ada = visitors.visitor(eastmere, "Ada")
    url = visitors.address(eastmere, "limit-machine", machine=eastmere.machine)
    typed = {"takes_programmes": "Heavy\r\n", "takes_racks": "R-3\r\nR-4"}
    assert ada.post(url, visitors.form_of_deed(ada.get(url)) | typed).status_code == 302
    assert "Takes only programmes: Heavy · racks: R-3, R-4" in visitors.words_of(
        ada.get(visitors.address(eastmere, "set-up"))
    )
    page = visitors.words_of(ada.get(visitors.address(eastmere, "machine", machine=eastmere.machine)))
    assert "takes only Heavy" in page
    assert "It takes Heavy; racks: R-3, R-4" in page
    load = given_assembled_load(eastmere)
    offers = visitors.words_of(visitors.page_of(eastmere, load))
    assert "Heavy" in offers
    assert PROGRAMME_NAME not in offers

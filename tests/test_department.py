"""What a department uses and decides: its policy, its racks, its sets; and what is out of service.

Every story ends with *rebuilt equals live*.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from uuid import UUID

import pytest
from django.http import HttpResponse
from django.urls import reverse

from incidents.operations import alarms, cycles, inspection, machines, setting_up
from incidents.operations.deeds import Outcome
from incidents.queries import facts, policies, racks, sets
from incidents.rules.events import MachineBlocked, Stream
from tests import visitors
from tests.cast import (
    PROGRAMME_NAME,
    Department,
    acknowledge,
    done,
    given_aborted_load,
    given_assembled_load,
    given_finished_load,
    given_running_load,
    load_now,
    open_department,
    rebuilt_equals_live,
    refused,
    register_machine,
    register_rack,
    register_set,
    request,
    tell,
    whole_log,
)
from tests.visitors import alert_of, form_of, unsound, visitor, words_of


@pytest.fixture
def spd(db: None) -> Iterator[Department]:
    department = open_department()
    yield department
    rebuilt_equals_live(department)


def set_policy(spd: Department, who: str = "Ada", **more: Any) -> Outcome:
    given = {"source": "Local rule 7, 2026-01", "same_fault_blocks": 2, "same_fault_cycles": 10} | more
    return setting_up.set_policy(request(spd, who), **({"rest_may_go_on": ("wet",)} | given))


def start(spd: Department, load: UUID) -> Outcome:
    return cycles.start_cycle(request(spd, "Ines"), load=load, programme=PROGRAMME_NAME)


def blocks_of(spd: Department) -> dict[str, str]:
    found = facts.machine(spd.id, spd.machine)
    assert found is not None
    return found.blocked


# --- policy -------------------------------------------------------------------------------------------


def test_until_one_is_set_the_starting_values_count(spd: Department) -> None:
    assert facts.policy(spd.id).edition == 0
    assert policies.editions(spd.id) == []


def test_each_setting_is_an_edition_with_its_source(spd: Department) -> None:
    done(set_policy(spd))
    done(set_policy(spd, source="Local rule 7, 2026-03", same_fault_blocks=4, rest_may_go_on=()))
    assert facts.policy(spd.id).same_fault_blocks == 4
    told = [(one.policy.edition, one.policy.source, one.by) for one in policies.editions(spd.id)]
    assert told == [(2, "Local rule 7, 2026-03", "Ada"), (1, "Local rule 7, 2026-01", "Ada")]


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"source": " "}, "source-missing"),
        ({"same_fault_blocks": 1}, "number-out-of-range"),
        ({"same_fault_blocks": 5, "same_fault_cycles": 4}, "number-out-of-range"),
        ({"same_fault_cycles": 10_001}, "number-out-of-range"),
        ({"rest_may_go_on": ("damaged",)}, "reason-unknown"),
    ],
)
def test_a_policy_that_can_not_be_is_refused(spd: Department, given: dict[str, Any], code: str) -> None:
    assert refused(set_policy(spd, **given)) == code


def test_only_an_administrator_sets_it(spd: Department) -> None:
    assert refused(set_policy(spd, "Sanne")) == "role"


# --- the same fault again -----------------------------------------------------------------------------


def a_cycle_with(spd: Department, code: str, *, by_hand: bool) -> None:
    """A cycle of Alder that a fault stops, told by a person or by the machine; it is aborted."""
    load = given_running_load(spd, trays=register_set(spd, f"Set {spd.deeds}", 1))
    if by_hand:
        done(alarms.report_alarm(request(spd, "Ines"), load=load, code=code, phase="wash"))
    else:
        done(tell(spd, "alarm-raised", code=code, phase="wash"))
    done(acknowledge(spd, load, load_now(spd, load).alarms[0].id))
    done(alarms.abort_cycle(request(spd, "Ines"), load=load, reason="fault"))


@pytest.mark.parametrize("by_hand", [True, False], ids=["told by a person", "told by the machine"])
def test_the_nth_same_fault_blocks_the_machine_by_policy(spd: Department, by_hand: bool) -> None:
    done(set_policy(spd, same_fault_blocks=3, same_fault_cycles=5))
    for _ in range(2):
        a_cycle_with(spd, "W02", by_hand=by_hand)
        assert blocks_of(spd) == {}
    a_cycle_with(spd, "W02", by_hand=by_hand)
    assert blocks_of(spd) == {"": "“A spray arm does not turn” came up 3 times in 5 cycles"}
    (blocked,) = [event for event in whole_log(spd) if isinstance(event.data, MachineBlocked)]
    assert blocked.stream == Stream("machine", spd.machine)


def test_other_faults_and_older_cycles_do_not_count(spd: Department) -> None:
    done(set_policy(spd, same_fault_blocks=2, same_fault_cycles=2))
    for code in ("W02", "W01", "W03", "W02"):
        a_cycle_with(spd, code, by_hand=True)
    assert blocks_of(spd) == {}
    a_cycle_with(spd, "W02", by_hand=True)
    assert list(blocks_of(spd)) == [""]


def test_a_code_that_is_not_in_the_catalogue_blocks_nothing(spd: Department) -> None:
    """Unknown codes may each mean something else: they are high and never resumed, but not the same fault."""
    done(set_policy(spd))
    for _ in range(3):
        a_cycle_with(spd, "X99", by_hand=True)
    assert blocks_of(spd) == {}


# --- out of service and back --------------------------------------------------------------------------


def test_a_blocked_machine_starts_nothing_until_it_is_returned(spd: Department) -> None:
    load = given_assembled_load(spd)
    done(machines.block_machine(request(spd, "Ines"), machine=spd.machine, reason="Door seal torn"))
    assert refused(start(spd, load)) == "machine-blocked"
    back = {"machine": spd.machine, "words": "New seal, leak test passed."}
    assert refused(machines.return_machine(request(spd, "Ines"), **back)) == "role"
    done(machines.return_machine(request(spd, "Bo"), **back))
    done(start(spd, load))


def test_a_blocked_chamber_blocks_only_itself(spd: Department) -> None:
    birch = register_machine(spd, "Birch", "left", "right")
    left, right = (
        given_assembled_load(spd, trays=register_set(spd, side, 1), machine=birch, chamber=side)
        for side in ("left", "right")
    )
    done(machines.block_machine(request(spd, "Bo"), machine=birch, reason="Pump", chamber="left"))
    assert refused(start(spd, left)) == "machine-blocked"
    done(start(spd, right))
    done(machines.return_machine(request(spd, "Bo"), machine=birch, words="New pump.", chamber="left"))
    done(start(spd, left))


def test_what_a_blocked_machine_tells_is_recorded_all_the_same(spd: Department) -> None:
    load = given_assembled_load(spd)
    done(machines.block_machine(request(spd, "Bo"), machine=spd.machine, reason="Door seal torn"))
    done(tell(spd, "cycle-started", programme=PROGRAMME_NAME))
    assert load_now(spd, load).stage == "running"


# --- racks --------------------------------------------------------------------------------------------


def block_rack(spd: Department, rack: UUID, who: str = "Ines") -> Outcome:
    return machines.block_rack(request(spd, who), rack=rack, words="A nozzle is bent.")


def return_rack(spd: Department, rack: UUID, who: str = "Bo") -> Outcome:
    return machines.return_rack(request(spd, who), rack=rack, words="Nozzle replaced.")


def test_a_load_goes_on_a_rack_and_its_rerun_too(spd: Department) -> None:
    rack = register_rack(spd, "Ring")
    old = given_aborted_load(spd, rack=rack)
    assert load_now(spd, old).rack == rack
    asked = request(spd, "Ines")
    done(cycles.rerun_load(asked, load=old))
    assert load_now(spd, load_now(spd, old).reruns[0]).rack == rack


def test_a_blocked_rack_takes_no_load_until_it_is_returned(spd: Department) -> None:
    rack = register_rack(spd, "Ring")
    done(block_rack(spd, rack))
    again = {"machine": spd.machine, "chamber": "1", "trays": spd.trays, "rack": rack}
    assert refused(cycles.assemble_load(request(spd, "Ines"), **again)) == "rack-blocked"
    assert refused(block_rack(spd, rack)) == "blocked-already"
    assert refused(return_rack(spd, rack, "Ines")) == "role"
    done(return_rack(spd, rack))
    assert refused(return_rack(spd, rack)) == "not-blocked"
    done(cycles.assemble_load(request(spd, "Ines"), **again))


def test_a_rack_blocked_after_the_assembly_refuses_the_start(spd: Department) -> None:
    rack = register_rack(spd, "Ring")
    load = given_assembled_load(spd, rack=rack)
    done(block_rack(spd, rack))
    assert refused(start(spd, load)) == "rack-blocked"
    done(return_rack(spd, rack))
    done(start(spd, load))


def test_a_rerun_may_take_another_rack_than_the_blocked_one(spd: Department) -> None:
    ring, star = register_rack(spd, "Ring"), register_rack(spd, "Star")
    old = given_aborted_load(spd, rack=ring)
    done(block_rack(spd, ring))
    assert refused(cycles.rerun_load(request(spd, "Ines"), load=old)) == "rack-blocked"
    done(cycles.rerun_load(request(spd, "Ines"), load=old, rack=star))
    assert load_now(spd, load_now(spd, old).reruns[0]).rack == star


def test_a_rack_tells_why_it_is_blocked(spd: Department) -> None:
    rack = register_rack(spd, "Ring")
    done(block_rack(spd, rack))
    (told,) = racks.racks(spd.id)
    assert told.blocked
    assert (told.entries[0].sentence, told.entries[0].detail) == ("Blocked by Ines", "“A nozzle is bent.”")


@pytest.mark.parametrize(("code", "name"), [("", "Ring"), ("R-1", " ")])
def test_a_rack_has_a_code_of_its_own_and_a_name(spd: Department, code: str, name: str) -> None:
    assert refused(machines.register_rack(request(spd, "Ada"), code=code, name=name)) == "rack-incomplete"


def test_two_racks_never_share_a_code(spd: Department) -> None:
    register_rack(spd, "Ring")
    assert refused(machines.register_rack(request(spd, "Ada"), code="R-Ring", name="Other")) == "rack-taken"


# --- sets ---------------------------------------------------------------------------------------------


def test_a_set_is_available_only_when_all_its_trays_are(spd: Department) -> None:
    load = given_finished_load(spd, trays=spd.trays[:1])
    (basic,) = sets.sets(spd.id)
    assert (basic.there, len(basic.trays), basic.available) == (1, 2, False)
    where = {tray.label: (tray.where, tray.load) for tray in basic.trays}
    assert where == {"Basic set 1": (load_now(spd, load).name, load), "Basic set 2": ("", None)}


def test_a_tray_that_left_is_told_by_where_it_went(spd: Department) -> None:
    load = given_finished_load(spd)
    sent = {"tray": spd.trays[0], "way": "repair", "contaminated": True, "words": "A clamp is loose."}
    done(inspection.send_tray(request(spd, "Ines"), load=load, **sent))
    (basic,) = sets.sets(spd.id)
    assert basic.trays[0].where == "to repair"
    assert not basic.available


def test_loaners_stand_first_the_soonest_needed_on_top(spd: Department) -> None:
    register_set(spd, "Hip loaner", 1, loaner=True, owner="Maker A", needed_by="2026-03-09")
    register_set(spd, "Knee loaner", 1, loaner=True, owner="Maker B", needed_by="2026-03-04")
    found = sets.sets(spd.id)
    assert [one.name for one in found] == ["Knee loaner", "Hip loaner", "Basic set"]
    assert (found[0].owner, found[0].needed_by) == ("Maker B", "2026-03-04")


@pytest.mark.parametrize(
    "given", [{"owner": ""}, {"needed_by": ""}, {"needed_by": "soon"}, {"needed_by": "2026-02-30"}]
)
def test_a_loaner_needs_its_owner_and_its_day(spd: Department, given: dict[str, Any]) -> None:
    asked = {"name": "Hip", "owner": "Maker", "labels": ["H1"], "loaner": True, "needed_by": "2026-03-09"} | given
    assert refused(setting_up.register_set(request(spd, "Ada"), **asked)) == "loaner-incomplete"


# --- at the door --------------------------------------------------------------------------------------


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    rebuilt_equals_live(department)


def address(spd: Department, route: str, **more: Any) -> str:
    return reverse(route, kwargs={"slug": spd.facility.slug} | more)


def send(spd: Department, who: str, page: str, typed: dict[str, Any], action: str = "") -> HttpResponse:
    """Someone fills in the form of a page that is sent to `action`, or the page's own one."""
    spd.wait()
    form = form_of(visitor(spd, who).get(page), action)
    return visitor(spd, who).post(action or page, form | typed)


def test_a_policy_is_set_and_read(eastmere: Department) -> None:
    url = address(eastmere, "policy")
    typed = {
        "source": "Local rule 7",
        "same_fault_blocks": "2",
        "same_fault_cycles": "10",
        "rest_may_go_on": ["wet"],
    }
    assert send(eastmere, "Ada", url, typed).status_code == 302
    page = visitor(eastmere, "Ines").get(url)
    assert "Policy, edition 1" in words_of(page)
    assert "Local rule 7" in words_of(page)
    wrong = send(eastmere, "Ada", url, typed | {"same_fault_cycles": "2", "same_fault_blocks": "9"})
    assert wrong.status_code == 409
    assert "within as many to 10 000 cycles" in alert_of(wrong)
    assert [unsound(page), unsound(wrong)] == [[], []]


def test_a_rack_is_registered_blocked_and_returned(eastmere: Department) -> None:
    spd = eastmere
    assert send(spd, "Ada", address(spd, "racks"), {"code": "R1", "name": "Ring"}).status_code == 302
    (told,) = racks.racks(spd.id)
    page = address(spd, "rack", rack=told.id)
    typed = {"words": "A nozzle is bent."}
    assert send(spd, "Ines", page, typed, address(spd, "block-rack", rack=told.id)).status_code == 302
    assert "Ring is blocked “A nozzle is bent.”" in words_of(visitor(spd, "Ines").get(page))
    assert "disabled" in visitor(spd, "Ines").get(address(spd, "assemble")).content.decode()
    typed = {"words": "Nozzle replaced."}
    assert send(spd, "Bo", page, typed, address(spd, "return-rack", rack=told.id)).status_code == 302
    assert not racks.racks(spd.id)[0].blocked


def test_a_rack_is_chosen_for_a_load(eastmere: Department) -> None:
    rack = register_rack(eastmere, "Ring")
    typed = {"tray": [str(eastmere.trays[0])], "chamber": f"{eastmere.machine}/1", "rack": str(rack)}
    sent = send(eastmere, "Ines", address(eastmere, "assemble"), typed)
    assert sent.status_code == 302
    assert load_now(eastmere, UUID(sent["Location"].split("/")[-2])).rack == rack


def test_a_loaner_is_registered_and_listed(eastmere: Department) -> None:
    url = address(eastmere, "add-set")
    typed = {"name": "Hip loaner", "owner": "Maker", "labels": "H1", "loaner": "on", "needed_by": "2026-03-02"}
    assert send(eastmere, "Ada", url, typed).status_code == 302
    assert send(eastmere, "Ada", url, typed | {"labels": "H2", "needed_by": ""}).status_code == 422
    page = visitor(eastmere, "Ines").get(address(eastmere, "sets"))
    assert "Hip loaner loaner Maker 2 Mar 2026 the day has come 1 of 1" in words_of(page)
    assert unsound(page) == []

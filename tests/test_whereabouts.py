"""Where a load is follows its trays: a place that was recorded before they went on counts no more."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from uuid import UUID

import pytest

from incidents.operations import cycles
from incidents.pages import hold_tag
from incidents.queries import story, whereabouts
from tests import cast, floor_cast, visitors
from tests.cast import Department, done
from tests.visitors import address, unsound, visitor, words_of


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


def shown(department: Department, route: str, **path: Any) -> str:
    answer = visitor(department, "Ines").get(address(department, route, **path))
    assert answer.status_code == 200
    assert unsound(answer) == []
    return words_of(answer)


def placed(department: Department, load: UUID, place: Any, spot: str = "") -> None:
    done(cycles.place_load(cast.request(department, "Ines"), load=load, place=place, spot=spot))


def held_at(department: Department) -> dict[str, list[str]]:
    groups = visitor(department, "Ines").get(address(department, "now")).context["held_places"]
    return {group["key"]: [load["name"] for load in group["loads"]] for group in groups if group["loads"]}


def test_a_held_load_that_is_run_again_stands_no_more_where_it_was_put(eastmere: Department) -> None:
    old = cast.given_aborted_load(eastmere, cycle=4471)
    placed(eastmere, old, "dirty-side", "trolley 2")
    assert held_at(eastmere) == {"dirty-side": ["Alder 4471"]}
    new = cast.rerun(eastmere, old)
    name = cast.load_now(eastmere, new).name
    assert held_at(eastmere) == {"again": ["Alder 4471"]}
    assert f"It is being run again as {name}." in shown(eastmere, "now")
    assert f"Alder 4471 is being run again as {name}" in shown(eastmere, "load", load=old)
    assert f"Its trays are in {name}" in shown(eastmere, "loads")
    done(cast.tell(eastmere, "cycle-finished", cycle=4472))
    assert "It went on as Alder 4472." in shown(eastmere, "now")
    # Its own story still has the place, as it was recorded.
    assert "Placed by Ines: dirty side, trolley 2" in shown(eastmere, "load", load=old)
    assert cast.load_now(eastmere, old).place == "dirty-side"


def test_a_tray_that_did_not_go_along_keeps_its_load_where_it_stands(eastmere: Department) -> None:
    done(floor_cast.set_policy(eastmere, rest_may_go_on=["wet"]))
    old = cast.given_finished_load(eastmere)
    done(floor_cast.reject(eastmere, old, eastmere.trays[0]))
    done(cast.review(eastmere, old))
    done(cast.let_go(eastmere, old))
    cast.rerun(eastmere, old)
    assert whereabouts.stand(eastmere.id, old).later is None


def test_a_chamber_that_took_another_load_no_longer_has_the_one_before(eastmere: Department) -> None:
    first = cast.given_finished_load(eastmere, trays=eastmere.trays[:1], cycle=4471)
    done(cast.hold(eastmere, first))
    assert held_at(eastmere) == {"chamber": ["Alder 4471"]}
    assert "Free , Alder 4471 was last in it: no other place is recorded" in shown(eastmere, "now")
    assert "Alder 4471 was last in it" in shown(eastmere, "assemble")
    second = cast.given_assembled_load(eastmere, trays=eastmere.trays[1:])
    assert "Is the chamber empty? Alder 4471 was last in it" in shown(eastmere, "load", load=second)
    done(floor_cast.run(eastmere, second))
    assert held_at(eastmere) == {"unknown": ["Alder 4471"]}
    assert "No place recorded since it was in Alder" in shown(eastmere, "load", load=first)
    placed(eastmere, first, "quarantine", "Q1")
    assert held_at(eastmere) == {"quarantine": ["Alder 4471"]}
    assert "Quarantine, Q1" in shown(eastmere, "loads")


def test_a_released_load_is_not_said_to_be_in_its_chamber(eastmere: Department) -> None:
    load = cast.given_reviewed_load(eastmere)
    assert whereabouts.stand(eastmere.id, load).words == "In Alder"
    done(cast.let_go(eastmere, load))
    assert "No place recorded since it was in Alder" in shown(eastmere, "load", load=load)
    assert whereabouts.left_inside(eastmere.id) == {}


def test_one_of_several_chambers_is_named(eastmere: Department) -> None:
    birch = cast.register_machine(eastmere, "Birch", "1", "2")
    load = cast.given_running_load(eastmere, machine=birch, chamber="2")
    assert whereabouts.stand(eastmere.id, load).words == "In Birch, chamber 2"


def test_a_hold_tag_says_where_the_trays_are_by_now_and_the_past_what_was_recorded_then(
    eastmere: Department,
) -> None:
    load = cast.given_aborted_load(eastmere, cycle=4471)
    placed(eastmere, load, "dirty-side", "T2")
    told = story.story(eastmere.id, load)
    assert told is not None
    tag = hold_tag.tag_of(told, "UTC", whereabouts.stand(eastmere.id, load))
    assert tag is not None and tag.place == "Dirty side, T2"
    done(cycles.rerun_load(cast.request(eastmere, "Ines"), load=load))
    tag = hold_tag.tag_of(told, "UTC", whereabouts.stand(eastmere.id, load))
    assert tag is not None and tag.place.startswith("Its trays are in 2026-")
    past = visitor(eastmere, "Ines").get(
        address(eastmere, "load", load=load), {"at": str(told.events[-1].position + 1)}
    )
    assert "its place: dirty side, T2" in words_of(past)


def test_a_recall_on_now_says_why_who_holds_it_and_where_each_tray_is(eastmere: Department) -> None:
    load = cast.given_released_load(eastmere, cycle=4471)
    later = cast.given_running_load(eastmere, trays=eastmere.trays[:1], cycle=4472)
    done(cast.hold(eastmere, load, "Joan", words="The probe was not calibrated."))
    page = shown(eastmere, "now")
    assert "Alder 4471 is under recall review." in page
    assert "“The probe was not calibrated.”" in page
    assert "with Joan" in page
    assert "Basic set 1 : alder 4472: in Alder" in page.replace("Alder 4472: in", "alder 4472: in")
    assert "Basic set 2 : no place recorded since it was in Alder" in page
    assert later != load
    assert "probe was not calibrated" not in shown(eastmere, "wall")

"""A tray that was rejected at the unloading has its name wherever its load stands or is signed for.

Source: trade, inspection at the unloading is tray by tray (common practice); what is signed must name what goes.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from uuid import UUID

import pytest

from incidents.rules import meanings
from tests import cast, floor_cast, visitors
from tests.cast import Department, done
from tests.visitors import address, unsound, visitor, words_of


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


def shown(department: Department, route: str, who: str = "Ines", **path: Any) -> str:
    answer = visitor(department, who).get(address(department, route, **path))
    assert answer.status_code == 200
    assert unsound(answer) == []
    return words_of(answer)


@pytest.fixture
def birch_119(eastmere: Department) -> UUID:
    """Three trays, the second of which came out wet; policy lets the rest go on."""
    done(floor_cast.set_policy(eastmere, rest_may_go_on=["wet"]))
    hips = cast.register_set(eastmere, "Hip", 3)
    load = cast.given_finished_load(eastmere, trays=hips, cycle=119)
    done(floor_cast.reject(eastmere, load, hips[1]))
    return load


def test_its_load_names_it_in_what_happened_and_among_the_contents(eastmere: Department, birch_119: UUID) -> None:
    page = shown(eastmere, "load", load=birch_119)
    assert "Hip 2 found wet by Ines; the rest may go on" in page
    assert "Nothing is known against Hip 1 and Hip 3 of Alder 119" in page
    html = visitor(eastmere, "Ines").get(address(eastmere, "load", load=birch_119)).content.decode()
    assert '<s>Hip 2</s> <span class="sub">wet</span>' in html
    assert "<s>Hip 1" not in html


def test_now_and_the_list_of_loads_say_which_tray_runs_again(eastmere: Department, birch_119: UUID) -> None:
    assert "Run Hip 2 of Alder 119 again: rejected at the unloading." in shown(eastmere, "now")
    assert "rejected: Hip 2" in shown(eastmere, "loads")


def test_whoever_signs_reads_and_signs_for_what_goes(eastmere: Department, birch_119: UUID) -> None:
    assert "Hip 2 : wet. It does not go on with this load." in shown(eastmere, "review", load=birch_119)
    done(cast.review(eastmere, birch_119))
    page = shown(eastmere, "release", load=birch_119)
    assert "“I release Hip 1 and Hip 3 of Alder 119 for" in page
    assert "Hip 2 : wet" in page
    assert "without Hip 2: rejected at the unloading" in shown(eastmere, "release-round")
    typed = visitors.carried(eastmere, birch_119, leaf=True)
    typed |= {"purpose": "packing", **visitors.factors(eastmere, "Ines")}
    answer = visitor(eastmere, "Ines").post(address(eastmere, "release", load=birch_119), typed)
    assert answer.status_code == 302
    signed = cast.last_event(eastmere, birch_119).signature.meaning
    assert signed == "I release Hip 1 and Hip 3 of Alder 119 for packing. I have reviewed its record."
    assert "Not with it: Hip 2: wet." in shown(eastmere, "load", load=birch_119)


def test_a_sentence_keeps_room_for_what_is_signed() -> None:
    many = [f"Large orthopaedic set, tray {n}" for n in range(40)]
    assert meanings.of_release("Alder 1", "use", many) == (
        "I release 40 trays of Alder 1 for use. I have reviewed its record."
    )
    assert meanings.of_release("Alder 1", "use") == "I release Alder 1 for use. I have reviewed its record."

"""“What if judged by edition N”: a query. Old loads are never judged again."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from msgspec.structs import replace

from incidents.queries import readings
from incidents.rules.limits import Requirement
from tests import visitors
from tests.api_callers import problem_of, program
from tests.api_callers import told as answer
from tests.cast import (
    Department,
    given_finished_load,
    load_now,
    publish_programme,
    rebuilt_equals_live,
    standing,
    whole_log,
)
from tests.record_cast import computing_department, given_recorded_load
from tests.test_judge import LIMITS, RECIPE
from tests.visitors import address, visitor, words_of

pytestmark = pytest.mark.django_db
STRICTER = replace(LIMITS, disinfection=Requirement("Local rule 8 (invented)", "2026-03-01", a0_s=20_000))
HOTTER = tuple(
    replace(each, set_c="95", held_s=700) if each.code == "disinfection" else each for each in LIMITS.phases
)


@pytest.fixture
def spd(monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = computing_department()
    visitors.give_badges(department)
    visitors.keep_time(monkeypatch, department)
    yield department
    rebuilt_equals_live(department)


def test_another_edition_finds_otherwise_and_the_load_stays_as_it_was_judged(spd: Department) -> None:
    """300 s at 95 °C, the band's upper limit, are an A0 of 10^1.5 × 300 s = 9 487 s (ISO 15883-1, Annex B)."""
    load = given_recorded_load(spd)
    publish_programme(spd, **RECIPE, limits=replace(STRICTER, phases=HOTTER))
    log = len(whole_log(spd))
    [by_theirs] = readings.what_if(spd.id, load_now(spd, load), 2) or []
    assert (by_theirs.verdict, by_theirs.changes) == ("met", [])
    [by_next] = readings.what_if(spd.id, load_now(spd, load), 3) or []
    assert by_next.verdict == "not-met"
    changed = {now.criterion: now.verdict for _, now in by_next.changes if now}
    assert changed == {"disinfection": "not-met", "lower-band": "not-met"}
    assert (standing(spd, load), len(whole_log(spd))) == ([], log)
    assert load_now(spd, load).records[0].verdict == "met"


def test_an_edition_without_limits_proves_nothing(spd: Department) -> None:
    load = given_recorded_load(spd)
    [by_first] = readings.what_if(spd.id, load_now(spd, load), 1) or []
    assert by_first.verdict == "not-proven"
    assert readings.what_if(spd.id, load_now(spd, load), 9) is None


def test_its_page_and_its_address(spd: Department) -> None:
    load = given_recorded_load(spd)
    publish_programme(spd, **RECIPE, limits=replace(STRICTER, phases=HOTTER))
    ines = visitor(spd, "Ines")
    page = words_of(ines.get(address(spd, "what-if", load=load), {"edition": "3"}))
    assert "as edition 3 would judge it" in page and "A0 of at least 20000 s" in page
    assert "What if it were judged by another edition?" in words_of(ines.get(address(spd, "readings", load=load)))
    told = answer(program(spd, "Ines").get(f"loads/{load}/what-if/?edition=3"))
    assert (told["judged_by"], told["edition"]) == (2, 3)
    [record] = told["records"]
    assert (record["was"], record["verdict"]) == ("met", "not-met")
    assert problem_of(program(spd, "Ines").get(f"loads/{load}/what-if/?edition=9"), 404)


@pytest.mark.parametrize("edition", ["", "9", "-1", "x", "1" * 40])
def test_what_is_no_edition_is_said(spd: Department, edition: str) -> None:
    load = given_recorded_load(spd)
    page = visitor(spd, "Ines").get(address(spd, "what-if", load=load), {"edition": edition})
    assert page.status_code == 409
    said = f"by edition {edition[:10]}: there is no such edition" if edition else "No edition was chosen."
    assert said in words_of(page)


def test_a_load_without_a_record_has_nothing_to_judge(spd: Department) -> None:
    load = given_finished_load(spd)
    page = visitor(spd, "Ines").get(address(spd, "what-if", load=load), {"edition": "1"})
    assert page.status_code == 409 and "or no record" in words_of(page)

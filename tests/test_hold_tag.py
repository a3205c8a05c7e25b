"""The hold tag: what it says, its two codes read back by another library (zxing), and where scanning leads."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from uuid import UUID

import pypdfium2
import pytest
import zxingcpp
from django.http import HttpResponse

from incidents.operations import cycles
from tests import cast, floor_cast, visitors
from tests.cast import Department, done
from tests.visitors import address, alert_of, unsound, visitor, words_of

MM = 72 / 25.4  # points


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


def tag_of(department: Department, load: UUID) -> HttpResponse:
    return visitor(department, "Ines").get(address(department, "hold-tag", load=load))


def printed(answer: HttpResponse) -> Any:
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/pdf")
    document = pypdfium2.PdfDocument(answer.content)
    assert len(document) == 1
    return document[0]


def words_on(page: Any) -> list[str]:
    return [line.strip() for line in page.get_textpage().get_text_range().splitlines() if line.strip()]


def codes_on(page: Any) -> set[tuple[str, str]]:
    """As a scanner of 300 dots an inch sees them."""
    image = page.render(scale=300 / 72).to_pil()
    return {(str(found.format).replace(" ", ""), found.text) for found in zxingcpp.read_barcodes(image)}


def test_a_tag_says_held_first_then_load_place_why_and_what_ends_it(eastmere: Department) -> None:
    load = cast.given_aborted_load(eastmere, cycle=4471)
    asked = cast.request(eastmere, "Ines")
    done(cycles.place_load(asked, load=load, place="dirty-side", spot="D3"))
    page = printed(tag_of(eastmere, load))
    assert (round(page.get_width() / MM), round(page.get_height() / MM)) == (100, 60)
    words = words_on(page)
    assert words[0] == "HELD"
    said = " ".join(words)
    for part in (
        "Alder 4471",
        "Dirty side, D3",
        "Disinfection is not proven",
        "A complete new cycle",
        "Nobody lifts this.",
        "2 trays",
    ):
        assert part in said


def test_both_codes_carry_the_number_and_scanning_it_opens_the_load(eastmere: Department) -> None:
    load = cast.given_aborted_load(eastmere, cycle=4471)
    number = cast.load_now(eastmere, load).number
    found = codes_on(printed(tag_of(eastmere, load)))
    assert {text for _, text in found} == {number}
    assert {kind for kind, _ in found} == {"Code128", "DataMatrix"}
    answer = visitor(eastmere, "Ines").get(address(eastmere, "scan"), {"code": number})
    assert answer["Location"] == address(eastmere, "load", load=load)


def test_words_that_are_long_stay_on_the_tag(eastmere: Department) -> None:
    """The codes are still read: nothing runs into them."""
    birch = cast.register_machine(eastmere, "The second machine at the far end of the wall", "A" * 40)
    tray = cast.register_set(eastmere, "Set", 1)
    load = cast.given_assembled_load(eastmere, tray, machine=birch, chamber="A" * 40)
    asked = cast.request(eastmere, "Ines")
    done(cycles.start_cycle(asked, load=load, programme=cast.PROGRAMME_NAME, machine_cycle=999_999_999_999))
    asked = cast.request(eastmere, "Ines")
    done(cycles.report_end(asked, load=load, machine_cycle=999_999_999_999, complete=False))
    done(cycles.place_load(cast.request(eastmere, "Ines"), load=load, place="quarantine", spot="Q" * 40))
    page = printed(tag_of(eastmere, load))
    assert {text for _, text in codes_on(page)} == {cast.load_now(eastmere, load).number}
    assert len(codes_on(page)) == 2


def test_whoever_may_lift_a_hold_stands_on_its_tag(eastmere: Department) -> None:
    load = cast.given_finished_load(eastmere)
    done(cast.hold(eastmere, load))
    said = " ".join(words_on(printed(tag_of(eastmere, load))))
    assert "Somebody holds this load." in said
    assert "supervisor" in said.lower()


def test_a_load_that_is_not_held_gets_no_tag(eastmere: Department) -> None:
    answer = tag_of(eastmere, cast.given_finished_load(eastmere))
    assert answer.status_code == 409
    assert "gets no hold tag" in alert_of(answer)


def test_the_place_step_shows_the_tag_and_the_way_to_print_it(eastmere: Department) -> None:
    load = cast.given_aborted_load(eastmere, cycle=4471)
    (alarm,) = cast.load_now(eastmere, load).alarms
    page = visitor(eastmere, "Ines").get(address(eastmere, "alarm", kind="load", owner=load, alarm=alarm.id))
    assert unsound(page) == []
    assert "HELD Alder 4471" in words_of(page)
    assert f'href="{address(eastmere, "hold-tag", load=load)}"' in page.content.decode()


@pytest.mark.parametrize("code", ["R-Rack 3", "rack 3"])
def test_a_racks_code_leads_to_the_racks_page(eastmere: Department, code: str) -> None:
    rack = floor_cast.given_rack(eastmere, "Rack 3")
    answer = visitor(eastmere, "Ines").get(address(eastmere, "scan"), {"code": code})
    assert answer["Location"] == address(eastmere, "rack", rack=rack)


def test_a_rack_of_another_facility_leads_nowhere(eastmere: Department) -> None:
    westmere = visitors.another_department()
    floor_cast.given_rack(westmere, "Rack 9")
    answer = visitor(eastmere, "Ines").get(address(eastmere, "scan"), {"code": "R-Rack 9"}, follow=True)
    assert "Nothing here has the code" in words_of(answer)

"""Release label and record on one page: their codes read back by another library (zxing), and what they say."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import zxingcpp
from django.http import HttpResponse

from incidents.operations import readings, setting_up
from incidents.rules import gs1
from tests import cast, visitors
from tests.cast import Department, done, request
from tests.record_cast import SOURCE, given_recorded_load
from tests.recorded import without_rows
from tests.test_hold_tag import MM, codes_on, printed, words_on
from tests.test_judge import LIMITS, RECIPE
from tests.visitors import address, alert_of, visitor


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    cast.publish_programme(department, **RECIPE, limits=LIMITS)
    done(setting_up.set_basis(request(department, "Ada"), basis="computed", source=SOURCE))
    yield department
    cast.rebuilt_equals_live(department)


def paper(department: Department, route: str, load: Any) -> HttpResponse:
    return visitor(department, "Ines").get(address(department, route, load=load))


def given_released_by_readings(department: Department) -> Any:
    load = given_recorded_load(department)
    done(readings.review_readings(request(department, "Ines"), load=load))
    done(cast.let_go(department, load))
    return load


def matrix_on(page: Any) -> Any:
    image = page.render(scale=300 / 72).to_pil()
    (found,) = [each for each in zxingcpp.read_barcodes(image) if "Matrix" in str(each.format)]
    return found


@pytest.mark.parametrize("route", ["release-label", "record-page"])
def test_both_codes_are_read_back_and_lead_to_the_load(eastmere: Department, route: str) -> None:
    """GS1 General Specifications 5.6: FNC1 first makes it a GS1 DataMatrix, which the reader tells as ]d2."""
    load = given_released_by_readings(eastmere)
    number = cast.load_now(eastmere, load).number
    page = printed(paper(eastmere, route, load))
    assert ("Code128", number) in codes_on(page)
    found = matrix_on(page)
    assert (found.content_type, found.symbology_identifier) == (zxingcpp.ContentType.GS1, "]d2")
    assert found.bytes == b"91" + number.encode()
    scanned = found.symbology_identifier + found.bytes.decode()
    answer = visitor(eastmere, "Ines").get(address(eastmere, "scan"), {"code": scanned})
    assert answer["Location"] == address(eastmere, "load", load=load)


def test_the_label_says_for_what_by_whom_and_on_what_evidence(eastmere: Department) -> None:
    load = given_released_by_readings(eastmere)
    page = printed(paper(eastmere, "release-label", load))
    assert (round(page.get_width() / MM), round(page.get_height() / MM)) == (100, 60)
    said = " ".join(words_on(page))
    for part in ("For packing", "by Ines", "Programme Instruments, edition 2", "Evidence computed", "Basic set 1"):
        assert part in said
    assert "safe" not in said.lower()


def test_no_label_for_what_is_not_released_or_under_recall(eastmere: Department) -> None:
    load = given_recorded_load(eastmere)
    answer = paper(eastmere, "release-label", load)
    assert answer.status_code == 409 and "no release label" in alert_of(answer)
    done(readings.review_readings(request(eastmere, "Ines"), load=load))
    done(cast.let_go(eastmere, load))
    done(cast.hold(eastmere, load))
    assert paper(eastmere, "release-label", load).status_code == 409


def test_the_record_fits_one_page_and_says_what_is_not_proven(eastmere: Department) -> None:
    load = given_recorded_load(eastmere, without_rows(1240, 1300))
    page = printed(paper(eastmere, "record-page", load))
    assert (round(page.get_width() / MM), round(page.get_height() / MM)) == (210, 297)
    said = " ".join(words_on(page))
    for part in ("Criteria not proven", "NOT PROVEN", "a gap from", "Stands against a release", "lower limit 90"):
        assert part in said


def test_a_load_without_a_record_has_no_page_of_it(eastmere: Department) -> None:
    answer = paper(eastmere, "record-page", cast.given_finished_load(eastmere))
    assert answer.status_code == 409 and "there is none to print" in alert_of(answer)


# --- GS1 ----------------------------------------------------------------------------------------------


# Worked examples as published: GS1 Hong Kong and GS1 India (check digit pages), GS1 EPC (an SSCC), GS1/FDA (a UDI's
# device identifier), an element string of GS1's own tests.
KEYS = ("6291041500213", "8904000210037", "106141412345678908", "51022222233336", "09506000134352")


@pytest.mark.parametrize("key", KEYS)
def test_check_digits_are_those_published(key: str) -> None:
    assert gs1.check_digit(key[:-1]) == int(key[-1])
    assert gs1.is_key(key)
    for wrong in range(10):
        assert gs1.is_key(key[:-1] + str(wrong)) == (wrong == int(key[-1]))


def test_a_wrong_sscc_is_none() -> None:
    assert not gs1.is_key("106141412345678909")
    assert not gs1.is_key("") and not gs1.is_key("12a4")


def test_element_strings_are_parted_at_their_lengths_and_at_fnc1() -> None:
    """GS1 General Specifications, 7.8: fixed lengths need no separator, others end at FNC1."""
    told = gs1.read("]d20109506000134352" + "17141120" + "10ABC123" + gs1.FNC1 + "21XYZ")
    assert told == {"01": "09506000134352", "17": "141120", "10": "ABC123", "21": "XYZ"}
    assert gs1.read("2026-00412") == {} and gs1.load_number("2026-00412") == "2026-00412"
    assert gs1.read("]d2ZZ") == {}
    string = gs1.element_string([("10", "A1"), ("91", "2026-00412")])
    assert string == "10A1" + gs1.FNC1 + "912026-00412"
    with pytest.raises(ValueError, match="can’t hold"):
        gs1.element_string([("91", "2026 00412")])

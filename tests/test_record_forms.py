"""A machine's own export, read under the columns that a department gave it: tried first, then set."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

import pytest

from incidents.analysis import readings as files
from incidents.operations import readings
from incidents.rules.events import ColumnMeaning, ProbeReport
from tests import cast, visitors
from tests.cast import Department, done, given_finished_load, refused, request, standing, whole_log
from tests.record_cast import computing_department, keep, record_of
from tests.recorded import as_csv, good
from tests.visitors import address, visitor, words_of

THEIRS = {
    "time_s": "Zeit [s]",
    "probe_1_degC": "Fühler 1",
    "probe_2_degC": "Fühler 2",
    "probe_3_degC": "Fühler 3",
    "probe_4_degC": "Fühler 4",
    "control_degC": "Regelung",
    "independent_degC": "Prüfung",
    "conductivity_25degC_uS_cm": "Leitwert",
    "dose_1_ml": "Dosierung 1",
    "dose_2_ml": "Dosierung 2",
    "door": "door",
    "phase": "Abschnitt",
}
COLUMNS = [ColumnMeaning(theirs, ours) for ours, theirs in THEIRS.items()]
REPORT = ProbeReport("probe_1", "Report V-12 (invented)")


def export() -> bytes:
    """The good record as another machine writes it: two lines before the names, semicolons, decimal commas."""
    lines = as_csv(good()).decode().splitlines()
    rows = [";".join(cell.replace(".", ",") for cell in line.split(",")) for line in lines[1:]]
    names = ";".join(THEIRS[name] for name in lines[0].split(","))
    return "\n".join(["Alder", "Charge 17", names, *rows, ""]).encode("utf-16")


@pytest.fixture
def spd(db: None) -> Iterator[Department]:
    department = computing_department()
    yield department
    cast.rebuilt_equals_live(department)


def set_form(spd: Department, who: str = "Bo", **more: Any) -> Any:
    given: dict[str, Any] = {"columns": COLUMNS, "header_line": 3, "probes": [REPORT]} | more
    return readings.set_record_form(request(spd, who), machine=spd.machine, **given)


def test_an_export_is_read_as_the_machines_form_says(spd: Department) -> None:
    load = given_finished_load(spd)
    assert refused(keep(spd, load, export())) == "record-unreadable"
    done(set_form(spd))
    done(keep(spd, load, export()))
    assert record_of(spd, load).verdict == "met" and standing(spd, load) == []


def test_what_is_wrong_in_an_export_is_told_with_its_own_line(spd: Department) -> None:
    done(set_form(spd))
    columns = files.Columns({each.column: each.signal for each in COLUMNS}, 3)
    with pytest.raises(files.Unreadable, match="Line 5, column 2: “warm” is not a number"):
        files.read(io.BytesIO(b"a\nb\nZeit [s];F\xc3\xbchler 1\n0;20,1\n1;warm\n"), columns)
    with pytest.raises(files.Unreadable, match="Line 3: No column is named"):
        files.read(io.BytesIO(b"a\nb\nc;d\n0;20,1\n"), columns)


NO_FORM: dict[str, tuple[dict[str, Any], str]] = {
    "a signal without unit": ({"columns": [ColumnMeaning("A", "probe_1")]}, "no signal with its unit"),
    "a column twice": ({"columns": [ColumnMeaning("A", "time_s"), ColumnMeaning("A", "phase")]}, "stands twice"),
    "a signal twice": ({"columns": [ColumnMeaning("A", "time_s"), ColumnMeaning("B", "time_s")]}, "stands twice"),
    "no column’s name": ({"columns": [ColumnMeaning(" ", "time_s")]}, "needs 1 to 200"),
    "line 0": ({"header_line": 0}, "must be 1 to 50"),
    "line 51": ({"header_line": 51}, "must be 1 to 50"),
    "a report of no probe": ({"probes": [ProbeReport("wall", "V-12")]}, "is no probe"),
    "an empty report": ({"probes": [ProbeReport("probe_1", " ")]}, "the report of probe_1"),
    "too many": ({"columns": [ColumnMeaning(f"c{n}", f"s{n}_ml") for n in range(65)]}, "more than 64"),
}


@pytest.mark.parametrize("name", NO_FORM)
def test_a_form_that_cannot_be_is_refused(spd: Department, name: str) -> None:
    more, words = NO_FORM[name]
    size = len(whole_log(spd))
    outcome = set_form(spd, **more)
    assert refused(outcome) == "record-form" and words in outcome.sentence
    assert len(whole_log(spd)) == size


def test_who_sets_it(spd: Department) -> None:
    assert refused(set_form(spd, "Ines")) == "role"
    for who in ("Bo", "Sanne", "Ada"):
        done(set_form(spd, who))


def test_the_page_tries_a_file_and_keeps_nothing_of_it(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    spd = visitors.department_with_doors(monkeypatch, slug="eastmere")
    bo, url = visitor(spd, "Bo"), address(spd, "record-form", machine=spd.machine)
    typed = {
        "columns": "\n".join(f"{each.column} = {each.signal}" for each in COLUMNS),
        "header_line": "3",
        "probes": "probe_1 = Report V-12 (invented)",
    }
    size = len(whole_log(spd))
    answer = bo.post(url, typed | {"do": "try", "record": io.BytesIO(export())})
    assert answer.status_code == 200
    words = words_of(answer)
    assert "This file can be read" in words and "851 rows over 1700 s" in words and "is probe_1_degC" in words
    answer = bo.post(url, typed | {"header_line": "1", "do": "try", "record": io.BytesIO(export())})
    assert answer.status_code == 409 and "Line 1" in words_of(answer)
    assert len(whole_log(spd)) == size
    answer = bo.post(url, typed | {"do": "set", "deed": str(spd.new_deed())})
    assert answer.status_code == 302
    load = given_finished_load(spd)
    done(keep(spd, load, export()))
    told = words_of(visitor(spd, "Ines").get(address(spd, "readings", load=load)))
    assert "is related to the load by Report V-12 (invented)" in told
    cast.rebuilt_equals_live(spd)

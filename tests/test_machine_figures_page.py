"""A machine's figures on its page and over the API: verdicts in words, how old they are, any past moment."""

from __future__ import annotations

import html
import io
import re
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import urlencode

import pytest
from django.core.management import CommandError, call_command

from incidents.figures.models import FigureReport
from incidents.ledger.reading import head
from incidents.operations import figures
from incidents.projections.models import MachineRow
from incidents.queries import figure_words
from incidents.queries import figures as looks
from incidents.simulation import model, writer
from tests import visitors
from tests.api_callers import program, told
from tests.cast import Department
from tests.test_figures import aborted
from tests.visitors import visitor, words_of

END = datetime(2026, 3, 31, 12, tzinfo=UTC)


@pytest.fixture
def spd(db: None, monkeypatch: pytest.MonkeyPatch, settings: Any) -> Department:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    for n in range(5):
        aborted(department, n)
    return department


def page(department: Department, **asked: str) -> str:
    url = visitors.address(department, "machine-figures", machine=department.machine)
    answer = visitor(department, "Bo").get(f"{url}?{urlencode(asked)}")
    assert answer.status_code == 200
    return re.sub(r"\s+", " ", html.unescape(words_of(answer)))


def test_before_the_first_report_the_page_says_when_there_will_be_one(spd: Department) -> None:
    assert "No figures yet" in page(spd)


def test_the_page_says_its_verdicts_and_what_they_rest_on(spd: Department) -> None:
    figures.compute(spd.id, spd.now)
    said = page(spd)
    assert "5 faults in 5 cycles" in said
    assert "Too few to say: 2 faults over 5 cycles." in said
    assert "MIL-HDBK-189 (1981)" in said
    assert "older than the log" not in said


def test_a_stale_figure_says_so(spd: Department) -> None:
    figures.compute(spd.id, spd.now)
    aborted(spd, 8)
    top, report = head(spd.id), FigureReport.objects.get()
    assert top is not None
    assert f"{top.size - report.position} entries have come since" in page(spd)


def test_figures_of_an_older_method_say_so(spd: Department) -> None:
    figures.compute(spd.id, spd.now)
    FigureReport.objects.update(version=0)
    assert "An older version of the method" in page(spd)


def test_a_past_moment_is_computed_when_somebody_asks(spd: Department) -> None:
    then = spd.now + timedelta(seconds=1)
    spd.wait(5)
    aborted(spd, 8)
    when = f"{then:%Y-%m-%dT%H:%M:%S}"
    assert "No figures of that moment" in page(spd, when=when)
    sent = visitor(spd, "Bo").post(
        visitors.address(spd, "compute-figures", machine=spd.machine), visitors.carried(spd) | {"when": when}
    )
    assert sent.status_code == 302
    assert "It is being computed" in page(spd, when=when)
    for one in figures.due(spd.now, 500):
        for number in one.chunks:
            figures.reckon(one.report, number, spd.now)
    assert "5 faults in 5 cycles" in page(spd, when=when)


def test_a_moment_that_cannot_be_read_is_told(spd: Department) -> None:
    assert "“yesterday” is no moment" in page(spd, when="yesterday")


def test_the_api_tells_the_same(spd: Department) -> None:
    path = f"machines/{spd.machine}/figures/"
    asking = program(spd, "Bo")
    assert told(asking.get(path))["position"] is None
    figures.compute(spd.id, spd.now)
    found = told(asking.get(path))
    top = head(spd.id)
    assert top is not None
    assert (found["position"], found["since"]) == (top.size, 0)
    assert [one["own"]["fault"] for one in found["rows"]] == ["", "A01", "W02", "T01"]
    assert found["rows"][0]["statements"][0] in page(spd)
    assert told(asking.get(f"{path}?size={top.size - 1}"))["position"] is None


# --- the command --------------------------------------------------------------------------------------


def said_by(*words: str) -> str:
    out = io.StringIO()
    call_command("figures", *words, stdout=out)
    return out.getvalue()


def test_the_command_computes_what_is_and_what_was(spd: Department) -> None:
    then = spd.now + timedelta(seconds=1)
    spd.wait(5)
    aborted(spd, 8)
    assert "Alder, all faults: 6 in 6 cycles, no trend shown" in said_by("--facility", "eastmere")
    assert "Alder, all faults: 5 in 5 cycles, no trend shown" in said_by("--at", then.isoformat())
    assert "nothing was recorded yet" in said_by("--at", "2020-01-01")


@pytest.mark.parametrize("words", [("--at", "yesterday"), ("--facility", "nowhere")])
def test_the_command_says_what_it_cannot_take(spd: Department, words: tuple[str, ...]) -> None:
    with pytest.raises(CommandError, match="Nothing was computed"):
        said_by(*words)


# --- the demonstration --------------------------------------------------------------------------------


def test_the_demonstrations_worsening_machine_rises_and_its_repaired_one_is_repaired(db: None) -> None:
    """The demonstration's own seed, days and machines. The model makes Birch a power law of shape 2.8, and changes
    Rowan's circulation pump at 45 % of the time."""
    said: dict[str, str] = {}
    for department in model.departments(7, END, 30, 8):
        for _ in writer.write_history(department, 7, END):
            pass
        figures.compute(department.facility, END)
        for machine, name in MachineRow.objects.filter(facility_id=department.facility).values_list(
            "owner", "name"
        ):
            found = looks.of_machine(department.facility, machine)
            assert found is not None
            said[name] = figure_words.headline(found)
    assert "rising" in said["Birch"]
    assert said["Rowan"] == "a repair is shown to have worked"
    quiet = {name: words for name, words in said.items() if name not in ("Birch", "Rowan")}
    assert not any("rising" in words or "repair" in words for words in quiet.values()), quiet

"""`manage.py bench` measures on a database of its own and says what it found. How fast, no test asks."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.db import connection
from django.test import Client

from incidents.management.benches import pages
from incidents.pages import load_forms

MANAGE = Path(settings.BASE_DIR) / "manage.py"
TINY = {
    "figures": ("--machines", "30"),
    "sweep": ("--items", "300"),
    "append": ("--seconds", "0.3", "--clients", "2"),
    "deed": ("--seconds", "0.3"),
    "rebuild": ("--events", "600"),
    "pages": ("--events", "2000", "--times", "1"),
    "http": ("--times", "10"),
    "watching": ("--events", "1500", "--viewers", "3", "--seconds", "2"),
}
ALWAYS = {"name", "database", "events_per_s", "p50_ms", "p99_ms", "raw_events_per_s", "ratio_to_raw"}


def bench(what: str, data: Path, *more: str) -> str:
    """What the command prints; the user's data would be in `data`."""
    run = subprocess.run(
        [sys.executable, MANAGE, "bench", what, *TINY[what], *more],
        env=os.environ | {"SLUICEGATE_DATA": str(data)},
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert run.returncode == 0, run.stderr
    return run.stdout


@pytest.mark.parametrize(("what", "also"), [("append", "ratio_to_bare_insert"), ("deed", "ratio_to_bare_insert")])
def test_appends_and_deeds_are_measured_beside_the_driver(what: str, also: str, tmp_path: Path) -> None:
    for figure in json.loads(bench(what, tmp_path, "--json")):
        assert figure.keys() == {*ALWAYS, also}
        assert_measured(figure)


def test_a_rebuild_says_how_long_it_held_the_lock(tmp_path: Path) -> None:
    figures = json.loads(bench("rebuild", tmp_path, "--json"))
    for figure in figures:
        assert figure.keys() == {*ALWAYS, "lock_ms"}
        assert_measured(figure)
    from_nothing, damaged, check = (figure["lock_ms"] for figure in figures)
    assert from_nothing > 0 and damaged > 0 and check == 0


def test_a_sweep_and_an_alarms_way_to_its_channel_are_measured(tmp_path: Path) -> None:
    """The bench itself ends with an error where not every due item climbed, or an alarm was not told."""
    sweep, soon = json.loads(bench("sweep", tmp_path, "--json"))
    assert sweep.keys() == {"name", "database", "seconds"}
    assert sweep["seconds"] > 0
    assert 0 < soon["p50_ms"] <= soon["p99_ms"]


def test_every_page_of_a_department_is_measured_with_its_statements(tmp_path: Path) -> None:
    """A page that no visit names ends the bench, so that it succeeds says that none is left out."""
    figures = json.loads(bench("pages", tmp_path, "--json"))
    for figure in figures:
        measured = {"p50_ms", "p99_ms", "cpu_p50_ms", "cpu_p99_ms"}
        assert figure.keys() == {"name", "database", "queries", "kilobytes"} | measured
        assert 0 < figure["p50_ms"] <= figure["p99_ms"]
        assert 0 < figure["cpu_p50_ms"] <= figure["cpu_p99_ms"]
    names = {figure["name"].partition(",")[0] for figure in figures}
    deeds = {figure["name"].partition(", ")[2] for figure in figures if figure["name"].startswith("load-deed")}
    unmeasured = deeds ^ set(load_forms.DEEDS)
    assert not unmeasured, f"LOAD_DEEDS in management/benches/pages.py: add or remove {sorted(unmeasured)}"
    assert {"now", "wall", "load", "machine", "evidence", "loads", "downtime", "catalogue-compare"} <= names


def test_figures_are_measured_beside_the_library(tmp_path: Path) -> None:
    """Another shape or mean than the library's ends the bench, so that it succeeds says that they agree."""
    figures = json.loads(bench("figures", tmp_path, "--json"))
    assert all(figure["seconds"] >= 0 for figure in figures)
    compared = [figure for figure in figures if "times_the_library" in figure]
    beside = {figure["name"].partition(",")[0]: figure["times_the_library"] for figure in compared}
    assert beside.keys() == {"Laplace", "power law", "mean cumulative faults"}
    assert all(ratio > 0 for ratio in beside.values())
    assert [figure.get("workers", 1) for figure in figures if figure["name"].startswith("in chunks")] == [1, 2]


def test_the_api_is_measured_beside_a_plain_view_and_wsgi_beside_asgi(tmp_path: Path) -> None:
    """An answer other than the one asked for ends the bench, so that it succeeds says that all were done."""
    figures = json.loads(bench("http", tmp_path, "--json"))
    assert not list(tmp_path.glob("*.sqlite3*"))
    always = {"name", "database", "server", "clients", "per_s", "p50_ms", "p99_ms", "cpu_ms"}
    compared = {figure["name"] for figure in figures if "ratio_to_plain" in figure}
    assert compared == {"add_note, API", "acknowledge_alarm, API"}
    for figure in figures:
        assert figure.keys() - {"ratio_to_plain"} == always
        assert 0 < figure["p50_ms"] <= figure["p99_ms"] and figure["per_s"] > 0 <= figure["cpu_ms"]
    told = {(figure["name"], figure["server"], figure["clients"]) for figure in figures}
    assert {("device batches of 100", "asgi", 1), ("page, now", "wsgi", 4), ("API, add_note", "asgi", 4)} <= told


def test_screens_on_a_real_servers_live_stream_are_measured(tmp_path: Path) -> None:
    """That it ends says that every screen was told of every deed, and showed it."""
    idle, told, shown = json.loads(bench("watching", tmp_path, "--json"))
    for figure in (idle, told, shown):
        assert (figure["viewers"], figure["database"]) == (3, connection.vendor)
    assert 0 <= idle["percent_of_core"] < 100
    assert 0 < told["p50_ms"] <= told["p99_ms"]
    assert told["p50_ms"] < shown["p50_ms"]


def test_a_page_without_a_visit_ends_the_bench(db: None) -> None:
    every = {str(pattern.name) for pattern in pages.page_routes()}
    with pytest.raises(LookupError, match="sign-in"):
        pages.everything_is_visited(Client(), every - {"sign-in"})


def assert_measured(figure: dict[str, Any]) -> None:
    assert figure["database"] in ("sqlite", "postgresql")
    told = {key: value for key, value in figure.items() if key not in ("name", "database", "lock_ms")}
    assert all(value > 0 for value in told.values()), figure
    assert figure["p50_ms"] <= figure["p99_ms"]


def test_the_users_own_database_is_left_alone(tmp_path: Path) -> None:
    bench("rebuild", tmp_path)
    assert not list(tmp_path.glob("*.sqlite3*"))

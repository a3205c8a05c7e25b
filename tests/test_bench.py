"""`manage.py bench` measures on a database of its own and says what it found. How fast, no test asks."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings

MANAGE = Path(settings.BASE_DIR) / "manage.py"
TINY = {
    "append": ("--seconds", "0.3", "--clients", "2"),
    "deed": ("--seconds", "0.3"),
    "rebuild": ("--events", "600"),
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


def assert_measured(figure: dict[str, Any]) -> None:
    assert figure["database"] in ("sqlite", "postgresql")
    told = {key: value for key, value in figure.items() if key not in ("name", "database", "lock_ms")}
    assert all(value > 0 for value in told.values()), figure
    assert figure["p50_ms"] <= figure["p99_ms"]


def test_the_users_own_database_is_left_alone(tmp_path: Path) -> None:
    bench("rebuild", tmp_path)
    assert not list(tmp_path.glob("*.sqlite3*"))

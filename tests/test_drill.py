"""`manage.py drill`, small; `--drill` makes it long. Nothing acknowledged is lost (I4) or twice (I5)."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from django.db import connection

from tests.test_start import HOUSE, environment

pytestmark = pytest.mark.drill


def drill(*words: str, data: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "manage.py", "drill", *words]
    surroundings = environment(SLUICEGATE_DATA=str(data))
    return subprocess.run(command, cwd=HOUSE, env=surroundings, text=True, capture_output=True, timeout=5000)


def test_what_was_acknowledged_is_there_once_whatever_is_killed(
    tmp_path: Path, long_drill: bool, postgresql_bin: Path
) -> None:
    acks, kills = (10_000, 200) if long_drill else (150, 4)
    engine = connection.vendor
    ran = drill("ledger", "--acks", str(acks), "--kills", str(kills), "--engine", engine, "--json", data=tmp_path)
    assert ran.returncode == 0, ran.stderr or ran.stdout
    told = json.loads(ran.stdout)
    assert (told["database"], told["acknowledged"], told["kills"]) == (engine, acks, kills)
    assert (told["lost"], told["duplicated"], told["whole"]) == (0, 0, True)
    assert told["events"] >= acks
    assert told["control_lost"] > 0, "a drill that finds nothing in a server that lies proves nothing"
    assert not list(tmp_path.glob("*.sqlite3*")), "it works in a folder of its own"


def test_what_was_due_is_told_once_and_arrives_whatever_is_killed(
    tmp_path: Path, long_drill: bool, postgresql_bin: Path
) -> None:
    """I12, and the outbox: sent at least once, under one id."""
    items, kills = (500, 100) if long_drill else (8, 4)
    engine = connection.vendor
    ran = drill(
        "escalation", "--items", str(items), "--kills", str(kills), "--engine", engine, "--json", data=tmp_path
    )
    assert ran.returncode == 0, ran.stderr or ran.stdout
    told = json.loads(ran.stdout)
    assert (told["database"], told["kills"], told["wiped"]) == (engine, kills, 1)
    assert told["due"] == told["events"] == told["sent"] == 3 * items
    assert (told["missed"], told["duplicate_events"]) == (0, 0)
    assert told["control_missed"] > 0, "a drill that misses nothing of what forgetful workers lose proves nothing"


@pytest.mark.parametrize(
    "words",
    [
        ("ledger", "--acks", "5", "--kills", "5"),
        ("ledger", "--acks", "9", "--kills", "0"),
        ("escalation", "--items", "0"),
    ],
)
def test_a_drill_without_a_point_is_refused(tmp_path: Path, words: tuple[str, ...]) -> None:
    assert drill(*words, data=tmp_path).returncode == 2

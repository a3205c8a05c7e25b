"""A backup is taken while people work, and put in the place of the newer one: what was lost is noticed."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from django.db import connection

from incidents.ledger import witness
from tests import cast
from tests.test_start import HOUSE, environment, house

A_DEPARTMENT = """
import django; django.setup()
from tests.cast import open_department
spd = open_department(slug="eastmere")
spd.people["Ada"].login = "ada"; spd.people["Ada"].save()
"""
GOES_ON = """
import django; django.setup()
from incidents.identity.models import Facility, Person
from tests.appender import acknowledged
acknowledged(Facility.objects.get().id, Person.objects.get(login="ada").id, 1)
"""
IS_WELL = """
import django; django.setup()
from django.db import connection
from incidents.ledger import guards, witness
guards.require_sound(connection); witness.require_unshortened()
"""
ACCEPT = ("accept-restore", "--facility", "eastmere", "--by", "ada", "--reason", "The disk failed.")


def python(*words: str, check: bool = True, **surroundings: str) -> subprocess.CompletedProcess[str]:
    settled = environment(DJANGO_SETTINGS_MODULE="config.settings", **surroundings)
    command = [sys.executable, *words]
    return subprocess.run(command, cwd=HOUSE, env=settled, text=True, capture_output=True, check=check, timeout=120)


def manage(*words: str, check: bool = True, **surroundings: str) -> subprocess.CompletedProcess[str]:
    return python("manage.py", *words, check=check, **surroundings)


# --- the embedded engine ------------------------------------------------------------------------------


def test_a_start_refuses_a_restored_backup_until_it_is_accepted(tmp_path: Path) -> None:
    data, kept = tmp_path / "data", tmp_path / "kept.sqlite3"
    here = {"SLUICEGATE_DATA": str(data)}
    manage("migrate", **here)
    python("-c", A_DEPARTMENT, **here)
    with house(data) as running:
        manage("backup", str(kept), **here)  # while it runs
        python("-c", GOES_ON, **here)
        python("-c", "import django; django.setup(); from incidents.ledger import witness; witness.note()", **here)
        running.end(signal.SIGINT)
    for left in data.glob("sluicegate.sqlite3*"):
        left.unlink()
    kept.rename(data / "sluicegate.sqlite3")

    refused = manage("start", "--port", "0", check=False, **here)
    assert refused.returncode == 1
    assert "manage.py accept-restore" in refused.stderr
    assert python("-c", "import config.asgi", check=False, **here).returncode != 0

    accepted = manage(*ACCEPT, **here)
    assert "Accepted at position" in accepted.stdout
    with house(data) as running:
        assert running.port
    assert manage("rebuild", "--check", **here).stdout.endswith(" 0 differences\n")


@pytest.mark.parametrize("where", ["there", "nowhere/at/all"])
def test_a_backup_never_takes_anothers_place(tmp_path: Path, where: str) -> None:
    (tmp_path / "there").write_text("yesterday's")
    here = {"SLUICEGATE_DATA": str(tmp_path / "data")}
    manage("migrate", **here)
    refused = manage("backup", str(tmp_path / where), check=False, **here)
    assert refused.returncode == 2
    assert where in refused.stderr
    assert (tmp_path / "there").read_text() == "yesterday's"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["data", "there"]


# --- PostgreSQL ---------------------------------------------------------------------------------------


def login(name: str) -> str:
    at = connection.settings_dict
    user = quote(at["USER"]) + (f":{quote(at['PASSWORD'])}" if at["PASSWORD"] else "")
    return f"postgresql://{user}@{quote(at['HOST'], safe='')}:{at['PORT'] or 5432}/{name}"


@pytest.fixture
def another_database(committed: None) -> Iterator[str]:
    name = f"restored_{os.getpid()}"
    with connection.cursor() as cursor:
        cursor.execute(f"CREATE DATABASE {name}")
        yield name
        cursor.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.mark.skipif(connection.vendor != "postgresql", reason="on SQLite the test above does the same")
def test_a_restored_dump_is_guarded_and_doubted(
    another_database: str, postgresql_bin: Path, tmp_path: Path, settings: object
) -> None:
    spd = cast.open_department(slug="eastmere")
    spd.people["Ada"].login = "ada"
    spd.people["Ada"].save()
    dump = tmp_path / "kept.dump"
    run = {"check": True, "timeout": 120}
    ours = str(connection.settings_dict["NAME"])
    subprocess.run([postgresql_bin / "pg_dump", "--format=custom", "-f", dump, login(ours)], **run)  # type: ignore[call-overload]
    cast.given_aborted_load(spd)
    settings.WITNESS = tmp_path / "witness.json"  # type: ignore[attr-defined]
    witness.note()
    subprocess.run(
        [postgresql_bin / "pg_restore", "--no-owner", "-d", login(another_database), dump],
        **run,  # type: ignore[call-overload]
    )
    here = {
        "SLUICEGATE_DATA": str(tmp_path),
        "SLUICEGATE_WITNESS": str(tmp_path / "witness.json"),
        "DATABASE_URL": login(another_database),
    }
    refused = python("-c", IS_WELL, check=False, **here)
    assert "LogShortened" in refused.stderr
    assert "Accepted at position" in manage(*ACCEPT, **here).stdout
    python("-c", IS_WELL, **here)

"""A simulated history in a real database: the same bytes everywhere, whole days or none, and kept apart."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from itertools import takewhile
from pathlib import Path
from urllib.parse import quote
from uuid import UUID

import pytest
from django.core.management import call_command
from django.db import connection

from incidents.identity.models import Facility, Person, Signing
from incidents.ledger.models import Deed
from incidents.ledger.reading import head, read_all
from incidents.management.commands import simulate
from incidents.operations import demonstration, founding
from incidents.operations.demonstration import NotADemonstration, RealDataHere
from incidents.projections import rebuild
from incidents.rules.events import CycleReadingsKept
from incidents.rules.refusals import Refusal
from incidents.simulation import model
from incidents.simulation.writer import NOTHING, Writer, write_history
from tests.cast import given_reviewed_load, open_department

HOUSE = Path(__file__).resolve().parent.parent
END = datetime(2026, 10, 29, tzinfo=UTC)
A_WEEK = ("--days", "7", "--seed", "7", "--machines", "6", "--end", "2026-10-28")
ROOT = re.compile(r"^(\w+): (\d+) events, root ([0-9a-f]{64})$", re.MULTILINE)


def elsewhere(folder: Path, *words: str) -> str:
    """The command in a process and a database (SQLite) of its own."""
    env = {name: value for name, value in os.environ.items() if name != "DATABASE_URL"}
    env |= {"SLUICEGATE_DATA": str(folder)}
    for command in (("migrate", "-v0"), ("simulate", *words)):
        ran = subprocess.run(
            [sys.executable, "manage.py", *command], cwd=HOUSE, env=env, capture_output=True, text=True, timeout=240
        )
        assert ran.returncode == 0, ran.stderr
    return ran.stdout


def roots() -> dict[str, tuple[int, str]]:
    found = {}
    for facility in Facility.objects.all():
        log = head(facility.id)
        assert log is not None
        found[facility.name] = (log.size, log.root.hex())
    return found


def told(output: str) -> dict[str, tuple[int, str]]:
    return {name: (int(size), root) for name, size, root in ROOT.findall(output)}


def test_a_week_has_the_same_bytes_on_every_database_and_folds_as_it_was_written(
    committed: None, tmp_path: Path
) -> None:
    """Here on the database under test; beside it in a SQLite file of its own. Ids and salts are in the bytes."""
    said: list[str] = []
    written = simulate.write(7, END, 7, 6, said.append)
    assert written.odd == ()
    assert written.done > 1_500
    assert written.refused > 0
    here = roots()
    assert set(here) == {"Eastmere", "Quillhaven"}
    assert told("\n".join(said)) == here
    assert told(elsewhere(tmp_path, *A_WEEK)) == here
    for facility in Facility.objects.all():
        assert facility.demo
        assert rebuild.check(facility.id).differences == 0
        _its_records_are_met(facility.id)
        _its_moments_never_fall(facility.id)


def _its_records_are_met(facility: UUID) -> None:
    """Cycles that ran through, held against limits that are there: nothing is left unproven."""
    kept = [event.data for event in read_all(facility) if isinstance(event.data, CycleReadingsKept)]
    assert kept
    assert {record.verdict for record in kept} == {"met"}


def _its_moments_never_fall(facility: UUID) -> None:
    """Each deed of a day kept together has its own moment."""
    moments = [event.recorded_at for event in read_all(facility)]
    assert moments == sorted(moments)
    assert len(set(moments)) > 200


def test_another_seed_has_other_bytes(committed: None, tmp_path: Path) -> None:
    simulate.write(8, END, 1, 6, lambda _: None)
    seventh = told(elsewhere(tmp_path, "--days", "1", "--seed", "7", "--machines", "6", "--end", "2026-10-28"))
    assert seventh.keys() == roots().keys()
    assert all(root != seventh[name][1] for name, (_, root) in roots().items())


@pytest.mark.django_db
def test_a_signature_without_a_pin_is_refused_outside_a_demonstration() -> None:
    spd = open_department()
    load = given_reviewed_load(spd)
    with pytest.raises(NotADemonstration):
        demonstration.sign_without_pin(
            spd.id, spd.people["Ines"].id, spd.new_deed(), "I release this load.", [load], spd.now
        )
    assert not Signing.objects.exists()
    with pytest.raises(NotADemonstration), demonstration.kept_together(spd.id, "day", spd.now, b"seed"):
        raise AssertionError("a real facility kept a simulated day together")


@pytest.mark.django_db
def test_no_demonstration_is_founded_beside_a_real_facility() -> None:
    open_department()
    with pytest.raises(RealDataHere):
        simulate.write(7, END, 1, 6, lambda _: None)
    assert not Facility.objects.filter(demo=True).exists()
    with pytest.raises(SystemExit, match="holds data already"):
        call_command("simulate")


@pytest.mark.django_db
def test_no_real_facility_is_founded_beside_a_demonstration() -> None:
    simulate.write(7, END, 1, 6, lambda _: None)
    before = Person.objects.count()
    given = {
        "slug": "real",
        "facility": "Real",
        "time_zone": "UTC",
        "login": "x",
        "name": "X",
        "password": "long enough",
    }
    given |= {"badge": "B-1", "pin": "4711", "programme": "P", "machine": "M", "machine_code": "C", "chambers": "1"}
    outcome = founding.found(given, UUID(int=7), datetime(2026, 10, 30, tzinfo=UTC))
    assert isinstance(outcome, Refusal)
    assert (Person.objects.count(), Facility.objects.filter(demo=False).count()) == (before, 0)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("--end", "2999-01-01"), "in the future"),
        (("--machines", "5"), "from 6 to 12"),
        (("--days", "0"), "from 1 to 400"),
        (("--seed", "x"), "whole number"),
        (("--end", "yesterday"), "a date like"),
    ],
)
def test_what_cannot_be_simulated_is_said(words: tuple[str, ...], complaint: str, tmp_path: Path) -> None:
    ran = subprocess.run(
        [sys.executable, "manage.py", "simulate", *words],
        cwd=HOUSE,
        env=os.environ | {"SLUICEGATE_DATA": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert ran.returncode != 0
    assert complaint in ran.stderr
    assert "Traceback" not in ran.stderr


@pytest.mark.drill
def test_a_day_is_there_whole_or_not_at_all_after_a_kill(committed: None, tmp_path: Path) -> None:
    """Killed while it writes: of every day either all of its deeds are in the ledger, or none."""
    writing = subprocess.Popen(
        [sys.executable, "manage.py", "simulate", *A_WEEK], cwd=HOUSE, env=leading_here(tmp_path)
    )
    deadline = time.monotonic() + 120
    while Deed.objects.count() < 500 and time.monotonic() < deadline:
        time.sleep(0.01)
    writing.send_signal(signal.SIGKILL)
    assert writing.wait(20) == -signal.SIGKILL
    kept = set(Deed.objects.values_list("deed_id", flat=True))
    assert len(kept) >= 500
    days = whole = 0
    for department in model.departments(7, END, 7, 6):
        zone = department.floor.zone
        by_day: dict[object, list[bool]] = {}
        for act in takewhile(lambda act: act.at < END, department.acts):
            if not act.refused:
                by_day.setdefault(act.at.astimezone(zone).date(), []).append(act.deed in kept)
        assert all(all(day) or not any(day) for day in by_day.values())
        days, whole = days + len(by_day), whole + sum(all(day) for day in by_day.values())
    assert 0 < whole < days


def leading_here(tmp_path: Path) -> dict[str, str]:
    """Leads a process of its own to the database of this test."""
    named = connection.settings_dict
    settings = {"SLUICEGATE_DATA": str(tmp_path)}
    if connection.vendor == "postgresql":
        host, user = quote(named["HOST"], safe=""), quote(named["USER"])
        login = f"{user}:{quote(named['PASSWORD'])}" if named["PASSWORD"] else user
        settings["DATABASE_URL"] = f"postgresql://{login}@{host}:{named['PORT'] or 5432}/{named['NAME']}"
    else:
        (tmp_path / "sluicegate.sqlite3").symlink_to(named["NAME"])
    return {name: value for name, value in os.environ.items() if name != "DATABASE_URL"} | settings


def test_a_day_written_twice_is_kept_once(db: None) -> None:
    """A day that is written again, as after a crash that kept it, adds nothing."""
    [department, _] = model.departments(7, END, 2, 6)
    acts = list(takewhile(lambda act: act.at < END, department.acts))
    writer = Writer(department.place, department.facility, 7)
    writer.found(acts[:300], department.founded_at)
    size = head(department.facility)
    assert writer.write("again", acts[80:300], acts[299].at) == NOTHING
    assert head(department.facility) == size


def test_a_history_cut_short_is_taken_up_where_it_stopped(committed: None, tmp_path: Path) -> None:
    """The days that are kept are passed by, and the rest gives the same bytes as a history written at once."""
    words = ("--days", "2", "--seed", "7", "--machines", "6", "--end", "2026-10-28")
    at_once = told(elsewhere(tmp_path, *words))
    next(write_history(model.departments(7, END, 2, 6)[0], 7, END))
    assert simulate.write(7, END, 2, 6, lambda _: None).odd == ()
    assert roots() == at_once

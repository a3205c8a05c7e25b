"""A watched folder of records: each goes to its own machine's door once it no longer grows, and only once."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from incidents.management.gateway.config import Odd, read
from incidents.management.gateway.records import Watch
from tests import cast, visitors
from tests.cast import Department, given_finished_load, given_running_load, load_now, standing
from tests.record_cast import computing_department
from tests.recorded import as_csv, good

TABLES = """
[door]
url = "{url}/api/v1/f/eastmere/observations/batch/"
token_file = "token"
wait_s = 0.01
[machine]
source = "alder/records"
[records]
url = "{url}/api/v1/f/eastmere/observations/readings/"
path = "records"
name = '{name}'
memory = "alder.records"
rejects = "rejects.txt"
every_s = 0.01
"""
NAME = r"(?P<chamber>\d)_(?P<cycle>\d+)\.csv"


@pytest.fixture
def spd(committed: None) -> Iterator[Department]:
    department = computing_department(slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


@pytest.fixture
def folder(spd: Department, tmp_path: Path, live_server: Any) -> Path:
    (tmp_path / "records").mkdir()
    (tmp_path / "token").write_text(visitors.token_of(spd)[1])
    (tmp_path / "gateway.toml").write_text(TABLES.format(url=live_server.url, name=NAME))
    return tmp_path


def look(folder: Path) -> str:
    """One look at the folder; what stands in the rejects then."""
    Watch(read(folder / "gateway.toml"), lambda: datetime.now(UTC), lambda _: False, print).run(once=True)
    rejects = folder / "rejects.txt"
    return rejects.read_text() if rejects.exists() else ""


def test_a_finished_record_reaches_its_load_once(spd: Department, folder: Path) -> None:
    load = given_finished_load(spd, cycle=4471)
    (folder / "records" / "1_4471.csv").write_bytes(as_csv(good()))
    (folder / "records" / "readme.txt").write_text("no record")
    assert look(folder) == "" == look(folder)
    assert len(load_now(spd, load).records) == 1 and standing(spd, load) == []
    (folder / "alder.records").unlink()  # a memory that is lost costs nothing but time
    assert look(folder) == ""
    assert len(load_now(spd, load).records) == 1


def test_a_record_waits_for_its_cycles_end(spd: Department, folder: Path) -> None:
    load = given_running_load(spd, cycle=4471)
    (folder / "records" / "1_4471.csv").write_bytes(as_csv(good()))
    (folder / "records" / "1_9999.csv").write_bytes(as_csv(good()))
    told = look(folder)
    assert "cycle-not-ended" in told and "load-unknown" in told
    cast.done(cast.tell(spd, "cycle-finished", cycle=4471))
    look(folder)
    assert standing(spd, load) == []


def test_what_cannot_be_read_is_told_with_its_line_and_not_sent_again(spd: Department, folder: Path) -> None:
    load = given_finished_load(spd, cycle=4471)
    (folder / "records" / "1_4471.csv").write_text("time_s,probe_1_degC\n0,20\n1,warm\n")
    told = look(folder)
    assert "Line 3, column 2" in told and look(folder) == told
    assert standing(spd, load) == ["record-missing"]


def test_a_file_that_grows_is_not_sent(spd: Department, folder: Path) -> None:
    load = given_finished_load(spd, cycle=4471)
    whole, file = as_csv(good()), folder / "records" / "1_4471.csv"
    file.write_bytes(whole[:2000])
    looks = 0

    def pause(seconds: float) -> bool:
        nonlocal looks
        looks += 1
        if looks == 1:
            file.write_bytes(whole)
        return looks < 4

    Watch(read(folder / "gateway.toml"), lambda: datetime.now(UTC), pause, print).run()
    assert len(load_now(spd, load).records) == 1 and standing(spd, load) == []


@pytest.mark.parametrize("name", [r"(?P<chamber>\d)\.csv", r"(?P<cycle>\d+)(?P<colour>.)", "("])
def test_a_pattern_that_names_no_cycle_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "gateway.toml").write_text(TABLES.format(url="http://127.0.0.1:1", name=name))
    with pytest.raises(Odd, match=r"\[records\] name"):
        read(tmp_path / "gateway.toml")

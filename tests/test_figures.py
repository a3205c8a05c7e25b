"""Figures as they are kept: by any split into chunks, at any past size of the log, by workers that are killed."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from django.db import connection

from incidents.figures import reports
from incidents.figures.models import FigureChunk, FigureReport, FigureRow
from incidents.ledger.reading import head
from incidents.management import broker
from incidents.operations import cycles, figures, setting_up
from tests import cast, test_crash
from tests.cast import Department, done, request

HOUSE = Path(__file__).resolve().parent.parent
environment = test_crash.environment  # leads a process to this test's database


@pytest.fixture
def spd(db: None) -> Department:
    return eventful(cast.open_department())


def eventful(department: Department, times: int = 5) -> Department:
    """Five cycles of Alder that were aborted, with faults of two kinds, and one that ran through."""
    for n in range(times):
        aborted(department, n)
    cast.given_finished_load(department, cycle=100, trays=cast.register_set(department, "Set 100", 1))
    return department


def aborted(department: Department, n: int) -> None:
    trays = cast.register_set(department, f"Set {n}", 1)
    load = cast.given_aborted_load(department, cycle=n, code=("W02", "A01", "T01")[n % 3], trays=trays)
    done(cycles.place_load(request(department, "Ines"), load=load, place="quarantine", spot="Shelf"))


def size(department: Department) -> int:
    top = head(department.id)
    assert top is not None
    return top.size


def computed(department: Department, before: int | None = None) -> UUID:
    report = figures.compute(department.id, department.now, before=before)
    assert report is not None
    return report


def kept(report: UUID) -> list[tuple[Any, ...]]:
    """Every row's own bytes."""
    rows = FigureRow.objects.filter(report=report).order_by("machine", "fault")
    return list(rows.values_list("machine", "fault", "body", "final"))


def forgotten(department: Department) -> None:
    for model in (FigureRow, FigureChunk):
        model.objects.all().delete()
    FigureReport.objects.filter(facility_id=department.id).delete()


# --- what is kept ---------------------------------------------------------------------------------------


def test_a_report_says_where_in_the_log_and_by_what_it_was_made(spd: Department) -> None:
    report = FigureReport.objects.get(id=computed(spd))
    top = head(spd.id)
    assert top is not None
    assert (report.position, report.known_at) == (top.size, top.recorded_at)
    assert (report.method, report.version, report.finished_at) == (reports.METHOD, reports.VERSION, spd.now)
    assert [one.fault for one in reports.figures_of(report)[str(spd.machine)]] == ["", "A01", "T01", "W02"]


@pytest.mark.parametrize("chunk", [1, 2, 25])
def test_any_size_of_chunk_keeps_the_same_bytes(
    spd: Department, monkeypatch: pytest.MonkeyPatch, chunk: int
) -> None:
    for n in range(4):
        cast.register_machine(spd, f"Birch {n}")
    whole = kept(computed(spd))
    forgotten(spd)
    monkeypatch.setattr(figures, "CHUNK", chunk)
    assert kept(computed(spd)) == whole


def test_a_past_size_gives_what_was_computed_then(spd: Department) -> None:
    report = computed(spd)
    then, rows = size(spd), kept(report)
    forgotten(spd)
    aborted(spd, 50)
    assert kept(computed(spd, before=then)) == rows


def test_nothing_is_computed_of_an_empty_log(db: None) -> None:
    empty = cast.bare_department()
    assert figures.compute(empty.id, empty.now) is None


def test_a_department_without_a_machine_has_a_whole_report_without_rows(db: None) -> None:
    department = cast.bare_department()
    done(setting_up.open_facility(request(department, "Ada")))
    report = FigureReport.objects.get(id=computed(department))
    assert (report.finished_at, kept(report.id)) == (department.now, [])


def test_a_report_is_due_once_the_log_grew_enough(spd: Department) -> None:
    assert [one.chunks for one in figures.due(spd.now, 500)] == [[0]]
    computed(spd)
    assert figures.due(spd.now, 500) == []
    assert figures.due(spd.now, 1) == []
    aborted(spd, 60)
    assert figures.due(spd.now, 500) == []
    assert [one.chunks for one in figures.due(spd.now, 5)] == [[0]]


def test_what_did_not_come_back_is_asked_for_once_more(spd: Department) -> None:
    (begun,) = figures.due(spd.now, 500)
    assert figures.due(spd.now + figures.PATIENCE / 2, 500) == []
    later = spd.now + 2 * figures.PATIENCE
    assert figures.due(later, 500) == [begun]
    assert figures.due(later + timedelta(seconds=60), 500) == []


def test_a_new_version_of_the_method_is_computed_at_once(spd: Department, monkeypatch: pytest.MonkeyPatch) -> None:
    computed(spd)
    monkeypatch.setattr(reports, "VERSION", reports.VERSION + 1)
    assert len(figures.due(spd.now, 500)) == 1


def test_an_older_report_is_dropped_unless_its_date_was_asked_for(spd: Department) -> None:
    asked = computed(spd, before=size(spd) - 3)
    old = computed(spd)
    aborted(spd, 70)
    new = computed(spd)
    assert set(FigureReport.objects.values_list("id", flat=True)) == {asked, new}
    assert kept(old) == []


def test_a_chunk_that_comes_twice_counts_once(spd: Department) -> None:
    begun = figures.begin(spd.id, spd.now, asked="events")
    assert begun is not None
    assert figures.reckon(begun.report, 0, spd.now)
    rows = kept(begun.report)
    assert not figures.reckon(begun.report, 0, spd.now)
    assert kept(begun.report) == rows


def test_a_chunk_of_a_report_that_was_dropped_does_nothing(spd: Department) -> None:
    assert not figures.reckon(UUID(int=7), 0, spd.now)


# --- many at once, and killed ---------------------------------------------------------------------------


@pytest.fixture
def floor(committed: None, monkeypatch: pytest.MonkeyPatch) -> Department:
    """Thirty machines, each a chunk of its own."""
    monkeypatch.setattr(figures, "CHUNK", 1)
    department = eventful(cast.open_department())
    for n in range(29):
        cast.register_machine(department, f"Birch {n}")
    return department


def test_of_workers_that_end_at_once_one_finishes(floor: Department) -> None:
    begun = figures.begin(floor.id, floor.now, asked="events")
    assert begun is not None

    def reckon(number: int) -> bool:
        try:
            return figures.reckon(begun.report, number, floor.now)
        finally:
            connection.close()

    with ThreadPoolExecutor(4) as workers:
        finished = list(workers.map(reckon, begun.chunks * 2))
    assert finished.count(True) == 1
    rows = kept(begun.report)
    forgotten(floor)
    assert kept(computed(floor)) == rows


@pytest.fixture
def engine(environment: dict[str, str]) -> Iterator[dict[str, str]]:
    """A broker of its own, and what leads a worker to it and to this test's database."""
    folder = Path(tempfile.mkdtemp(prefix="sg-"))
    plan = broker.plan(folder, folder / "b.sock")
    serving = subprocess.Popen(plan.command, stdout=subprocess.DEVNULL)
    try:
        yield environment | {"REDIS_URL": f"redis+socket://{folder}/b.sock", "SLUICEGATE_LOCK_WAIT_S": "20"}
    finally:
        serving.kill()
        serving.wait()
        shutil.rmtree(folder, ignore_errors=True)


def worker(engine: dict[str, str]) -> subprocess.Popen[bytes]:
    words = [
        "-A",
        "config",
        "worker",
        "--pool",
        "solo",
        "--queues",
        "compute",
        "--without-gossip",
        "--without-mingle",
    ]
    command = [sys.executable, "-m", "celery", *words]
    return subprocess.Popen(command, cwd=HOUSE, env=engine, start_new_session=True)


def sent(engine: dict[str, str], begun: figures.Asked) -> None:
    """The chunks are put into the queue, as beat's task does."""
    script = (
        "import django; django.setup()\n"
        "from uuid import UUID\nfrom incidents import tasks\nfrom incidents.operations.figures import Asked\n"
        f"tasks.send([Asked(UUID('{begun.report}'), {begun.chunks})])"
    )
    subprocess.run([sys.executable, "-c", script], cwd=HOUSE, env=engine, check=True, timeout=60)


def until(there: Any, patience_s: float = 60) -> None:
    end = time.monotonic() + patience_s
    while not there():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.002)


@pytest.mark.drill
def test_a_worker_killed_in_between_leaves_the_same_report(floor: Department, engine: dict[str, str]) -> None:
    begun = figures.begin(floor.id, floor.now, asked="events")
    assert begun is not None
    sent(engine, begun)
    first = worker(engine)
    until(lambda: len(reports.undone(begun.report)) <= 25)
    os.killpg(first.pid, signal.SIGKILL)
    first.wait()
    left = reports.undone(begun.report)
    assert 0 < len(left) < 30
    assert FigureReport.objects.get(id=begun.report).finished_at is None
    (again,) = figures.due(floor.now + 2 * figures.PATIENCE, 500)
    assert again == figures.Asked(begun.report, left)
    sent(engine, again)
    second = worker(engine)
    try:
        until(lambda: FigureReport.objects.get(id=begun.report).finished_at is not None)
    finally:
        second.terminate()
        second.wait(30)
    rows = kept(begun.report)
    forgotten(floor)
    assert kept(computed(floor)) == rows


def test_a_read_model_does_not_know_of_figures(spd: Department) -> None:
    computed(spd)
    cast.rebuilt_equals_live(spd)

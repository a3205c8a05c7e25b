"""`start --demo`: a living department in a data folder of its own, that says of itself that it is invented."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import expect

from incidents.identity.models import Facility
from incidents.ledger.reading import head, read_all
from incidents.management import demo
from incidents.projections import rebuild
from incidents.rules.events import CycleFinished, CycleReadingsKept
from incidents.simulation import cast as invented
from incidents.simulation.living import Living
from tests import visitors
from tests.browser import Screen, Somebody, browser_at, engines, signs_in
from tests.cast import open_department
from tests.test_start import HOUSE, House, environment, house, start

INES = Somebody("Ines Malk", "ines.malk", "E-101", "1101")
FILL = """
import django, sys
django.setup()
from datetime import UTC, datetime, timedelta
from pathlib import Path
from django.core.management import call_command
call_command("migrate", verbosity=0)
{what}
"""
LOADED = "from incidents.management import demo; demo.load(Path(sys.argv[1]), datetime.now(UTC), print, days=1)"
REAL = "from incidents.identity.models import Facility; Facility.objects.create(slug='real', name='Real')"


def filled(folder: Path, what: str, **more: str) -> None:
    """A data folder that has been used before."""
    folder.mkdir(exist_ok=True)
    told = environment(SLUICEGATE_DATA=str(folder), DJANGO_SETTINGS_MODULE="config.settings", **more)
    command = [sys.executable, "-c", FILL.format(what=what), str(folder)]
    subprocess.run(command, cwd=HOUSE, env=told, check=True, timeout=120)


def test_a_demonstration_is_not_started_on_real_data_nor_real_work_on_a_demonstration(tmp_path: Path) -> None:
    filled(tmp_path / "real", REAL)
    filled(tmp_path / "demo", REAL.replace("name='Real'", "name='Demo', demo=True"))

    refused = start(tmp_path / "real", "--demo")
    assert refused.returncode == 1
    assert "holds a real facility" in refused.stderr

    refused = start(tmp_path / "demo")
    assert refused.returncode == 1
    assert "start it with --demo" in refused.stderr


@pytest.fixture
def living(tmp_path: Path) -> Iterator[tuple[House, Path]]:
    with engines() as servers:
        filled(tmp_path, LOADED, **servers)
        with house(tmp_path, words=("--demo",), **servers) as running:
            yield running, tmp_path


@pytest.mark.browser
def test_a_visitor_meets_a_department_that_lives(living: tuple[House, Path], chromium_path: str) -> None:
    """The band on every page, a tour that leads to real pages, screens that move, a clean end."""
    running, _ = living
    with browser_at(chromium_path) as browser:
        screen = Screen(browser, f"http://127.0.0.1:{running.port}")
        band = screen.page.get_by_text("Everybody and everything here is invented.")
        screen.open("/")
        expect(band).to_be_visible()
        signs_in(screen, INES)
        screen.open("/f/eastmere/")
        screen.says("A tour in three cards", "Technician", "Infection prevention", "Engineering")
        panes = screen.page.locator("#panes")
        before = panes.inner_text()
        expect(panes).not_to_have_text(before, use_inner_text=True, timeout=90_000)
        links = [link.get_attribute("href") for link in screen.page.locator(".tour a").all()]
        assert len(links) == 6
        for link in links:
            answer = screen.page.goto(f"{link}")
            assert answer is not None
            assert (answer.status, answer.headers["sluicegate-demo"]) == (200, "everything here is invented")
            expect(band).to_be_visible()
            screen.page.emulate_media(media="print")
            expect(band).to_be_visible()
            screen.page.emulate_media(media="screen")
        screen.open("/f/eastmere/")
        screen.presses("Close the tour")
        expect(screen.page.get_by_text("A tour in three cards")).to_have_count(0)
        screen.page.close()
        assert not screen.complaints
    code, said = running.end()
    assert (code, "has stopped" in said) == (0, True)
    assert not running.left()


@pytest.mark.django_db
def test_an_hour_of_a_demonstration_is_the_story_of_its_department(tmp_path: Path) -> None:
    """It goes on from what stands in the ledger: cycles run and end, an alarm is left to the visitor, all folds."""
    now = datetime(2026, 11, 24, 9, 30, tzinfo=UTC)
    demo.load(tmp_path, now, lambda _: None, days=1)
    demo.load(tmp_path, now + timedelta(hours=1), lambda _: None, days=1)  # it is whole: nothing is added
    place = invented.places(demo.MACHINES)[0]
    row = Facility.objects.get(slug=place.slug)
    before = head(row.id)
    department = Living(place, row.id, demo.SEED)
    done = sum(department.look(now + timedelta(seconds=20 * n)) for n in range(180))
    after = head(row.id)
    assert before is not None
    assert after is not None
    assert after.size - before.size >= done >= 40
    assert department.shown is not None
    kinds = {type(event.data) for event in read_all(row.id, first=before.size)}
    assert {CycleFinished, CycleReadingsKept} <= kinds, "its gateways give records of the cycles that end"
    assert rebuild.check(row.id).differences == 0


@pytest.mark.django_db
def test_a_real_facility_shows_neither_band_nor_tour(monkeypatch: pytest.MonkeyPatch) -> None:
    spd = visitors.department_with_doors(monkeypatch)
    answer = visitors.visitor(spd, "Ines").get(visitors.address(spd, "now"))
    assert answer.status_code == 200
    assert "demo-band" not in answer.content.decode()
    assert "tour-title" not in answer.content.decode()
    assert "Sluicegate-Demo" not in answer.headers


@pytest.mark.django_db
def test_what_a_demonstration_prints_says_so() -> None:
    spd = open_department()
    assert spd.facility.on_paper == spd.facility.name
    spd.facility.demo = True
    assert spd.facility.on_paper == f"DEMO, all invented: {spd.facility.name}"

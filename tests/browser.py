"""The incident at a real screen: a tree that runs, a browser before it, and a machine's gateway beside it.

Ada is the administrator, Ines a technician, Sanne the shift's supervisor. Alder is a washer-disinfector whose
gateway reports by itself. What a person sees and presses goes by its words, as for whoever can't see the rest.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, NamedTuple
from urllib.parse import urlsplit
from uuid import uuid4

import psutil
import psycopg
from playwright.sync_api import Browser, ConsoleMessage, Locator, Response, ViewportSize, expect, sync_playwright

from tests.test_start import HOUSE, House, environment, house

expect.set_options(timeout=15_000)  # ms: a busy machine is not a fault

SCREENS = HOUSE / "docs" / "screens"
SIZES: dict[str, ViewportSize] = {
    "tablet": {"width": 1180, "height": 820},
    "desktop": {"width": 1440, "height": 900},
    "paper": {"width": 794, "height": 1123},  # A4 at 96 dots an inch, as it is printed
}
Picture = tuple[Literal["tablet", "desktop", "paper"], Literal["light", "dark"]]
SLUG = "eastmere"
REFUSALS = (409, 422)  # a page that says why nothing was written

SCANNED = """keys => {
  for (const key of keys) document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true}));
}"""
# What has the focus is called, and whether it lies uncovered: [words, bool].
FOCUSED = """() => {
  const control = document.activeElement, label = control.labels?.[0] ?? control;
  const box = control.getBoundingClientRect();
  const there = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
  return [label.textContent.replace(/\\s+/g, " ").trim(), control.contains(there) || label.contains(there)];
}"""


class Somebody(NamedTuple):
    name: str
    login: str
    badge: str
    pin: str


ADA = Somebody("Ada Lind", "ada", "B-100", "4711")
INES = Somebody("Ines Malk", "ines", "B-101", "1111")
SANNE = Somebody("Sanne Okter", "sanne", "B-102", "2222")


class Screen:
    """A page in a browser. It keeps what the browser complained of, which a test ends by looking at."""

    def __init__(self, browser: Browser, address: str, **more: Any) -> None:
        self.page = browser.new_page(viewport=SIZES["tablet"], base_url=address, reduced_motion="reduce", **more)
        self.page.set_default_timeout(5000)
        self.complaints: list[str] = []
        self.page.on("console", self._on_console)
        self.page.on("pageerror", lambda error: self.complaints.append(f"{self.page.url}: {error}"))
        self.page.on("response", self._on_response)

    def _on_console(self, message: ConsoleMessage) -> None:
        """A blocked script or style is told here too. Answers of 400 and more are looked at by themselves."""
        if message.type in ("error", "warning") and not message.text.startswith("Failed to load resource"):
            self.complaints.append(f"{self.page.url}: {message.text}")

    def _on_response(self, response: Response) -> None:
        refused = response.status in REFUSALS and response.request.is_navigation_request()
        if response.status >= 400 and not refused:
            self.complaints.append(f"{response.request.method} {response.url}: {response.status}")

    def open(self, path: str) -> None:
        self.page.goto(path)

    def says(self, *sentences: str) -> None:
        """Each of these can be seen on the page, wherever its words break into tags."""
        for sentence in sentences:
            expect(self.page.get_by_text(sentence).locator("visible=true").first).to_be_visible()

    def headed(self, words: str) -> None:
        """The page's own verdict: its one first heading."""
        expect(self.page.get_by_role("heading", level=1)).to_contain_text(words)

    def control(self, words: str) -> Locator:
        """The button, link or opener that is called so, or begins so."""
        name = re.compile(rf"^\s*{re.escape(words)}(?!\w)")
        main = self.page.get_by_role("main")
        pressed = main.get_by_role("button", name=name).or_(main.get_by_role("link", name=name))
        return pressed.or_(main.locator("summary").filter(has_text=name)).locator("visible=true").first

    def presses(self, words: str) -> None:
        self.control(words).click()

    def takes_up(self, matter: str) -> None:
        """Press the button of an open item on Now."""
        self.page.get_by_role("listitem").filter(has_text=matter).locator("a.btn").click()

    def chooses(self, words: str, within: str = "") -> None:
        """A radio button or a tick by its words, in the group of that name."""
        room: Any = self.page.get_by_role("main")
        if within:
            room = room.get_by_role("group", name=within)
        room.get_by_label(words).first.check()

    def types(self, **fields: str) -> None:
        for name, value in fields.items():
            self.page.fill(f"main [name={name}]", value)

    def scans(self, code: str) -> None:
        """A scanner types the code, faster than any hand, and Enter, wherever the focus is."""
        self.page.evaluate(SCANNED, [*code, "Enter"])

    def types_as_a_scanner(self, code: str, gap_ms: float = 8) -> None:
        """Real keys, into whatever has the focus, as a scanner with that pause between its characters."""
        self.page.keyboard.type(code, delay=gap_ms)
        self.page.keyboard.press("Enter")

    def stands_at(self, code: str) -> None:
        """On the page that asks for the machine's scan: its code is typed where the focus is, and Enter."""
        self.says("Go to Alder and scan it")
        expect(self.page.get_by_label("Code on the machine")).to_be_focused()
        self.page.keyboard.type(code)
        self.page.keyboard.press("Enter")
        expect(self.page.get_by_text("and scan it")).to_have_count(0)

    def tabs_to(self, words: str) -> None:
        """Move on by Tab until the control that is called so has the focus, where it can be seen and nothing lies
        over it."""
        for _ in range(60):
            self.page.keyboard.press("Tab")
            called, uncovered = self.page.evaluate(FOCUSED)
            if called.startswith(words):
                assert uncovered, f"{words} has the focus, but it is covered"
                return
        raise AssertionError(f"Tab never comes to {words}")

    def shot(self, name: str, *pictures: Picture) -> None:
        """Keep pictures under docs/screens, where that was asked for. Afterwards the screen is a tablet again."""
        if not os.environ.get("SLUICEGATE_SCREENSHOTS"):
            return
        SCREENS.mkdir(parents=True, exist_ok=True)
        for size, scheme in pictures or (("tablet", "light"), ("desktop", "dark")):
            self.page.set_viewport_size(SIZES[size])
            self.page.emulate_media(color_scheme=scheme, media="print" if size == "paper" else "screen")
            self.page.screenshot(path=SCREENS / f"{name}-{size}-{scheme}.png")
        self.page.set_viewport_size(SIZES["tablet"])
        self.page.emulate_media(color_scheme="light", media="screen")


class Department:
    """A department with a running tree, a browser, and the token of Alder's gateway."""

    def __init__(self, folder: Path, browser: Browser, engines: dict[str, str]) -> None:
        self.folder, self.browser, self.engines = folder, browser, engines
        self.token = ""
        self.told = 0
        self._running = contextlib.ExitStack()
        self.start()

    def start(self) -> None:
        self.house: House = self._running.enter_context(house(self.folder, **self.engines))

    def kill(self) -> None:
        """Every process of the tree at once, by kill -9."""
        for process in self.house.processes:
            with contextlib.suppress(psutil.NoSuchProcess):
                process.kill()
        self.house.start.kill()
        assert not self.house.left()

    def close(self) -> None:
        self._running.close()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.house.port}"

    @contextlib.contextmanager
    def screen(self) -> Iterator[Screen]:
        """A fresh browser profile; afterwards nobody may have complained."""
        screen = Screen(self.browser, self.address)
        try:
            yield screen
        finally:
            screen.page.close()
        assert not screen.complaints, screen.complaints

    def gateway_tells(self, kind: str, **data: Any) -> None:
        """Alder's gateway posts one observation, as a CloudEvent under its token."""
        self.told += 1
        event = {
            "specversion": "1.0",
            "id": str(uuid4()),
            "source": "gateway-1",
            "type": kind,
            "sequence": self.told,
            "time": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "data": {"chamber": "1", **data},
        }
        request = urllib.request.Request(
            f"{self.address}/api/v1/f/{SLUG}/observations/",
            json.dumps(event).encode(),
            {"Authorization": f"Token {self.token}", "Content-Type": "application/cloudevents+json"},
        )
        with urllib.request.urlopen(request, timeout=5) as answer:
            assert answer.status == 201

    def rebuild_check(self) -> str:
        """What `rebuild --check` prints about the data folder."""
        command = [sys.executable, "manage.py", "rebuild", "--check", "--data", str(self.folder)]
        told = subprocess.run(
            command, cwd=HOUSE, env=environment(**self.engines), capture_output=True, text=True, timeout=30
        )
        return told.stdout.strip() or told.stderr


@contextlib.contextmanager
def browser_at(path: str) -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


@contextlib.contextmanager
def engines() -> Iterator[dict[str, str]]:
    """What the tree runs on: its own SQLite and broker, or a fresh database and queue beside the ones given."""
    found = {}
    if broker := os.environ.get("REDIS_URL"):
        found["REDIS_URL"] = _beside(broker)
    url = os.environ.get("DATABASE_URL")
    if not url:
        yield found
        return
    name = f"sluicegate_screen_{os.getpid()}"
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
        try:
            yield found | {"DATABASE_URL": urlsplit(url)._replace(path=f"/{name}").geturl()}
        finally:
            connection.execute(f"DROP DATABASE {name} WITH (FORCE)")


def _beside(broker: str) -> str:
    """The same server, a database of this process’s own: nobody else's tasks."""
    parts = urlsplit(broker)
    number = 9 + int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
    if parts.scheme.endswith("socket"):
        return parts._replace(query=f"virtual_host={number}").geturl()
    return parts._replace(path=f"/{number}").geturl()


# --- what people do -----------------------------------------------------------------------------------


def founds(department: Department, screen: Screen) -> None:
    """The first run, by Ada: herself, the facility, Alder and the programme Instruments."""
    screen.open("/")
    screen.headed("Set up this department")
    screen.shot("first-run")
    screen.types(name=ADA.name, login=ADA.login, password="correct horse 7", badge=ADA.badge, pin=ADA.pin)
    screen.types(facility="Eastmere, sterile processing", slug=SLUG, machine="Alder", machine_code="M-ALDER")
    screen.presses("Set up")
    screen.headed("Set-up of Eastmere")


def adds(screen: Screen, person: Somebody, role: str, *competences: str) -> None:
    screen.presses("Add a person")
    screen.types(name=person.name, login=person.login, password="a long password 9")
    screen.types(badge=person.badge, pin=person.pin)
    screen.chooses(role, within="Roles")
    for competence in competences:
        screen.chooses(competence, within="Competences")
    screen.presses("Add the person")
    screen.says(person.name)


def registers(screen: Screen, name: str, trays: int) -> None:
    screen.presses("Register a set")
    labels = "\n".join(f"{name} {n}" for n in range(1, trays + 1))
    screen.types(name=name, owner="Theatre 2", labels=labels)
    screen.presses("Register the set")
    screen.says(name)


def makes_token(department: Department, screen: Screen) -> None:
    screen.presses("Make a token")
    screen.headed("The token of Alder’s gateway")
    department.token = screen.page.inner_text("#token")
    screen.presses("I have copied it")


def signs_in(screen: Screen, person: Somebody) -> None:
    """Badge and PIN, from wherever the screen stands; whoever was there before is gone."""
    screen.open("/sign-in/")
    screen.types(badge=person.badge, pin=person.pin)
    screen.presses("Sign in")
    expect(screen.page.get_by_role("banner")).to_contain_text(person.name)


def assembles(screen: Screen, *trays: str) -> None:
    screen.open(f"/f/{SLUG}/")
    screen.presses("New load")
    for tray in trays:
        screen.chooses(tray)
    screen.presses("Assemble the load")
    screen.says("The load is assembled. Start its cycle.")


def starts(screen: Screen) -> None:
    screen.presses("The cycle runs")
    screen.says("The cycle is recorded as started.")


def given_stopped_load(department: Department, screen: Screen, cycle: int, *trays: str) -> None:
    """Ines started a load in Alder, and Alder's gateway reported that a spray arm does not turn."""
    signs_in(screen, INES)
    assembles(screen, *trays)
    starts(screen)
    department.gateway_tells("alarm-raised", machine_cycle=cycle, code="W02", phase="wash")
    screen.open(f"/f/{SLUG}/")
    screen.says(f"Alder {cycle}: a spray arm does not turn, in wash. Nobody has seen it.")


def given_aborted_load(department: Department, screen: Screen, cycle: int, *trays: str) -> None:
    """Ines scanned Alder, saw the alarm and aborted the cycle; the load is still in it."""
    given_stopped_load(department, screen, cycle, *trays)
    screen.scans("M-ALDER")
    screen.presses("I have seen it")
    screen.presses(f"Abort Alder {cycle}")
    screen.headed(f"Alder {cycle} is held")

"""The server is gone: what the room's tablet then shows, in a real browser before a real tree.

Ines looks at Now, the tree is killed, and whatever she opens or sends is answered by the last known state.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator

import pytest
from playwright.sync_api import expect

from tests.browser import (
    INES,
    SLUG,
    Department,
    Screen,
    adds,
    assembles,
    browser_at,
    engines,
    founds,
    registers,
    signs_in,
    starts,
)

pytestmark = pytest.mark.browser
KEPT = f"caches.match('/f/{SLUG}/last-known/').then((kept) => kept?.text() ?? '')"
SCOPES = "navigator.serviceWorker.getRegistrations().then((all) => all.map((one) => one.scope))"
CONTROLLED = "navigator.serviceWorker.controller !== null"
STORED = f"caches.open('last known of /f/{SLUG}/').then((one) => one.keys())"
URLS = f"{STORED}.then((all) => all.map((request) => request.url))"


@pytest.fixture
def department(chromium_path: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Department]:
    with engines() as given, browser_at(chromium_path) as browser:
        department = Department(tmp_path_factory.mktemp("data"), browser, given)
        try:
            with department.screen() as screen:
                founds(department, screen)
                adds(screen, INES, "Technician", "Release")
                registers(screen, "Hand", 1)
            yield department
        finally:
            department.close()


def is_kept(screen: Screen, words: str) -> None:
    """The worker answers for the page, and the copy that it keeps says so."""
    deadline = time.monotonic() + 60  # a worker takes over after it has kept every style and font
    while time.monotonic() < deadline:
        if screen.page.evaluate(CONTROLLED) and words in screen.page.evaluate(KEPT):
            return
        screen.page.wait_for_timeout(100)
    raise AssertionError(f"no copy says “{words}”: {screen.page.evaluate(CONTROLLED)} {screen.page.evaluate(KEPT)}")


def test_the_last_known_state_tells_its_age_when_the_server_is_gone(department: Department) -> None:
    screen = Screen(department.browser, department.address)
    signs_in(screen, INES)
    assembles(screen, "Hand 1")
    starts(screen)
    load = screen.page.url
    screen.open(f"/f/{SLUG}/")
    is_kept(screen, "Running")
    assert any(url.endswith(".woff2") for url in screen.page.evaluate(URLS))
    assert "<button" not in screen.page.evaluate(KEPT)

    department.kill()
    screen.page.reload()
    screen.headed("The server can’t be reached since")
    screen.says(
        "This is what was known at", "Nothing can be recorded here: use the paper forms.", "Running", "Alder"
    )
    expect(screen.page.locator("[data-age]")).to_have_text(re.compile(r"^\d+ (s|min \d+ s)$"))
    first = screen.page.inner_text("[data-age]")
    expect(screen.page.locator("[data-age]")).not_to_have_text(first)  # it goes on counting
    assert screen.page.get_by_role("button").count() == 0
    screen.shot("40-last-known")

    screen.open(load)
    screen.headed("The server can’t be reached since")
    expect(screen.page.get_by_text("What you sent got no answer.")).to_be_hidden()
    assert screen.complaints == []
    screen.page.close()


def test_what_is_sent_to_no_server_is_said_to_be_unanswered_and_nothing_is_queued(department: Department) -> None:
    with department.screen() as screen:
        signs_in(screen, INES)
        screen.open(f"/f/{SLUG}/")
        is_kept(screen, "last known state")
        screen.open(f"/f/{SLUG}/loads/new/")
        screen.chooses("Hand 1")
        department.kill()
        screen.presses("Assemble the load")
        screen.headed("The server can’t be reached since")
        screen.says("What you sent got no answer.", "Nothing is queued.")


def test_what_is_not_this_facilitys_is_not_answered(department: Department) -> None:
    """The worker answers for its facility's pages alone."""
    with department.screen() as screen:
        signs_in(screen, INES)
        screen.open(f"/f/{SLUG}/")
        is_kept(screen, "last known state")
        assert screen.page.evaluate(SCOPES) == [f"{department.address}/f/{SLUG}/"]
        screen.open("/sign-in/")
        assert screen.page.evaluate("navigator.serviceWorker.controller") is None


def test_going_back_to_a_refusal_after_all_was_recorded_shows_the_load_not_a_lost_server(
    department: Department,
) -> None:
    """A browser sends no form twice of its own accord: that it can't show the refusal again is no lost server."""
    with department.screen() as screen:
        signs_in(screen, INES)
        screen.open(f"/f/{SLUG}/")
        is_kept(screen, "last known state")
        screen.open(f"/f/{SLUG}/loads/new/")
        screen.presses("Assemble the load")
        screen.says("A load needs at least one tray.")
        screen.chooses("Hand 1")
        screen.presses("Assemble the load")
        screen.says("The load is assembled. Start its cycle.")
        load = screen.page.url
        screen.page.go_back()
        screen.headed("Which trays go in?")

        screen.open(load)
        screen.presses("Hold it")
        screen.types(words="   ")
        screen.page.click("form[action$='/hold/'] button")
        screen.says("needs a reason")
        screen.types(words="The lid is bent.")
        screen.page.click("form[action$='/hold/'] button")
        screen.says("The load is held.")
        screen.page.go_back()
        screen.headed("is quarantined")
        assert screen.page.url == load
        screen.page.wait_for_timeout(1000)
        expect(screen.page.get_by_text("can’t be reached")).to_have_count(0)

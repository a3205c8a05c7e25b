"""The first incident as people live it: the real tree, a real browser, the machine's gateway beside it.

At every step the sentence on the screen is what counts. `SLUICEGATE_SCREENSHOTS=1` keeps pictures of the way
under docs/screens.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import expect

from tests.browser import (
    INES,
    SANNE,
    SLUG,
    Department,
    Screen,
    adds,
    browser_at,
    engines,
    founds,
    given_aborted_load,
    given_stopped_load,
    makes_token,
    registers,
    signs_in,
)

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def department(chromium_path: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Department]:
    """Set up from nothing, by hand: a machine with its token, a technician, a supervisor, three sets."""
    with engines() as given, browser_at(chromium_path) as browser:
        department = Department(tmp_path_factory.mktemp("data"), browser, given)
        try:
            with department.screen() as screen:
                _set_up(department, screen)
            yield department
        finally:
            department.close()


def _set_up(department: Department, screen: Screen) -> None:
    founds(department, screen)
    adds(screen, INES, "Technician", "Release")
    adds(screen, SANNE, "Supervisor", "Release")
    registers(screen, "General basic", 2)
    registers(screen, "Hand", 1)
    registers(screen, "Minor", 1)
    makes_token(department, screen)
    screen.headed("Set-up of Eastmere")
    screen.shot("set-up")


@pytest.fixture
def screen(department: Department) -> Iterator[Screen]:
    with department.screen() as screen:
        yield screen


def test_the_first_incident(department: Department, screen: Screen) -> None:
    screen.open("/sign-in/")
    screen.shot("sign-in")
    given_stopped_load(department, screen, 4471, "General basic 1", "General basic 2")
    screen.headed("One thing needs someone")
    screen.shot("now-alarm")

    screen.takes_up("Alder 4471")
    screen.headed("A spray arm does not turn")
    expect(screen.control("I have seen it")).to_have_count(0)
    screen.shot("alarm-scan")
    screen.stands_at("M-ALDER")
    screen.says("I have seen it")
    screen.shot("alarm-seen")
    screen.presses("I have seen it")
    screen.says("Resume is not permitted: the catalogue never allows it for “A spray arm does not turn” in wash.")
    screen.shot("alarm-decide")
    screen.chooses("An item was in the way")
    screen.presses("Abort Alder 4471")
    screen.headed("Alder 4471 is held")
    screen.shot("alarm-place")
    screen.presses("Dirty side")
    screen.headed("Alder 4471 is quarantined")
    screen.says("Its place is recorded.", "Placed by Ines Malk: dirty side", "Nobody lifts this. A new cycle")
    screen.shot("load-quarantined", ("tablet", "dark"))

    screen.presses("Start the re-run")
    screen.says(
        "The re-run is recorded as a new load, linked to the one held.", "runs the items of Alder 4471 again"
    )
    department.gateway_tells("cycle-finished", machine_cycle=4472)
    screen.open(f"/f/{SLUG}/")
    screen.takes_up("Review Alder 4472.")
    screen.headed("Alder 4472 is awaiting review")
    screen.presses("Review")
    screen.headed("Read the machine’s own record of Alder 4472")
    for fieldset in screen.page.locator("fieldset:has(input[value=met])").all():
        fieldset.get_by_label("Met", exact=True).check()
    screen.chooses("I have read it")
    screen.shot("review")
    screen.presses("Record the review")
    screen.says("Reviewed by Ines Malk: all 6 criteria met")

    screen.presses("Release")
    screen.headed("I release Alder 4472")
    screen.chooses("Packing")
    screen.scans(INES.badge)
    screen.says("Badge read. Type its PIN.")
    screen.page.keyboard.type("9999")
    screen.shot("release")
    screen.presses("Sign the release")
    screen.says("Badge and PIN did not match. Nothing was written.")
    screen.types(badge=INES.badge, pin=INES.pin)
    screen.presses("Sign the release")
    screen.headed("Alder 4472 is released")
    screen.shot("load-released", ("desktop", "light"))
    screen.presses("Alder 4471")
    screen.headed("Alder 4471 is reprocessed")
    screen.shot("load-reprocessed", ("desktop", "dark"))

    signs_in(screen, SANNE)
    screen.open(f"/f/{SLUG}/loads/?search=4472")
    screen.presses("Alder 4472")
    screen.presses("Hold it")
    screen.types(words="A tray was found wet at packing.")
    screen.presses("Hold Alder 4472")
    screen.headed("Alder 4472 is released, under recall review")
    screen.says("“A tray was found wet at packing.”")
    screen.shot("under-recall")
    screen.presses("Alder 4471")
    screen.headed("Alder 4471 is quarantined")
    screen.says("Opened again: a tray is no longer accounted for")
    screen.open(f"/f/{SLUG}/loads/")
    screen.shot("loads")
    events, _, rest = department.rebuild_check().partition(" ")
    assert int(events) > 20
    assert rest == "events, 0 differences"


def test_the_alarm_deed_by_keyboard_alone(department: Department, screen: Screen) -> None:
    given_stopped_load(department, screen, 4481, "Hand 1")
    keys = screen.page.keyboard
    screen.tabs_to("Open: Alder 4481")
    keys.press("Enter")
    screen.headed("A spray arm does not turn")
    screen.stands_at("M-ALDER")
    screen.tabs_to("I have seen it")
    keys.press("Space")
    screen.says("Resume is not permitted")
    screen.tabs_to("The fault does not permit a resume")
    keys.press("ArrowDown")
    screen.tabs_to("In your words")
    screen.tabs_to("Abort Alder 4481")
    keys.press("Enter")
    screen.headed("Alder 4481 is held")
    screen.tabs_to("Quarantine")
    keys.press("Space")
    screen.headed("Alder 4481 is quarantined")
    screen.says("Aborted by Ines Malk: an item was in the way", "Placed by Ines Malk: quarantine")


def test_a_load_is_as_it_was_after_everything_was_killed(department: Department, screen: Screen) -> None:
    given_aborted_load(department, screen, 4491, "Minor 1")
    screen.presses("Quarantine")
    screen.headed("Alder 4491 is quarantined")
    page, story = screen.page.url.removeprefix(department.address), screen.page.locator(".timeline").inner_text()
    department.kill()
    department.start()
    with department.screen() as again:
        signs_in(again, INES)
        again.open(page)
        again.headed("Alder 4491 is quarantined")
        assert again.page.locator(".timeline").inner_text() == story
    assert department.rebuild_check().endswith("events, 0 differences")


def test_now_keeps_the_focus_and_says_when_it_is_not_live(department: Department, screen: Screen) -> None:
    signs_in(screen, INES)
    clock, old = screen.page.clock, screen.page.get_by_text("Not live since")
    clock.install()
    screen.open(f"/f/{SLUG}/")
    screen.tabs_to("New load")
    screen.page.evaluate("document.activeElement.dataset.before = 'yes'")
    department.gateway_tells("alarm-raised", code="W02", phase="wash")
    screen.says("a spray arm does not turn")  # the stream tells it: nobody's clock has gone on
    expect(screen.page.locator("#new-load[data-before]")).to_have_count(0)
    clock.run_for(1000)
    expect(screen.page.locator("#new-load")).to_be_focused()
    screen.page.context.set_offline(True)
    clock.run_for(14_000)
    expect(old).to_be_hidden()
    clock.run_for(20_000)  # a beat that was on its way when the line went counts as heard
    expect(old).to_be_visible()
    screen.page.context.set_offline(False)
    clock.run_for(30_000)
    expect(old).to_be_hidden()
    screen.complaints = [each for each in screen.complaints if "htmx:" not in each]

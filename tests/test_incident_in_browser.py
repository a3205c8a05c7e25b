"""The first incident as people live it: the real tree, a real browser, the machine's gateway beside it.

At every step the sentence on the screen is what counts. `SLUICEGATE_SCREENSHOTS=1` keeps pictures of the way
under docs/screens.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

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
    screen.shot("02-set-up")


@pytest.fixture
def screen(department: Department) -> Iterator[Screen]:
    with department.screen() as screen:
        yield screen


def test_the_first_incident(department: Department, screen: Screen) -> None:
    screen.open("/sign-in/")
    screen.shot("03-sign-in")
    given_stopped_load(department, screen, 4471, "General basic 1", "General basic 2")
    screen.headed("One thing needs someone")
    screen.shot("04-now-alarm")

    screen.presses("Open")
    screen.headed("A spray arm does not turn")
    screen.shot("05-alarm-seen")
    screen.presses("I have seen it")
    screen.says("Resume is not permitted: the catalogue never allows it for “A spray arm does not turn” in wash.")
    screen.shot("06-alarm-decide")
    screen.chooses("An item was in the way")
    screen.presses("Abort Alder 4471")
    screen.headed("Alder 4471 is held")
    screen.shot("07-alarm-place")
    screen.presses("Dirty side")
    screen.headed("Alder 4471 is quarantined")
    screen.says("Its place is recorded.", "Placed by Ines Malk: dirty side", "Nobody lifts this. A new cycle")
    screen.shot("08-load-quarantined")

    screen.presses("Start the re-run")
    screen.says(
        "The re-run is recorded as a new load, linked to the one held.", "runs the items of Alder 4471 again"
    )
    department.gateway_tells("cycle-finished", machine_cycle=4472)
    screen.open(f"/f/{SLUG}/")
    screen.says("Review Alder 4472.")
    screen.presses("Review")
    screen.headed("Alder 4472 is awaiting review")
    screen.presses("Review")
    for fieldset in screen.page.locator("fieldset:has(input[value=met])").all():
        fieldset.get_by_label("Met", exact=True).check()
    screen.chooses("I have read it")
    screen.shot("09-review")
    screen.presses("Record the review")
    screen.says("Reviewed by Ines Malk: all 6 criteria met")

    screen.presses("Release")
    screen.headed("I release Alder 4472")
    screen.chooses("Packing")
    screen.types(badge=INES.badge, pin="9999")
    screen.presses("Sign the release")
    screen.says("Badge and PIN did not match. Nothing was written.")
    screen.chooses("Packing")
    screen.types(badge=INES.badge, pin=INES.pin)
    screen.shot("10-sign-release")
    screen.presses("Sign the release")
    screen.headed("Alder 4472 is released")
    screen.shot("11-load-released")
    screen.presses("Alder 4471")
    screen.headed("Alder 4471 is reprocessed")
    screen.shot("12-old-load-reprocessed")

    signs_in(screen, SANNE)
    screen.open(f"/f/{SLUG}/loads/?search=4472")
    screen.presses("Alder 4472")
    screen.presses("Hold it")
    screen.types(words="A tray was found wet at packing.")
    screen.presses("Hold Alder 4472")
    screen.headed("Alder 4472 is released, under recall review")
    screen.says("“A tray was found wet at packing.”")
    screen.shot("13-under-recall")
    screen.presses("Alder 4471")
    screen.headed("Alder 4471 is quarantined")
    screen.says("Opened again: a tray is no longer accounted for")
    screen.open(f"/f/{SLUG}/loads/")
    screen.shot("14-loads")
    events, _, rest = department.rebuild_check().partition(" ")
    assert int(events) > 20
    assert rest == "events, 0 differences"

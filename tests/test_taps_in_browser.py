"""The alarm flow by a gloved finger on a tablet: from the alarm on Now to a load that stands under its hold tag.

At most six taps (the design's first question). A tap is one press of a pointer; a scan is none. The time is told,
not asserted: that of the pages, and 1.5 s for each tap.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import pypdfium2
import pytest

from tests import cast, visitors
from tests.browser import browser_at
from tests.served import PLAIN_FILES, Room, serving

pytestmark = [pytest.mark.browser, PLAIN_FILES]
TAP_S = 1.5  # a hand in a glove that reads what it presses
# At the document: the browser's driver looks once more, at the window, whether anything moved under its finger.
PRESSES = """document.addEventListener("pointerdown", (event) => {
  if (event.isTrusted) window.pressed(event.target.innerText);
}, true)"""


@pytest.fixture(scope="module")
def room(chromium_path: str, django_db_setup: None, django_db_blocker: Any) -> Iterator[Room]:
    with browser_at(chromium_path) as browser, serving(django_db_blocker, browser) as room:
        yield room


def test_from_the_alarm_to_the_hold_tag_in_six_taps(room: Room) -> None:
    spd = room.opens("gloves")
    load, _ = cast.given_load_with_alarm(spd, cycle=4471)
    taps: list[str] = []
    with room.screen() as screen:
        screen.page.expose_function("pressed", lambda words: taps.append(words))
        screen.page.add_init_script(PRESSES)
        room.comes(screen, "Ines")
        screen.open(visitors.address(spd, "now"))
        began = time.monotonic()
        screen.takes_up("Alder 4471")
        screen.stands_at(visitors.ALDER)
        screen.presses("I have seen it")
        screen.page.get_by_text("An item was in the way").click()
        screen.presses("Abort Alder 4471")
        screen.presses("Quarantine")
        screen.headed("Alder 4471 is quarantined")
        with screen.page.expect_popup():
            screen.presses("Print its hold tag")
        took_s = time.monotonic() - began
        tag = screen.page.request.get(visitors.address(spd, "hold-tag", load=load)).body()
    print(f"{len(taps)} taps: {took_s:.1f} s of pages, {took_s + TAP_S * len(taps):.1f} s with {TAP_S} s a tap")
    assert 0 < len(taps) <= 6, taps
    words = pypdfium2.PdfDocument(tag)[0].get_textpage().get_text_range()
    assert "HELD" in words
    assert "Quarantine" in words
    cast.rebuilt_equals_live(spd)

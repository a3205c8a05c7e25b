"""What the floor's screens do by themselves: scans that choose, words that are kept, bars that say what is old."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from playwright.sync_api import Response, expect

from incidents.models import Draft, Heartbeat
from tests import cast, visitors
from tests.browser import Screen, browser_at
from tests.cast import Department
from tests.served import PLAIN_FILES, Room, serving

pytestmark = [pytest.mark.browser, PLAIN_FILES]


@pytest.fixture(scope="module")
def room(chromium_path: str, django_db_setup: None, django_db_blocker: Any) -> Iterator[Room]:
    with browser_at(chromium_path) as browser, serving(django_db_blocker, browser) as room:
        yield room


@pytest.fixture
def spd(room: Room, request: pytest.FixtureRequest) -> Iterator[Department]:
    department = room.opens(f"d{abs(hash(request.node.name)) % 10**9}")
    yield department
    cast.rebuilt_equals_live(department)


@pytest.fixture
def screen(room: Room, spd: Department) -> Iterator[Screen]:
    """Ines stands at it."""
    screen = Screen(room.browser, room.address, service_workers="block")
    room.comes(screen, "Ines")
    yield screen
    screen.page.context.close()
    assert [each for each in screen.complaints if "Service Worker" not in each] == []


def signs_in(spd: Department, screen: Screen, who: str) -> None:
    screen.open("/sign-in/")
    screen.types(**visitors.factors(spd, who))
    screen.presses("Sign in")
    expect(screen.page.get_by_role("banner")).to_contain_text(who)


# --- scanning -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", [(0, 1, 2, 3), (3, 2, 1, 0)], ids=["trays first", "rack first"])
def test_a_load_is_put_together_by_scanning_in_any_order(
    spd: Department, screen: Screen, order: tuple[int, ...]
) -> None:
    rack = cast.register_rack(spd, "Rack 3")
    birch = cast.register_machine(spd, "Birch")
    codes = ("Basic set 1", "Basic set 2", "M-Birch", "R-Rack 3")
    screen.open(visitors.address(spd, "assemble"))
    for n in order:
        screen.scans(codes[n])
    chosen = screen.page.locator("main input:checked").evaluate_all("all => all.map((one) => one.value)")
    assert sorted(chosen) == sorted([*map(str, spd.trays), f"{birch}/1", str(rack)])
    screen.presses("Assemble the load")
    screen.says("The load is assembled. Start its cycle.")


def test_a_busy_tray_says_where_it_is_and_what_was_ticked_stays(spd: Department, screen: Screen) -> None:
    cast.given_running_load(spd, 4471, trays=spd.trays[:1])
    url = visitors.address(spd, "assemble")
    screen.open(url)
    screen.scans("Basic set 2")
    screen.scans("Basic set 1")
    screen.says("Basic set 1 is still in Alder 4471, in Alder.")
    assert screen.page.url.endswith(url)
    expect(screen.page.locator('main input[data-code="Basic set 2"]')).to_be_checked()


def test_a_code_that_the_page_does_not_offer_opens_its_own_page(spd: Department, screen: Screen) -> None:
    cast.register_rack(spd, "Rack 3")
    screen.open(visitors.address(spd, "evidence"))
    screen.scans("R-Rack 3")
    screen.headed("Rack 3 is in use")


# --- what was typed and not sent ----------------------------------------------------------------------


def test_words_that_were_not_sent_wait_for_their_author(spd: Department, screen: Screen) -> None:
    """Ines types, Sanne takes the tablet at once, Ines comes back, puts the words back and sends them."""
    load = cast.given_finished_load(spd)
    url = visitors.address(spd, "load", load=load)
    words = screen.page.locator("#words")
    screen.open(url)
    screen.presses("Hold it")
    words.fill("Water in the third tray")
    screen.page.get_by_role("button", name="change person").click()
    screen.headed("Sign in")

    signs_in(spd, screen, "Sanne")
    with screen.page.expect_response("**/drafts/?page=*"):
        screen.open(url)
    expect(screen.page.locator("[data-put-back]")).to_have_count(0)
    assert words.input_value() == ""

    signs_in(spd, screen, "Ines")
    screen.open(visitors.address(spd, "now"))
    screen.says("Only you see this.")
    screen.presses("Go on with it")
    screen.presses("Put it back")
    assert words.input_value() == "Water in the third tray"
    screen.presses(f"Hold {cast.load_now(spd, load).name}")
    screen.says("The load is held.")
    assert not Draft.objects.filter(facility=spd.facility).exists()


def test_no_badge_and_no_pin_is_kept(spd: Department, screen: Screen) -> None:
    load = cast.given_reviewed_load(spd)
    screen.open(visitors.address(spd, "release", load=load))
    screen.chooses("packing")
    screen.types(**visitors.factors(spd, "Ines"))
    with screen.page.expect_response(lambda answer: answer.url.endswith("/drafts/") and answer.status == 204):
        pass
    (draft,) = Draft.objects.filter(facility=spd.facility)
    assert visitors.PINS["Ines"] not in draft.body
    assert visitors.badge_of(spd, "Ines") not in draft.body


# --- what is old --------------------------------------------------------------------------------------


@pytest.mark.parametrize("route", ["loads", "evidence", "now"])
def test_a_page_whose_stream_is_lost_says_since_when_it_is_old(spd: Department, screen: Screen, route: str) -> None:
    screen.page.clock.install()
    screen.page.route("**/live/", lambda route: route.abort())
    screen.open(visitors.address(spd, route))
    bar = screen.page.locator("[data-not-live]")
    expect(bar).to_be_hidden()
    screen.page.clock.run_for(16_000)
    expect(bar).to_be_visible()
    expect(bar).to_contain_text(f"Not live since {spd.now:%H:%M:%S}")
    expect(bar).to_have_attribute("role", "alert")


def test_a_late_watch_is_told_on_a_page_that_is_open(spd: Department, screen: Screen) -> None:
    Heartbeat.objects.update_or_create(name="sweep", defaults={"at": cast.MONDAY})
    screen.open(visitors.address(spd, "loads"))
    expect(screen.page.locator("[data-watch-late]")).to_be_visible()
    Heartbeat.objects.all().delete()


def test_panes_that_stand_are_not_sent_again_and_count_as_read_now(spd: Department, screen: Screen) -> None:
    """304 Not Modified (RFC 9110 §15.4.5): what the browser shows is kept, and is as old as that answer."""
    load = cast.given_running_load(spd)
    screen.open(visitors.address(spd, "now"))
    panes = screen.page.locator("#panes")

    def told(status: int) -> None:
        """As by the stream; the panes answer so."""
        with screen.page.expect_response(lambda answer: answer.status == status and "hx-request" in heads(answer)):
            screen.page.evaluate("htmx.trigger('#panes', 'told')")

    told(304)
    screen.page.evaluate("document.querySelector('#panes').firstElementChild.dataset.kept = 'yes'")
    spd.now += timedelta(seconds=2)
    told(304)
    expect(panes.locator("[data-read-at]")).to_have_attribute("data-read-at", f"{spd.now:%H:%M:%S}")
    expect(panes.locator("[data-kept]")).to_have_count(1)
    cast.done(cast.hold(spd, load))
    screen.page.evaluate("htmx.trigger('#panes', 'told')")
    expect(panes.locator("[data-kept]")).to_have_count(0)
    told(304)
    expect(screen.page.locator("[data-not-live]")).to_be_hidden()


def heads(answer: Response) -> dict[str, str]:
    return answer.request.headers


def test_what_takes_longer_than_two_seconds_says_so(spd: Department, screen: Screen) -> None:
    """The answer comes once the words are there."""
    waiting: list[Any] = []
    screen.open(visitors.address(spd, "now"))
    screen.page.route(f"**{visitors.address(spd, 'now')}", lambda route: waiting.append(route))
    screen.page.evaluate("htmx.trigger('#panes', 'told')")
    words = screen.page.locator("[data-reading]")
    expect(words).to_be_visible()
    expect(words).to_contain_text("Still reading")
    waiting[0].continue_()
    expect(words).to_be_hidden()


# --- what is new, in words and by a tone --------------------------------------------------------------

COUNTED = """
    window.tones = 0;
    const made = AudioContext.prototype.createOscillator;
    AudioContext.prototype.createOscillator = function () { window.tones += 1; return made.call(this); };
"""


@pytest.mark.parametrize("route", ["now", "wall"])
def test_a_high_alarm_is_told_in_words_and_where_somebody_wants_it_by_a_tone(
    spd: Department, screen: Screen, route: str
) -> None:
    """The words come without the sound; the sound never without the words, and only after somebody asked for it."""
    screen.page.add_init_script(COUNTED)
    screen.open(visitors.address(spd, route))
    sound, words = screen.page.locator("[data-sound]"), screen.page.locator("[data-told]")
    expect(sound).to_have_text("Sound: off: turn it on")
    expect(words).to_be_hidden()
    load, alarm = cast.given_load_with_alarm(spd, code="W02")
    looks_again(screen)
    expect(words).to_contain_text("a spray arm does not turn")
    assert tones(screen) == 0
    sound.click()
    expect(sound).to_have_text("Sound: on: mute it for ten minutes")
    assert tones(screen) == 2  # so that one hears what it is like
    cast.done(cast.acknowledge(spd, load, alarm))
    looks_again(screen)
    expect(words).to_be_hidden()
    cast.done(cast.tell(spd, "alarm-raised", code="W01", phase="wash"))
    looks_again(screen)
    expect(words).to_be_visible()
    assert tones(screen) == 3  # of medium priority
    sound.click()
    expect(sound).to_contain_text("Sound: muted until")
    sound.click()
    expect(sound).to_have_text("Sound: off: turn it on")


def looks_again(screen: Screen) -> None:
    screen.page.evaluate("htmx.trigger('#panes', 'told')")


def tones(screen: Screen) -> int:
    found: int = screen.page.evaluate("window.tones")
    return found

"""Every flow of the floor by the keyboard alone, and what the screens then say.

WCAG 2.2: 2.1.1 keyboard, 2.1.2 no trap, 2.4.3 focus order, 2.4.7 focus visible, 2.4.11 focus not obscured.

Each flow has a department of its own, which ends with *rebuilt equals live*. Where the focus stands is looked at
with every Tab, in tests/keyboard.py.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, NamedTuple
from uuid import UUID

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from tests import cast, floor_cast, visitors
from tests.browser import Screen, browser_at
from tests.cast import Department, done, request, tell
from tests.keyboard import STOPS, Keys
from tests.served import PLAIN_FILES, Room, serving

pytestmark = [pytest.mark.browser, PLAIN_FILES]


@pytest.fixture(scope="module")
def room(chromium_path: str, django_db_setup: None, django_db_blocker: Any) -> Iterator[Room]:
    with browser_at(chromium_path) as browser, serving(django_db_blocker, browser) as room:
        yield room


@pytest.fixture(scope="module")
def profile(room: Room) -> Screen:
    return Screen(room.browser, room.address, service_workers="block")


@pytest.fixture
def screen(profile: Screen) -> Iterator[Screen]:
    """Nobody is signed in; afterwards the browser complained of nothing."""
    profile.page.context.clear_cookies()
    profile.complaints.clear()
    yield profile
    profile.page.goto("about:blank")
    assert [each for each in profile.complaints if "Service Worker" not in each] == []


@pytest.fixture
def keys(screen: Screen) -> Keys:
    return Keys(screen)


@pytest.fixture
def spd(room: Room, request: pytest.FixtureRequest) -> Iterator[Department]:
    """Rebuilt equals live, whatever was done."""
    department = room.opens(f"d{abs(hash(request.node.name)) % 10**9}")
    yield department
    cast.rebuilt_equals_live(department)


At = Callable[..., None]


@pytest.fixture
def at(room: Room, spd: Department, screen: Screen) -> At:
    """Somebody stands at a page, signed in."""

    def stands(who: str, route: str, **named: Any) -> None:
        screen.page.context.clear_cookies()
        room.comes(screen, who)
        screen.open(visitors.address(spd, route, **named))

    return stands


def badge(spd: Department, who: str) -> tuple[str, str]:
    return visitors.badge_of(spd, who), visitors.PINS[who]


# --- coming in ----------------------------------------------------------------------------------------


def test_sign_in_and_change_of_person(spd: Department, screen: Screen, keys: Keys) -> None:
    screen.open(reverse("sign-in"))
    for who in ("Ines", "Sanne"):
        number, pin = badge(spd, who)
        expect(screen.page.get_by_label("Badge")).to_be_focused()
        keys.board.type(number)
        keys.presses("Enter")
        expect(screen.page.get_by_label("PIN")).to_be_focused()
        keys.board.type(pin)
        keys.goes()
        expect(screen.page.get_by_role("banner")).to_contain_text(who)
        screen.headed("Nothing needs anyone")
        keys.enters(who)
        screen.headed("Sign in")


def test_a_scan_from_any_page_and_the_keys_that_are_listed(
    spd: Department, screen: Screen, keys: Keys, at: At
) -> None:
    load = cast.given_finished_load(spd, cycle=4471)
    at("Ines", "evidence")
    keys.presses("?")
    screen.says("goes to the scan field")
    keys.presses("Enter")  # “Close” has the focus
    expect(screen.page.locator("[data-keys]")).to_be_hidden()
    keys.presses("/")
    keys.board.type("Alder 4471")
    keys.goes()
    screen.headed("Alder 4471 is awaiting review")
    at("Ines", "policy")
    keys.scans(cast.load_now(spd, load).number)
    screen.headed("Alder 4471 is awaiting review")
    cast.register_set(spd, "Eye set", 1)
    keys.scans("Eye set 1")
    screen.headed("Which trays go in?")


def test_a_slow_scanner_loses_no_character(spd: Department, screen: Screen, at: At) -> None:
    cast.given_finished_load(spd, cycle=4471)
    at("Ines", "policy")
    screen.types_as_a_scanner("Alder 4471", gap_ms=110)  # a wireless one, on a tablet that is busy
    screen.headed("Alder 4471 is awaiting review")


def test_a_scan_into_a_field_for_words_leaves_them_as_they_were(
    spd: Department, screen: Screen, keys: Keys, at: At
) -> None:
    load = cast.given_running_load(spd, cycle=4471)
    cast.register_set(spd, "Eye set", 1)
    at("Ines", "load-deed", load=load, name="note")
    words = screen.page.get_by_label("In your words")
    words.click()
    keys.board.type("The lamp ", delay=130)  # a quick hand
    keys.presses("Enter")
    keys.presses("Backspace")
    screen.page.wait_for_timeout(400)
    with screen.page.expect_navigation():
        screen.types_as_a_scanner("Eye set 1", gap_ms=4)
    screen.headed("Which trays go in?")
    screen.open(visitors.address(spd, "load-deed", load=load, name="note"))
    screen.presses("Put it back")
    expect(words).to_have_value("The lamp ")


# --- an alarm -----------------------------------------------------------------------------------------


def test_an_alarm_is_seen_aborted_placed_and_run_again(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    cast.given_load_with_alarm(spd, cycle=4471)
    at("Ines", "now")
    screen.headed("One thing needs someone")
    keys.enters("Open: Alder 4471")
    screen.headed("A spray arm does not turn")
    screen.stands_at(visitors.ALDER)
    keys.enters("I have seen it", "Space")
    screen.says("Resume is not permitted: the catalogue never allows it")
    keys.chooses("An item was in the way")
    keys.enters("Abort Alder 4471")
    screen.headed("Alder 4471 is held")
    keys.types("Bay", "Bay 3")
    keys.enters("Quarantine", "Space")
    screen.headed("Alder 4471 is quarantined")
    screen.says("Aborted by Ines: an item was in the way", "Placed by Ines: quarantine, Bay 3")
    keys.enters("Start the re-run")
    screen.says("The re-run is recorded as a new load, linked to the one held.", "runs the items of Alder 4471")


def test_a_permitted_resume(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    cast.given_load_with_alarm(spd, code="P01", cycle=4471)
    at("Ines", "now")
    keys.scans(visitors.ALDER)
    keys.enters("I have seen it")
    keys.enters("It is resumed")
    screen.says("The resume is recorded.")
    at("Ines", "now")
    screen.says("Running")


# --- the end of a cycle -------------------------------------------------------------------------------


def test_a_load_is_assembled_started_and_ended(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    at("Ines", "now")
    keys.enters("New load")
    keys.chooses("Basic set 1", "Basic set 2")
    keys.enters("Assemble the load")
    screen.says("The load is assembled. Start its cycle.")
    keys.types("The machine’s cycle number", "4471")
    keys.enters("The cycle runs")
    screen.says("The cycle is recorded as started.")
    keys.opens("Record its end")
    keys.enters("It ran to its end")
    screen.headed("Alder 4471 is awaiting review")


def test_review_and_release_by_one_signature(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    load = cast.given_finished_load(spd, cycle=4471)
    at("Ines", "load", load=load)
    keys.enters("Review")
    screen.headed("Read the machine’s own record of Alder 4471")
    keys.chooses(*["Met"] * 6, "I have read it")
    keys.enters("Record the review")
    screen.says("Reviewed by Ines: all 6 criteria met")
    keys.enters("Release")
    keys.chooses("Packing")
    keys.signs(*badge(spd, "Ines"))
    keys.goes()
    screen.headed("Alder 4471 is released")


def test_a_release_round(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    for cycle, tray in enumerate(spd.trays, 4471):
        cast.given_reviewed_load(spd, trays=[tray], cycle=cycle)
    at("Ines", "release-round")
    screen.headed("Two loads wait for release")
    keys.to("Alder 4472")
    keys.presses("Space")  # this one waits
    keys.chooses("Packing")
    keys.signs(*badge(spd, "Ines"))
    keys.goes()
    screen.says("Released for packing: Alder 4471.")
    screen.headed("One load wait")


def test_a_hold_and_its_lift_by_two_people(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    load = cast.given_finished_load(spd, cycle=4471)
    done(cast.review(spd, load, conductivity="not-proven"))
    at("Ines", "load", load=load)
    keys.opens("Hold it")
    keys.types("Why", "A tray is wet.")
    keys.enters("Hold Alder 4471")
    screen.says("The load is held.", "A tray is wet.")
    at("Sanne", "load", load=load)
    for first, second in (("Sanne", "Joan"), ("Sanne", "")):
        keys.enters("Lift it")
        keys.types("Your reason", "Looked into it.")
        keys.signs(*badge(spd, first))
        if second:
            keys.signs(*badge(spd, second), suffix="-2")
        keys.goes()
        screen.says("The hold is lifted.")
    screen.headed("Alder 4471 is awaiting review")
    screen.says("Hold lifted by Sanne and Joan: rinse not proven")


def test_a_first_signature_tonight_and_a_second_in_the_morning(
    spd: Department, screen: Screen, keys: Keys, at: At
) -> None:
    load = cast.given_finished_load(spd, cycle=4471)
    done(cast.review(spd, load, conductivity="not-proven"))
    at("Sanne", "load", load=load)
    keys.enters("Lift it")
    keys.enters("Sign first, the second later")
    keys.types("Your reason", "Its conductivity was read twice.")
    keys.signs(*badge(spd, "Sanne"))
    keys.goes()
    screen.says("Your signature is recorded. The load stays held")
    at("Joan", "load", load=load)
    keys.enters("Open it")
    screen.headed("I sign second")
    keys.signs(*badge(spd, "Joan"))
    keys.goes()
    screen.says("The hold is lifted by you both.")
    screen.headed("Alder 4471 is awaiting review")


# --- the floor's other deeds on a load ----------------------------------------------------------------


def running(spd: Department) -> UUID:
    return cast.given_running_load(spd, cycle=4471)


def stopped(spd: Department) -> UUID:
    return cast.given_load_with_alarm(spd, cycle=4471)[0]


def finished(spd: Department) -> UUID:
    return cast.given_finished_load(spd, cycle=4471)


def mistaken(spd: Department) -> UUID:
    cast.publish_programme(spd, "Heavy")
    return running(spd)


def on_the_clean_side(spd: Department) -> UUID:
    load = cast.given_aborted_load(spd, cycle=4471)
    done(floor_cast.cycles.place_load(request(spd, "Ines"), load=load, place="clean-side"))
    return load


Step = tuple[str, ...]


class Told(NamedTuple):
    """A form on a load: what is chosen, listed and typed in it, and what the load's page then says."""

    title: str
    given: Callable[[Department], UUID]
    steps: tuple[Step, ...]
    act: str
    then: str
    who: str = "Ines"


TOLD = (
    Told(
        "The condition is gone", stopped, (("chooses", "A spray arm"),), "Record it", "The condition of fault W02"
    ),
    Told(
        "Stopped without an alarm", running, (("chooses", "Stopped by hand"),), "Record the stop", "Stopped by hand"
    ),
    Told("Power was lost", running, (("selects", "Phase", "Rinse"),), "Record it", "Power was lost in rinse"),
    Told(
        "The door was opened or forced",
        running,
        (("selects", "Phase", "Wash"), ("chooses", "It was forced", "It was taken out")),
        "Record it",
        "The door was forced in wash; the load was taken out",
    ),
    Told("The wrong programme", mistaken, (("selects", "Which one", "Heavy"),), "Record it", "Heavy was meant"),
    Told(
        "Reject trays at the unloading",
        finished,
        (("chooses", "Basic set 1", "Visibly soiled"), ("types", "In your words", "At a hinge.")),
        "Reject them",
        "Basic set 1 found visibly soiled by Ines",
    ),
    Told(
        "Record what it touched",
        on_the_clean_side,
        (("types", "What did it touch", "The shelf."), ("types", "Who cleaned it", "Ines, with wipes.")),
        "Record it",
        "Contamination recorded by Ines: The shelf.",
    ),
    Told(
        "A tray goes another way",
        finished,
        (("chooses", "Basic set 2", "To repair", "Contaminated"), ("types", "In your words", "A hinge is bent.")),
        "Record it",
        "Basic set 2 went to repair, tagged contaminated",
    ),
    Told("Add a note", running, (("types", "In your words", "The lamp flickers."),), "Add it", "Note by Ines"),
    Told(
        "Correct an event",
        running,
        (("chooses", "Started", "Cycle number"), ("types", "What it", "4472"), ("types", "Why?", "Misread.")),
        "Correct it",
        "Corrected by Ines: cycle number is 4472",
    ),
    Told(
        "Somebody else did it",
        running,
        (("chooses", "Started"), ("selects", "Who did it", "Sanne"), ("types", "Why does it", "Her session.")),
        "Correct it",
        "Attribution corrected by Quinn: it was Sanne",
        who="Quinn",
    ),
)


@pytest.mark.parametrize("told", TOLD, ids=lambda told: told.title)
def test_a_deed_on_a_load(spd: Department, screen: Screen, keys: Keys, at: At, told: Told) -> None:
    at(told.who, "load", load=told.given(spd))
    keys.enters(told.title)
    screen.headed(told.title)
    for act, *words in told.steps:
        getattr(keys, act)(*words)
    keys.enters(told.act)
    screen.says(told.then)


# --- machines and racks -------------------------------------------------------------------------------


def test_a_machine_is_blocked_and_returned(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    at("Sanne", "machine", machine=spd.machine)
    keys.types("Why", "The door leaks")
    keys.enters("Block it")
    screen.headed("Alder is blocked")
    keys.types("What was done", "New seal, tested.")
    keys.enters("Return it to service", "Space")
    screen.headed("Alder is in service")


def test_a_supply_is_changed_and_a_splash_recorded(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    at("Ines", "machine", machine=spd.machine)
    for label, text in {"Line": "1", "Product": "Cleaner", "Lot": "L-17", "Expires": "01312027"}.items():
        keys.types(label, text)
    keys.enters("Record the change")
    screen.says("Line 1: changed to Cleaner, lot L-17, expires 2027-01-31, by Ines")
    keys.types("What happened", "On the forearm.")
    keys.enters("Record it")
    screen.says("recorded by Ines")


def test_a_gap_of_the_counter_is_explained(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    done(tell(spd, "cycle-started", cycle=4471))
    done(tell(spd, "cycle-finished", cycle=4471))
    at("Sanne", "machine", machine=spd.machine)
    keys.types("Cycle", "4471")
    keys.types("What was it?", "A test run, empty.")
    keys.enters("Explain it")
    screen.says("No gap", "Cycle 4471 without a load explained by Sanne")


def test_a_rack_is_blocked_and_returned(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    rack = cast.register_rack(spd, "Rack 3")
    at("Ines", "rack", rack=rack)
    keys.types("What is wrong", "A wheel is off.")
    keys.enters("Block the rack")
    screen.headed("Rack 3 is blocked")
    at("Sanne", "rack", rack=rack)
    keys.types("What was done", "A new wheel.")
    keys.enters("Return it to use")
    screen.headed("Rack 3 is in use")


# --- what the department agrees on --------------------------------------------------------------------


def test_a_catalogue_is_drafted_compared_and_published(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    at("Bo", "catalogue-draft")
    keys.enters("Change fault W02")
    keys.types("Do this first", "Step back and leave the door shut.")
    keys.enters("Put it in the draft")
    screen.headed("One fault differs from edition 1")
    keys.enters("Compare and publish")
    screen.says("Step back and leave the door shut.", "You can’t sign twice")
    at("Ada", "catalogue-compare")
    keys.enters("I agree: publish edition 2")
    screen.says("The edition is in force.")


def test_a_policy_is_set(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    at("Ada", "policy")
    keys.types("Source", "Procedure 12, 2026-01-05")
    keys.types("The same fault blocks", "4")
    keys.chooses("Visibly soiled")
    keys.enters("Set edition 1")
    screen.says("The policy is set. It counts from now on.", "4 times the same fault")


# --- when the tool is down, and afterwards ------------------------------------------------------------


def test_forms_are_issued_entered_and_voided(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    at("Sanne", "downtime")
    keys.types("How many", "2")
    keys.enters("Issue forms")
    screen.says("The numbers are issued.")
    keys.opens("Void D-00002")
    keys.types("Why won’t it come back?", "Torn.")
    keys.enters("Void D-00002")
    screen.says("Form D-00002 is voided.")
    keys.types("Number under the barcode", "1")
    keys.enters("Enter it")
    keys.chooses("Alder", "Basic set 1")
    keys.selects("Programme", "Instruments")
    keys.chooses("Aborted")
    keys.enters("Enter form D-00001")
    screen.says("Form D-00001 is entered, and its load was judged at once.")
    screen.headed("2026-00001 is quarantined")


def test_the_evidence_is_narrowed(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    load = cast.given_finished_load(spd, cycle=4471)
    done(cast.hold(spd, load))
    at("Quinn", "evidence")
    keys.selects("Event", "hold placed")
    keys.selects("Done by", "Ines")
    keys.enters("Look")
    expect(screen.page.get_by_role("row")).to_have_count(2)  # its head, and the one event
    keys.opens("hold placed")
    keys.enters("Alder 4471")
    screen.headed("Alder 4471 is quarantined")


# --- set-up -------------------------------------------------------------------------------------------


def test_people_machines_and_sets_are_set_up(spd: Department, screen: Screen, keys: Keys, at: At) -> None:
    at("Ada", "set-up")
    keys.enters("Add a person")
    who = {"Name": "Pia", "Sign-in name": spd.facility.slug, "Password": visitors.PASSWORD}
    for label, text in (who | {"Badge number": f"{spd.facility.slug}-77", "PIN": "7007"}).items():
        keys.types(label, text)
    keys.chooses("Technician", "Release")
    keys.enters("Add the person")
    screen.says("Pia")
    keys.enters("Register a machine")
    keys.types("Name", "Birch")
    keys.types("Code on the machine", "M-Birch")
    keys.enters("Register the machine")
    screen.says("Birch")
    keys.enters("Register a set")
    keys.types("Set", "Eye set")
    keys.types("Trays", "Eye 1")
    keys.presses("Enter")
    keys.board.type("Eye 2")
    keys.enters("Register the set")
    screen.says("Eye 1, Eye 2")


# --- there and back -----------------------------------------------------------------------------------


@pytest.mark.parametrize("route", ["now", "load", "machine", "assemble", "policy", "downtime", "evidence"])
def test_tab_goes_round_the_page_and_shift_tab_goes_back(
    spd: Department, screen: Screen, keys: Keys, at: At, route: str
) -> None:
    """Every stop once, in the same order both ways, and out of the page at both ends."""
    load = cast.given_finished_load(spd, cycle=4471)
    named = {"load": {"load": load}, "machine": {"machine": spd.machine}}.get(route, {})
    at("Sanne", route, **named)
    there = _way(keys, "Tab")
    screen.page.reload()
    back = _way(keys, "Shift+Tab")
    assert len(there) > 8
    assert back == there[::-1]


def _way(keys: Keys, key: str) -> list[str]:
    """Every stop once, until the focus leaves the page or begins again; a group of radio buttons is one."""
    found: dict[str, None] = {}
    for _ in range(STOPS):
        now = keys.stops(key)
        stop = str(now["group"] or now["stop"])
        if now["lost"] or (stop in found and stop != list(found)[-1]):
            return list(found)
        found[stop] = None
    raise AssertionError("the focus never leaves the page")

"""Is this cycle proven? Records given in a real browser: judged, reviewed, signed, released; or refused, and why.

`SLUICEGATE_SCREENSHOTS=1` keeps pictures of the way under docs/screens.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest

from incidents.operations import setting_up
from incidents.queries import facts
from incidents.simulation import records
from tests import cast, visitors
from tests.browser import Screen, browser_at
from tests.cast import Department, done, request
from tests.record_cast import SOURCE, spoilt
from tests.recorded import (
    ALL_PROBES,
    HELD_FROM_S,
    HELD_TO_S,
    Spoiling,
    as_csv,
    put,
    shift,
    without_rows,
)
from tests.served import PLAIN_FILES, Room, serving
from tests.test_judge import LIMITS, RECIPE

pytestmark = [pytest.mark.browser, PLAIN_FILES]
MIDDLE_S = (HELD_FROM_S + HELD_TO_S) / 2


@pytest.fixture(scope="module")
def room(chromium_path: str, django_db_blocker: Any) -> Iterator[Room]:
    with browser_at(chromium_path) as browser, serving(django_db_blocker, browser) as room:
        department = room.opens("eastmere")
        cast.publish_programme(department, **RECIPE, limits=LIMITS)
        done(setting_up.set_basis(request(department, "Ada"), basis="computed", source=SOURCE))
        yield room


@pytest.fixture
def screen(room: Room) -> Iterator[Screen]:
    with room.screen() as screen:
        room.comes(screen, "Ines")
        yield screen


def of(room: Room) -> Department:
    assert room.department is not None
    return room.department


def given_ended_load(room: Room, name: str) -> UUID:
    department = of(room)
    return cast.given_finished_load(department, trays=cast.register_set(department, name, 2))


def gives(screen: Screen, room: Room, load: UUID, folder: Path, *spoilings: Spoiling, file: bytes = b"") -> None:
    """Choose the record's file on the load's own page, and send it."""
    path = folder / "record.csv"
    path.write_bytes(file or as_csv(spoilt(*spoilings)))
    screen.open(visitors.address(of(room), "load", load=load))
    screen.page.get_by_role("link", name="Give a record").click()
    screen.headed("No readings of")
    screen.page.set_input_files("input[name=record]", path)
    screen.presses("Keep it and judge it")


def test_a_simulated_record_is_judged_reviewed_signed_and_released(
    room: Room, screen: Screen, tmp_path: Path
) -> None:
    """The simulator's own record, of a seed that nothing here was made with."""
    load = given_ended_load(room, "Hip set")
    begun = cast.load_now(of(room), load).started_at
    assert begun is not None
    minutes = {"pre-wash": 2, "wash": 8, "rinse": 3, "disinfection": 10, "drying": 5}
    plan = records.planned([(code, 60 * length) for code, length in minutes.items()])
    gives(screen, room, load, tmp_path, file=records.record(UUID(int=20261125), begun, plan))
    screen.says("The record is kept, and judged by the programme of its start.")
    screen.presses("Review")
    screen.headed("Criteria met by the readings of")
    screen.says("A record shows what the recorded probes saw.", "A0 of at least 3000 s")
    screen.shot("readings", ("tablet", "light"), ("desktop", "light"), ("desktop", "dark"), ("paper", "light"))
    screen.presses("Record the review")
    screen.says("Looked at by Ines")
    screen.presses("Release")
    screen.chooses("Packing")
    screen.types(badge=visitors.badge_of(of(room), "Ines"), pin=visitors.PINS["Ines"])
    screen.presses("Sign the release")
    screen.headed("is released")


HELD: dict[str, tuple[tuple[Spoiling, ...], tuple[str, ...]]] = {
    "a band dip": (
        (shift(ALL_PROBES, -3, MIDDLE_S, MIDDLE_S + 4),),
        ("Disinfection, computed from the readings: not met. Required: at or above 90 °C", "it fell to"),
    ),
    "resumed in mid-hold": (
        (put("phase", "halt", MIDDLE_S, MIDDLE_S + 10),),
        ("Disinfection, computed from the readings: not proven", "disinfection was broken by halt: its pieces"),
    ),
    "a gap over the hold": (
        (without_rows(MIDDLE_S, MIDDLE_S + 60),),
        ("Disinfection, computed from the readings: not proven", "a gap from 1248 to 1312 s"),
    ),
    "a dead independent probe": (
        (put("independent_degC", None),),
        ("control and independent probe within 2 K", "independent read nothing"),
    ),
    "aborted": (
        (put("phase", "aborted", MIDDLE_S),),
        ("not met. Required: every phase of the programme, in order, without a stop", "aborted at 1250 s"),
    ),
}


@pytest.mark.parametrize("name", HELD)
def test_what_is_not_proven_is_refused_with_its_sentence(
    room: Room, screen: Screen, tmp_path: Path, name: str
) -> None:
    spoilings, sentences = HELD[name]
    load = given_ended_load(room, f"Set of {name}")
    gives(screen, room, load, tmp_path, *spoilings)
    screen.headed("is quarantined")
    screen.says(*sentences, "Nobody lifts this.")
    screen.says("Release is not possible:")
    screen.page.get_by_role("link", name="Its curve and findings").click()
    screen.says(*sentences)


def test_a_wrong_file_is_withdrawn_by_two_people_and_the_right_one_proves_the_cycle(
    room: Room, screen: Screen, tmp_path: Path
) -> None:
    load = given_ended_load(room, "Hand set")
    dip = shift(ALL_PROBES, -3, MIDDLE_S, MIDDLE_S + 5)
    gives(screen, room, load, tmp_path, dip)
    room.comes(screen, "Sanne")
    screen.open(visitors.address(of(room), "readings", load=load))
    screen.presses("It is not this load’s record")
    screen.headed("it is not this load’s")
    screen.shot("withdraw", ("tablet", "light"), ("desktop", "dark"))
    screen.types(words="The file of another machine’s cycle.")
    for suffix, who in (("", "Sanne"), ("-2", "Joan")):
        badge, pin = visitors.badge_of(of(room), who), visitors.PINS[who]
        screen.types(**{f"badge{suffix}": badge, f"pin{suffix}": pin})
    screen.presses("Sign and withdraw")
    screen.says("The record is withdrawn. What it proved is missing: the load is held.", "Its record is withdrawn.")
    gives(screen, room, load, tmp_path, put("probe_1_degC", 91.4, MIDDLE_S, MIDDLE_S))
    screen.says("Release is not possible:", "nobody has reviewed the record.")
    assert cast.standing(of(room), load) == []


def test_a_new_edition_goes_from_draft_to_approved_by_two_people(
    room: Room, screen: Screen, tmp_path: Path
) -> None:
    """Engineering drafts it, the administrator compares and approves it; no old load is judged again."""
    load = given_ended_load(room, "Eye set")
    gives(screen, room, load, tmp_path, put("probe_1_degC", 91.3, MIDDLE_S, MIDDLE_S))
    programme = facts.programme_id(of(room).id, cast.PROGRAMME_NAME)
    room.comes(screen, "Bo")
    screen.open(visitors.address(of(room), "programme", programme=programme))
    screen.headed("Instruments, edition 2")
    screen.presses("Draft the next edition")
    screen.page.get_by_label("Disinfection asked for by policy").select_option(index=2)
    screen.shot("programme-draft", ("tablet", "light"), ("desktop", "dark"))
    screen.presses("Keep the draft")
    screen.headed("The draft changes two lines of Instruments")
    screen.says("A second person approves it.")
    assert screen.page.get_by_role("button", name="I agree").count() == 0
    room.comes(screen, "Ada")
    screen.page.reload()
    screen.says("A0 600 s, from 2026-01-01")
    screen.shot("programme-compare", ("tablet", "light"), ("desktop", "dark"), ("paper", "light"))
    screen.presses("I agree: approve edition 3")
    screen.says("The edition is approved. Cycles that have started keep theirs.")
    screen.headed("Instruments, edition 3")
    screen.shot("programme", ("tablet", "light"), ("desktop", "light"), ("desktop", "dark"), ("paper", "light"))
    screen.open(visitors.address(of(room), "readings", load=load))
    screen.presses("What if it were judged by another edition?")
    screen.page.get_by_label("Edition of Instruments").select_option("3")
    screen.presses("Compare")
    screen.headed("as edition 3 would judge it")
    screen.says("Every criterion comes out as it was judged.")
    screen.shot("what-if", ("tablet", "light"), ("desktop", "dark"))
    screen.open(visitors.address(of(room), "policy"))
    screen.shot("policy", ("tablet", "light"), ("desktop", "dark"))


def test_what_cannot_be_read_says_where(room: Room, screen: Screen, tmp_path: Path) -> None:
    load = given_ended_load(room, "Knee set")
    file = tmp_path / "record.csv"
    file.write_text("time_s,probe_1_degC\n0,20\n1,warm\n")
    screen.open(visitors.address(of(room), "readings", load=load))
    screen.page.set_input_files("input[name=record]", file)
    screen.presses("Keep it and judge it")
    screen.says("Line 3, column 2: “warm” is not a number.", "Nothing was written")
    assert cast.standing(of(room), load) == ["record-missing"]

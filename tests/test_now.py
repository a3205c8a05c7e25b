"""Now: who took each open item, where the held loads stand, when a chamber is done, and the shift's gauge."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from incidents.operations import cycles, machines
from incidents.queries import facts
from incidents.rules import policies
from incidents.rules.calendars import Span, shift_at
from incidents.rules.department_events import STARTING_SHIFTS
from incidents.rules.events import Shift
from tests import cast, floor_cast, visitors
from tests.cast import Department, done, refused
from tests.visitors import address, unsound, visitor, words_of


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


def board(department: Department, who: str = "Ines", route: str = "now") -> Any:
    answer = visitor(department, who).get(address(department, route))
    assert answer.status_code == 200
    assert unsound(answer) == []
    return answer


def owner_of(department: Department, title: str) -> str:
    matters = board(department).context["matters"]
    return str(next(matter["owner"] for matter in matters if title in matter["title"]))


# --- who took it --------------------------------------------------------------------------------------


def test_nobody_has_an_alarm_until_somebody_sees_it(eastmere: Department) -> None:
    load, alarm = cast.given_load_with_alarm(eastmere)
    assert owner_of(eastmere, "Nobody has seen it.") == "nobody has taken it"
    done(cast.acknowledge(eastmere, load, alarm, who="Sanne"))
    assert owner_of(eastmere, "Resume or abort.") == "with Sanne"


def test_what_follows_an_abort_stays_with_whoever_saw_the_alarm(eastmere: Department) -> None:
    cast.given_aborted_load(eastmere)
    assert owner_of(eastmere, "again. It is held.") == "with Ines"


def test_a_held_load_is_with_whoever_holds_it(eastmere: Department) -> None:
    load = cast.given_finished_load(eastmere)
    assert owner_of(eastmere, "Review") == "nobody has taken it"
    done(cast.hold(eastmere, load, who="Joan"))
    assert owner_of(eastmere, "is held.") == "with Joan"


def test_a_criterion_that_is_not_met_is_with_whoever_read_it(eastmere: Department) -> None:
    load = cast.given_finished_load(eastmere)
    done(cast.review(eastmere, load, a0="not-met"))
    assert owner_of(eastmere, "is held.") == "with Ines"


def test_a_blocked_machine_is_with_whoever_blocked_it(eastmere: Department) -> None:
    done(floor_cast.block(eastmere, who="Bo"))
    assert owner_of(eastmere, "is blocked") == "with Bo"


@pytest.mark.parametrize("route", ["wall", "last-known"])
def test_no_name_stands_on_the_wall(eastmere: Department, route: str) -> None:
    cast.given_aborted_load(eastmere)
    done(floor_cast.block(eastmere, who="Bo"))
    shown = words_of(board(eastmere, "Quinn", route))
    assert "again. It is held." in shown
    assert not [name for name in ("Ines", "Bo ", "with ") if name in shown]


# --- where the held loads stand -----------------------------------------------------------------------


def test_held_loads_are_listed_by_their_place(eastmere: Department) -> None:
    birch = cast.register_machine(eastmere, "Birch", "1", "2", "3")
    names = {}
    for place, spot in (("quarantine", "Q1"), ("dirty-side", ""), ("clean-side", "Shelf 2"), ("chamber", "")):
        tray = cast.register_set(eastmere, f"Set of {place}", 1)
        load = cast.given_assembled_load(eastmere, tray, machine=birch, chamber="1")
        started = cycles.start_cycle(
            cast.request(eastmere, "Ines"), load=load, programme=cast.PROGRAMME_NAME, machine_cycle=None
        )
        done(started)
        done(cycles.report_end(cast.request(eastmere, "Ines"), load=load, machine_cycle=None, complete=False))
        if place != "chamber":
            asked = cast.request(eastmere, "Ines")
            done(cycles.place_load(asked, load=load, place=place, spot=spot))  # type: ignore[arg-type]
        names[place] = cast.load_now(eastmere, load).name

    answer = board(eastmere)
    found = {group["key"]: [load["name"] for load in group["loads"]] for group in answer.context["held_places"]}
    assert found == {place: [name] for place, name in names.items()}
    assert "A held load has no business here" in words_of(answer)
    assert "Shelf 2" in words_of(answer)


def test_a_released_load_is_held_nowhere(eastmere: Department) -> None:
    cast.given_released_load(eastmere)
    assert [group["count"] for group in board(eastmere).context["held_places"]] == [0, 0, 0, 0]


# --- the machines -------------------------------------------------------------------------------------


def test_a_running_chamber_says_when_it_is_expected_to_end(eastmere: Department) -> None:
    load = cast.given_running_load(eastmere)
    end = cast.load_now(eastmere, load).expected_end_at
    assert end is not None
    assert f"min left, to {end:%H:%M}" in words_of(board(eastmere))
    eastmere.now = end + timedelta(minutes=1)
    assert f"past its expected end, {end:%H:%M}" in words_of(board(eastmere))


def test_a_machine_of_several_chambers_has_a_lane_for_each_under_one_name(eastmere: Department) -> None:
    birch = cast.register_machine(eastmere, "Birch", "1", "2", "3")
    for chamber in ("1", "2"):
        tray = cast.register_set(eastmere, f"Set {chamber}", 1)
        load = cast.given_assembled_load(eastmere, tray, machine=birch, chamber=chamber)
        asked = cast.request(eastmere, "Ines")
        done(cycles.start_cycle(asked, load=load, programme=cast.PROGRAMME_NAME, machine_cycle=int(chamber)))
    done(machines.block_machine(cast.request(eastmere, "Bo"), machine=birch, reason="Leaks", chamber="3"))
    answer = board(eastmere)
    alder, several = answer.context["machines"]
    assert (alder["many"], several["many"]) == (False, True)
    assert [lane["state_words"] for lane in several["lanes"]] == ["Running", "Running", "Blocked"]
    assert "Birch 3 chambers" in words_of(answer)


# --- the shift ----------------------------------------------------------------------------------------


def moment(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


@pytest.mark.parametrize(
    ("at", "name", "start", "end"),
    [
        ("2026-03-02T06:00:00+01:00", "Early shift", "2026-03-02T06:00:00+01:00", "2026-03-02T14:00:00+01:00"),
        ("2026-03-02T13:59:59+01:00", "Early shift", "2026-03-02T06:00:00+01:00", "2026-03-02T14:00:00+01:00"),
        ("2026-03-02T23:30:00+01:00", "Night shift", "2026-03-02T22:00:00+01:00", "2026-03-03T06:00:00+01:00"),
        ("2026-03-03T02:00:00+01:00", "Night shift", "2026-03-02T22:00:00+01:00", "2026-03-03T06:00:00+01:00"),
        # Directive 2000/84/EC, article 2: the clock goes forward on the last Sunday of March at 01:00 UTC.
        ("2026-03-29T05:00:00+02:00", "Night shift", "2026-03-28T22:00:00+01:00", "2026-03-29T06:00:00+02:00"),
        # Article 3: and back on the last Sunday of October at 01:00 UTC.
        ("2026-10-25T02:30:00+01:00", "Night shift", "2026-10-24T22:00:00+02:00", "2026-10-25T06:00:00+01:00"),
    ],
)
def test_a_shift_goes_by_the_clock_on_the_wall(at: str, name: str, start: str, end: str) -> None:
    found = shift_at(STARTING_SHIFTS, moment(at), ZoneInfo("Europe/Berlin"))
    assert found == Span(name, moment(start), moment(end))


def test_a_night_with_a_change_of_the_clock_is_seven_or_nine_hours_long() -> None:
    zone = ZoneInfo("Europe/Berlin")
    spring = shift_at(STARTING_SHIFTS, moment("2026-03-29T00:30:00+01:00"), zone)
    autumn = shift_at(STARTING_SHIFTS, moment("2026-10-25T00:30:00+02:00"), zone)
    assert spring and autumn
    assert spring.end_at - spring.start_at == timedelta(hours=7)
    assert autumn.end_at - autumn.start_at == timedelta(hours=9)


def test_one_shift_lasts_until_it_begins_again() -> None:
    found = shift_at((Shift("07:30", "Day"),), moment("2026-03-02T06:00:00+00:00"), ZoneInfo("UTC"))
    assert found == Span("Day", moment("2026-03-01T07:30:00+00:00"), moment("2026-03-02T07:30:00+00:00"))


@pytest.mark.parametrize(
    ("shifts", "code"),
    [
        ((), "shifts-missing"),
        ((Shift("06:00", "A"), Shift("06:00", "B")), "shifts-alike"),
        ((Shift("6 Uhr", "A"),), "shift-unreadable"),
        ((Shift("25:00", "A"),), "shift-unreadable"),
        ((Shift("06:00", ""),), "shift-unnamed"),
        ((Shift("06:00", "x" * 25),), "shift-unnamed"),
    ],
)
def test_what_is_no_day_of_shifts_is_refused(eastmere: Department, shifts: tuple[Shift, ...], code: str) -> None:
    before = facts.policy(eastmere.id)
    assert refused(floor_cast.set_policy(eastmere, shifts=shifts)) == code
    assert facts.policy(eastmere.id) == before


def test_the_gauge_is_filled_up_to_now_and_marks_the_alarms_of_the_shift(eastmere: Department) -> None:
    """The cast's Monday begins at 06:00 UTC, where the early shift of the starting policy begins."""
    cast.given_load_with_alarm(eastmere)
    gauge = board(eastmere).context["gauge"]
    assert gauge["name"] == "Early shift"
    assert [mark["glyph"] for mark in gauge["marks"]] == ["hi"]
    length = gauge["end_at"] - gauge["start_at"]
    assert 0 < gauge["marks"][0]["share"] <= (eastmere.now - gauge["start_at"]) / length < 1
    assert "Early shift, 06:00 to 14:00, now 06:" in board(eastmere).content.decode()


def test_an_administrator_sets_the_shifts_and_an_empty_field_leaves_them(eastmere: Department) -> None:
    typed = {"source": "Roster 2026", "same_fault_blocks": "3", "same_fault_cycles": "60"}
    ada = visitor(eastmere, "Ada")
    url = address(eastmere, "policy")
    carried = visitors.carried(eastmere)
    answer = ada.post(url, carried | typed | {"shifts": "19:00 Night\r\n07:00 Day"})
    assert answer.status_code == 302
    wanted = (Shift("07:00", "Day"), Shift("19:00", "Night"))
    assert facts.policy(eastmere.id).shifts == wanted
    assert "Day from 07:00, Night from 19:00" in words_of(ada.get(url))
    assert ada.post(url, visitors.carried(eastmere) | typed).status_code == 302
    assert facts.policy(eastmere.id).shifts == wanted


def test_until_a_facility_sets_its_own_there_are_three_shifts() -> None:
    assert policies.policy_refusal(policies.STARTING_POLICY) is None
    assert [shift.starts for shift in policies.STARTING_POLICY.shifts] == ["06:00", "14:00", "22:00"]

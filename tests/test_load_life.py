"""A load's life by the rules alone: what happened, and what the load then is.

Expected facts are the design's (sections 4 and 6) and the trade's (B1: an aborted load is *disinfection not
proven*; only an entire new cycle clears the items).
"""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from incidents.rules import holds, loads, open_items
from incidents.rules.events import (
    AnyEvent,
    CycleFinished,
    LoadPlaced,
    LoadReopened,
    LoadReprocessed,
    OutcomeOverdue,
    RerunLinked,
    SetRegistered,
    TrayProof,
)
from incidents.rules.loads import Load
from tests.story import (
    ABORTED,
    ALARM,
    CONFORMING,
    CRITERIA,
    FINISHED,
    INES,
    LOAD,
    MONDAY,
    RELEASED,
    STOPPED,
    TRAY_1,
    TRAY_2,
    Happening,
    aborted,
    alarm,
    assembled,
    by,
    finished,
    held,
    id_of,
    load_of,
    resumed,
    reviewed,
    seen,
    started,
    story,
    told,
)

Story = Sequence[AnyEvent | Happening]
OVERDUE = OutcomeOverdue(MONDAY)
REPROCESSED = LoadReprocessed((TrayProof(TRAY_1, id_of("later")), TrayProof(TRAY_2, id_of("later"))))
RERUN = RerunLinked(id_of("later"))


def codes(load: Load) -> list[str]:
    return [hold.code for hold in holds.holds(load)]


def minutes(count: float) -> datetime:
    return MONDAY + timedelta(minutes=count)


# --- what a load is -----------------------------------------------------------------------------------

WAYS: list[tuple[Story, str]] = [
    ((assembled(),), "in process"),
    ((assembled(), started()), "in process"),
    (STOPPED, "in process"),
    ((*STOPPED, seen(), resumed()), "in process"),
    ((assembled(), started(), OVERDUE), "quarantined"),
    ((assembled(), started(), held()), "quarantined"),
    ((assembled(), started(), alarm(known=False)), "quarantined"),
    (ABORTED, "quarantined"),
    (FINISHED, "awaiting review"),
    ((*FINISHED, held()), "quarantined"),
    (CONFORMING, "awaiting review"),
    (RELEASED, "released"),
    ((*ABORTED, RERUN, REPROCESSED), "reprocessed"),
    ((*ABORTED, RERUN, REPROCESSED, LoadReopened(TRAY_1)), "quarantined"),
]


@pytest.mark.parametrize(("happened", "expected"), WAYS)
def test_what_a_load_is_follows_from_what_happened(happened: Story, expected: str) -> None:
    assert holds.disposition(load_of(*happened)) == expected


def test_an_aborted_load_is_not_proven_and_not_merely_not_disinfected() -> None:
    """Trade, corrections from practice: an aborted load is *disinfection not proven* (B1)."""
    assert codes(load_of(*ABORTED)) == ["disinfection-not-proven", "cycle-incomplete"]


def test_a_cycle_that_the_machine_calls_incomplete_is_held_like_an_abort() -> None:
    load = load_of(assembled(), started(), finished(complete=False))
    assert codes(load) == ["disinfection-not-proven", "cycle-incomplete"]


def test_an_incomplete_report_after_a_complete_one_wins() -> None:
    load = load_of(*FINISHED, finished(complete=False))
    assert "cycle-incomplete" in codes(load)


def test_a_complete_report_after_an_incomplete_one_changes_nothing() -> None:
    load = load_of(assembled(), started(), finished(complete=False), finished())
    assert "cycle-incomplete" in codes(load)


def test_a_load_goes_by_the_facilitys_number_until_the_machines_counter_is_known() -> None:
    assert load_of(assembled(), started()).name == "2026-00001"
    assert load_of(assembled(), started(), started(4471)).name == "Alder 4471"
    assert load_of(assembled(), started(), alarm(machine_cycle=4471)).name == "Alder 4471"
    assert load_of(assembled(), started(), finished(4471)).name == "Alder 4471"


def test_the_same_start_told_by_a_person_and_by_the_machine_is_one_start() -> None:
    load = load_of(assembled(), started(), told(1, started(4471)))
    assert not load.unexpected
    assert load.started_at == minutes(2)


def test_a_cycle_is_due_an_hour_and_ten_minutes_after_its_start() -> None:
    """The programme's 3600 s and its grace of 600 s, as they stood at the start."""
    assert load_of(assembled(), started()).due_at == minutes(2 + 70)
    assert load_of(*FINISHED).due_at is None
    assert load_of(assembled(), started(programme=None)).due_at is None


def test_a_load_stands_in_the_chamber_from_its_start_and_then_where_it_was_put() -> None:
    assert load_of(assembled()).place == "dirty-side"
    assert load_of(assembled(), started()).place == "chamber"
    load = load_of(*ABORTED, LoadPlaced("quarantine", "shelf 3"))
    assert (load.place, load.spot) == ("quarantine", "shelf 3")


def test_a_later_edition_of_the_programme_does_not_touch_a_load_under_way() -> None:
    load = load_of(assembled(), started())
    assert load.programme is not None
    assert (load.programme.edition, load.programme.criteria) == (1, CRITERIA)


# --- what does not fit holds --------------------------------------------------------------------------

ODD: dict[str, Story] = {
    "assembled twice": (assembled(), assembled()),
    "started unassembled": (started(),),
    "unknown programme": (assembled(), started(programme=None)),
    "started in another chamber": (assembled(), started(), started(chamber="2")),
    "started on another machine": (assembled(), started(), started(machine=id_of("Birch"))),
    "started under another counter": (assembled(), started(4471), started(4472)),
    "machine says another programme": (assembled(), started(), started(programme_name="Heavy")),
    "unknown fault code": (assembled(), started(), alarm("X99", known=False)),
    "alarm before the start": (assembled(), alarm()),
    "alarm after the end": (*FINISHED, alarm()),
    "acknowledged an alarm it has not": (assembled(), started(), seen()),
    "resumed without a stop": (assembled(), started(), resumed()),
    "aborted without a cycle": (assembled(), aborted()),
    "aborted after the end": (*FINISHED, aborted()),
    "ended without a start": (assembled(), finished()),
    "ended under another counter": (assembled(), started(4471), finished(4472)),
    "went on after a stop by itself": (*STOPPED, seen(), finished()),
    "complete after an abort": (*ABORTED, finished()),
    "incomplete after all": (*FINISHED, finished(complete=False)),
    "on the clean side unproven": (*ABORTED, LoadPlaced("clean-side")),
    "reviewed before the end": (assembled(), started(), reviewed()),
    "something that belongs elsewhere": (assembled(), SetRegistered("Basic", "Theatre 1", ())),
    "a time ahead of the clock": (assembled(), started(), Happening(finished(), minute=70, sequence=1, arrived=60)),
    "a time before the load was": (assembled(), by(INES, started()), told(1, finished(), minute=-5)),
    "an end before the start": (assembled(), by(INES, started(), minute=20), told(1, finished(), minute=10)),
}


@pytest.mark.parametrize("happened", ODD.values(), ids=ODD)
def test_what_does_not_fit_is_recorded_and_holds_the_load(happened: Story) -> None:
    assert "unexpected" in codes(load_of(*happened))


FITTING: dict[str, Story] = {
    "an ordinary cycle": CONFORMING,
    "the same start and end told twice": (
        assembled(),
        started(),
        told(1, started(4471)),
        finished(),
        finished(4471),
    ),
    "a held load put in quarantine": (*ABORTED, LoadPlaced("quarantine")),
    "a finished load on the clean side": (*FINISHED, LoadPlaced("clean-side")),
    "an abort that the machine confirms": (*ABORTED, finished(complete=False)),
    "a warning on the way": (assembled(), started(), alarm(halts=False), seen(), finished()),
    "a stop and a resume": (*STOPPED, seen(), resumed(), finished()),
    "a known fault during an abort": (*ABORTED, alarm(alarm=id_of("another"))),
}


@pytest.mark.parametrize("happened", FITTING.values(), ids=FITTING)
def test_what_fits_holds_nothing(happened: Story) -> None:
    assert "unexpected" not in codes(load_of(*happened))


def test_two_minutes_of_skew_are_forgiven() -> None:
    """Design I10: skew beyond 2 min is flagged."""
    at_the_limit = Happening(finished(), minute=5, sequence=1, arrived=3)
    beyond = Happening(finished(), minute=5.1, sequence=1, arrived=3)
    flagged = []
    for end in (at_the_limit, beyond):
        (*_, event) = story(assembled(), started(), end)
        event = replaced(event, recorded_at=minutes(3))
        flagged.append(bool(loads.evolve(load_of(assembled(), started()), event).unexpected))
    assert flagged == [False, True]


def replaced(value: Any, **changed: Any) -> Any:
    return type(value)(**{name: getattr(value, name) for name in value.__struct_fields__} | changed)


@pytest.mark.parametrize("year", [1, 9999])
def test_a_device_whose_clock_is_ages_away_is_heard_and_its_load_is_held(year: int) -> None:
    """Bad input to be expected of timestamps: years 0001 and 9999 (reliability notes)."""
    first = story(assembled())
    start = replaced(
        story(assembled(), told(1, started()))[1], occurred_at=datetime(year, 12, 31, 23, 59, tzinfo=UTC)
    )
    load = loads.fold(LOAD, [*first, start])
    assert codes(load) == ["unexpected"]
    assert load.due_at is None or load.expected_end_at is not None


def test_a_load_assembled_by_a_clock_of_the_year_one_still_folds() -> None:
    first = replaced(story(assembled())[0], occurred_at=datetime(1, 1, 1, tzinfo=UTC))
    (_, start) = story(assembled(), told(1, started()))
    assert loads.fold(LOAD, [first, start]).stage == "running"


def test_a_devices_own_counter_decides_not_the_order_of_arrival() -> None:
    in_order = load_of(assembled(), told(1, started(4471)), told(2, alarm()), told(3, finished(complete=False)))
    mixed = load_of(assembled(), told(3, finished(complete=False)), told(1, started(4471)), told(2, alarm()))
    assert (mixed.stage, codes(mixed)) == (in_order.stage, codes(in_order))


def test_two_devices_counters_have_nothing_to_do_with_each_other() -> None:
    recorder = id_of("recorder")
    load = load_of(assembled(), told(7, started(4471)), told(3, finished(4471), device=recorder))
    assert (load.stage, load.unexpected) == ("finished", ())


# --- what needs someone -------------------------------------------------------------------------------


def kinds(items: Any) -> list[str]:
    return [item.kind for item in items]


@pytest.mark.parametrize(
    ("happened", "expected"),
    [
        ((assembled(), started()), []),
        (STOPPED, ["alarm"]),
        ((*STOPPED, seen()), ["decision-due"]),
        ((*STOPPED, seen(), resumed()), []),
        (ABORTED, ["rerun-due"]),
        ((*ABORTED, RERUN), ["held"]),
        ((*ABORTED, RERUN, REPROCESSED), []),
        ((*ABORTED, RERUN, REPROCESSED, LoadReopened(TRAY_1)), ["held"]),
        ((assembled(), started(), OVERDUE), ["outcome-unknown"]),
        (FINISHED, ["review-due"]),
        (CONFORMING, ["review-due"]),
        ((*CONFORMING, held()), ["held"]),
        (RELEASED, []),
        ((*RELEASED, held()), ["recall"]),
        ((assembled(), started(), alarm(halts=False), finished()), ["alarm", "held"]),
    ],
)
def test_what_needs_someone(happened: Story, expected: list[str]) -> None:
    assert kinds(open_items.of_load(load_of(*happened))) == expected


def test_a_recall_needs_someone_since_the_hold_arrived() -> None:
    """`since` is when its need began: the hold is the sixth event of this story, one a minute."""
    (item,) = open_items.of_load(load_of(*RELEASED, held()))
    assert item.since == minutes(6)
    assert item.priority == "high"


def test_a_held_load_needs_someone_since_the_hold_arrived() -> None:
    (item,) = open_items.of_load(load_of(*CONFORMING, held()))
    assert (item.since, item.priority) == (minutes(5), "medium")


@pytest.mark.parametrize("happened", [CONFORMING, RELEASED])
def test_a_second_hold_does_not_make_the_first_ones_need_younger(happened: Story) -> None:
    (item,) = open_items.of_load(load_of(*happened, held(), held("another")))
    assert item.since == minutes(len(happened) + 1)


def test_a_decision_is_due_since_the_machine_stopped() -> None:
    """The alarm is the third event; how long the cycle ran before is no time that anyone waited."""
    (item,) = open_items.of_load(load_of(*STOPPED, seen()))
    assert item.since == minutes(3)


def test_an_alarm_that_nobody_saw_says_what_and_where() -> None:
    (item,) = open_items.of_load(load_of(assembled(), started(), alarm(title="The door opened")))
    assert item.title == "2026-00001: the door opened, in wash. Nobody has seen it."
    assert (item.since, item.alarm) == (minutes(3), ALARM)


def test_a_cycle_ended_twice_by_two_tellers_is_one_end() -> None:
    load = load_of(*FINISHED, told(1, CycleFinished(machine_cycle=4471, chamber="1")))
    assert (load.stage, load.unexpected) == ("finished", ())

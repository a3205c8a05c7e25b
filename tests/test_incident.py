"""The first incident and what can follow it, deed by deed on the real database.

Alder stops on a fault, the load is aborted, held and run again; the new load is released, which ends the
old one; a late doubt opens it again. Every story ends with *rebuilt equals live*.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest

from incidents.operations import alarms, cycles
from incidents.queries import floor
from incidents.rules.events import LoadReopened, LoadReprocessed, Stream, TrayProof
from tests.cast import (
    Department,
    acknowledge,
    done,
    events_of,
    fate,
    given_aborted_load,
    given_load_with_alarm,
    given_released_load,
    hold,
    last_event,
    let_go,
    lift,
    load_now,
    open_department,
    rebuilt_equals_live,
    refused,
    request,
    rerun,
    rerun_and_release,
    review,
    standing,
    tell,
    whole_log,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def spd() -> Iterator[Department]:
    """A sterile processing department, ready for work; whatever the story, its read models are as folded."""
    department = open_department()
    yield department
    rebuilt_equals_live(department)


def kinds(spd: Department, stream: Stream) -> list[str]:
    return [str(type(event.data).__struct_config__.tag) for event in whole_log(spd) if event.stream == stream]


def told_of(spd: Department, load: UUID) -> list[str]:
    return kinds(spd, Stream("load", load))


def needs(spd: Department, load: UUID) -> list[str]:
    return [matter.kind for matter in floor.open_items(spd.id) if matter.owner == load]


def manual_hold(spd: Department, load: UUID) -> str:
    done(hold(spd, load))
    return f"manual:{last_event(spd, load).hold}"


# --- the way of the first incident --------------------------------------------------------------------


def test_the_machine_stops_and_somebody_is_needed(spd: Department) -> None:
    load, _ = given_load_with_alarm(spd)
    assert load_now(spd, load).stage == "stopped"
    (matter,) = floor.open_items(spd.id)
    assert (matter.kind, matter.priority, matter.owner) == ("alarm", "high", load)  # W02 is high in the catalogue


def test_seen_is_not_solved(spd: Department) -> None:
    load, alarm = given_load_with_alarm(spd)
    done(acknowledge(spd, load, alarm))
    assert needs(spd, load) == ["decision-due"]
    assert refused(acknowledge(spd, load, alarm, who="Sanne")) == "already-acknowledged"


def test_the_catalogue_says_no_resume_in_wash(spd: Department) -> None:
    """Starting catalogue: W02, a spray arm does not turn, may be resumed in pre-wash only."""
    load, alarm = given_load_with_alarm(spd, "W02", "wash")
    done(acknowledge(spd, load, alarm))
    assert refused(alarms.resume_cycle(request(spd, "Sanne"), load=load, alarm=alarm)) == "resume-not-permitted"


def test_a_resumed_drying_fault_goes_on_and_is_held_for_the_supervisor(spd: Department) -> None:
    load, alarm = given_load_with_alarm(spd, "A01", "drying")
    done(acknowledge(spd, load, alarm))
    done(alarms.resume_cycle(request(spd, "Ines"), load=load, alarm=alarm))
    done(tell(spd, "cycle-finished"))
    done(review(spd, load))
    assert refused(let_go(spd, load)) == "hold-stands"
    done(lift(spd, load, "drying-resumed", "Sanne"))
    done(let_go(spd, load))
    assert fate(spd, load) == "released"


def test_an_aborted_load_is_held_and_asks_to_be_run_again(spd: Department) -> None:
    load = given_aborted_load(spd)
    assert standing(spd, load) == ["disinfection-not-proven", "cycle-incomplete"]
    assert needs(spd, load) == ["rerun-due"]
    done(cycles.place_load(request(spd, "Ines"), load=load, place="quarantine", spot="shelf 3"))
    assert load_now(spd, load).place == "quarantine"


def test_one_tap_runs_it_again_in_the_same_chamber_as_a_new_linked_load(spd: Department) -> None:
    old = given_aborted_load(spd)
    new = load_now(spd, rerun(spd, old))
    assert (new.rerun_of, new.trays, new.stage, new.chamber) == (old, spd.trays, "running", "1")
    assert load_now(spd, old).reruns == (new.id,)
    assert needs(spd, old) == ["held"]


def test_the_released_rerun_ends_the_old_load(spd: Department) -> None:
    old = given_aborted_load(spd)
    new = rerun_and_release(spd, old)
    assert (fate(spd, old), fate(spd, new)) == ("reprocessed", "released")
    assert last_event(spd, old) == LoadReprocessed(tuple(TrayProof(tray, new) for tray in spd.trays))
    assert floor.open_items(spd.id) == []


def test_the_whole_first_incident_as_the_ledger_tells_it(spd: Department) -> None:
    old = given_aborted_load(spd)
    new = rerun_and_release(spd, old)
    assert told_of(spd, old) == [
        "load-assembled",
        "cycle-started",
        "alarm-raised",
        "alarm-acknowledged",
        "cycle-aborted",
        "rerun-linked",
        "load-reprocessed",
    ]
    assert told_of(spd, new) == [
        "load-assembled",
        "cycle-started",
        "cycle-finished",
        "load-reviewed",
        "load-released",
    ]


def test_end_and_release_are_one_deed(spd: Department) -> None:
    """Design: `load-reprocessed` is appended to the old load's stream by the deed that causes it."""
    old = given_aborted_load(spd)
    new = rerun_and_release(spd, old)
    assert events_of(spd, old)[-1].deed == events_of(spd, new)[-1].deed


# --- what can follow ----------------------------------------------------------------------------------


def test_a_late_hold_puts_the_rerun_under_recall_and_opens_the_old_load(spd: Department) -> None:
    """I9."""
    old = given_aborted_load(spd)
    new = rerun_and_release(spd, old)
    done(hold(spd, new, who="Joan"))
    assert (fate(spd, old), fate(spd, new)) == ("quarantined", "released, under recall")
    assert last_event(spd, old) == LoadReopened(spd.trays[0])
    assert (needs(spd, old), needs(spd, new)) == (["held"], ["recall"])


def test_lifting_the_late_hold_ends_both_again(spd: Department) -> None:
    old = given_aborted_load(spd)
    new = rerun_and_release(spd, old)
    done(lift(spd, new, manual_hold(spd, new), "Joan"))
    assert (fate(spd, old), fate(spd, new)) == ("reprocessed", "released")


def test_an_aborted_rerun_is_run_again_and_the_last_one_ends_them_all(spd: Department) -> None:
    first = given_aborted_load(spd)
    second = rerun(spd, first)
    done(alarms.abort_cycle(request(spd, "Ines"), load=second, reason="cant-tell"))
    third = rerun_and_release(spd, second)
    assert [fate(spd, load) for load in (first, second, third)] == ["reprocessed", "reprocessed", "released"]
    assert last_event(spd, first).proofs[0].load == third


def test_when_the_last_of_a_chain_falls_all_of_it_opens_again(spd: Department) -> None:
    first = given_aborted_load(spd)
    second = rerun(spd, first)
    done(alarms.abort_cycle(request(spd, "Ines"), load=second, reason="cant-tell"))
    third = rerun_and_release(spd, second)
    done(hold(spd, third))
    assert [fate(spd, load) for load in (first, second)] == ["quarantined", "quarantined"]


def test_a_rerun_that_fails_its_review_passes_the_question_on(spd: Department) -> None:
    first = given_aborted_load(spd)
    second = rerun(spd, first)
    done(tell(spd, "cycle-finished"))
    done(review(spd, second, a0="not-met"))
    third = rerun_and_release(spd, second)
    assert [fate(spd, load) for load in (first, second, third)] == ["reprocessed", "reprocessed", "released"]


def test_a_recalled_load_may_be_run_again_and_stays_under_recall(spd: Department) -> None:
    """Its items were out in between; washing them again does not answer who used them."""
    load = given_released_load(spd)
    done(hold(spd, load))
    rerun_and_release(spd, load)
    assert fate(spd, load) == "reprocessed, under recall"
    assert needs(spd, load) == ["recall"]


def test_trays_that_go_into_use_again_do_not_touch_old_stories(spd: Department) -> None:
    old = given_aborted_load(spd)
    new = rerun_and_release(spd, old)
    given_aborted_load(spd)
    assert (fate(spd, old), fate(spd, new)) == ("reprocessed", "released")


def test_a_recall_is_not_wiped_out_by_the_next_ordinary_wash(spd: Department) -> None:
    """Washed and used twice; the doubt about the first wash comes after the second."""
    first, second = given_released_load(spd), given_released_load(spd)
    done(hold(spd, first, who="Joan"))
    done(lift(spd, second, manual_hold(spd, second), "Joan"))
    assert "under recall" in fate(spd, first)


def test_what_the_machine_adds_after_the_release_is_a_recall_too(spd: Department) -> None:
    load = given_released_load(spd, cycle=4471)
    done(tell(spd, "alarm-raised", cycle=4471, code="W01", phase="rinse"))
    assert fate(spd, load) == "released, under recall"
    assert standing(spd, load) == ["alarm-unseen", "unexpected"]


def late_alarm_after(spd: Department, old: UUID, **more: Any) -> UUID:
    """The rerun of `old` is released; then its machine reports a fault of that very cycle."""
    new = rerun_and_release(spd, old, cycle=4472)
    done(tell(spd, "alarm-raised", cycle=4472, code="W01", phase="rinse", **more))
    assert fate(spd, new) == "released, under recall"
    return new


def test_what_a_machine_causes_in_an_older_load_is_not_that_machines_observation(spd: Department) -> None:
    """Its counter belongs to what it told; the old load opens by the deed's own doing."""
    old = given_aborted_load(spd)
    late_alarm_after(spd, old)
    reopened = events_of(spd, old)[-1]
    assert isinstance(reopened.data, LoadReopened)
    assert reopened.sequence is None


def test_an_old_load_is_not_flagged_for_another_loads_wrong_clock(spd: Department) -> None:
    old = given_aborted_load(spd)
    late_alarm_after(spd, old, occurred_at=spd.now + timedelta(hours=9))
    assert standing(spd, old) == ["disinfection-not-proven", "cycle-incomplete"]


def test_an_old_load_that_ended_stays_so_when_its_own_machine_speaks_late(spd: Department) -> None:
    """A late report of the first cycle, under an early number, doesn't reorder what deeds decided since."""
    old = given_aborted_load(spd, cycle=4471)
    new = late_alarm_after(spd, old)
    done(acknowledge(spd, new, load_now(spd, new).alarms[0].id))
    done(lift(spd, new, f"unexpected:{load_now(spd, new).unexpected[0].event_id}", "Joan"))
    assert fate(spd, old) == "reprocessed"
    done(tell(spd, "alarm-cleared", cycle=4471, code="W02", sequence=2))
    assert fate(spd, old) == "reprocessed"

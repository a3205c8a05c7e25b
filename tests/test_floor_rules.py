"""Incidents on the floor by the rules alone: interruptions, the unloading, corrections, machines, racks, policy.

Expected facts are the design's (sections 3, 4 and 6) and the trade's (A4: door opened, power lost, cycle
aborted, load wet or visibly soiled; B1: only an entire new cycle clears the items).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from incidents.projections.states import KINDS, empty, next_state
from incidents.queries.sentences import Names, sentence_of, sentence_of_machine
from incidents.rules import (
    alarms,
    corrections,
    holds,
    inspection,
    interruptions,
    loads,
    machines,
    open_items,
    policies,
    racks,
    reruns,
)
from incidents.rules import release as releases
from incidents.rules.events import (
    AnyEvent,
    Corrected,
    CycleExplained,
    LoadPlaced,
    LoadReprocessed,
    MachineBlocked,
    MachineRegistered,
    MachineReturned,
    PolicySet,
    RackBlocked,
    RackRegistered,
    RackReturned,
    Recorded,
    RejectReason,
    RerunLinked,
    Stream,
    SupplyChanged,
    TrayLeft,
    TrayProof,
    TraysRejected,
    Way,
)
from incidents.rules.machines import Machine
from incidents.rules.racks import Rack
from incidents.rules.refusals import Refusal
from incidents.rules.reruns import LaterLoad
from tests.floor import (
    CLEAN_SIDE,
    NOTE,
    Story,
    attributed,
    cleaned_up,
    codes,
    corrected,
    door_opened,
    key_of,
    left,
    pinned,
    power_lost,
    refused,
    rejected,
    stopped,
    wrong_programme,
)
from tests.story import (
    ABORTED,
    ALARM,
    ALDER,
    ALDER_STREAM,
    CONFORMING,
    FINISHED,
    INES,
    JOAN,
    LOAD,
    MONDAY,
    RELEASED,
    SANNE,
    STOPPED,
    TRAY_1,
    TRAY_2,
    WORDS,
    aborted,
    alarm,
    assembled,
    by,
    finished,
    held,
    id_of,
    lifted,
    load_of,
    released,
    resumed,
    reviewed,
    seen,
    signature,
    started,
    story,
    told,
)
from tests.test_any_order import ANY_STORY, in_the_ledger

RUNNING: Story = (assembled(), started())
RERUN = RerunLinked(id_of("later"))
REPROCESSED = LoadReprocessed((TrayProof(TRAY_1, id_of("later")), TrayProof(TRAY_2, id_of("later"))))
NOT_COMPLETE = ["disinfection-not-proven", "cycle-incomplete"]

# --- somebody stopped it ------------------------------------------------------------------------------


@pytest.mark.parametrize("how", ["by-hand", "emergency"])
def test_after_a_stop_by_hand_only_an_abort_follows(how: Any) -> None:
    """A fault that may be resumed by itself may not be resumed once a hand had stopped the cycle."""
    resumable = alarm("W02", "pre-wash", resume="technician")
    load = load_of(*RUNNING, stopped(how), resumable, seen())
    assert load.stage == "stopped"
    assert refused(alarms.resume(load, ALARM, ["supervisor"], MONDAY)) == "stopped-by-hand"
    assert not isinstance(alarms.abort(load, "fault", None), Refusal)
    ended = load_of(*RUNNING, stopped(how), aborted())
    assert codes(ended) == NOT_COMPLETE


def test_a_stop_after_an_alarm_takes_its_resume_away_too() -> None:
    resumable = alarm("W02", "pre-wash", resume="technician")
    before = load_of(*RUNNING, resumable, seen())
    assert not isinstance(alarms.resume(before, ALARM, ["technician"], MONDAY), Refusal)
    after = load_of(*RUNNING, resumable, seen(), stopped())
    assert refused(alarms.resume(after, ALARM, ["technician"], MONDAY)) == "stopped-by-hand"


def test_a_stop_without_any_alarm_has_nothing_to_resume() -> None:
    assert refused(alarms.resume(load_of(*RUNNING, stopped()), ALARM, ["supervisor"], MONDAY)) == "alarm-unknown"


@pytest.mark.parametrize("how", ["by-hand", "emergency"])
def test_a_cycle_that_a_hand_stopped_is_never_complete(how: Any) -> None:
    """Whatever breaks a cycle leaves it incomplete: nobody knows in which phase it stood."""
    load = load_of(*RUNNING, stopped(how), told(1, finished()))
    assert pinned(load)


@pytest.mark.parametrize("happened", [(assembled(),), FINISHED, ABORTED, (*RUNNING, power_lost())])
def test_a_stop_of_a_cycle_that_does_not_run_does_not_fit(happened: Story) -> None:
    assert "unexpected" in codes(load_of(*happened, stopped()))


def test_a_stopped_load_needs_a_decision_that_does_not_offer_what_is_refused() -> None:
    (item,) = open_items.of_load(load_of(*RUNNING, stopped("emergency")))
    assert item.kind == "decision-due"
    assert "resume" not in item.title.lower()


# --- the power and the door ---------------------------------------------------------------------------

BREAKS: dict[str, AnyEvent] = {
    "power": power_lost(),
    "power in disinfection": power_lost("disinfection"),
    "door": door_opened(),
    "door forced": door_opened(forced=True),
    "load taken out": door_opened(forced=True, taken_out=True),
}
MID_CYCLE: dict[str, Story] = {
    "running": RUNNING,
    "stopped by an alarm": (*STOPPED, seen()),
    "stopped by hand": (*RUNNING, stopped()),
    "gone on after a resume": (*STOPPED, seen(), resumed()),
}
AFTERWARDS: list[Any] = [
    finished(),
    told(1, finished()),
    told(2, finished(4471)),
    started(),
    told(3, started(4471)),
    resumed(),
    seen(),
    stopped(),
    reviewed(),
    released(),
    wrong_programme(),
    power_lost(),
    door_opened(),
    rejected(),
    lifted("cycle-incomplete"),
    lifted("disinfection-not-proven"),
    corrected("machine_cycle", "4471"),
    corrected("stage", "finished"),
    attributed(id_of("x"), INES, SANNE),
    RERUN,
]


@pytest.mark.parametrize("broken", BREAKS.values(), ids=BREAKS)
@pytest.mark.parametrize("happened", MID_CYCLE.values(), ids=MID_CYCLE)
def test_an_interrupted_cycle_is_not_complete(happened: Story, broken: AnyEvent) -> None:
    load = load_of(*happened, broken)
    assert (load.stage, codes(load)[:2]) == ("incomplete", NOT_COMPLETE)
    assert holds.disposition(load) == "quarantined"
    assert load.interrupted in holds.holds(load)[1].sentence


@settings(max_examples=200)
@given(
    st.sampled_from(list(MID_CYCLE.values())),
    st.sampled_from(list(BREAKS.values())),
    st.lists(st.sampled_from(AFTERWARDS), max_size=6),
)
def test_whatever_a_device_or_a_person_says_then(happened: Story, broken: AnyEvent, then: list[Any]) -> None:
    """A complete stage never comes back, and nothing of it is released without *under recall* (I6, I9)."""
    load = load_of(*happened, broken, *then)
    assert load.stage in ("incomplete", "aborted")
    assert set(NOT_COMPLETE) <= set(pinned(load))
    assert holds.disposition(load) != "released" or holds.under_recall(load)


def test_a_machine_that_calls_a_broken_cycle_complete_is_not_believed() -> None:
    load = load_of(*RUNNING, power_lost(), told(1, finished()))
    assert codes(load) == [*NOT_COMPLETE, "unexpected"]


@pytest.mark.parametrize("broken", BREAKS.values(), ids=BREAKS)
def test_before_the_start_an_interruption_does_not_fit(broken: AnyEvent) -> None:
    assert codes(load_of(assembled(), broken)) == ["unexpected"]


@pytest.mark.parametrize("broken", BREAKS.values(), ids=BREAKS)
@pytest.mark.parametrize("happened", [ABORTED, (*RUNNING, finished(complete=False)), (*RUNNING, power_lost())])
def test_a_cycle_that_is_broken_already_stays_as_it_is(happened: Story, broken: AnyEvent) -> None:
    before, after = load_of(*happened), load_of(*happened, broken)
    assert (after.stage, codes(after), after.ended_at) == (before.stage, codes(before), before.ended_at)


TOLD_OF_A_DOOR: dict[str, tuple[Story, bool]] = {
    "assembled": ((assembled(),), False),
    "running": (RUNNING, True),
    "stopped": (STOPPED, True),
    "finished": (FINISHED, True),
    "power lost": ((*RUNNING, power_lost()), True),
    "aborted": (ABORTED, True),
    "ended too early": ((*RUNNING, finished(complete=False)), True),
    "released": (RELEASED, False),
}


@pytest.mark.parametrize(("happened", "may"), TOLD_OF_A_DOOR.values(), ids=TOLD_OF_A_DOOR)
def test_a_door_is_told_of_from_the_start_until_the_release(happened: Story, may: bool) -> None:
    """Trade, A4: a door forced after the power was lost is the very case."""
    assert interruptions.door_is_told(load_of(*happened)) == may


def test_the_door_opens_at_every_unloading() -> None:
    assert codes(load_of(*FINISHED, door_opened())) == []
    assert holds.disposition(load_of(*RELEASED, door_opened())) == "released"


@pytest.mark.parametrize("broken", [power_lost(), door_opened(forced=True)])
def test_after_the_end_it_holds_until_somebody_has_looked(broken: AnyEvent) -> None:
    assert codes(load_of(*FINISHED, broken)) == ["unexpected"]
    assert holds.under_recall(load_of(*RELEASED, broken))


@pytest.mark.parametrize("broken", BREAKS.values(), ids=BREAKS)
@pytest.mark.parametrize("happened", [FINISHED, CONFORMING, RELEASED])
def test_an_interruption_entered_late_broke_the_cycle_all_the_same(happened: Story, broken: AnyEvent) -> None:
    """Its claimed time lies between start (minute 2) and end (minute 3): arrival order alone changes nothing."""
    assert pinned(load_of(*happened, by(INES, broken, minute=2.5)))


@pytest.mark.parametrize("happened", [FINISHED, CONFORMING, RELEASED])
def test_a_stop_entered_late_broke_the_cycle_all_the_same(happened: Story) -> None:
    """As an interruption does: told before the end it leaves the cycle incomplete, so told after it too."""
    assert pinned(load_of(*happened, by(INES, stopped("emergency"), minute=2.5)))


@pytest.mark.parametrize("happened", [FINISHED, CONFORMING, RELEASED])
def test_a_door_that_opened_in_a_phase_is_no_unloading(happened: Story) -> None:
    """Entered at the end of the shift without its time: the phase that it names says that the cycle was running."""
    assert codes(load_of(*happened, door_opened(phase="disinfection")))


def test_the_machines_counter_is_known_from_the_interruption_too() -> None:
    """As it is from an alarm: else the end of the same cycle would be a cycle without a load."""
    assert load_of(*RUNNING, told(1, power_lost(cycle=4471))).name == "Alder 4471"


def test_an_interruption_answers_the_alarms_but_nobody_has_seen_them() -> None:
    load = load_of(*STOPPED, power_lost())
    assert codes(load) == [*NOT_COMPLETE, "alarm-unseen"]
    assert [item.kind for item in open_items.of_load(load)] == ["alarm", "rerun-due"]


# --- the wrong programme ------------------------------------------------------------------------------


@pytest.mark.parametrize("happened", [RUNNING, FINISHED, CONFORMING])
def test_a_wrong_programme_holds_until_somebody_named_has_looked(happened: Story) -> None:
    load = load_of(*happened, wrong_programme("Heavy"))
    assert codes(load) == ["unexpected"]
    assert "Heavy" in holds.holds(load)[0].sentence
    key = key_of(load, "unexpected")
    assert refused(releases.lift(load, key, WORDS, [signature(INES, "technician")])) == "may-not-lift"
    assert not isinstance(releases.lift(load, key, WORDS, [signature(SANNE, "supervisor")]), Refusal)


def test_a_wrong_programme_noticed_after_the_release_is_a_recall_review() -> None:
    load = load_of(*RELEASED, wrong_programme())
    assert (holds.disposition(load), holds.under_recall(load)) == ("released", True)


# --- at the unloading ---------------------------------------------------------------------------------

# reason × does policy let the rest go on → the holds. A damaged tray says nothing about the others.
REJECTIONS: list[tuple[RejectReason, bool, list[str]]] = [
    ("wet", True, []),
    ("wet", False, ["drying-not-met"]),
    ("soiled", True, []),
    ("soiled", False, ["cleaning-not-met"]),
    ("damaged", True, []),
    ("damaged", False, []),
]


@pytest.mark.parametrize(("reason", "rest", "expected"), REJECTIONS)
def test_what_a_rejected_tray_means_for_the_rest(reason: RejectReason, rest: bool, expected: list[str]) -> None:
    event = inspection.reject(load_of(*CONFORMING), [TRAY_2], reason, rest, None)
    assert isinstance(event, TraysRejected)
    load = load_of(*CONFORMING, event)
    assert codes(load) == expected
    assert (releases.release_refusal(load) is None) == (not expected)
    assert load.fate_of(TRAY_2) == "rejected"
    assert load.fate_of(TRAY_1) == ""


@pytest.mark.parametrize(("reason", "rest"), [(reason, rest) for reason, rest, _ in REJECTIONS])
def test_found_after_the_release_it_is_a_recall_review(reason: RejectReason, rest: bool) -> None:
    load = load_of(*RELEASED, rejected(reason, rest=rest))
    assert (holds.disposition(load), holds.under_recall(load)) == ("released", True)


@pytest.mark.parametrize("happened", [(assembled(),), RUNNING, STOPPED])
def test_nothing_is_rejected_before_the_unloading(happened: Story) -> None:
    assert refused(inspection.reject(load_of(*happened), [TRAY_1], "wet", True, None)) == "cycle-not-ended"
    assert "unexpected" in codes(load_of(*happened, rejected()))


@pytest.mark.parametrize(
    ("trays", "reason", "code"),
    [
        ([], "wet", "tray-unknown"),
        ([id_of("somebody else’s")], "wet", "tray-unknown"),
        ([TRAY_1, id_of("somebody else’s")], "wet", "tray-unknown"),
        ([TRAY_1], "ugly", "reason-unknown"),
        ([TRAY_2], "wet", "tray-gone"),
    ],
)
def test_rejections_that_are_refused(trays: list[UUID], reason: Any, code: str) -> None:
    load = load_of(*FINISHED, rejected("wet", TRAY_2))
    assert refused(inspection.reject(load, trays, reason, True, None)) == code


def test_a_tray_named_twice_is_rejected_once() -> None:
    event = inspection.reject(load_of(*FINISHED), [TRAY_1, TRAY_1], "wet", False, None)
    assert isinstance(event, TraysRejected)
    assert event.trays == (TRAY_1,)


def test_a_rejected_tray_of_another_load_does_not_fit() -> None:
    assert "unexpected" in codes(load_of(*FINISHED, rejected("wet", id_of("somebody else’s"))))


def test_a_rejected_tray_needs_someone_until_it_runs_again() -> None:
    kinds = [item.kind for item in open_items.of_load(load_of(*RELEASED[:-1], rejected(), released()))]
    assert kinds == ["rerun-due"]
    again = load_of(*RELEASED[:-1], rejected(), released(), RERUN)
    assert [item.kind for item in open_items.of_load(again)] == []


def test_of_a_released_load_only_the_rejected_trays_run_again() -> None:
    load = load_of(*CONFORMING, rejected(), released())
    assert reruns.rerun_refusal(load) is None
    assert reruns.trays_to_run(load) == (TRAY_2,)


def test_of_a_load_under_recall_all_trays_run_again_but_those_that_left() -> None:
    load = load_of(*CONFORMING, rejected(), released(), held(), left(TRAY_1, "owner"))
    assert reruns.trays_to_run(load) == (TRAY_2,)
    assert reruns.trays_to_run(load_of(*RELEASED, held())) == (TRAY_1, TRAY_2)


def test_a_load_that_was_reprocessed_is_not_run_again_for_a_tray_rejected_long_ago() -> None:
    load = load_of(*CONFORMING, rejected(), released(), held(), RERUN, REPROCESSED)
    assert refused(reruns.rerun_refusal(load)) == "already-reprocessed"


# --- unproven things on the clean side ----------------------------------------------------------------


def test_the_record_of_what_it_touched_is_due_since_it_stood_there() -> None:
    load = load_of(*ABORTED, CLEAN_SIDE)
    (item,) = [item for item in open_items.of_load(load) if item.kind == "contamination-due"]
    assert item.since == story(*ABORTED, CLEAN_SIDE)[-1].occurred_at


def dues(*happened: Any) -> list[str]:
    return [item.kind for item in open_items.of_load(load_of(*happened)) if item.kind == "contamination-due"]


@pytest.mark.parametrize(
    "happened", [ABORTED, (*RUNNING, power_lost()), (*FINISHED, rejected("soiled", rest=False))]
)
def test_unproven_items_on_the_clean_side_ask_for_a_record(happened: Story) -> None:
    assert dues(*happened) == []
    assert dues(*happened, CLEAN_SIDE) == ["contamination-due"]
    assert dues(*happened, CLEAN_SIDE, LoadPlaced("quarantine")) == ["contamination-due"]
    assert dues(*happened, CLEAN_SIDE, cleaned_up()) == []


def test_items_that_stood_there_before_it_was_known_ask_too() -> None:
    assert dues(*RELEASED, CLEAN_SIDE) == []
    assert dues(*RELEASED, CLEAN_SIDE, rejected("soiled", rest=False)) == ["contamination-due"]


def test_a_corrected_place_tells_that_it_stood_there() -> None:
    assert dues(*ABORTED, LoadPlaced("quarantine"), corrected("place", "clean-side")) == ["contamination-due"]
    assert dues(*ABORTED, CLEAN_SIDE, corrected("place", "quarantine")) == ["contamination-due"]


def test_the_record_ends_no_hold() -> None:
    happened = (*ABORTED, CLEAN_SIDE)
    assert codes(load_of(*happened, cleaned_up())) == codes(load_of(*happened))


# --- a tray that goes another way ---------------------------------------------------------------------

UNPROVEN: dict[str, Story] = {
    "not run yet": (assembled(),),
    "aborted": ABORTED,
    "not reviewed": FINISHED,
    "not released": CONFORMING,
    "rejected": (*CONFORMING, rejected(), released()),
    "under recall": (*RELEASED, held()),
    "reprocessed": (*ABORTED, RERUN, REPROCESSED),
}


@pytest.mark.parametrize("way", inspection.WAYS)
@pytest.mark.parametrize("happened", UNPROVEN.values(), ids=UNPROVEN)
def test_an_unproven_tray_leaves_only_tagged(happened: Story, way: Way) -> None:
    load = load_of(*happened)
    assert refused(inspection.leave(load, TRAY_2, way, False, WORDS)) == "tag-it"
    assert isinstance(inspection.leave(load, TRAY_2, way, True, WORDS), TrayLeft)


def test_a_released_tray_leaves_untagged() -> None:
    assert isinstance(inspection.leave(load_of(*RELEASED), TRAY_2, "owner", False, WORDS), TrayLeft)


@pytest.mark.parametrize(
    ("happened", "tray", "way", "code"),
    [
        (ABORTED, id_of("somebody else’s"), "repair", "tray-unknown"),
        (ABORTED, TRAY_1, "the bin", "way-unknown"),
        (RUNNING, TRAY_1, "repair", "cycle-running"),
        (STOPPED, TRAY_1, "repair", "cycle-running"),
        ((*ABORTED, left(TRAY_1)), TRAY_1, "owner", "tray-gone"),
    ],
)
def test_ways_that_are_refused(happened: Story, tray: UUID, way: Any, code: str) -> None:
    assert refused(inspection.leave(load_of(*happened), tray, way, True, WORDS)) == code


def test_a_tray_that_left_is_accounted_for() -> None:
    """Design 4: released elsewhere, "or it left another documented way"."""
    went = LaterLoad(id_of("later"), True, "released", False)
    outcome = reruns.settle(load_of(*ABORTED, RERUN, left(TRAY_2, "discarded")), {TRAY_1: [went]})
    assert outcome == LoadReprocessed((TrayProof(TRAY_1, went.id), TrayProof(TRAY_2, LOAD, "discarded")))


def test_a_load_all_of_whose_trays_left_is_accounted_for() -> None:
    outcome = reruns.settle(load_of(*ABORTED, left(TRAY_1, "owner"), left(TRAY_2)), {})
    assert isinstance(outcome, LoadReprocessed)


def test_a_tray_that_was_rejected_again_is_not_accounted_for_by_that_load() -> None:
    went = LaterLoad(id_of("later"), True, "released", False)
    again = replace(went, rejected=True)
    assert reruns.settle(load_of(*ABORTED, RERUN), {TRAY_1: [went], TRAY_2: [again]}) is None
    both = {TRAY_1: [went], TRAY_2: [again, replace(went, id=id_of("last"))]}
    assert isinstance(reruns.settle(load_of(*ABORTED, RERUN), both), LoadReprocessed)


def test_a_tray_that_is_not_of_this_load_does_not_fit() -> None:
    assert "unexpected" in codes(load_of(*ABORTED, left(id_of("somebody else’s"))))


# --- corrections --------------------------------------------------------------------------------------


def ask(happened: Story, at: int, field: str, value: str) -> Any:
    events = story(*happened)
    return corrections.correct(events, events[at].event_id, field, value, WORDS)


PLACED: Story = (*ABORTED, LoadPlaced("quarantine", "shelf 3"))


@pytest.mark.parametrize(
    ("at", "field", "value"),
    [
        (1, "machine_cycle", "4471"),
        (2, "machine_cycle", "4471"),
        (3, "place", "dirty-side"),
        (3, "spot", "shelf 4"),
    ],
)
def test_what_may_be_corrected(at: int, field: str, value: str) -> None:
    event = ask((*FINISHED, LoadPlaced("quarantine", "shelf 3")), at, field, value)
    assert isinstance(event, Corrected)
    assert (event.field, event.value) == (field, value)


@pytest.mark.parametrize(
    ("at", "field", "value", "code"),
    [
        (0, "trays", "", "not-correctable"),
        (1, "programme_name", "Heavy", "not-correctable"),
        (1, "machine_cycle", "", "value-unfit"),
        (1, "machine_cycle", "-4", "value-unfit"),
        (1, "machine_cycle", "4 471", "value-unfit"),
        (1, "machine_cycle", "٤٤٧١", "value-unfit"),
        (1, "machine_cycle", "9" * 13, "value-unfit"),
        (2, "phase", "drying", "not-correctable"),
        (2, "code", "A01", "not-correctable"),
        (2, "halts", "no", "not-correctable"),
        (4, "reason", "fault", "not-correctable"),
        (5, "place", "chamber", "value-unfit"),
        (5, "place", "theatre", "value-unfit"),
        (5, "spot", "s" * 41, "value-unfit"),
        (5, "", "", "not-correctable"),
    ],
)
def test_what_may_not_be_corrected(at: int, field: str, value: str, code: str) -> None:
    assert refused(ask(PLACED, at, field, value)) == code


def test_no_correction_of_an_event_that_is_not_here() -> None:
    assert refused(corrections.correct(story(*PLACED), id_of("elsewhere"), "place", "dirty-side", WORDS)) == (
        "event-unknown"
    )


def test_only_what_decides_nothing_may_be_corrected() -> None:
    fields = {field for named in corrections.CORRECTABLE.values() for field in named}
    assert fields == {"machine_cycle", "place", "spot"}


HELD: dict[str, Story] = {
    "aborted": ABORTED,
    "counter differs": (assembled(), started(4471), finished(4472)),
    "record missing": (*FINISHED, reviewed(record_seen=False)),
    "not met": (*FINISHED, reviewed(cleaning="not-met")),
    "stood on the clean side": (*ABORTED, CLEAN_SIDE),
    "manual": (*CONFORMING, held()),
    "wrong programme": (*CONFORMING, wrong_programme()),
    "soiled": (*CONFORMING, rejected("soiled", rest=False)),
    "broken": (*RUNNING, power_lost("disinfection")),
}
FIELDS = st.sampled_from(["machine_cycle", "place", "spot", "phase", "stage", "trays", "complete", "record_seen"])
VALUES = st.sampled_from(["4471", "4472", "0", "", "dirty-side", "clean-side", "quarantine", "finished", "met"])


@given(st.sampled_from(list(HELD.values())), st.lists(st.builds(corrected, FIELDS, VALUES), max_size=4))
def test_a_correction_never_lifts_a_hold(happened: Story, more: list[Corrected]) -> None:
    """I11, whatever somebody wrote as a correction."""
    before = {hold.key for hold in holds.holds(load_of(*happened))}
    assert before <= {hold.key for hold in holds.holds(load_of(*happened, *more))}


def test_a_correction_that_can_not_be_applied_holds() -> None:
    assert codes(load_of(*CONFORMING, corrected("stage", "finished"))) == ["unexpected"]


def test_a_corrected_counter_gives_the_load_its_name() -> None:
    assert load_of(assembled(), started(4417), corrected("machine_cycle", "4471")).name == "Alder 4471"


def test_a_corrected_place_is_where_it_stands() -> None:
    load = load_of(*PLACED, corrected("spot", "shelf 4", story(*PLACED)[5].event_id))
    assert (load.place, load.spot) == ("quarantine", "shelf 4")


def test_correcting_an_older_placement_does_not_move_the_load() -> None:
    """It says where the load stood then. Where it stands now was recorded since."""
    happened = (*PLACED, LoadPlaced("dirty-side", "trolley 2"))
    older = story(*happened)[5].event_id
    assert load_of(*happened, corrected("place", "clean-side", older)).place == "dirty-side"
    assert load_of(*happened, corrected("spot", "shelf 4", older)).spot == "trolley 2"


def test_a_place_is_corrected_by_its_words() -> None:
    assert corrections.as_kept("place", " Dirty side ") == "dirty-side"
    assert corrections.as_kept("spot", " Shelf 4 ") == "Shelf 4"


@pytest.mark.parametrize("happened", HELD.values(), ids=HELD)
def test_a_note_changes_nothing(happened: Story) -> None:
    assert codes(load_of(*happened, NOTE)) == codes(load_of(*happened))


# --- who it really was --------------------------------------------------------------------------------

RINSE: Story = (*FINISHED, reviewed(rinse="not-proven"))
RINSE_KEY = key_of(load_of(*RINSE), "rinse-not-proven")
TWO_SIGNED = lifted(RINSE_KEY, signature(SANNE, "supervisor"), signature(JOAN, "infection-prevention"))
LIFTED: Story = (*RINSE, by(SANNE, TWO_SIGNED))
LIFT = story(*LIFTED)[-1].event_id


def test_two_people_who_were_one_have_not_lifted_the_hold() -> None:
    """I15, and design 17: every two-person rule is evaluated again."""
    assert codes(load_of(*LIFTED)) == []
    assert codes(load_of(*LIFTED, attributed(LIFT, SANNE, JOAN))) == ["rinse-not-proven"]


def test_whoever_saw_an_alarm_in_anothers_session_has_it() -> None:
    happened = (assembled(), started(4471), alarm(), by(SANNE, seen()))
    event = story(*happened)[-1].event_id
    (before,) = load_of(*happened).alarms
    (after,) = load_of(*happened, attributed(event, SANNE, JOAN)).alarms
    assert (before.acknowledged_by, after.acknowledged_by) == (SANNE, JOAN)


def test_after_a_release_that_is_a_recall_review() -> None:
    load = load_of(*LIFTED, released(), attributed(LIFT, SANNE, JOAN))
    assert (holds.disposition(load), holds.under_recall(load)) == ("released", True)


def test_another_supervisor_in_sannes_session_is_still_a_second_person() -> None:
    load = load_of(*LIFTED, attributed(LIFT, SANNE, id_of("Piet")))
    assert codes(load) == []
    assert load.lifts[0].by == (id_of("Piet"), JOAN)


def test_of_two_people_each_group_must_still_have_signed() -> None:
    """*rinse not proven* belongs to a supervisor and infection prevention together (design 4)."""
    assert codes(load_of(*LIFTED, attributed(LIFT, SANNE, id_of("Jill")))) == ["rinse-not-proven"]
    assert codes(load_of(*LIFTED, attributed(LIFT, JOAN, id_of("Jill")))) == []


def test_a_chain_of_attributions_ends_with_the_last() -> None:
    """First it was Piet, then it turns out to have been Joan herself: `was` names whom the ledger names."""
    load = load_of(*LIFTED, attributed(LIFT, SANNE, id_of("Piet")), attributed(LIFT, SANNE, JOAN))
    assert codes(load) == ["rinse-not-proven"]


def test_a_lift_that_fell_is_not_brought_back_by_a_further_correction() -> None:
    """I11."""
    load = load_of(*LIFTED, attributed(LIFT, SANNE, JOAN), attributed(LIFT, SANNE, SANNE))
    assert "rinse-not-proven" in codes(load)


def test_whoever_was_not_authorised_makes_the_load_be_held() -> None:
    load = load_of(*LIFTED, attributed(LIFT, SANNE, INES, authorised=False))
    assert codes(load) == ["rinse-not-proven", "unexpected"]
    release = story(*RELEASED)[-1].event_id
    assert holds.under_recall(load_of(*RELEASED, attributed(release, INES, SANNE, authorised=False)))


def test_an_attribution_of_something_else_leaves_the_lift_alone() -> None:
    assert codes(load_of(*LIFTED, attributed(story(*LIFTED)[1].event_id, INES, JOAN))) == []


# --- machines -----------------------------------------------------------------------------------------

NEW: AnyEvent = MachineRegistered("Alder", "M-7", ("1", "2"))


def alder(*happened: Any) -> Machine:
    return machines.fold(ALDER, story(NEW, *happened, stream=ALDER_STREAM))


def test_a_blocked_machine_blocks_every_chamber() -> None:
    machine = alder(MachineBlocked("the door leaks"))
    assert machines.blocked(machine, "1") and machines.blocked(machine, "2")
    assert [item.kind for item in open_items.of_machine(machine)] == ["machine-blocked"]


def test_a_blocked_chamber_blocks_that_chamber_only() -> None:
    machine = alder(MachineBlocked("the arm is bent", "2"))
    assert machines.blocked(machine, "1") is None
    assert machines.blocked(machine, "2") is not None


def test_each_block_is_brought_back_by_itself() -> None:
    both = (MachineBlocked("the door leaks"), MachineBlocked("the arm is bent", "2"))
    machine = alder(*both, MachineReturned(WORDS))
    assert machines.blocked(machine, "1") is None
    assert machines.blocked(machine, "2") is not None
    assert machines.blocked(alder(*both, MachineReturned(WORDS, "2")), "2") is not None
    assert not alder(*both, MachineReturned(WORDS, "2"), MachineReturned(WORDS)).blocks


@pytest.mark.parametrize(
    ("happened", "chamber", "code"),
    [
        ((), "9", "chamber-unknown"),
        ((MachineBlocked("leak"),), "", "blocked-already"),
        ((MachineBlocked("leak", "1"),), "1", "blocked-already"),
    ],
)
def test_blocks_that_are_refused(happened: Story, chamber: str, code: str) -> None:
    assert refused(machines.block(alder(*happened), chamber, "leak", None)) == code


@pytest.mark.parametrize(
    ("happened", "chamber"), [((), ""), ((MachineBlocked("leak"),), "1"), ((MachineBlocked("leak", "1"),), "")]
)
def test_what_is_not_blocked_is_not_brought_back(happened: Story, chamber: str) -> None:
    assert refused(machines.bring_back(alder(*happened), chamber, WORDS)) == "not-blocked"


def test_a_supply_is_the_newest_on_its_line() -> None:
    machine = alder(
        SupplyChanged("cleaner", "Mild", "L1"), SupplyChanged("rinse aid", "Clear", "R1"),
        SupplyChanged("cleaner", "Mild", "L2", "2027-01-31"),
    )  # fmt: skip
    assert {supply.line: supply.lot for supply in machine.supplies} == {"cleaner": "L2", "rinse aid": "R1"}


# --- cycles without a load ----------------------------------------------------------------------------


def test_a_cycle_without_a_load_is_listed_once_until_it_is_explained() -> None:
    went = (told(1, started(4471)), told(2, finished(4471)))
    assert [stray.machine_cycle for stray in alder(*went).strays] == [4471]
    assert [item.kind for item in open_items.of_machine(alder(*went))] == ["cycle-without-load"]
    after = alder(*went, CycleExplained(4471, WORDS))
    assert (after.strays, after.explained) == ((), (4471,))


def test_what_was_explained_does_not_come_back_when_the_machine_says_it_again() -> None:
    assert alder(told(1, started(4471)), CycleExplained(4471, WORDS), told(2, finished(4471))).strays == ()


def test_explaining_one_leaves_the_others() -> None:
    machine = alder(told(1, started(4471)), told(2, started(4472)), told(3, started()), CycleExplained(4471, WORDS))
    assert [stray.machine_cycle for stray in machine.strays] == [4472, None]


def test_a_number_is_explained_once() -> None:
    assert refused(machines.explain(alder(CycleExplained(4471, WORDS)), 4471, WORDS, None)) == "explained-already"


# --- racks and policy ---------------------------------------------------------------------------------


def rack(*happened: Any) -> Rack:
    known = id_of("rack 3")
    return racks.fold(known, story(RackRegistered("R-3", "Rack 3"), *happened, stream=Stream("rack", known)))


def test_a_rack_is_blocked_and_brought_back() -> None:
    assert not rack().blocked
    blocked = rack(RackBlocked(WORDS))
    assert blocked.blocked
    assert refused(racks.block(blocked, WORDS)) == "blocked-already"
    assert racks.bring_back(blocked, WORDS) == RackReturned(WORDS)
    back = rack(RackBlocked(WORDS), RackReturned(WORDS))
    assert not back.blocked
    assert refused(racks.bring_back(back, WORDS)) == "not-blocked"


SOUND = PolicySet(1, "Local procedure 12, 2026-01-01", 3, 60, ("wet",))


def test_a_sound_policy_is_set() -> None:
    assert policies.policy_refusal(SOUND) is None
    assert policies.policy_refusal(policies.STARTING_POLICY) is None


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"source": " "}, "source-missing"),
        ({"same_fault_blocks": 1}, "number-out-of-range"),
        ({"same_fault_blocks": 101, "same_fault_cycles": 200}, "number-out-of-range"),
        ({"same_fault_cycles": 2}, "number-out-of-range"),
        ({"same_fault_cycles": 10_001}, "number-out-of-range"),
        ({"rest_may_go_on": ("damaged",)}, "reason-unknown"),
    ],
)
def test_policies_that_are_refused(changed: dict[str, Any], code: str) -> None:
    assert refused(policies.policy_refusal(replace(SOUND, **changed))) == code


# --- any event at all ---------------------------------------------------------------------------------

NAMES = Names({}, {})


@settings(max_examples=100)
@given(ANY_STORY, st.sampled_from(sorted(KINDS)))
def test_any_events_in_any_order_make_a_state_and_its_rows(happened: list[Any], what: str) -> None:
    """Design 13: every fold is total over every event type, one event at a time or all at once."""
    stream = Stream(what, LOAD)
    events = in_the_ledger(happened, stream)
    kind, state = KINDS[what], empty(stream)
    for count, event in enumerate(events, 1):
        state = next_state(kind, state, events[:count], event)
        assert state.version == count
    assert replace(state, version=0) == replace(kind.fold(LOAD, events), version=0)
    for shown in kind.shown:
        shown.rows(state)


@settings(max_examples=60)
@given(ANY_STORY)
def test_every_event_has_a_sentence(happened: list[Any]) -> None:
    for event in in_the_ledger(happened):
        for glyph, sentence in (sentence_of(event, NAMES), sentence_of_machine(event, NAMES)):
            assert glyph and sentence


# --- the order in which a device was heard ------------------------------------------------------------

DEVICE_SAYS: list[AnyEvent] = [
    started(4471),
    alarm("W02", "pre-wash", resume="technician"),
    alarm("T01", "disinfection", alarm=id_of("another alarm")),
    power_lost("wash", 4471),
    power_lost(),
    door_opened(),
    door_opened(forced=True, taken_out=True, phase="disinfection"),
    finished(4471),
    finished(complete=False),
]
SOMEONE_DOES: list[AnyEvent] = [
    assembled(),
    started(),
    stopped(),
    stopped("emergency"),
    seen(),
    resumed("pre-wash"),
    aborted(),
    wrong_programme(),
    rejected("soiled", rest=False),
    rejected(),
    left(),
    CLEAN_SIDE,
    corrected("machine_cycle", "4471"),
    reviewed(),
    held(),
    released(),
    NOTE,
]


@st.composite
def two_orders(draw: st.DrawFn) -> tuple[list[Recorded], list[Recorded]]:
    """One story in two orders of arrival: the device's observations in other places of those they hold."""
    said = draw(st.lists(st.sampled_from(DEVICE_SAYS), min_size=2, max_size=6))
    observed: list[Any] = [told(n, data) for n, data in enumerate(said, 1)]
    between = draw(st.lists(st.sampled_from(SOMEONE_DOES), max_size=6))
    begun = draw(st.sampled_from([(), RUNNING]))
    mixed = [*begun, *draw(st.permutations([*observed, *between]))]
    later = MONDAY + timedelta(days=1)
    first = [replace(event, recorded_at=later) for event in story(*mixed)]
    places = [at for at, event in enumerate(first) if event.sequence is not None]
    second = list(first)
    for at, origin in zip(places, draw(st.permutations(places)), strict=True):
        second[at] = replace(first[origin], version=at + 1, position=at)
    return first, second


def judged(events: list[Recorded]) -> tuple[Any, ...]:
    load = loads.fold(LOAD, events)
    items = sorted((item.key, item.kind) for item in open_items.of_load(load))
    return load.stage, holds.disposition(load), holds.under_recall(load), codes(load), items


@settings(max_examples=300)
@given(two_orders())
def test_the_order_in_which_a_device_was_heard_changes_nothing(orders: Any) -> None:
    """Design 13, with power lost and the door among what it says."""
    first, second = orders
    assert judged(first) == judged(second)


def test_the_folds_know_no_clock() -> None:
    """A story of the year 1 and one of the year 9999 end alike."""
    happened = (*RUNNING, stopped(), power_lost(), rejected(), left(), wrong_programme())
    ends = []
    for year in (1, 9999):
        moment = datetime(year, 6, 1, tzinfo=UTC)
        events = [replace(event, occurred_at=moment, recorded_at=moment) for event in story(*happened)]
        ends.append(codes(loads.fold(LOAD, events)))
    assert ends[0] == ends[1]

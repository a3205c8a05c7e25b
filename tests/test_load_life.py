"""A load's life by the rules alone: what happened, what the load then is, who may do what about it.

Expected facts are the design's (sections 4 and 6) and the trade's (B1: an aborted load is *disinfection not
proven*; acknowledging is *seen*, not *solved*; only an entire new cycle clears the items).
"""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest

from incidents.rules import alarms, authority, loads, machines, open_items, release, reruns
from incidents.rules.alarms import RESUMES_PER_CYCLE
from incidents.rules.events import (
    AlarmCleared,
    AnyEvent,
    Criterion,
    CycleFinished,
    HoldPlaced,
    LoadPlaced,
    LoadReopened,
    LoadReprocessed,
    LoadReviewed,
    MachineRegistered,
    OutcomeOverdue,
    RerunLinked,
    SetRegistered,
    TrayProof,
)
from incidents.rules.loads import Load
from incidents.rules.programmes import STARTING_FAULTS
from incidents.rules.refusals import Refusal
from incidents.rules.reruns import LaterLoad
from tests.story import (
    ABORTED,
    ALARM,
    ALDER,
    ALDER_STREAM,
    ALL_MET,
    CONFORMING,
    CRITERIA,
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
    Happening,
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

Story = Sequence[AnyEvent | Happening]
OVERDUE = OutcomeOverdue(MONDAY)
REPROCESSED = LoadReprocessed((TrayProof(TRAY_1, id_of("later")), TrayProof(TRAY_2, id_of("later"))))
RERUN = RerunLinked(id_of("later"))
SEEN = (seen(),)


def codes(load: Load) -> list[str]:
    return [hold.code for hold in release.holds(load)]


def key_of(load: Load, code: str) -> str:
    return next(hold.key for hold in release.holds(load) if hold.code == code)


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
    assert release.disposition(load_of(*happened)) == expected


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


# --- the holds ----------------------------------------------------------------------------------------

RAISED_BY: dict[str, Story] = {
    "disinfection-not-met": (*FINISHED, reviewed(disinfection="not-met")),
    "disinfection-not-proven": (*FINISHED, reviewed(disinfection="not-proven")),
    "cleaning-not-met": (*FINISHED, reviewed(cleaning="not-met")),
    "cleaning-not-proven": (*FINISHED, reviewed(cleaning="not-proven")),
    "rinse-not-met": (*FINISHED, reviewed(rinse="not-met")),
    "rinse-not-proven": (*FINISHED, reviewed(rinse="not-proven")),
    "drying-not-met": (*FINISHED, reviewed(drying="not-met")),
    "drying-not-proven": (*FINISHED, reviewed(drying="not-proven")),
    "record-missing": (*FINISHED, reviewed(record_seen=False)),
    "cycle-incomplete": ABORTED,
    "outcome-unknown": (assembled(), started(), OVERDUE),
    "alarm-unseen": (assembled(), started(), alarm(halts=False), finished(), reviewed()),
    "documentation": (*FINISHED, reviewed(documentation="not-met")),
    "drying-resumed": (*STOPPED, seen(), resumed("drying"), finished(), reviewed()),
    "upper-band": (*FINISHED, reviewed(upper_band="not-met")),
    "manual": (*CONFORMING, held()),
    "unexpected": (assembled(), started(), told(1, started(4471, programme_name="Heavy")), finished(), reviewed()),
}
# Design, section 4. One set of roles per way to lift; whatever is not here, nobody lifts.
LIFTERS: dict[str, list[set[str]]] = {
    "documentation": [{"supervisor"}],
    "drying-resumed": [{"supervisor"}],
    "upper-band": [{"supervisor"}],
    "rinse-not-proven": [{"supervisor", "infection-prevention"}],
    "manual": [{"supervisor"}, {"infection-prevention"}],
    "unexpected": [{"supervisor"}, {"infection-prevention"}],
}
EVERY_CODE = pytest.mark.parametrize("code", RAISED_BY)


def test_the_stories_raise_every_hold_that_the_rules_know() -> None:
    assert set(RAISED_BY) == set(release.HOLD_CODES)


@EVERY_CODE
def test_what_raises_a_hold(code: str) -> None:
    assert code in codes(load_of(*RAISED_BY[code]))


@EVERY_CODE
def test_no_release_while_it_stands(code: str) -> None:
    load = load_of(*RAISED_BY[code])
    refusal = release.release(load, "packing", signature(INES), 0)
    assert isinstance(refusal, Refusal)
    assert refusal.code == "hold-stands"
    assert release.disposition(load) == "quarantined"


@EVERY_CODE
@pytest.mark.parametrize("role", authority.ROLES)
def test_who_lifts_it_alone(code: str, role: str) -> None:
    load = load_of(*RAISED_BY[code])
    outcome = release.lift(load, key_of(load, code), WORDS, [signature(SANNE, role)])
    assert isinstance(outcome, Refusal) == ({role} not in LIFTERS.get(code, []))


@EVERY_CODE
def test_whether_supervisor_and_infection_prevention_lift_it_together(code: str) -> None:
    load = load_of(*RAISED_BY[code])
    both = [signature(SANNE, "supervisor"), signature(JOAN, "infection-prevention")]
    outcome = release.lift(load, key_of(load, code), WORDS, both)
    assert isinstance(outcome, Refusal) == ({"supervisor", "infection-prevention"} not in LIFTERS.get(code, []))


@EVERY_CODE
def test_nobody_of_nothing_lifts_it(code: str) -> None:
    load = load_of(*RAISED_BY[code])
    assert isinstance(release.lift(load, key_of(load, code), WORDS, []), Refusal)


@pytest.mark.parametrize("code", [code for code in RAISED_BY if code not in LIFTERS])
def test_a_lift_that_is_recorded_all_the_same_lifts_nothing_that_nobody_lifts(code: str) -> None:
    load = load_of(*RAISED_BY[code])
    key = key_of(load, code)
    assert code in codes(load_of(*RAISED_BY[code], lifted(key, signature(SANNE, "supervisor"))))


@pytest.mark.parametrize("code", LIFTERS)
def test_a_lifted_hold_no_longer_stands(code: str) -> None:
    key = key_of(load_of(*RAISED_BY[code]), code)
    assert code not in codes(load_of(*RAISED_BY[code], lifted(key, signature(SANNE, "supervisor"))))


def test_one_person_with_both_roles_is_still_one_person() -> None:
    """I15: two-person acts need two people."""
    load = load_of(*RAISED_BY["rinse-not-proven"])
    key = key_of(load, "rinse-not-proven")
    both = signature(SANNE, "supervisor", "infection-prevention")
    for signatures in ([both], [both, both]):
        assert isinstance(release.lift(load, key, WORDS, signatures), Refusal)


def test_two_signatures_of_one_person_are_told_apart_from_two_people() -> None:
    load = load_of(*RAISED_BY["rinse-not-proven"])
    twice = [signature(SANNE, "supervisor"), signature(SANNE, "infection-prevention")]
    outcome = release.lift(load, key_of(load, "rinse-not-proven"), WORDS, twice)
    assert isinstance(outcome, Refusal)
    assert outcome.code == "same-person-twice"


def test_lifting_one_hold_leaves_its_twin() -> None:
    load = load_of(*CONFORMING, held("wet"), held("spot"), lifted(f"manual:{id_of('wet')}"))
    assert [hold.key for hold in release.holds(load)] == [f"manual:{id_of('spot')}"]


def test_a_hold_that_does_not_stand_cannot_be_lifted() -> None:
    outcome = release.lift(load_of(*CONFORMING), "manual:none", WORDS, [signature(SANNE, "supervisor")])
    assert isinstance(outcome, Refusal)
    assert outcome.code == "hold-unknown"


def test_every_standing_hold_has_a_sentence_a_source_and_says_who_lifts_it() -> None:
    for code, happened in RAISED_BY.items():
        (hold,) = [hold for hold in release.holds(load_of(*happened)) if hold.code == code]
        assert hold.sentence.endswith((".", "!")) and hold.source and hold.who, code
        assert hold.who.startswith("Nobody") == (code not in LIFTERS), code


def test_no_sentence_ever_calls_a_load_safe() -> None:
    """Trade, cautions: "criteria met / not met / not proven", never "safe"."""
    said = [
        hold.sentence + hold.who for happened in RAISED_BY.values() for hold in release.holds(load_of(*happened))
    ]
    said += [fault.first_instruction + fault.caution + fault.why for fault in STARTING_FAULTS]
    assert not [sentence for sentence in said if "safe" in sentence.lower()]


# --- what ends a hold by itself, and what does not ----------------------------------------------------


def test_the_record_once_found_ends_record_missing() -> None:
    assert codes(load_of(*FINISHED, reviewed(record_seen=False), reviewed())) == []


def test_losing_the_record_again_does_not_take_back_what_was_read_off_it() -> None:
    assert codes(load_of(*CONFORMING, reviewed(record_seen=False))) == []


def test_a_second_reading_never_takes_back_the_first() -> None:
    happened = (*FINISHED, reviewed(cleaning="not-met"), reviewed())
    assert codes(load_of(*happened)) == ["cleaning-not-met"]


def test_a_second_reading_may_find_what_the_first_overlooked() -> None:
    happened = (*CONFORMING, reviewed(cleaning="not-proven"), reviewed(cleaning="not-met"))
    assert codes(load_of(*happened)) == ["cleaning-not-met"]


def test_a_graver_second_reading_is_not_covered_by_an_older_lift() -> None:
    missing = (*FINISHED, reviewed(documentation="not-proven"), lifted("documentation-not-proven:paper"))
    assert codes(load_of(*missing)) == []
    assert codes(load_of(*missing, reviewed(documentation="not-met"))) == ["documentation"]


def test_the_end_once_known_ends_outcome_unknown() -> None:
    assert codes(load_of(assembled(), started(), OVERDUE, finished())) == []
    assert "outcome-unknown" not in codes(load_of(assembled(), started(), OVERDUE, aborted()))


def test_seeing_the_alarm_ends_alarm_unseen() -> None:
    happened = RAISED_BY["alarm-unseen"]
    assert codes(load_of(*happened, seen())) == []


def test_an_alarm_that_cleared_by_itself_is_still_to_be_seen() -> None:
    """IEC 62682: returned-unacknowledged."""
    happened = (assembled(), started(), alarm(halts=False), AlarmCleared("W02"), finished())
    assert codes(load_of(*happened)) == ["alarm-unseen"]


def test_a_finished_cycle_of_an_unknown_programme_proves_nothing() -> None:
    """I7: missing evidence means hold."""
    assert "disinfection-not-proven" in codes(load_of(assembled(), started(programme=None), finished()))


def test_a_basis_that_these_rules_cannot_judge_proves_nothing() -> None:
    assert "disinfection-not-proven" in codes(load_of(assembled(), started(basis="computed"), finished()))


@pytest.mark.parametrize("missing", CRITERIA, ids=lambda criterion: criterion.kind)
def test_a_criterion_that_the_review_does_not_state_is_not_proven(missing: Criterion) -> None:
    """I7: missing evidence means hold, whoever wrote the review."""
    whole = reviewed()
    partial = LoadReviewed(
        "transcribed", True, tuple(each for each in whole.findings if each.criterion != missing.code)
    )
    assert release.holds(load_of(*FINISHED, partial))
    assert release.release_refusal(load_of(*FINISHED, partial)) is not None


def test_a_halt_in_disinfection_is_never_proven_by_the_cycle_going_on_by_itself() -> None:
    """ISO 15883-1 4.3.1 "continuously maintained"; trade A: pieces around a halt are never added."""
    happened = (assembled(), started(), alarm("T01", "disinfection"), seen(), finished(), reviewed())
    assert "disinfection-not-proven" in codes(load_of(*happened))


def test_a_resume_in_disinfection_that_was_recorded_all_the_same_proves_nothing() -> None:
    stopped = (assembled(), started(), alarm("T01", "disinfection"), seen())
    load = load_of(*stopped, resumed("disinfection"), finished(), reviewed())
    assert "disinfection-not-proven" in codes(load)


# --- review and release -------------------------------------------------------------------------------


def refused(outcome: object) -> str:
    assert isinstance(outcome, Refusal), outcome
    assert outcome.sentence and outcome.next_step
    return outcome.code


def test_what_is_not_stated_is_not_proven() -> None:
    outcome = release.review(load_of(*FINISHED), True, {"a0": "met"})
    assert isinstance(outcome, LoadReviewed)
    verdicts = {finding.criterion: finding.verdict for finding in outcome.findings}
    assert verdicts == {criterion.code: "not-proven" for criterion in CRITERIA} | {"a0": "met"}


def test_without_the_record_nothing_is_stated() -> None:
    outcome = release.review(load_of(*FINISHED), False, dict(ALL_MET))
    assert isinstance(outcome, LoadReviewed)
    assert outcome.findings == ()


@pytest.mark.parametrize(
    ("happened", "code"),
    [
        ((assembled(), started()), "cycle-not-ended"),
        (ABORTED, "cycle-not-ended"),
        (RELEASED, "already-released"),
        (CONFORMING, "already-reviewed"),
        ((assembled(), started(programme=None), finished()), "programme-unknown"),
    ],
)
def test_reviews_that_are_refused(happened: Story, code: str) -> None:
    assert refused(release.review(load_of(*happened), True, dict(ALL_MET))) == code


def test_a_criterion_of_another_programme_is_refused() -> None:
    assert refused(release.review(load_of(*FINISHED), True, {"colour": "met"})) == "criterion-unknown"


def test_a_verdict_that_is_no_verdict_is_not_taken_for_met() -> None:
    outcome = release.review(load_of(*FINISHED), True, ALL_MET | {"a0": "ok"})  # type: ignore[dict-item]
    assert isinstance(outcome, Refusal) or outcome.findings[0].verdict != "ok"


def test_a_conforming_load_is_released_with_what_was_weighed() -> None:
    happened = (*FINISHED, reviewed(upper_band="not-met"), lifted("upper-band-not-met:band", signature(SANNE)))
    outcome = release.release(load_of(*happened), "use", signature(INES), policy_position=7)
    assert not isinstance(outcome, Refusal)
    assert (outcome.purpose, outcome.policy_position, outcome.lifted) == ("use", 7, ("upper-band-not-met:band",))
    assert outcome.rules_edition == release.RULES_EDITION


@pytest.mark.parametrize(
    ("happened", "code"),
    [
        ((assembled(), started()), "cycle-not-ended"),
        (FINISHED, "not-reviewed"),
        (RELEASED, "already-ended"),
        ((*ABORTED, RERUN, REPROCESSED), "already-ended"),
        ((*CONFORMING, held()), "hold-stands"),
    ],
)
def test_releases_that_are_refused(happened: Story, code: str) -> None:
    assert refused(release.release(load_of(*happened), "packing", signature(INES), 0)) == code


def test_a_release_says_what_for() -> None:
    outcome = release.release(load_of(*CONFORMING), "anything", signature(INES), 0)  # type: ignore[arg-type]
    assert refused(outcome) == "purpose-unknown"


def test_a_load_whose_items_are_being_run_again_is_not_released_itself() -> None:
    """Its trays are in another load now; what this one's record proves no longer says where they stand."""
    hold = HoldPlaced(id_of("hold"), WORDS)
    happened = (*CONFORMING, hold, RERUN, lifted(f"manual:{id_of('hold')}", signature(SANNE, "supervisor")))
    assert isinstance(release.release(load_of(*happened), "packing", signature(INES), 0), Refusal)


def test_a_hold_after_the_release_stands_beside_it() -> None:
    """I9: recorded, and the load goes under recall review."""
    load = load_of(*RELEASED, held())
    assert (release.disposition(load), release.under_recall(load)) == ("released", True)


def test_a_machine_that_speaks_up_after_the_release_puts_the_load_under_recall() -> None:
    assert release.under_recall(load_of(*RELEASED, told(9, finished(complete=False))))


def test_lifting_the_late_hold_ends_the_recall_review() -> None:
    load = load_of(*RELEASED, held(), lifted(f"manual:{id_of('hold')}", signature(SANNE, "supervisor")))
    assert (release.disposition(load), release.under_recall(load)) == ("released", False)


def test_running_the_items_again_does_not_undo_that_they_were_out_in_between() -> None:
    """Design: the *under recall* mark can stand on quarantined, released and reprocessed."""
    load = load_of(*RELEASED, held(), RERUN, REPROCESSED)
    assert (release.disposition(load), release.under_recall(load)) == ("reprocessed", True)


def test_anyone_may_hold_whatever_has_become_of_the_load() -> None:
    for happened in (FINISHED, RELEASED, ABORTED, (assembled(),)):
        assert isinstance(release.place_hold(load_of(*happened), id_of("hold"), WORDS), HoldPlaced)


def test_a_load_that_is_none_cannot_be_held() -> None:
    assert refused(release.place_hold(load_of(), id_of("hold"), WORDS)) == "load-unknown"


# --- alarms -------------------------------------------------------------------------------------------


def the_alarm(load: Load) -> alarms.Alarm:
    found = alarms.find(load, ALARM)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("happened", "state"),
    [
        (STOPPED, "unacknowledged"),
        ((*STOPPED, seen()), "acknowledged"),
        ((*STOPPED, AlarmCleared("W02")), "returned-unacknowledged"),
        ((*STOPPED, AlarmCleared("W02"), seen()), "normal"),
        ((*STOPPED, seen(), AlarmCleared("W02", alarm=ALARM)), "normal"),
        ((*STOPPED, seen(), AlarmCleared("W99")), "acknowledged"),
        ((*STOPPED, seen(), resumed()), "normal"),
    ],
)
def test_the_states_of_iec_62682(happened: Story, state: str) -> None:
    assert the_alarm(load_of(*happened)).state == state


def test_acknowledging_is_seen_and_solves_nothing() -> None:
    load = load_of(*STOPPED, by(SANNE, seen()))
    assert (load.stage, the_alarm(load).acknowledged_by) == ("stopped", SANNE)


def test_a_second_acknowledgement_is_answered_with_the_first() -> None:
    load = load_of(*STOPPED, seen())
    outcome = alarms.acknowledge(load, ALARM)
    assert refused(outcome) == "already-acknowledged"
    assert isinstance(outcome, Refusal)
    assert "06:04" in outcome.sentence  # Monday's clock, one event a minute


def test_an_alarm_that_nobody_raised_cannot_be_acknowledged() -> None:
    assert refused(alarms.acknowledge(load_of(*STOPPED), id_of("another"))) == "alarm-unknown"


def test_a_warning_does_not_stop_the_cycle() -> None:
    assert load_of(assembled(), started(), alarm("P01", halts=False)).stage == "running"


def resume_after(alarm_event: AnyEvent, *roles: str, then: Story = SEEN) -> object:
    return alarms.resume(load_of(assembled(), started(), alarm_event, *then), ALARM, roles, minutes(9))


def test_a_technician_resumes_where_the_catalogue_lets_them() -> None:
    outcome = resume_after(alarm("W02", "pre-wash", resume="technician"), "technician")
    assert outcome == resumed("pre-wash", halt_s=6 * 60)  # stopped at 06:03, resumed at 06:09


def test_a_supervisor_resumes_where_only_they_may() -> None:
    stopped = alarm("W01", "wash", resume="supervisor")
    assert refused(resume_after(stopped, "technician")) == "supervisor-resumes"
    assert not isinstance(resume_after(stopped, "supervisor"), Refusal)


@pytest.mark.parametrize(
    ("stopped", "then", "code"),
    [
        (alarm(resume="technician"), (), "alarm-unseen"),
        (alarm(resume="never"), (seen(),), "resume-not-permitted"),
        (alarm(resume="technician", known=False), (seen(),), "fault-unknown"),
        (alarm(phase="disinfection", resume="technician"), (seen(),), "phase-protected"),
        (alarm(resume="technician"), (seen(), resumed(), alarm("W02", alarm=id_of("2"))), "resumed-before"),
        (alarm(resume="technician"), (seen(), aborted()), "not-stopped"),
        (alarm(resume="technician"), (seen(), alarm("W03", alarm=id_of("2"))), "alarm-unseen"),
        (
            alarm(resume="technician"),
            (seen(), alarm("W03", alarm=id_of("2"), resume="never"), seen(id_of("2"))),
            "resume-not-permitted",
        ),
    ],
)
def test_resumes_that_are_refused(stopped: AnyEvent, then: Story, code: str) -> None:
    assert refused(resume_after(stopped, "technician", "supervisor", then=then)) == code


def test_a_cycle_is_resumed_once() -> None:
    """The rules' own limit, stricter than any catalogue (trade B1: the same fault again means no)."""
    assert RESUMES_PER_CYCLE == 1


def test_no_starting_fault_may_be_resumed_in_disinfection() -> None:
    assert not [fault.code for fault in STARTING_FAULTS if fault.resume.get("disinfection", "never") != "never"]


@pytest.mark.parametrize("happened", [(assembled(), started()), STOPPED])
def test_a_running_or_stopped_cycle_may_be_aborted(happened: Story) -> None:
    assert not isinstance(alarms.abort(load_of(*happened), "cant-tell", None), Refusal)


@pytest.mark.parametrize(
    ("happened", "reason", "code"),
    [
        (FINISHED, "fault", "cycle-not-running"),
        (ABORTED, "fault", "cycle-not-running"),
        (STOPPED, "boredom", "reason-unknown"),
    ],
)
def test_aborts_that_are_refused(happened: Story, reason: str, code: str) -> None:
    assert refused(alarms.abort(load_of(*happened), reason, None)) == code


# --- the items run again ------------------------------------------------------------------------------

B, C = id_of("load B"), id_of("load C")


def went(load: UUID, disposition: str = "released", complete: bool = True, recalled: bool = False) -> LaterLoad:
    """A load that a tray went through later."""
    return LaterLoad(load, complete, disposition, recalled)


def settled(*tray_1: LaterLoad, tray_2: Sequence[LaterLoad] = (), old: Story = (*ABORTED, RERUN)) -> object:
    return reruns.settle(load_of(*old), {TRAY_1: tray_1, TRAY_2: tray_2})


def test_the_old_load_ends_when_each_tray_is_accounted_for() -> None:
    outcome = settled(went(B), tray_2=[went(C)])
    assert outcome == LoadReprocessed((TrayProof(TRAY_1, B), TrayProof(TRAY_2, C)))


@pytest.mark.parametrize(
    "tray_2",
    [
        [],
        [went(C, "in process", complete=False)],
        [went(C, "awaiting review")],
        [went(C, "quarantined")],
        [went(C, "quarantined", complete=False)],
        [went(C, "released", recalled=True)],
        [went(C, "quarantined"), went(B)],
    ],
)
def test_one_tray_unaccounted_for_keeps_it_open(tray_2: list[LaterLoad]) -> None:
    assert settled(went(B), tray_2=tray_2) is None


def test_an_aborted_rerun_proves_nothing_and_the_next_one_does() -> None:
    again = [went(B, "quarantined", complete=False), went(C)]
    assert settled(*again, tray_2=again) == LoadReprocessed((TrayProof(TRAY_1, C), TrayProof(TRAY_2, C)))


def test_a_rerun_that_was_itself_reprocessed_passes_the_question_on() -> None:
    again = [went(B, "reprocessed"), went(C)]
    assert settled(*again, tray_2=again) == LoadReprocessed((TrayProof(TRAY_1, C), TrayProof(TRAY_2, C)))


def test_the_old_load_falls_again_when_a_proof_falls() -> None:
    ended = (*ABORTED, RERUN, REPROCESSED)
    fallen = went(C, recalled=True)
    assert settled(went(B), tray_2=[fallen], old=ended) == LoadReopened(TRAY_2)
    assert settled(went(B), tray_2=[went(C)], old=ended) is None


def test_it_ends_again_when_the_recall_is_lifted() -> None:
    reopened = (*ABORTED, RERUN, REPROCESSED, LoadReopened(TRAY_2))
    assert isinstance(settled(went(B), tray_2=[went(C)], old=reopened), LoadReprocessed)


def test_a_released_load_is_no_one_elses_to_end() -> None:
    assert settled(went(B), tray_2=[went(B)], old=RELEASED) is None


def test_a_load_without_trays_never_ends_by_them() -> None:
    assert reruns.settle(load_of(started(), aborted()), {}) is None


@pytest.mark.parametrize(
    ("happened", "code"),
    [
        ((assembled(),), "not-started"),
        ((assembled(), started()), "cycle-running"),
        (STOPPED, "cycle-running"),
        (FINISHED, "awaiting-review"),
        (CONFORMING, "awaiting-review"),
        (RELEASED, "already-released"),
        ((*ABORTED, RERUN, REPROCESSED), "already-reprocessed"),
    ],
)
def test_reruns_that_are_refused(happened: Story, code: str) -> None:
    assert refused(reruns.rerun_refusal(load_of(*happened))) == code


@pytest.mark.parametrize("happened", [ABORTED, (*CONFORMING, held()), (*RELEASED, held())])
def test_held_and_recalled_loads_may_be_run_again(happened: Story) -> None:
    assert reruns.rerun_refusal(load_of(*happened)) is None


# --- the machine's own stream -------------------------------------------------------------------------


def machine_of(*happened: AnyEvent | Happening) -> machines.Machine:
    registered = MachineRegistered("Alder", "M-Alder", ("1",))
    return machines.fold(ALDER, story(registered, *happened, stream=ALDER_STREAM))


def kinds(items: Any) -> list[str]:
    return [item.kind for item in items]


def test_an_alarm_of_an_empty_machine_is_the_machines() -> None:
    idle = machine_of(told(1, alarm()))
    assert kinds(open_items.of_machine(idle)) == ["alarm"]
    assert kinds(open_items.of_machine(machine_of(told(1, alarm()), seen()))) == []


def test_a_cycle_without_a_load_is_listed_once() -> None:
    machine = machine_of(told(1, started(4471)), told(2, finished(4471)))
    assert [(stray.machine_cycle, stray.sentence) for stray in machine.strays] == [
        (4471, "Alder started a cycle without a load")
    ]
    assert kinds(open_items.of_machine(machine)) == ["cycle-without-load"]


def test_two_cycles_without_a_counter_are_two() -> None:
    assert len(machine_of(told(1, started()), told(2, started())).strays) == 2


def test_what_does_not_concern_a_machine_leaves_it_as_it_is() -> None:
    assert machine_of(assembled(), released()).name == "Alder"


# --- what needs someone -------------------------------------------------------------------------------


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


def test_a_cycle_ended_twice_by_two_tellers_is_one_end() -> None:
    load = load_of(*FINISHED, told(1, CycleFinished(machine_cycle=4471, chamber="1")))
    assert (load.stage, load.unexpected) == ("finished", ())

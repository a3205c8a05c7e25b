"""What stands against a release: raised by what, lifted by whom, ended by what; review and release.

Expected facts are the design's, section 4 (the table of holds), and the trade's A4 and B1.
"""

from collections.abc import Sequence

import pytest

from incidents.rules import authority, holds, release
from incidents.rules.events import (
    AlarmCleared,
    AnyEvent,
    Criterion,
    HoldPlaced,
    LoadPlaced,
    LoadReprocessed,
    LoadReviewed,
    OutcomeOverdue,
    RecordShared,
    RerunLinked,
    TrayProof,
)
from incidents.rules.loads import Load
from incidents.rules.programmes import STARTING_FAULTS
from incidents.rules.refusals import Refusal
from tests.story import (
    ABORTED,
    ALL_MET,
    CONFORMING,
    CRITERIA,
    FINISHED,
    INES,
    JOAN,
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
    finished,
    held,
    id_of,
    lifted,
    load_of,
    resumed,
    reviewed,
    seen,
    signature,
    started,
    told,
)

Story = Sequence[AnyEvent | Happening]
OVERDUE = OutcomeOverdue(MONDAY)
REPROCESSED = LoadReprocessed((TrayProof(TRAY_1, id_of("later")), TrayProof(TRAY_2, id_of("later"))))
RERUN = RerunLinked(id_of("later"))


def codes(load: Load) -> list[str]:
    return [hold.code for hold in holds.holds(load)]


def key_of(load: Load, code: str) -> str:
    return next(hold.key for hold in holds.holds(load) if hold.code == code)


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
    "record-ambiguous": (*CONFORMING, RecordShared(id_of("another load"), "0" * 64)),
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
    "record-ambiguous": [{"supervisor", "infection-prevention"}],
    "manual": [{"supervisor"}, {"infection-prevention"}],
    "unexpected": [{"supervisor"}, {"infection-prevention"}],
}
EVERY_CODE = pytest.mark.parametrize("code", RAISED_BY)


def test_the_stories_raise_every_hold_that_the_rules_know() -> None:
    assert set(RAISED_BY) == set(holds.HOLD_CODES)


@EVERY_CODE
def test_what_raises_a_hold(code: str) -> None:
    assert code in codes(load_of(*RAISED_BY[code]))


@EVERY_CODE
def test_no_release_while_it_stands(code: str) -> None:
    load = load_of(*RAISED_BY[code])
    refusal = release.release(load, "packing", signature(INES), 0)
    assert isinstance(refusal, Refusal)
    assert refusal.code == "hold-stands"
    assert holds.disposition(load) == "quarantined"


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
    assert [hold.key for hold in holds.holds(load)] == [f"manual:{id_of('spot')}"]


def test_a_hold_that_does_not_stand_cannot_be_lifted() -> None:
    outcome = release.lift(load_of(*CONFORMING), "manual:none", WORDS, [signature(SANNE, "supervisor")])
    assert isinstance(outcome, Refusal)
    assert outcome.code == "hold-unknown"


def test_every_standing_hold_has_a_sentence_a_source_and_says_who_lifts_it() -> None:
    for code, happened in RAISED_BY.items():
        (hold,) = [hold for hold in holds.holds(load_of(*happened)) if hold.code == code]
        assert hold.sentence.endswith((".", "!")) and hold.source and hold.who, code
        assert hold.who.startswith("Nobody") == (code not in LIFTERS), code


WHO_LIFTS = {
    "record-missing": "Nobody lifts this. Evidence ends it.",
    "outcome-unknown": "Nobody lifts this. Evidence ends it.",
    "alarm-unseen": "Nobody lifts this. Evidence ends it.",
    **dict.fromkeys(
        ("rinse-not-proven", "record-ambiguous"),
        "Two people: supervisor and infection prevention, with reason, signed",
    ),
    "manual": "Infection prevention or supervisor, with reason, signed",
    "unexpected": "Infection prevention or supervisor, with reason, signed",
    **dict.fromkeys(("documentation", "drying-resumed", "upper-band"), "Supervisor, with reason, signed"),
}


@EVERY_CODE
def test_the_board_says_who_lifts_it_in_these_words(code: str) -> None:
    """The sentence follows from the design's table; what nobody lifts, a new cycle of the items clears."""
    assert holds.who_lifts(code) == WHO_LIFTS.get(code, "Nobody lifts this. A new cycle clears the items.")


def test_a_finding_that_is_not_met_and_one_that_is_not_proven_are_told_apart_in_words() -> None:
    said = [
        holds.holds(load_of(*RAISED_BY[f"rinse-{verdict}"]))[0].sentence for verdict in ("not-met", "not-proven")
    ]
    assert said == ["Last rinse below its limit: not met.", "Last rinse below its limit: not proven."]


def test_an_abort_and_an_end_that_was_not_complete_are_told_apart_in_words() -> None:
    ways = [ABORTED, (assembled(), started(), finished(complete=False))]
    said = [holds.holds(load_of(*happened))[1].sentence.partition(".")[0] for happened in ways]
    assert said == ["The cycle was aborted", "The cycle was not complete"]


def test_a_load_that_ended_is_told_how() -> None:
    ways = [RELEASED, (*ABORTED, RERUN, REPROCESSED)]
    refusals = [release.release_refusal(load_of(*happened)) for happened in ways]
    assert [refusal and refusal.sentence for refusal in refusals] == [
        "2026-00001 is released already.",
        "2026-00001 is reprocessed already.",
    ]


def test_the_gravest_hold_is_named_first() -> None:
    """Those that nobody lifts come before those that someone may."""
    load = load_of(*ABORTED, held(), LoadPlaced("clean-side"))
    assert codes(load) == ["disinfection-not-proven", "cycle-incomplete", "manual", "unexpected"]


def test_no_sentence_ever_calls_a_load_safe() -> None:
    """Trade, cautions: "criteria met / not met / not proven", never "safe"."""
    said = [hold.sentence + hold.who for happened in RAISED_BY.values() for hold in holds.holds(load_of(*happened))]
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
    assert "disinfection-not-proven" in codes(load_of(assembled(), started(basis="guessed"), finished()))
    assert codes(load_of(assembled(), started(basis="computed"), finished())) == ["record-missing"]


@pytest.mark.parametrize("missing", CRITERIA, ids=lambda criterion: criterion.kind)
def test_a_criterion_that_the_review_does_not_state_is_not_proven(missing: Criterion) -> None:
    """I7: missing evidence means hold, whoever wrote the review."""
    whole = reviewed()
    partial = LoadReviewed(
        "transcribed", True, tuple(each for each in whole.findings if each.criterion != missing.code)
    )
    assert holds.holds(load_of(*FINISHED, partial))
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
    outcome = release.review(load_of(*FINISHED), True, dict(ALL_MET, a0="ok"))  # type: ignore[arg-type]
    assert refused(outcome) == "verdict-unknown"


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
    assert (holds.disposition(load), holds.under_recall(load)) == ("released", True)


def test_a_machine_that_speaks_up_after_the_release_puts_the_load_under_recall() -> None:
    assert holds.under_recall(load_of(*RELEASED, told(9, finished(complete=False))))


def test_lifting_the_late_hold_ends_the_recall_review() -> None:
    load = load_of(*RELEASED, held(), lifted(f"manual:{id_of('hold')}", signature(SANNE, "supervisor")))
    assert (holds.disposition(load), holds.under_recall(load)) == ("released", False)


def test_running_the_items_again_does_not_undo_that_they_were_out_in_between() -> None:
    """Design: the *under recall* mark can stand on quarantined, released and reprocessed."""
    load = load_of(*RELEASED, held(), RERUN, REPROCESSED)
    assert (holds.disposition(load), holds.under_recall(load)) == ("reprocessed", True)


def test_anyone_may_hold_whatever_has_become_of_the_load() -> None:
    for happened in (FINISHED, RELEASED, ABORTED, (assembled(),)):
        assert isinstance(release.place_hold(load_of(*happened), id_of("hold"), WORDS), HoldPlaced)


def test_a_load_that_is_none_cannot_be_held() -> None:
    assert refused(release.place_hold(load_of(), id_of("hold"), WORDS)) == "load-unknown"

"""The deeds of the floor on the real database: what each writes, what it refuses, and what then stands.

Every test ends with *rebuilt equals live* (in the fixture).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date, timedelta
from typing import Any
from uuid import UUID

import pytest
from msgspec.structs import replace

from incidents.identity.ids import named
from incidents.operations import alarms, corrections, cycles, holds, inspection, machines, setting_up
from incidents.operations.deeds import Outcome
from incidents.projections.models import CounterRow, LoadRow
from incidents.queries import counters, evidence, facts, rounds, sets
from incidents.queries import floor as floor_queries
from incidents.queries.counters import Gap, Run
from incidents.rules.events import (
    AttributionCorrected,
    ContaminationRecorded,
    Corrected,
    CycleResumed,
    CycleStopped,
    DoorOpened,
    ExposureRecorded,
    HoldLifted,
    LoadPlaced,
    LoadReleased,
    NoteAdded,
    PowerLost,
    TrayLeft,
    TraysRejected,
    WrongProgrammeNoted,
)
from tests.cast import (
    PROGRAMME_NAME,
    CompetenceFactory,
    Department,
    acknowledge,
    done,
    events_of,
    fate,
    given_aborted_load,
    given_assembled_load,
    given_finished_load,
    given_load_with_alarm,
    given_released_load,
    given_reviewed_load,
    given_running_load,
    hire,
    hold,
    last_event,
    let_go,
    lift,
    load_now,
    rebuilt_equals_live,
    refused,
    register_machine,
    register_set,
    request,
    rerun,
    rerun_and_release,
    review,
    signed_by,
    standing,
    tell,
    whole_log,
)
from tests.floor_cast import (
    asked_round,
    assemble,
    block,
    block_rack,
    bring_back,
    event_id,
    explain,
    floor,
    given_rack,
    interrupt,
    it_was,
    machine_now,
    matters,
    reject,
    release_round,
    run,
    send,
    set_policy,
    stop,
    wrong,
)
from tests.story import ALL_MET, id_of

pytestmark = pytest.mark.django_db
NOBODYS = id_of("nobody's")


@pytest.fixture
def spd() -> Iterator[Department]:
    department = floor()
    yield department
    rebuilt_equals_live(department)


def nothing_written(spd: Department, deed: Callable[[], Outcome]) -> str:
    """Do it; it must be refused without a trace. Returns the refusal's code."""
    before = len(whole_log(spd))
    code = refused(deed())
    assert len(whole_log(spd)) == before
    return code


# --- what broke a cycle -------------------------------------------------------------------------------


@pytest.mark.parametrize("how", ["by-hand", "emergency"])
def test_after_a_stop_nobody_resumes_and_an_abort_is_taken(spd: Department, how: str) -> None:
    load, alarm = given_load_with_alarm(spd, "W02", "pre-wash")
    done(stop(spd, load, how))
    assert last_event(spd, load) == CycleStopped(how)  # type: ignore[arg-type]
    done(acknowledge(spd, load, alarm))
    resume = alarms.resume_cycle(request(spd, "Sanne"), load=load, alarm=alarm)
    assert refused(resume) == "stopped-by-hand"
    done(alarms.abort_cycle(request(spd, "Ines"), load=load, reason="fault"))
    assert (fate(spd, load), matters(spd, load)) == ("quarantined", ["rerun-due"])


def test_the_power_failed(spd: Department) -> None:
    load = given_running_load(spd)
    done(interrupt(spd, load, "power", phase="wash"))
    assert last_event(spd, load) == PowerLost(phase="wash")
    assert standing(spd, load) == ["disinfection-not-proven", "cycle-incomplete"]
    done(tell(spd, "cycle-finished"))
    assert load_now(spd, load).stage == "incomplete"


def test_the_door_was_forced(spd: Department) -> None:
    load = given_running_load(spd)
    done(interrupt(spd, load, "door", forced=True, load_taken_out=True, phase="wash"))
    assert last_event(spd, load) == DoorOpened(forced=True, load_taken_out=True, phase="wash")
    row = LoadRow.objects.get(facility_id=spd.id, owner=load)
    assert (row.stage, row.disposition) == ("incomplete", "quarantined")


@pytest.mark.parametrize("kind", ["power-lost", "door-opened"])
def test_the_machine_tells_of_it_itself(spd: Department, kind: str) -> None:
    load = given_running_load(spd, cycle=4471)
    done(tell(spd, kind, cycle=4471, phase="rinse"))
    assert load_now(spd, load).stage == "incomplete"
    again = rerun(spd, load)
    assert load_now(spd, again).stage == "running"


@pytest.mark.parametrize("kind", ["power-lost", "door-opened"])
def test_where_no_load_is_known_the_machine_keeps_it(spd: Department, kind: str) -> None:
    done(tell(spd, kind, cycle=4471))
    assert machine_now(spd).version == 2


def test_a_cycle_known_from_its_interruption_only_is_no_cycle_without_a_load(spd: Department) -> None:
    """Alder tells its counter with the power loss, and again at the end: it is one and the same cycle."""
    load = given_running_load(spd)
    done(tell(spd, "power-lost", cycle=4471))
    done(tell(spd, "cycle-finished", cycle=4471, complete=False))
    assert machine_now(spd).strays == ()
    assert load_now(spd, load).name == "Alder 4471"


def test_the_wrong_programme(spd: Department) -> None:
    load = given_reviewed_load(spd)
    done(wrong(spd, load, "  Heavy "))
    assert last_event(spd, load) == WrongProgrammeNoted("Heavy")
    assert refused(let_go(spd, load)) == "hold-stands"
    key = f"unexpected:{event_id(spd, load, WrongProgrammeNoted)}"
    done(lift(spd, load, key, "Sanne"))
    done(let_go(spd, load))


@pytest.mark.parametrize(
    ("deed", "code"),
    [
        (lambda spd, load: stop(spd, load, "by accident"), "stop-unknown"),
        (lambda spd, load: interrupt(spd, load, "flood"), "interruption-unknown"),
        (lambda spd, load: wrong(spd, load, "  "), "programme-missing"),
        (lambda spd, load: stop(spd, NOBODYS), "load-unknown"),
        (lambda spd, load: interrupt(spd, NOBODYS), "load-unknown"),
        (lambda spd, load: wrong(spd, NOBODYS), "load-unknown"),
    ],
)
def test_reports_that_are_refused(spd: Department, deed: Any, code: str) -> None:
    load = given_running_load(spd)
    assert nothing_written(spd, lambda: deed(spd, load)) == code


# --- at the unloading ---------------------------------------------------------------------------------


def test_the_rest_goes_on_by_the_policy_of_that_moment(spd: Department) -> None:
    """Starting policy: of a wet tray's load the rest may go on, of a soiled one's not."""
    load = given_reviewed_load(spd)
    done(reject(spd, load, spd.trays[0], reason="wet"))
    assert standing(spd, load) == []
    done(set_policy(spd, rest_may_go_on=["soiled"]))
    assert standing(spd, load) == []
    done(reject(spd, load, spd.trays[1], reason="wet"))
    assert standing(spd, load) == ["drying-not-met"]


def test_a_soiled_tray_holds_its_load(spd: Department) -> None:
    load = given_reviewed_load(spd)
    done(reject(spd, load, spd.trays[0], reason="soiled"))
    assert standing(spd, load) == ["cleaning-not-met"]
    assert refused(let_go(spd, load)) == "hold-stands"
    key = f"cleaning-not-met:inspection:{spd.trays[0]}"
    assert refused(lift(spd, load, key, "Sanne", "Joan")) == "hold-not-liftable"


def test_a_rejected_tray_goes_into_no_other_load_but_its_rerun(spd: Department) -> None:
    load = given_reviewed_load(spd)
    done(reject(spd, load, spd.trays[0]))
    done(let_go(spd, load))
    outcome, _ = assemble(spd, spd.trays[0])
    assert refused(outcome) == "tray-occupied"
    other, _ = assemble(spd, spd.trays[1])
    done(other)
    again = rerun(spd, load)
    assert load_now(spd, again).trays == (spd.trays[0],)
    assert matters(spd, load) == []


def test_only_the_rejected_trays_of_a_released_load_run_again(spd: Department) -> None:
    load = given_reviewed_load(spd)
    done(reject(spd, load, spd.trays[1]))
    done(let_go(spd, load))
    assert matters(spd, load) == ["rerun-due"]
    again = rerun_and_release(spd, load)
    assert load_now(spd, again).trays == (spd.trays[1],)
    assert (fate(spd, load), fate(spd, again)) == ("released", "released")
    free = {tray.id: (tray.load, tray.fate) for tray in facts.trays(spd.id, spd.trays)}
    assert free == dict.fromkeys(spd.trays, (None, ""))


def test_what_ran_again_and_was_released_is_not_run_a_second_time_for_the_same_rejection(spd: Department) -> None:
    """The tray is in packing by now: a re-run of the old load would take it out of there on paper."""
    load = given_reviewed_load(spd)
    done(reject(spd, load, spd.trays[1]))
    done(let_go(spd, load))
    rerun_and_release(spd, load)
    refused(cycles.rerun_load(request(spd, "Ines"), load=load))


def test_a_tray_found_soiled_after_the_release_puts_it_under_recall(spd: Department) -> None:
    load = given_released_load(spd)
    done(reject(spd, load, spd.trays[0], reason="soiled"))
    assert fate(spd, load) == "released, under recall"
    assert matters(spd, load) == ["recall", "rerun-due"]


def test_a_rejected_tray_of_a_rerun_keeps_the_first_load_open(spd: Department) -> None:
    old = given_aborted_load(spd)
    again = rerun(spd, old)
    done(tell(spd, "cycle-finished"))
    done(review(spd, again))
    done(reject(spd, again, spd.trays[0]))
    done(let_go(spd, again))
    assert fate(spd, old) == "quarantined"
    last = rerun_and_release(spd, again)
    assert load_now(spd, last).trays == (spd.trays[0],)
    assert fate(spd, old) == "reprocessed"


@pytest.mark.parametrize(
    ("deed", "code"),
    [
        (lambda spd, load: reject(spd, load), "tray-unknown"),
        (lambda spd, load: reject(spd, load, NOBODYS), "tray-unknown"),
        (lambda spd, load: reject(spd, load, spd.trays[0], reason="ugly"), "reason-unknown"),
        (lambda spd, load: reject(spd, NOBODYS, spd.trays[0]), "load-unknown"),
        (lambda spd, load: send(spd, load, NOBODYS), "tray-unknown"),
        (lambda spd, load: send(spd, load, spd.trays[0], way="the bin"), "way-unknown"),
        (lambda spd, load: send(spd, load, spd.trays[0], contaminated=False), "tag-it"),
        (lambda spd, load: send(spd, load, spd.trays[0], words=" "), "reason-missing"),
    ],
)
def test_inspections_that_are_refused(spd: Department, deed: Any, code: str) -> None:
    load = given_finished_load(spd)
    assert nothing_written(spd, lambda: deed(spd, load)) == code


def test_words_about_a_rejection_are_kept(spd: Department) -> None:
    load = given_finished_load(spd)
    asked = request(spd, "Ines")
    done(inspection.reject_trays(asked, load=load, trays=spd.trays[:1], reason="damaged", words="A tip is off."))
    event = last_event(spd, load)
    assert isinstance(event, TraysRejected) and event.words is not None
    assert standing(spd, load) == []


def test_a_contamination_is_due_until_it_is_recorded(spd: Department) -> None:
    near = given_released_load(spd)
    load = given_aborted_load(spd, trays=register_set(spd, "Extra", 1))
    done(cycles.place_load(request(spd, "Ines"), load=load, place="clean-side"))
    assert "contamination-due" in matters(spd, load)
    asked = request(spd, "Joan")
    given: dict[str, Any] = {"load": load, "surfaces": "Table 2", "cleaned_by": "Ines", "loads_nearby": [near]}
    done(inspection.record_contamination(asked, **given))
    assert isinstance(last_event(spd, load), ContaminationRecorded)
    assert "contamination-due" not in matters(spd, load)


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"surfaces": " "}, "record-incomplete"),
        ({"cleaned_by": ""}, "record-incomplete"),
        ({"loads_nearby": [NOBODYS]}, "load-unknown"),
        ({"load": NOBODYS}, "load-unknown"),
    ],
)
def test_a_contamination_record_says_what_and_who(spd: Department, changed: dict[str, Any], code: str) -> None:
    load = given_aborted_load(spd)
    given: dict[str, Any] = {"load": load, "surfaces": "Table 2", "cleaned_by": "Ines"} | changed
    asked = request(spd, "Ines")
    assert nothing_written(spd, lambda: inspection.record_contamination(asked, **given)) == code


# --- trays that go another way ------------------------------------------------------------------------


def test_a_discarded_tray_goes_into_no_load(spd: Department) -> None:
    load = given_aborted_load(spd)
    done(send(spd, load, spd.trays[0], way="discarded"))
    assert refused(assemble(spd, spd.trays[0])[0]) == "tray-discarded"
    again = rerun(spd, load)
    assert load_now(spd, again).trays == (spd.trays[1],)


@pytest.mark.parametrize("way", ["repair", "owner"])
def test_a_tray_that_comes_back_goes_into_a_load_again(spd: Department, way: str) -> None:
    load = given_aborted_load(spd)
    done(send(spd, load, spd.trays[0], way=way))
    done(assemble(spd, spd.trays[0])[0])


def test_when_every_tray_left_nothing_is_to_run(spd: Department) -> None:
    load = given_aborted_load(spd)
    for tray in spd.trays:
        done(send(spd, load, tray))
    assert fate(spd, load) == "reprocessed"  # each is accounted for by the way it went (design 4)


def test_a_tray_that_leaves_last_ends_the_old_load_too(spd: Department) -> None:
    """The other tray had run again and was released before."""
    load = given_aborted_load(spd)
    done(send(spd, load, spd.trays[0]))
    rerun_and_release(spd, load)
    assert fate(spd, load) == "reprocessed"


def test_a_tray_that_left_from_the_rerun_is_accounted_for_in_the_first_load(spd: Department) -> None:
    """Aborted, run again, aborted again: there tray 1 goes to repair; tray 2 runs a third time and is released."""
    first = given_aborted_load(spd)
    second = rerun(spd, first)
    done(alarms.abort_cycle(request(spd, "Ines"), load=second, reason="fault"))
    done(send(spd, second, spd.trays[0]))
    rerun_and_release(spd, second)
    assert fate(spd, second) == "reprocessed"
    assert fate(spd, first) == "reprocessed"


def test_what_a_rerun_rejected_and_sent_away_is_proved_by_its_way_and_not_by_that_release(spd: Department) -> None:
    first = given_aborted_load(spd)
    second = rerun(spd, first)
    done(tell(spd, "cycle-finished"))
    done(review(spd, second))
    done(reject(spd, second, spd.trays[0], reason="damaged"))
    done(send(spd, second, spd.trays[0]))
    done(let_go(spd, second))
    proofs = {proof.tray: (proof.load, proof.way) for proof in last_event(spd, first).proofs}
    assert proofs == {spd.trays[0]: (second, "repair"), spd.trays[1]: (second, "")}


def test_a_tray_leaves_from_the_load_it_is_in_and_no_other(spd: Department) -> None:
    first = given_aborted_load(spd)
    second = rerun(spd, first)
    assert load_now(spd, second).stage == "running"
    refused(send(spd, first, spd.trays[0], way="discarded"))


def test_a_released_tray_goes_to_its_owner_untagged(spd: Department) -> None:
    load = given_released_load(spd)
    done(send(spd, load, spd.trays[0], way="owner", contaminated=False))
    assert isinstance(last_event(spd, load), TrayLeft)
    assert refused(send(spd, load, spd.trays[0])) == "tray-gone"


def test_a_tray_under_recall_goes_tagged(spd: Department) -> None:
    load = given_released_load(spd)
    done(hold(spd, load))
    assert refused(send(spd, load, spd.trays[0], way="owner", contaminated=False)) == "tag-it"


# --- a set in pieces ----------------------------------------------------------------------------------


def test_trays_of_one_set_go_through_different_loads(spd: Department) -> None:
    birch = register_machine(spd, "Birch")
    one = given_reviewed_load(spd, trays=spd.trays[:1])
    other = given_running_load(spd, trays=spd.trays[1:], machine=birch)
    done(let_go(spd, one))
    (basic,) = [each for each in sets.sets(spd.id) if each.name == "Basic set"]
    assert (basic.there, basic.available) == (1, False)
    assert [tray.where for tray in basic.trays] == ["", load_now(spd, other).name]


def test_a_set_is_available_when_all_its_trays_are(spd: Department) -> None:
    given_released_load(spd)
    (basic,) = sets.sets(spd.id)
    assert (basic.there, basic.available) == (2, True)


def test_a_loaner_stands_first_with_its_date(spd: Department) -> None:
    asked = request(spd, "Ada")
    given: dict[str, Any] = {"name": "Zimmer", "owner": "A company", "labels": ["Zimmer 1"]}
    done(setting_up.register_set(asked, loaner=True, needed_by="2026-03-03", **given))
    first = sets.sets(spd.id)[0]
    assert (first.name, first.loaner, first.needed_by) == ("Zimmer", True, "2026-03-03")


# --- notes and corrections ----------------------------------------------------------------------------


def test_a_note_is_kept_beside(spd: Department) -> None:
    load = given_aborted_load(spd)
    before = standing(spd, load)
    done(corrections.add_note(request(spd, "Bo"), load=load, words="The arm was bent."))
    assert isinstance(last_event(spd, load), NoteAdded)
    assert standing(spd, load) == before


def test_a_counter_is_corrected_and_the_load_is_found_by_it(spd: Department) -> None:
    load = given_finished_load(spd, cycle=4417)
    asked = request(spd, "Quinn")
    event = events_of(spd, load)[1].event_id
    given: dict[str, Any] = {"load": load, "event": event, "field": "machine_cycle", "words": "Misread."}
    done(corrections.correct_event(asked, value=" 4471 ", **given))
    assert isinstance(last_event(spd, load), Corrected)
    assert LoadRow.objects.get(facility_id=spd.id, owner=load).name == "Alder 4471"
    assert [found.load for found in facts.passages(spd.id, spd.machine, [], [4471])] == [load]


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"field": "programme_name"}, "not-correctable"),
        ({"value": "forty"}, "value-unfit"),
        ({"event": NOBODYS}, "event-unknown"),
        ({"words": " "}, "reason-missing"),
        ({"load": NOBODYS}, "load-unknown"),
    ],
)
def test_corrections_that_are_refused(spd: Department, changed: dict[str, Any], code: str) -> None:
    load = given_finished_load(spd, cycle=4417)
    given: dict[str, Any] = {
        "load": load,
        "event": events_of(spd, load)[1].event_id,
        "field": "machine_cycle",
        "value": "4471",
        "words": "Misread.",
    } | changed
    asked = request(spd, "Quinn")
    assert nothing_written(spd, lambda: corrections.correct_event(asked, **given)) == code


def test_a_corrected_place_is_where_the_page_says_it_stands(spd: Department) -> None:
    load = given_aborted_load(spd)
    done(cycles.place_load(request(spd, "Ines"), load=load, place="quarantine", spot="shelf 3"))
    event = event_id(spd, load, LoadPlaced)
    asked = request(spd, "Ines")
    done(corrections.correct_event(asked, load=load, event=event, field="spot", value="shelf 4", words="Typo."))
    assert LoadRow.objects.get(facility_id=spd.id, owner=load).spot == "shelf 4"


# --- who it really was --------------------------------------------------------------------------------


def given_rinse_lifted(spd: Department) -> UUID:
    """Sanne and Joan lifted *rinse not proven* together; the load waits for its release."""
    load = given_finished_load(spd)
    done(review(spd, load, conductivity="not-proven"))
    done(lift(spd, load, "rinse-not-proven:conductivity", "Sanne", "Joan"))
    return load


def test_two_people_who_were_one_lifted_nothing(spd: Department) -> None:
    load = given_rinse_lifted(spd)
    done(it_was(spd, load, event_id(spd, load, HoldLifted), "Joan"))
    assert standing(spd, load) == ["rinse-not-proven"]
    assert refused(let_go(spd, load)) == "hold-stands"


def test_of_two_people_each_group_must_still_have_signed(spd: Department) -> None:
    """Supervisor and infection prevention: with Jill, also of infection prevention, there was no supervisor."""
    hire(spd, "Jill", "infection-prevention")
    load = given_rinse_lifted(spd)
    done(it_was(spd, load, event_id(spd, load, HoldLifted), "Jill"))
    assert "rinse-not-proven" in standing(spd, load)


def test_a_hold_of_the_supervisors_was_not_joans_to_lift(spd: Department) -> None:
    """Joan may lift some holds, but *documentation* belongs to the supervisor (design 4)."""
    load = given_finished_load(spd)
    done(review(spd, load, paper="not-met"))
    done(lift(spd, load, "documentation-not-met:paper", "Sanne"))
    done(it_was(spd, load, event_id(spd, load, HoldLifted), "Joan"))
    assert "documentation" in standing(spd, load)


def test_a_resume_that_only_a_supervisor_may_was_not_inesses(spd: Department) -> None:
    """Starting catalogue: W01 in wash, a supervisor."""
    load, alarm = given_load_with_alarm(spd, "W01", "wash")
    done(acknowledge(spd, load, alarm))
    done(alarms.resume_cycle(request(spd, "Sanne"), load=load, alarm=alarm))
    done(it_was(spd, load, event_id(spd, load, CycleResumed), "Ines"))
    assert "unexpected" in standing(spd, load)


def test_a_release_by_somebody_without_competence_is_a_recall_review(spd: Department) -> None:
    load = given_released_load(spd)
    done(it_was(spd, load, event_id(spd, load, LoadReleased), "Bo"))
    event = last_event(spd, load)
    assert isinstance(event, AttributionCorrected) and not event.authorised
    assert fate(spd, load) == "released, under recall"


def test_a_competence_counts_at_the_time_of_the_deed(spd: Department) -> None:
    """Bo's competence began the day after: on Monday he had none."""
    load = given_released_load(spd)
    bo = spd.people["Bo"]
    CompetenceFactory.create(facility=spd.facility, person=bo, valid_from=date(2026, 3, 3))
    spd.wait(24 * 60)
    done(it_was(spd, load, event_id(spd, load, LoadReleased), "Bo"))
    assert fate(spd, load) == "released, under recall"


def test_somebody_who_might_have_done_it_changes_nothing_else(spd: Department) -> None:
    load = given_released_load(spd)
    done(it_was(spd, load, event_id(spd, load, LoadReleased), "Piet"))
    assert fate(spd, load) == "released"


def test_attributions_that_are_refused(spd: Department) -> None:
    load = given_running_load(spd)
    done(tell(spd, "cycle-finished"))
    mine, machines_own = events_of(spd, load)[0].event_id, events_of(spd, load)[-1].event_id
    assert nothing_written(spd, lambda: it_was(spd, load, mine, "Ines")) == "same-person"
    assert nothing_written(spd, lambda: it_was(spd, load, machines_own, "Ines")) == "event-unknown"
    assert nothing_written(spd, lambda: it_was(spd, load, NOBODYS, "Ines")) == "event-unknown"
    hire(spd, "Otto", "technician")
    spd.people["Otto"].is_active = False
    spd.people["Otto"].save()
    assert nothing_written(spd, lambda: it_was(spd, load, mine, "Otto")) == "person-unknown"
    asked = request(spd, "Quinn")
    sanne = spd.people["Sanne"].id
    given: dict[str, Any] = {"load": load, "event": mine, "person": sanne, "words": " "}
    assert nothing_written(spd, lambda: corrections.correct_attribution(asked, **given)) == "reason-missing"


# --- machines out of service --------------------------------------------------------------------------


def test_a_blocked_machine_starts_nothing_until_it_is_back(spd: Department) -> None:
    load = given_assembled_load(spd)
    done(block(spd))
    assert matters(spd, spd.machine) == ["machine-blocked"]
    assert nothing_written(spd, lambda: run(spd, load)) == "machine-blocked"
    assert nothing_written(spd, lambda: block(spd)) == "blocked-already"
    done(bring_back(spd))
    done(run(spd, load))
    assert nothing_written(spd, lambda: bring_back(spd)) == "not-blocked"


def test_a_blocked_machine_runs_nothing_again(spd: Department) -> None:
    load = given_aborted_load(spd)
    done(block(spd))
    again = request(spd, "Ines")
    assert nothing_written(spd, lambda: cycles.rerun_load(again, load=load)) == "machine-blocked"
    birch = register_machine(spd, "Birch")
    rerun(spd, load, machine=birch, chamber="1")


def test_a_cycle_that_starts_in_a_blocked_machine_is_recorded_and_held(spd: Department) -> None:
    """Design 13: an observation is never refused, and what does not fit holds the load."""
    load = given_assembled_load(spd)
    done(block(spd))
    done(tell(spd, "cycle-started", programme=PROGRAMME_NAME))
    assert load_now(spd, load).stage == "running"
    assert standing(spd, load) == ["unexpected"]


def test_a_machine_with_two_chambers_runs_two_loads(spd: Department) -> None:
    cedar = register_machine(spd, "Cedar", "left", "right")
    more = register_set(spd, "Extra", 2)
    one = given_running_load(spd, machine=cedar, chamber="left")
    other = given_running_load(spd, machine=cedar, chamber="right", trays=more[:1])
    third = given_assembled_load(spd, machine=cedar, chamber="right", trays=more[1:])
    assert nothing_written(spd, lambda: run(spd, third)) == "chamber-busy"
    done(tell(spd, "cycle-finished", machine=cedar, chamber="right"))
    assert [load_now(spd, load).stage for load in (one, other)] == ["running", "finished"]
    done(run(spd, third))


def test_a_blocked_chamber_leaves_the_other_one(spd: Department) -> None:
    cedar = register_machine(spd, "Cedar", "left", "right")
    load = given_assembled_load(spd, machine=cedar, chamber="left", trays=spd.trays[:1])
    other = given_assembled_load(spd, machine=cedar, chamber="right", trays=spd.trays[1:])
    done(block(spd, "left", machine=cedar))
    assert nothing_written(spd, lambda: run(spd, load)) == "machine-blocked"
    done(run(spd, other))
    assert nothing_written(spd, lambda: block(spd, "roof", machine=cedar)) == "chamber-unknown"
    done(bring_back(spd, "left", machine=cedar))
    done(run(spd, load))


def given_the_same_fault(spd: Department, times: int, code: str = "W02") -> None:
    for _ in range(times):
        trays = register_set(spd, f"Set {spd.deeds}", 1)
        load, alarm = given_load_with_alarm(spd, code, trays=trays)
        done(acknowledge(spd, load, alarm))
        done(alarms.abort_cycle(request(spd, "Ines"), load=load, reason="fault"))


def test_the_third_same_fault_blocks_the_machine(spd: Department) -> None:
    """Starting policy: three times in sixty cycles (trade B1, 6: same fault again, or n in a window)."""
    given_the_same_fault(spd, 2)
    given_the_same_fault(spd, 1, code="W03")
    assert machine_now(spd).blocks == ()
    given_the_same_fault(spd, 1)
    (known,) = machine_now(spd).blocks
    assert "3 times" in known.reason
    load = given_assembled_load(spd)
    assert refused(run(spd, load)) == "machine-blocked"


def test_the_policy_says_how_often(spd: Department) -> None:
    done(set_policy(spd, same_fault_blocks=2, same_fault_cycles=2))
    given_the_same_fault(spd, 1)
    given_the_same_fault(spd, 1, code="W03")
    given_the_same_fault(spd, 1)  # the second W02, but its first is three cycles back
    assert machine_now(spd).blocks == ()
    given_the_same_fault(spd, 1)
    assert len(machine_now(spd).blocks) == 1


def test_a_fault_told_by_a_person_counts_too(spd: Department) -> None:
    done(set_policy(spd, same_fault_blocks=2))
    given_the_same_fault(spd, 1)
    load = given_running_load(spd)
    done(alarms.report_alarm(request(spd, "Ines"), load=load, code="W02", phase="wash"))
    assert matters(spd, spd.machine) == ["machine-blocked"]


def test_one_fault_told_by_the_machine_and_by_a_person_is_one_fault(spd: Department) -> None:
    """Trade B1, 6 counts faults; two tellers of one stop are not the same fault again."""
    done(set_policy(spd, same_fault_blocks=2))
    load = given_running_load(spd)
    done(tell(spd, "alarm-raised", code="W02", phase="wash"))
    done(alarms.report_alarm(request(spd, "Ines"), load=load, code="W02", phase="wash"))
    assert machine_now(spd).blocks == ()


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"source": " "}, "source-missing"),
        ({"same_fault_blocks": 1}, "number-out-of-range"),
        ({"rest_may_go_on": ["damaged"]}, "reason-unknown"),
    ],
)
def test_policies_that_are_refused(spd: Department, changed: dict[str, Any], code: str) -> None:
    assert nothing_written(spd, lambda: set_policy(spd, **changed)) == code


def test_a_block_needs_a_reason_and_a_machine(spd: Department) -> None:
    assert nothing_written(spd, lambda: block(spd, reason=" ")) == "reason-missing"
    assert nothing_written(spd, lambda: block(spd, machine=NOBODYS)) == "machine-unknown"
    assert nothing_written(spd, lambda: bring_back(spd, words=" ")) == "reason-missing"


# --- racks --------------------------------------------------------------------------------------------


def test_a_blocked_rack_takes_no_load(spd: Department) -> None:
    rack = given_rack(spd)
    done(block_rack(spd, rack))
    assert refused(assemble(spd, *spd.trays, rack=rack)[0]) == "rack-blocked"
    assert nothing_written(spd, lambda: block_rack(spd, rack)) == "blocked-already"
    done(machines.return_rack(request(spd, "Bo"), rack=rack, words="New wheel."))
    outcome, load = assemble(spd, *spd.trays, rack=rack)
    done(outcome)
    assert load_now(spd, load).rack == rack


def test_a_rack_blocked_after_it_was_loaded_starts_nothing(spd: Department) -> None:
    rack = given_rack(spd)
    load = given_assembled_load(spd, rack=rack)
    done(block_rack(spd, rack))
    assert nothing_written(spd, lambda: run(spd, load)) == "rack-blocked"


def test_a_load_whose_rack_is_defect_runs_again_on_another_rack(spd: Department) -> None:
    rack, other = given_rack(spd), given_rack(spd, "Rack 4")
    load = given_aborted_load(spd, rack=rack)
    done(block_rack(spd, rack))
    again: Any = {"load": load, "rack": other}
    done(cycles.rerun_load(request(spd, "Ines"), **again))


def test_racks_that_are_refused(spd: Department) -> None:
    rack = given_rack(spd)
    back = request(spd, "Bo")
    assert refused(assemble(spd, *spd.trays, rack=NOBODYS)[0]) == "rack-unknown"
    assert nothing_written(spd, lambda: block_rack(spd, NOBODYS)) == "rack-unknown"
    assert nothing_written(spd, lambda: machines.return_rack(back, rack=rack, words="x")) == "not-blocked"
    for code, name, said in (("", "x", "rack-incomplete"), ("R-Rack 3", "x", "rack-taken")):
        asked = request(spd, "Ada")
        assert refused(machines.register_rack(asked, code=code, name=name)) == said


# --- the machine's counter ----------------------------------------------------------------------------


def test_numbers_nobody_reported_are_listed_and_explained_by_the_row(spd: Department) -> None:
    given_aborted_load(spd, cycle=4471)
    done(tell(spd, "cycle-started", programme=PROGRAMME_NAME, cycle=4480))
    unheard, stray = Run(4472, 4479, stray=False), Run(4480, 4480, stray=True)
    assert counters.runs(spd.id, spd.machine) == [unheard, stray]
    for first, through in ((4472, 4480 + 1), (4470, 4473), (4473, 4472), (4472, 4472 + 500)):
        assert refused(explain(spd, first, through=through)) in ("number-not-owed", "numbers-odd")
    done(explain(spd, 4474, through=4476))
    assert counters.runs(spd.id, spd.machine) == [Run(4472, 4473, False), Run(4477, 4479, False), stray]
    done(explain(spd, 4477, through=4480))
    done(explain(spd, 4472, through=4473))
    assert counters.runs(spd.id, spd.machine) == []
    rebuilt_equals_live(spd)


def test_gaps_and_cycles_without_a_load_are_listed_until_explained(spd: Department) -> None:
    given_aborted_load(spd, cycle=4471)
    done(tell(spd, "cycle-started", programme=PROGRAMME_NAME, cycle=4473))
    done(tell(spd, "cycle-finished", cycle=4473))
    assert counters.gaps(spd.id, spd.machine) == [Gap(4472, False), Gap(4473, True)]
    assert matters(spd, spd.machine) == ["cycle-without-load"]
    done(explain(spd, 4473))
    assert counters.gaps(spd.id, spd.machine) == [Gap(4472, False)]
    done(explain(spd, 4472, who="Quinn"))
    assert counters.gaps(spd.id, spd.machine) == []
    assert matters(spd, spd.machine) == []
    rows = CounterRow.objects.filter(facility_id=spd.id, owner=spd.machine, known_to=None)
    assert set(rows.values_list("machine_cycle", "explained")) == {(4472, True), (4473, True)}


def test_a_number_is_explained_once(spd: Department) -> None:
    done(tell(spd, "cycle-finished", cycle=4471))
    done(explain(spd, 4471))
    assert nothing_written(spd, lambda: explain(spd, 4471)) == "explained-already"


def test_a_number_that_the_counter_has_not_reached_is_not_explained(spd: Department) -> None:
    """Else a slip of the pen hides the cycle that will have this number."""
    given_aborted_load(spd, cycle=4471)
    refused(explain(spd, 4481))


def test_linking_a_cycle_to_a_load_proves_nothing(spd: Department) -> None:
    load = given_aborted_load(spd, cycle=4471)
    done(tell(spd, "cycle-started", programme=PROGRAMME_NAME, cycle=4472))
    done(tell(spd, "cycle-finished", cycle=4472))
    before = standing(spd, load)
    assert nothing_written(spd, lambda: explain(spd, 4472, load=load)) == "contents-unconfirmed"
    done(explain(spd, 4472, load=load, contents_confirmed=True))
    assert isinstance(last_event(spd, load), NoteAdded)
    assert (standing(spd, load), load_now(spd, load).stage) == (before, "aborted")


def test_explanations_that_are_refused(spd: Department) -> None:
    done(tell(spd, "cycle-finished", cycle=4471))
    assert nothing_written(spd, lambda: explain(spd, 4471, words=" ")) == "reason-missing"
    assert nothing_written(spd, lambda: explain(spd, 4471, machine=NOBODYS)) == "machine-unknown"
    assert nothing_written(spd, lambda: explain(spd, 4471, load=NOBODYS)) == "load-unknown"
    assert nothing_written(spd, lambda: explain(spd, 4471, who="Ines")) == "role"


# --- supplies, and people who were hurt ---------------------------------------------------------------


def test_a_canister_was_changed(spd: Department) -> None:
    given: dict[str, Any] = {"machine": spd.machine, "line": "cleaner", "product": "Mild"}
    done(machines.change_supply(request(spd, "Ines"), lot="L1", **given))
    done(machines.change_supply(request(spd, "Ines"), lot="L2", expires_on="2027-01-31", **given))
    (supply,) = machine_now(spd).supplies
    assert (supply.lot, supply.expires_on) == ("L2", "2027-01-31")
    asked = request(spd, "Ines")
    assert nothing_written(spd, lambda: machines.change_supply(asked, lot=" ", **given)) == "supply-incomplete"


def test_somebody_was_hurt(spd: Department) -> None:
    load = given_running_load(spd)
    done(machines.record_exposure(request(spd, "Joan"), machine=spd.machine, kind="burn", words="Hand.", load=load))
    (line, *_) = evidence.browse(spd.id, evidence.Filter()).lines
    assert (line.kind, line.by) == ("exposure-recorded", "Joan")
    assert isinstance(whole_log(spd)[-1].data, ExposureRecorded)


def test_whoever_was_hurt_waits_for_a_supervisor_until_one_takes_it_on(spd: Department) -> None:
    hurt = spd.people["Ines"].id
    asked = replace(request(spd, "Joan"), occurred_at=spd.now - timedelta(minutes=20))
    done(machines.record_exposure(asked, machine=spd.machine, kind="sharps", words="A trocar.", person=hurt))
    (told,) = machine_now(spd).exposed
    assert (told.person, told.at) == (hurt, asked.occurred_at)
    (item,) = floor_queries.open_items(spd.id)
    assert (item.kind, item.priority, item.since) == ("exposure", "high", told.at)

    def take_on(who: str) -> Outcome:
        return machines.take_on_exposure(request(spd, who), machine=spd.machine, exposure=told.event_id)

    assert nothing_written(spd, lambda: take_on("Ines")) == "role"
    done(take_on("Sanne"))
    assert floor_queries.open_items(spd.id) == []
    assert nothing_written(spd, lambda: take_on("Joan")) == "exposure-taken"


def test_exposures_that_are_refused(spd: Department) -> None:
    for given, code in (
        ({"kind": "flood", "words": "x"}, "exposure-unknown"),
        ({"kind": "burn", "words": " "}, "reason-missing"),
        ({"kind": "burn", "words": "x", "person": NOBODYS}, "person-unknown"),
        ({"kind": "burn", "words": "x", "machine": NOBODYS}, "machine-unknown"),
    ):
        asked = request(spd, "Ines")
        whole: dict[str, Any] = {"machine": spd.machine} | given
        assert refused(machines.record_exposure(asked, **whole)) == code


# --- a round of release -------------------------------------------------------------------------------


def given_loads_to_release(spd: Department, count: int = 3) -> list[UUID]:
    return [given_reviewed_load(spd, trays=register_set(spd, f"Set {spd.deeds}", 1)) for _ in range(count)]


def test_one_signature_releases_a_listed_batch(spd: Department) -> None:
    listed = given_loads_to_release(spd)
    receipt = done(release_round(spd, *listed))
    assert [fate(spd, load) for load in listed] == ["released"] * 3
    assert receipt.count == 3
    for load in listed:
        event = last_event(spd, load)
        assert [seen.load for seen in event.signature.seen] == [load]  # each bound to its own stream version
    names = [load_now(spd, load).name for load in listed]
    assert rounds.outcome_of(spd.id, receipt.deed_id, listed) == (names, [])


def test_a_load_that_moved_since_is_left_out_and_the_rest_goes(spd: Department) -> None:
    one, two, three = given_loads_to_release(spd)
    asked, given = asked_round(spd, one, two, three)
    done(hold(spd, two, who="Joan"))
    receipt = done(holds.release_round(asked, **given))
    assert [fate(spd, load) for load in (one, two, three)] == ["released", "quarantined", "released"]
    names = [load_now(spd, load).name for load in (one, two, three)]
    assert rounds.outcome_of(spd.id, receipt.deed_id, [one, two, three]) == ([names[0], names[2]], [names[1]])


def test_a_load_that_was_never_releasable_is_left_out_too(spd: Department) -> None:
    one, two = given_loads_to_release(spd, 2)
    unread = given_finished_load(spd)
    done(release_round(spd, one, unread, two))
    assert [fate(spd, load) for load in (one, unread, two)] == ["released", "awaiting review", "released"]


def test_when_every_load_moved_nothing_is_released(spd: Department) -> None:
    one, two = given_loads_to_release(spd, 2)
    asked, given = asked_round(spd, one, two)
    for load in (one, two):
        done(corrections.add_note(request(spd, "Ines"), load=load, words="Looked again."))
    assert nothing_written(spd, lambda: holds.release_round(asked, **given)) == "stale"


def test_a_round_sent_twice_is_one_round(spd: Department) -> None:
    listed = given_loads_to_release(spd, 2)
    asked, given = asked_round(spd, *listed)
    first = done(holds.release_round(asked, **given))
    later = replace(asked, now=spd.wait(5))
    assert done(holds.release_round(later, **given)) == first
    assert sum(isinstance(event.data, LoadReleased) for event in whole_log(spd)) == 2


def test_a_load_listed_twice_is_released_once(spd: Department) -> None:
    (load,) = given_loads_to_release(spd, 1)
    done(release_round(spd, load, load))
    assert sum(isinstance(event.data, LoadReleased) for event in events_of(spd, load)) == 1


def test_anothers_badge_releases_no_round(spd: Department) -> None:
    listed = given_loads_to_release(spd, 2)
    assert nothing_written(spd, lambda: release_round(spd, *listed, who="Ines", signer="Sanne")) == "other-person"


def test_a_signature_over_other_loads_releases_none_of_these(spd: Department) -> None:
    one, two = given_loads_to_release(spd, 2)
    asked, given = asked_round(spd, one)
    assert nothing_written(spd, lambda: holds.release_round(asked, **given | {"loads": [two]})) == "stale"


def test_rounds_that_are_refused(spd: Department) -> None:
    (load,) = given_loads_to_release(spd, 1)
    asked, given = asked_round(spd, load)
    unsigned, empty = given | {"signings": []}, given | {"loads": []}
    assert nothing_written(spd, lambda: holds.release_round(asked, **unsigned)) == "signature-missing"
    assert nothing_written(spd, lambda: holds.release_round(asked, **empty)) == "no-loads"
    odd = given | {"purpose": "storage"}
    assert nothing_written(spd, lambda: holds.release_round(asked, **odd)) == "purpose-unknown"
    late = replace(asked, now=spd.wait(2))
    assert nothing_written(spd, lambda: holds.release_round(late, **given)) == "signature-void"


def test_a_round_without_competence_releases_nothing(spd: Department) -> None:
    listed = given_loads_to_release(spd, 1)
    assert nothing_written(spd, lambda: release_round(spd, *listed, who="Bo")) == "competence"


def test_a_round_ends_the_older_loads_too(spd: Department) -> None:
    old = given_aborted_load(spd)
    again = rerun(spd, old)
    done(tell(spd, "cycle-finished"))
    done(review(spd, again))
    done(release_round(spd, again))
    assert fate(spd, old) == "reprocessed"


# --- on what they saw ---------------------------------------------------------------------------------

AFTER_A_LOOK: dict[str, Callable[[Any, Department, UUID], Outcome]] = {
    "reject": lambda asked, spd, load: inspection.reject_trays(asked, load=load, trays=spd.trays, reason="wet"),
    "send": lambda asked, spd, load: inspection.send_tray(
        asked, load=load, tray=spd.trays[0], way="repair", contaminated=True, words="bent"
    ),
    "correct": lambda asked, spd, load: corrections.correct_event(
        asked, load=load, event=NOBODYS, field="spot", value="3", words="typo"
    ),
    "note": lambda asked, spd, load: corrections.add_note(asked, load=load, words="x"),
}


@pytest.mark.parametrize("act", AFTER_A_LOOK.values(), ids=AFTER_A_LOOK)
def test_a_stale_screen_decides_nothing(spd: Department, act: Any) -> None:
    load = given_finished_load(spd)
    looked = load_now(spd, load).version
    done(hold(spd, load, who="Joan"))
    assert nothing_written(spd, lambda: act(request(spd, "Ines", expected_version=looked), spd, load)) == "stale"


def test_each_of_these_deeds_happens_once(spd: Department) -> None:
    """I5, for the deeds that make something of their own."""
    asked = request(spd, "Ada")
    for _ in range(2):
        done(machines.register_rack(asked, code="R-9", name="Rack 9"))
    assert facts.rack(spd.id, named(asked.deed, "rack")) is not None
    load = given_finished_load(spd)
    told = request(spd, "Ines")
    for _ in range(2):
        done(inspection.reject_trays(told, load=load, trays=spd.trays[:1], reason="wet"))
    assert len(load_now(spd, load).rejections) == 1
    review_asked = request(spd, "Ines")
    done(holds.review_load(review_asked, load=load, record_seen=True, verdicts=ALL_MET))
    released = request(spd, "Ines")
    done(
        holds.release_load(
            released, load=load, purpose="packing", signings=[signed_by(spd, "Ines", load, released.deed)]
        )
    )


# --- another department -------------------------------------------------------------------------------


def test_another_department_is_told_nothing(spd: Department) -> None:
    """I16: its loads, machines and racks do not exist here, whichever deed asks for them."""
    other = floor()
    load, rack = given_finished_load(other), given_rack(other)
    for deed, code in (
        (lambda: stop(spd, load), "load-unknown"),
        (lambda: interrupt(spd, load), "load-unknown"),
        (lambda: wrong(spd, load), "load-unknown"),
        (lambda: reject(spd, load, *other.trays), "load-unknown"),
        (lambda: send(spd, load, other.trays[0]), "load-unknown"),
        (lambda: corrections.add_note(request(spd, "Ines"), load=load, words="x"), "load-unknown"),
        (lambda: it_was(spd, load, events_of(other, load)[0].event_id, "Sanne"), "load-unknown"),
        (lambda: block(spd, machine=other.machine), "machine-unknown"),
        (lambda: explain(spd, 1, machine=other.machine), "machine-unknown"),
        (lambda: block_rack(spd, rack), "rack-unknown"),
        (lambda: assemble(spd, *spd.trays, rack=rack)[0], "rack-unknown"),
        (lambda: assemble(spd, *other.trays)[0], "tray-unknown"),
    ):
        assert nothing_written(spd, deed) == code
    rebuilt_equals_live(other)

"""What every deed has in common: who may, on what they saw, at what time, and only once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest

from incidents.identity.models import Competence
from incidents.operations import (
    alarms,
    care,
    catalogue,
    climbing,
    contacts,
    corrections,
    cycles,
    delivery,
    downtime,
    escalation,
    handover,
    history,
    holds,
    incidents,
    inspection,
    interruptions,
    machines,
    observations,
    people,
    programmes,
    readings,
    restoring,
    setting_up,
    sweep,
)
from incidents.operations.deeds import Doer, Outcome, Request
from incidents.operations.history import SaidOfAlarm, SaidOfLoad, SaidOfRepair
from incidents.operations.paper import Paper
from incidents.rules import authority
from incidents.rules.events import Actor, Stream
from incidents.rules.readings import Told
from incidents.rules.refusals import Refusal
from tests.bare_ledger import everything
from tests.cast import (
    PROGRAMME_NAME,
    Department,
    bare_department,
    done,
    events_of,
    given_aborted_load,
    given_assembled_load,
    given_finished_load,
    given_load_with_alarm,
    given_reviewed_load,
    given_running_load,
    hold,
    last_event,
    let_go,
    load_now,
    open_department,
    rebuilt_equals_live,
    refused,
    register_set,
    request,
    review,
    signed_by,
    standing,
    tell,
    whole_log,
)
from tests.story import ALL_MET, MONDAY, id_of

pytestmark = pytest.mark.django_db
NOBODY = id_of("nobody's")


@pytest.fixture
def spd() -> Iterator[Department]:
    department = open_department()
    yield department
    rebuilt_equals_live(department)


def nothing_written(spd: Department, deed: Callable[[], Outcome]) -> str:
    """Do it; it must be refused without a trace. Returns the refusal's code."""
    before = len(whole_log(spd))
    code = refused(deed())
    assert len(whole_log(spd)) == before
    return code


# --- who may ------------------------------------------------------------------------------------------

ASKS: dict[str, Callable[[Request], Outcome]] = {
    "hand_over_shift": lambda asked: handover.hand_over_shift(asked, seen="", signings=[]),
    "take_item": lambda asked: care.take_item(asked, stream=Stream("load", NOBODY), item="held"),
    "hand_on_item": lambda asked: care.hand_on_item(
        asked, stream=Stream("load", NOBODY), item="held", to=NOBODY, words="Look at it."
    ),
    "take_incident": lambda asked: incidents.take_incident(asked, alarm=NOBODY),
    "tell_incident": lambda asked: incidents.tell_incident(asked, alarm=NOBODY, part="cause", words="Grit."),
    "shelve_alarm": lambda asked: care.shelve_alarm(
        asked, stream=Stream("load", NOBODY), alarm=NOBODY, until=MONDAY, words="Known."
    ),
    "unshelve_alarm": lambda asked: care.unshelve_alarm(asked, stream=Stream("load", NOBODY), alarm=NOBODY),
    "note_unshelved": lambda asked: care.note_unshelved(asked, stream=Stream("load", NOBODY), alarm=NOBODY),
    "set_contact": lambda asked: contacts.set_contact(asked, channel="email", address="x", person=NOBODY),
    "set_shared_contact": lambda asked: contacts.set_shared_contact(asked, label="", channel="email", address="x"),
    "test_contact": lambda asked: contacts.test_contact(asked, contact=NOBODY),
    "send_again": lambda asked: delivery.send_again(asked, message=NOBODY),
    "settle_message": lambda asked: delivery.settle_message(asked, message=NOBODY, words="Told by phone."),
    "note_undelivered": lambda asked: delivery.note_undelivered(asked, message=NOBODY, attempt=1, why=""),
    "assemble_load": lambda asked: cycles.assemble_load(asked, machine=NOBODY, chamber="1", trays=[NOBODY]),
    "start_cycle": lambda asked: cycles.start_cycle(asked, load=NOBODY, programme="x"),
    "report_alarm": lambda asked: alarms.report_alarm(asked, load=NOBODY, code="W01", phase="wash"),
    "acknowledge_alarm": lambda asked: alarms.acknowledge_alarm(asked, stream=Stream("load", NOBODY), alarm=NOBODY),
    "resume_cycle": lambda asked: alarms.resume_cycle(asked, load=NOBODY, alarm=NOBODY),
    "abort_cycle": lambda asked: alarms.abort_cycle(asked, load=NOBODY, reason="fault"),
    "report_end": lambda asked: cycles.report_end(asked, load=NOBODY),
    "place_load": lambda asked: cycles.place_load(asked, load=NOBODY, place="quarantine"),
    "rerun_load": lambda asked: cycles.rerun_load(asked, load=NOBODY),
    "review_load": lambda asked: holds.review_load(asked, load=NOBODY, record_seen=True, verdicts={}),
    "keep_readings": lambda asked: readings.keep_readings(
        asked, load=NOBODY, told=Told("0" * 64, "0" * 64, "0" * 64, 1, 2, (), "1", None)
    ),
    "withdraw_record": lambda asked: holds.withdraw_record(
        asked, load=NOBODY, record=NOBODY, words="another’s", signings=[]
    ),
    "review_readings": lambda asked: readings.review_readings(asked, load=NOBODY),
    "set_record_form": lambda asked: readings.set_record_form(asked, machine=NOBODY, columns=[]),
    "set_basis": lambda asked: setting_up.set_basis(asked, basis="computed", source=""),
    "hold_load": lambda asked: holds.hold_load(asked, load=NOBODY, words="wet"),
    "lift_hold": lambda asked: holds.lift_hold(asked, load=NOBODY, hold="manual:x", words="dry", signings=[]),
    "sign_lift": lambda asked: holds.sign_lift(asked, load=NOBODY, hold="x", words="dry", signings=[]),
    "second_lift": lambda asked: holds.second_lift(asked, load=NOBODY, hold="x", signings=[]),
    "withdraw_lift": lambda asked: holds.withdraw_lift(asked, load=NOBODY, hold="x"),
    "release_load": lambda asked: holds.release_load(asked, load=NOBODY, purpose="use", signings=[]),
    "report_cleared": lambda asked: alarms.report_cleared(asked, load=NOBODY, alarm=NOBODY),
    "stop_cycle": lambda asked: interruptions.stop_cycle(asked, load=NOBODY, how="by-hand"),
    "report_interruption": lambda asked: interruptions.report_interruption(asked, load=NOBODY, what="power"),
    "note_wrong_programme": lambda asked: interruptions.note_wrong_programme(asked, load=NOBODY, meant="Heavy"),
    "reject_trays": lambda asked: inspection.reject_trays(asked, load=NOBODY, trays=[NOBODY], reason="wet"),
    "record_contamination": lambda asked: inspection.record_contamination(
        asked, load=NOBODY, surfaces="table", cleaned_by="Ines"
    ),
    "send_tray": lambda asked: inspection.send_tray(
        asked, load=NOBODY, tray=NOBODY, way="repair", contaminated=True, words="bent"
    ),
    "add_note": lambda asked: corrections.add_note(asked, load=NOBODY, words="wet"),
    "correct_event": lambda asked: corrections.correct_event(
        asked, load=NOBODY, event=NOBODY, field="spot", value="3", words="typo"
    ),
    "correct_attribution": lambda asked: corrections.correct_attribution(
        asked, load=NOBODY, event=NOBODY, person=NOBODY, words="it was me"
    ),
    "limit_machine": lambda asked: setting_up.limit_machine(asked, machine=NOBODY, programmes=[], racks=[]),
    "correct_programme_attribution": lambda asked: corrections.correct_programme_attribution(
        asked, programme=NOBODY, event=NOBODY, person=NOBODY, words="sat in"
    ),
    "correct_catalogue_attribution": lambda asked: corrections.correct_catalogue_attribution(
        asked, event=NOBODY, person=NOBODY, words="it was me"
    ),
    "block_machine": lambda asked: machines.block_machine(asked, machine=NOBODY, reason="leak"),
    "return_machine": lambda asked: machines.return_machine(asked, machine=NOBODY, words="mended"),
    "change_supply": lambda asked: machines.change_supply(asked, machine=NOBODY, line="1", product="x", lot="1"),
    "explain_cycle": lambda asked: machines.explain_cycle(asked, machine=NOBODY, machine_cycle=1, words="test"),
    "explain_missing": lambda asked: machines.explain_missing(asked, machine=NOBODY, first=1, last=2, words="lost"),
    "take_on_exposure": lambda asked: machines.take_on_exposure(asked, machine=NOBODY, exposure=NOBODY),
    "record_exposure": lambda asked: machines.record_exposure(asked, machine=NOBODY, kind="burn", words="hand"),
    "block_rack": lambda asked: machines.block_rack(asked, rack=NOBODY, words="bent"),
    "return_rack": lambda asked: machines.return_rack(asked, rack=NOBODY, words="mended"),
    "register_rack": lambda asked: machines.register_rack(asked, code="", name=""),
    "set_policy": lambda asked: setting_up.set_policy(
        asked, source="", same_fault_blocks=3, same_fault_cycles=60, rest_may_go_on=[]
    ),
    "import_load": lambda asked: history.import_load(
        asked, said=SaidOfLoad(NOBODY, "1", MONDAY, "complete", "loads.csv", 2)
    ),
    "import_alarm": lambda asked: history.import_alarm(
        asked, said=SaidOfAlarm(NOBODY, "F07", MONDAY, "alarms.csv", 2)
    ),
    "import_repair": lambda asked: history.import_repair(
        asked, said=SaidOfRepair(NOBODY, MONDAY, "New pump.", "repairs.csv", 2)
    ),
    "release_round": lambda asked: holds.release_round(asked, loads=[], purpose="use", signings=[]),
    "issue_forms": lambda asked: downtime.issue_forms(asked, count=1),
    "enter_form": lambda asked: downtime.enter_form(asked, number=1, paper=Paper(machine=NOBODY, chamber="1")),
    "void_form": lambda asked: downtime.void_form(asked, number=1, words="torn"),
    "draft_catalogue": lambda asked: catalogue.draft_catalogue(asked, faults=[]),
    "publish_draft": lambda asked: catalogue.publish_draft(asked),
    "observe": lambda asked: observations.observe(
        asked, machine=NOBODY, kind="cycle-finished", told=observations.Told(chamber="1")
    ),
    "adopt_escalation": lambda asked: escalation.adopt_escalation(asked),
    "draft_escalation": lambda asked: escalation.draft_escalation(asked, source="rule", ladders=[]),
    "approve_escalation": lambda asked: escalation.approve_escalation(asked),
    "set_calendar": lambda asked: escalation.set_calendar(asked, holidays=[], rotas=[]),
    "swap_turn": lambda asked: escalation.swap_turn(
        asked, rota="x", person=NOBODY, instead_of=NOBODY, starts_at=MONDAY, ends_at=MONDAY
    ),
    "escalate": lambda asked: climbing.escalate(asked, most=1),
    "note_overdue": lambda asked: sweep.note_overdue(asked, load=NOBODY),
    "note_silence": lambda asked: sweep.note_silence(asked, machine=NOBODY),
    "open_facility": lambda asked: setting_up.open_facility(asked),
    "accept_restore": lambda asked: restoring.accept_restore(asked, noted_size=9, noted_root="00", words="fire"),
    "settle_restore": lambda asked: restoring.settle_restore(asked, words="looked"),
    "register_machine": lambda asked: setting_up.register_machine(asked, name="", code="", chambers=[]),
    "publish_programme": lambda asked: setting_up.publish_programme(
        asked, name="", phases=[], expected_s=1, grace_s=1, criteria=[]
    ),
    "draft_programme": lambda asked: programmes.draft_programme(
        asked, name="", phases=[], expected_s=1, grace_s=1, criteria=[]
    ),
    "approve_programme": lambda asked: programmes.approve_programme(asked, programme=NOBODY),
    "withdraw_programme": lambda asked: programmes.withdraw_programme(asked, programme=NOBODY, words="old"),
    "publish_catalogue": lambda asked: setting_up.publish_catalogue(asked, faults=[]),
    "add_person": lambda asked: people.add_person(
        asked, name="", login="", password="", badge="", pin="", roles=[]
    ),
    "set_rights": lambda asked: people.set_rights(asked, person=NOBODY, roles=["quality"]),
    "register_set": lambda asked: setting_up.register_set(asked, name="", owner="", labels=[]),
}
WHO = [(), *((role,) for role in authority.ROLES)]
SKILLS = [(), *((kind,) for kind in authority.COMPETENCES), authority.COMPETENCES]


@pytest.mark.parametrize("deed", authority.DEEDS)
def test_a_role_and_a_competence_decide_who_may(deed: str) -> None:
    """Every role and competence against the table, through the deed itself: authority is asked first."""
    assert deed in ASKS, f"{deed} is not asked for: add a line to ASKS above, whose ids name nothing"
    spd = bare_department()
    permission = authority.DEEDS[deed]
    for roles in WHO:
        for competences in SKILLS:
            kind: Any = "device" if roles == ("device",) else "person"
            by = Doer(Actor(kind, NOBODY), roles, competences)
            outcome = ASKS[deed](request(spd, "", by=by))
            turned_away = isinstance(outcome, Refusal) and outcome.code in ("role", "competence")
            may = bool(permission.roles & set(roles)) and permission.competence in (None, *competences)
            assert turned_away != may, (roles, competences, outcome)


def roles_for(deed: str) -> set[str]:
    return set(authority.DEEDS[deed].roles)


def test_the_table_says_what_the_design_says() -> None:
    """Design, section 4 (who holds, lifts, releases) and common practice (who sets up, what a device may)."""
    people = set(authority.ROLES) - {"device"}
    assert roles_for("hold_load") == people
    for deed in ("lift_hold", "sign_lift", "second_lift", "withdraw_lift"):
        assert roles_for(deed) == {"supervisor", "infection-prevention"}
    assert authority.DEEDS["release_load"] == authority.Permission(frozenset(people), "release")
    assert roles_for("observe") == {"device"}
    assert [deed for deed in authority.DEEDS if "device" in roles_for(deed)] == ["keep_readings", "observe"]
    assert roles_for("note_overdue") == roles_for("escalate") == set()
    assert {deed for deed in authority.DEEDS if roles_for(deed) == {"administrator"}} >= {
        "open_facility",
        "register_machine",
        "publish_programme",
        "publish_catalogue",
        "register_set",
    }


def test_a_competence_that_ran_out_yesterday_releases_nothing(spd: Department) -> None:
    load = given_reviewed_load(spd)
    Competence.objects.filter(facility=spd.facility).update(valid_until=spd.now.date() - timedelta(days=1))
    assert refused(let_go(spd, load)) == "competence"
    Competence.objects.filter(facility=spd.facility).update(valid_until=spd.now.date())
    done(let_go(spd, load))


def test_a_competence_for_next_year_is_none_yet(spd: Department) -> None:
    load = given_reviewed_load(spd)
    Competence.objects.filter(facility=spd.facility).update(
        valid_from=date(2027, 1, 1), valid_until=date(2027, 12, 31)
    )
    assert refused(let_go(spd, load)) == "competence"


def test_someone_who_left_may_do_nothing(spd: Department) -> None:
    load = given_reviewed_load(spd)
    person = spd.people["Ines"]
    person.is_active = False
    person.save()
    assert refused(let_go(spd, load)) == "role"


def test_only_a_supervisor_resumes_where_the_catalogue_says_so(spd: Department) -> None:
    """Starting catalogue: W01 in wash, a supervisor."""
    load, alarm = given_load_with_alarm(spd, "W01", "wash")
    done(alarms.acknowledge_alarm(request(spd, "Ines"), stream=Stream("load", load), alarm=alarm))
    assert refused(alarms.resume_cycle(request(spd, "Ines"), load=load, alarm=alarm)) == "supervisor-resumes"
    done(alarms.resume_cycle(request(spd, "Sanne"), load=load, alarm=alarm))


# --- on what they saw ---------------------------------------------------------------------------------

ON_A_STOPPED_LOAD: dict[str, Callable[[Request, UUID, UUID], Outcome]] = {
    "acknowledge": lambda asked, load, alarm: alarms.acknowledge_alarm(
        asked, stream=Stream("load", load), alarm=alarm
    ),
    "resume": lambda asked, load, alarm: alarms.resume_cycle(asked, load=load, alarm=alarm),
    "abort": lambda asked, load, alarm: alarms.abort_cycle(asked, load=load, reason="fault", alarm=alarm),
    "place": lambda asked, load, alarm: cycles.place_load(asked, load=load, place="quarantine"),
    "start": lambda asked, load, alarm: cycles.start_cycle(asked, load=load, programme=PROGRAMME_NAME),
    "rerun": lambda asked, load, alarm: cycles.rerun_load(asked, load=load),
    "review": lambda asked, load, alarm: holds.review_load(asked, load=load, record_seen=True, verdicts=ALL_MET),
    "release": lambda asked, load, alarm: holds.release_load(asked, load=load, purpose="use", signings=[]),
}


@pytest.mark.parametrize("act", ON_A_STOPPED_LOAD.values(), ids=ON_A_STOPPED_LOAD)
def test_a_stale_screen_decides_nothing(spd: Department, act: Any) -> None:
    load, alarm = given_load_with_alarm(spd)
    looked = load_now(spd, load).version
    done(hold(spd, load, who="Joan"))
    assert nothing_written(spd, lambda: act(request(spd, "Sanne", expected_version=looked), load, alarm)) == "stale"


def test_a_fresh_screen_decides(spd: Department) -> None:
    load, alarm = given_load_with_alarm(spd)
    asked = request(spd, "Ines", expected_version=load_now(spd, load).version)
    done(ON_A_STOPPED_LOAD["acknowledge"](asked, load, alarm))


# --- at what time -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ahead_s", "taken"), [(-3 * 86400, True), (0, True), (120, True), (121, False)])
def test_a_decision_may_claim_the_past_and_two_minutes_of_skew(spd: Department, ahead_s: int, taken: bool) -> None:
    load = given_aborted_load(spd)
    claimed = spd.now + timedelta(minutes=1, seconds=ahead_s)  # the request comes a minute later
    outcome = holds.hold_load(request(spd, "Ines", occurred_at=claimed), load=load, words="wet")
    assert isinstance(outcome, Refusal) != taken
    if isinstance(outcome, Refusal):
        assert outcome.code == "time-ahead"


def test_an_observation_from_the_future_is_recorded_and_held(spd: Department) -> None:
    """I10: both times are kept, the skew is flagged, nothing is dropped or reordered."""
    load = given_running_load(spd)
    claimed = spd.now + timedelta(hours=5)
    done(tell(spd, "cycle-finished", occurred_at=claimed))
    ended = events_of(spd, load)[-1]
    assert (ended.occurred_at, ended.recorded_at) == (claimed, spd.now)
    assert standing(spd, load) == ["unexpected"]


@pytest.mark.parametrize("year", [1, 9999])
def test_a_machine_with_a_mad_clock_is_heard_all_the_same(spd: Department, year: int) -> None:
    load = given_assembled_load(spd)
    mad = datetime(year, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)
    done(tell(spd, "cycle-started", programme=PROGRAMME_NAME, occurred_at=mad))
    assert "unexpected" in standing(spd, load)
    sweep.sweep(spd.wait())


def test_a_late_entry_keeps_its_moment_and_when_it_was_written(spd: Department) -> None:
    load = given_running_load(spd)
    happened = spd.now
    spd.wait(45)
    done(alarms.report_alarm(request(spd, "Ines", occurred_at=happened), load=load, code="W01", phase="wash"))
    (alarm,) = load_now(spd, load).alarms
    assert alarm.raised_at == happened
    assert events_of(spd, load)[-1].recorded_at == spd.now


# --- only once ----------------------------------------------------------------------------------------


def test_a_deed_sent_twice_is_done_once(spd: Department) -> None:
    """I5: the client may send it again whenever the answer was lost."""
    load = given_aborted_load(spd)
    asked = request(spd, "Ines")
    first = holds.hold_load(asked, load=load, words="wet")
    again = holds.hold_load(replaced(asked, now=spd.wait(5)), load=load, words="wet")
    assert done(first) == done(again)
    assert standing(spd, load).count("manual") == 1


def replaced(asked: Request, **changed: Any) -> Request:
    return Request(**{name: getattr(asked, name) for name in asked.__struct_fields__} | changed)


@pytest.mark.parametrize("what", ["words", "who", "occurred_at", "operation"])
def test_a_used_deed_id_serves_nothing_else(spd: Department, what: str) -> None:
    load = given_aborted_load(spd)
    asked = request(spd, "Ines")
    done(holds.hold_load(asked, load=load, words="wet"))
    other = {
        "words": lambda: holds.hold_load(asked, load=load, words="dry"),
        "who": lambda: holds.hold_load(request(spd, "Sanne", deed=asked.deed), load=load, words="wet"),
        "occurred_at": lambda: holds.hold_load(replaced(asked, occurred_at=spd.now), load=load, words="wet"),
        "operation": lambda: cycles.rerun_load(asked, load=load),
    }[what]
    assert nothing_written(spd, other) == "deed-reused"


def test_a_refused_deed_may_be_tried_again_under_its_id(spd: Department) -> None:
    """Refusals are not stored (design 2)."""
    load = given_finished_load(spd)
    asked = request(spd, "Ines")
    assert refused(holds.release_load(asked, load=load, purpose="packing", signings=[])) == "not-reviewed"
    done(review(spd, load))
    signings = [signed_by(spd, "Ines", load, asked.deed)]
    done(holds.release_load(replaced(asked, now=spd.now), load=load, purpose="packing", signings=signings))


def test_a_report_that_the_machine_sends_again_is_one_report(spd: Department) -> None:
    load = given_running_load(spd)
    asked = request(spd, "Alder", sequence=1)
    told = observations.Told(chamber="1", code="W01", phase="wash")
    for _ in range(2):
        done(observations.observe(asked, machine=spd.machine, kind="alarm-raised", told=told))
    assert len(load_now(spd, load).alarms) == 1


def test_asking_for_nothing_is_answered(spd: Department) -> None:
    assert nothing_written(spd, lambda: setting_up.open_facility(request(spd, "Ada"))) == "already-open"


# --- whole or not at all ------------------------------------------------------------------------------

LATE_REFUSALS: dict[str, Callable[[Department], tuple[str, Callable[[], Outcome]]]] = {}


def late(code: str) -> Any:
    """A deed that is refused only after it has written something: words, a signature's use, a new load."""

    def register(prepare: Callable[[Department], Callable[[], Outcome]]) -> Any:
        LATE_REFUSALS[prepare.__name__] = lambda spd: (code, prepare(spd))
        return prepare

    return register


@late("may-not-lift")
def words_before_a_lift_that_is_refused(spd: Department) -> Callable[[], Outcome]:
    load = given_finished_load(spd)
    done(hold(spd, load))
    key = f"manual:{last_event(spd, load).hold}"
    asked = request(spd, "Joan")
    signings = [signed_by(spd, "Bo", load, asked.deed)]
    return lambda: holds.lift_hold(asked, load=load, hold=key, words="Looked into it.", signings=signings)


@late("purpose-unknown")
def a_signature_before_a_release_that_is_refused(spd: Department) -> Callable[[], Outcome]:
    load = given_reviewed_load(spd)
    asked = request(spd, "Ines")
    signings = [signed_by(spd, "Ines", load, asked.deed)]
    purpose: Any = "fun"
    return lambda: holds.release_load(asked, load=load, purpose=purpose, signings=signings)


@late("chamber-busy")
def a_new_load_before_a_rerun_that_is_refused(spd: Department) -> Callable[[], Outcome]:
    load = given_aborted_load(spd)
    given_running_load(spd, trays=register_set(spd, "Second set", 1))
    asked = request(spd, "Ines")
    return lambda: cycles.rerun_load(asked, load=load)


@pytest.mark.parametrize("prepare", LATE_REFUSALS.values(), ids=LATE_REFUSALS)
def test_a_refusal_leaves_every_table_as_it_was(spd: Department, prepare: Any) -> None:
    code, deed = prepare(spd)
    before = everything("incidents_signing")
    assert refused(deed()) == code
    assert everything("incidents_signing") == before

"""While the server was gone: numbered forms, entered afterwards as a claimed past and judged at once.

Expected fates are the design's: section 4, 13 (never refused), I6 (left on paper), I7, I9, I10, I17.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

import pypdfium2
import pytest
import zxingcpp
from django.http import HttpResponse

from incidents.identity.ids import named
from incidents.operations import corrections, downtime, machines, setting_up
from incidents.operations.paper import Paper
from incidents.queries import downtime as told_forms
from incidents.queries import facts, floor, loads
from incidents.queries.story import entries_of, story
from incidents.rules import downtime as rules
from incidents.rules import holds, open_items, release
from incidents.rules.downtime import Downtime
from incidents.rules.events import (
    AnyEvent,
    Criterion,
    DowntimeFormEntered,
    DowntimeFormsIssued,
    DowntimeFormVoided,
    EnteredFromPaper,
    LoadReleasedOnPaper,
    LoadReviewed,
    Stream,
)
from incidents.rules.paper import DOUBTS
from incidents.rules.programmes import STARTING_FAULTS
from incidents.rules.refusals import Refusal
from tests import cast, visitors
from tests.cast import Department, done, fate, refused, request, standing
from tests.floor_cast import event_id, machine_now, set_policy
from tests.story import (
    ALDER,
    ALL_MET,
    CONFORMING,
    CRITERIA,
    FINISHED,
    LOAD,
    RELEASED,
    STOPPED,
    WORDS,
    assembled,
    held,
    load_of,
    reviewed,
    started,
)
from tests.story import story as told
from tests.visitors import address, page_of, visitor, words_of

FORMS = Stream("downtime", ALDER)


# --- the rules, without a database --------------------------------------------------------------------


def forms_of(*happened: AnyEvent) -> Downtime:
    return rules.fold(ALDER, told(*happened, stream=FORMS))


def came_back(number: int) -> DowntimeFormEntered:
    return DowntimeFormEntered(number=number, load=LOAD)


def test_numbers_are_never_given_twice() -> None:
    assert rules.issue(forms_of(), 3) == DowntimeFormsIssued(1, 3)
    assert rules.issue(forms_of(DowntimeFormsIssued(1, 3)), 2) == DowntimeFormsIssued(4, 5)
    assert rules.issue(forms_of(DowntimeFormsIssued(1, 3), came_back(71)), 1) == DowntimeFormsIssued(72, 72)


@pytest.mark.parametrize("count", [-1, 0, 201])
def test_forms_are_issued_in_sensible_numbers(count: int) -> None:
    assert isinstance(rules.issue(forms_of(), count), Refusal)


def test_what_is_missing_below_one_that_came_back_is_a_gap_since_then() -> None:
    out = (DowntimeFormsIssued(1, 9), came_back(4), came_back(6), DowntimeFormVoided(2, WORDS))
    state = forms_of(*out)
    assert [number for number, _ in rules.gaps(state)] == [1, 3, 5]
    since = dict(rules.gaps(state))
    assert since[5] > since[3] == since[1]
    assert rules.gaps(forms_of(DowntimeFormsIssued(1, 9))) == ()


def test_one_open_item_tells_of_all_the_gaps() -> None:
    state = forms_of(DowntimeFormsIssued(1, 9), came_back(5))
    (item,) = open_items.of_downtime(state)
    assert item.title == "4 downtime forms are missing: D-00001 to D-00004."
    (item,) = open_items.of_downtime(forms_of(DowntimeFormsIssued(1, 9), came_back(2)))
    assert item.title == "A downtime form is missing: D-00001."
    assert not list(open_items.of_downtime(forms_of(DowntimeFormsIssued(1, 9), came_back(1))))


def test_only_what_is_out_can_be_voided() -> None:
    state = forms_of(DowntimeFormsIssued(1, 3), came_back(1), DowntimeFormVoided(2, WORDS))
    codes = {n: getattr(rules.void(state, n, WORDS), "code", "voided") for n in (1, 2, 3, 4)}
    assert codes == {1: "form-entered", 2: "form-voided", 3: "voided", 4: "form-unknown"}


def test_a_voided_form_that_comes_back_is_entered_nevertheless() -> None:
    state = forms_of(DowntimeFormsIssued(1, 3), DowntimeFormVoided(2, WORDS), came_back(2))
    assert state.forms[2].state == "entered"


def paper_fate(*happened: AnyEvent) -> tuple[str, bool]:
    load = load_of(*happened)
    return holds.disposition(load), holds.under_recall(load)


def on_paper(*before: AnyEvent) -> LoadReleasedOnPaper:
    """The release on paper as it is weighed after what happened before."""
    return rules.release_on_paper(load_of(*before), "use", None, 17)


def test_a_paper_release_with_nothing_against_it_is_a_release() -> None:
    assert on_paper(*CONFORMING).against == ()
    assert paper_fate(*CONFORMING, on_paper(*CONFORMING)) == ("released", False)
    assert paper_fate(*CONFORMING, on_paper(*CONFORMING), held()) == ("released", True)


@pytest.mark.parametrize(
    "before",
    [
        (*FINISHED, reviewed(record_seen=False)),
        (*FINISHED, reviewed(disinfection="not-met")),
        (*CONFORMING, held()),
        (assembled(), started()),
        STOPPED,
        FINISHED,
        RELEASED,
        (),
    ],
    ids=["no record", "not met", "held", "running", "stopped", "unread", "released already", "nothing known"],
)
def test_a_paper_release_against_anything_left_on_paper(before: tuple[AnyEvent, ...]) -> None:
    """I6. Where it was released already, that release stands and is reviewed as a recall (I9)."""
    found = paper_fate(*before, on_paper(*before))
    assert found == ("released" if before is RELEASED else "quarantined", True)


def test_what_left_on_paper_is_released_by_a_signature_alone() -> None:
    """I7: evidence that comes later ends the hold, and releases nothing."""
    before = (*FINISHED, reviewed(record_seen=False))
    left = (*before, on_paper(*before), reviewed())
    assert paper_fate(*left) == ("awaiting review", False)
    assert release.release_refusal(load_of(*left)) is None
    (item,) = open_items.of_load(load_of(*before, on_paper(*before)))
    assert item.kind == "recall"
    assert "left on paper" in item.title


def test_each_doubt_holds_and_is_said() -> None:
    for doubt, words in DOUBTS.items():
        load = load_of(EnteredFromPaper(17, doubts=(doubt,)), *CONFORMING)
        assert [hold.code for hold in holds.holds(load)] == ["unexpected"]
        assert words in holds.holds(load)[0].sentence


# --- on the database ----------------------------------------------------------------------------------


@pytest.fixture
def spd(db: None) -> Iterator[Department]:
    """A department with ten forms out; whatever the story, its read models are as folded."""
    department = cast.open_department()
    done(downtime.issue_forms(request(department, "Sanne"), count=10))
    yield department
    cast.rebuilt_equals_live(department)


def form_of(department: Department, *, began: datetime | None = None, **more: Any) -> Paper:
    """A form on which everything went well, but for what the test says."""
    began = began or department.now
    given: dict[str, Any] = {
        "machine": department.machine,
        "chamber": "1",
        "trays": department.trays,
        "programme": cast.PROGRAMME_NAME,
        "machine_cycle": 4471,
        "started_at": began,
        "ending": "ended",
        "ended_at": began + timedelta(minutes=60),
        "verdicts": ALL_MET,
        "decision": "packing",
        "decided_at": began + timedelta(minutes=70),
        "claimed_by": department.people["Ines"].id,
    }
    return Paper(**(given | more))


def entered(department: Department, number: int = 1, who: str = "Sanne", words: str = "", **more: Any) -> UUID:
    """The form is entered two hours after its cycle began."""
    paper = form_of(department, **more)
    department.wait(120)
    asked = request(department, who)
    done(downtime.enter_form(asked, number=number, paper=paper, words=words))
    return paper.load or named(asked.deed, "load")


def needs(department: Department, owner: UUID) -> list[str]:
    return [matter.title for matter in floor.open_items(department.id) if matter.owner == owner]


def test_a_form_on_which_everything_went_well_is_a_release(spd: Department) -> None:
    load = entered(spd, words="Printer out of ink.")
    assert fate(spd, load) == "released"
    assert cast.load_now(spd, load).name == "Alder 4471"
    assert needs(spd, load) == []


def test_both_times_and_both_people_are_kept(spd: Department) -> None:
    """I10: the claimed time and the ledger's, the claimed person and the recorder."""
    began = spd.now
    load = entered(spd)
    events = cast.events_of(spd, load)
    start = next(event for event in events if event.operation and type(event.data).__name__ == "CycleStarted")
    assert start.occurred_at == began
    assert start.recorded_at - began > timedelta(hours=2)
    assert {event.actor.id for event in events} == {spd.people["Sanne"].id}
    seen = story(spd.id, load)
    assert seen is not None
    entries = entries_of(spd.id, seen, seen.events)
    said = [entry.sentence for entry in entries]
    assert "Entered by Sanne from downtime form D-00001, written by Ines" in said
    assert "Released for packing on paper by Ines, form D-00001; nothing stood against it" in said
    assert any("late entry" in entry.detail for entry in entries)


@pytest.mark.parametrize(
    ("more", "codes"),
    [
        ({"verdicts": {}}, ["record-missing"]),
        ({"verdicts": ALL_MET | {"a0": "not-met"}}, ["disinfection-not-met"]),
        ({"verdicts": {"a0": "met"}}, None),
        ({"ending": "aborted"}, ["disinfection-not-proven", "cycle-incomplete", "unexpected"]),
        ({"ending": "", "ended_at": None}, ["unexpected", "unexpected"]),
        ({"alarm_code": "W02", "alarm_phase": "wash"}, ["unexpected"]),
        ({"programme": "Turbo"}, None),
        ({"programme": ""}, None),
        ({"trays": ()}, ["unexpected"]),
        ({"claimed_by": None}, ["unexpected"]),
        ({"started_at": None}, ["unexpected"]),
    ],
)
def test_a_release_on_paper_that_does_not_hold_left_on_paper(
    spd: Department, more: dict[str, Any], codes: list[str] | None
) -> None:
    load = entered(spd, **more)
    assert fate(spd, load) == "quarantined, under recall"
    assert standing(spd, load)
    if codes is not None:
        assert standing(spd, load) == codes
    assert "left on paper: it is under recall review." in needs(spd, load)[0]


def test_whoever_signed_must_have_been_authorised(spd: Department) -> None:
    load = entered(spd, claimed_by=spd.people["Bo"].id)
    assert fate(spd, load) == "quarantined, under recall"
    assert "no current release competence" in holds.holds(cast.load_now(spd, load))[0].sentence


def test_an_aborted_cycle_on_paper_is_to_be_run_again(spd: Department) -> None:
    load = entered(spd, ending="aborted", decision="", verdicts={}, alarm_code="W02", alarm_phase="wash")
    assert fate(spd, load) == "quarantined"
    assert standing(spd, load) == ["disinfection-not-proven", "cycle-incomplete"]
    assert needs(spd, load) == ["Run Alder 4471 again. It is held."]
    assert cast.load_now(spd, load).alarms[0].acknowledged_at is not None


def test_a_load_held_on_paper_is_held(spd: Department) -> None:
    load = entered(spd, decision="held", words="A tray is wet.")
    assert standing(spd, load) == ["manual"]
    assert fate(spd, load) == "quarantined"


def test_a_blank_decision_releases_nothing(spd: Department) -> None:
    load = entered(spd, decision="")
    assert fate(spd, load) == "awaiting review"
    done(cast.let_go(spd, load))


def test_an_almost_blank_form_is_taken(spd: Department) -> None:
    bare = Paper(machine=spd.machine, chamber="1")
    asked = request(spd, "Ines")
    done(downtime.enter_form(asked, number=1, paper=bare))
    assert fate(spd, named(asked.deed, "load")) == "quarantined"


@pytest.mark.parametrize("number", [11, 99999])
def test_a_number_that_was_never_issued_is_taken_and_held(spd: Department, number: int) -> None:
    load = entered(spd, number)
    assert standing(spd, load) == ["unexpected"]
    assert told_forms.form(spd.id, number).issued is False


def test_the_same_number_twice_is_two_loads_and_the_second_is_held(spd: Department) -> None:
    first, second = entered(spd), entered(spd, machine_cycle=4472)
    assert fate(spd, first) == "released"
    assert fate(spd, second) == "quarantined, under recall"
    assert told_forms.form(spd.id, 1).load == first


def test_missing_numbers_are_open_until_entered_or_voided(spd: Department) -> None:
    entered(spd, 3)
    assert needs(spd, spd.id) == ["2 downtime forms are missing: D-00001 to D-00002."]
    done(downtime.void_form(request(spd, "Sanne"), number=1, words="Coffee."))
    entered(spd, 2, machine_cycle=4472)
    assert needs(spd, spd.id) == []
    assert refused(downtime.void_form(request(spd, "Sanne"), number=3, words="No.")) == "form-entered"
    assert refused(downtime.void_form(request(spd, "Sanne"), number=4, words=" ")) == "reason-missing"


def test_who_may(spd: Department) -> None:
    assert refused(downtime.issue_forms(request(spd, "Ines"), count=1)) == "role"
    assert refused(downtime.void_form(request(spd, "Ines"), number=1, words="Lost.")) == "role"
    assert refused(downtime.enter_form(request(spd, "Bo"), number=1, paper=form_of(spd))) == "role"


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"machine": LOAD}, "machine-unknown"),
        ({"chamber": "9"}, "chamber-unknown"),
        ({"trays": (LOAD,)}, "tray-unknown"),
        ({"claimed_by": LOAD}, "person-unknown"),
        ({"load": LOAD}, "load-unknown"),
    ],
)
def test_only_what_cannot_be_read_is_sent_back(spd: Department, more: dict[str, Any], code: str) -> None:
    assert refused(downtime.enter_form(request(spd, "Ines"), number=1, paper=form_of(spd, **more))) == code


# --- with what was known before, and what came since --------------------------------------------------


def test_a_form_goes_on_with_a_load_that_was_running(spd: Department) -> None:
    load = cast.given_running_load(spd)
    assert entered(spd, load=load, trays=()) == load
    assert fate(spd, load) == "released"
    assert cast.load_now(spd, load).name == "Alder 4471"


def test_a_tray_that_still_ran_elsewhere_is_a_doubt(spd: Department) -> None:
    cast.given_running_load(spd)
    load = entered(spd)
    assert fate(spd, load) == "quarantined, under recall"
    assert "a tray stands in another load" in holds.holds(cast.load_now(spd, load))[0].sentence


def test_a_rerun_on_paper_accounts_for_the_load_that_was_held(spd: Department) -> None:
    old = cast.given_aborted_load(spd)
    entered(spd)
    assert fate(spd, old) == "reprocessed"


def test_an_earlier_wash_on_paper_proves_nothing_of_a_later_abort(spd: Department) -> None:
    """The form tells of three o'clock and is entered after the load of five o'clock was aborted."""
    paper = form_of(spd)
    spd.wait(120)
    aborted = cast.given_aborted_load(spd)
    done(downtime.enter_form(request(spd, "Sanne"), number=1, paper=paper))
    assert fate(spd, aborted) == "quarantined"
    assert {tray.load for tray in facts.trays(spd.id, spd.trays)} == {aborted}


def test_a_later_release_accounts_for_a_form_that_comes_late(spd: Department) -> None:
    paper = form_of(spd, verdicts={})
    spd.wait(120)
    cast.given_released_load(spd)
    asked = request(spd, "Sanne")
    done(downtime.enter_form(asked, number=1, paper=paper))
    assert fate(spd, named(asked.deed, "load")) == "reprocessed, under recall"


def test_the_machine_may_have_told_otherwise(spd: Department) -> None:
    """Its gateway went on, and told of a power cut in the cycle that the form calls complete."""
    done(cast.tell(spd, "power-lost", cycle=4471))
    load = entered(spd)
    assert fate(spd, load) == "quarantined, under recall"
    assert "the machine itself reported a fault" in holds.holds(cast.load_now(spd, load))[0].sentence


def test_an_alarm_that_arrives_after_the_form_puts_it_under_recall(spd: Department) -> None:
    load = entered(spd)
    done(cast.tell(spd, "alarm-raised", cycle=4471, code="W02", phase="wash"))
    assert fate(spd, load) == "released, under recall"


def test_a_number_of_the_counter_is_one_loads(spd: Department) -> None:
    cast.given_finished_load(spd, cycle=4471)
    load = entered(spd, trays=cast.register_set(spd, "Other set", 1))
    assert "another load here has this number" in holds.holds(cast.load_now(spd, load))[0].sentence


def test_a_machine_that_was_blocked_then_is_a_doubt(spd: Department) -> None:
    done(machines.block_machine(request(spd, "Bo"), machine=spd.machine, reason="Door seal"))
    load = entered(spd)
    assert "the machine was blocked then" in holds.holds(cast.load_now(spd, load))[0].sentence


def test_the_same_deed_twice_is_one_entry(spd: Department) -> None:
    paper, asked = form_of(spd), request(spd, "Ines")
    first = done(downtime.enter_form(asked, number=1, paper=paper))
    assert done(downtime.enter_form(asked, number=1, paper=paper)) == first


# --- what was in force then ---------------------------------------------------------------------------


def test_a_form_goes_by_the_programme_in_force_when_it_began(spd: Department) -> None:
    """Design 15: the versions in force at the cycle's start are stored with it, also where that is told late."""
    began = spd.now
    spd.wait(30)
    cast.publish_programme(spd, criteria=CRITERIA[:1])
    old = cast.load_now(spd, entered(spd, 1, began=began))
    new = cast.load_now(spd, entered(spd, 2, machine_cycle=4472))
    assert [one.programme.edition for one in (old, new) if one.programme] == [1, 2]
    assert fate(spd, old.id) == "released"


def test_a_programme_that_was_published_since_was_not_known_then(spd: Department) -> None:
    began = spd.now
    spd.wait(30)
    cast.publish_programme(spd, "Heavy")
    load = entered(spd, began=began, programme="Heavy")
    assert "unexpected" in standing(spd, load)
    assert "“Heavy” was not in force here" in " ".join(odd.sentence for odd in cast.load_now(spd, load).unexpected)


def test_a_form_goes_by_the_catalogue_in_force_when_it_began(spd: Department) -> None:
    began = spd.now
    spd.wait(30)
    cast.agree_on_faults(spd, [fault for fault in STARTING_FAULTS if fault.code != "W02"])
    on_it = {"alarm_code": "W02", "alarm_phase": "wash", "decision": "", "verdicts": {}}
    old = cast.load_now(spd, entered(spd, 1, began=began, **on_it))
    new = cast.load_now(spd, entered(spd, 2, machine_cycle=4472, **on_it))
    assert (old.catalogue_edition, old.alarms[0].title, old.alarms[0].priority) == (
        1,
        "A spray arm does not turn",
        "high",
    )
    assert (new.catalogue_edition, new.alarms[0].title) == (2, "Fault W02")


def test_a_form_goes_by_the_policy_in_force_when_it_began(spd: Department) -> None:
    """A stricter policy of today does not block a machine for a fault of yesterday, the old one does."""
    began = spd.now
    spd.wait(30)
    done(set_policy(spd, same_fault_blocks=2, same_fault_cycles=60))
    on_it = {"alarm_code": "W02", "alarm_phase": "wash", "decision": "", "verdicts": {}}
    entered(spd, 1, began=began, **on_it)
    entered(spd, 2, began=began, machine_cycle=4472, **on_it)
    assert machine_now(spd).blocks == ()
    entered(spd, 3, machine_cycle=4473, **on_it)
    assert machine_now(spd).blocks != ()


def test_what_the_machine_did_not_take_then_is_a_doubt(spd: Department) -> None:
    cast.publish_programme(spd, "Heavy")
    done(setting_up.limit_machine(request(spd, "Ada"), machine=spd.machine, programmes=["Heavy"], racks=[]))
    began = spd.now
    spd.wait(30)
    done(setting_up.limit_machine(request(spd, "Ada"), machine=spd.machine, programmes=[], racks=[]))
    old, new = entered(spd, 1, began=began), entered(spd, 2, machine_cycle=4472)
    assert "the machine did not take its programme" in cast.load_now(spd, old).unexpected[0].sentence
    assert fate(spd, new) == "released"


# --- who it really was --------------------------------------------------------------------------------


def it_was(spd: Department, load: UUID, kind: type, person: str) -> None:
    asked = request(spd, "Sanne")
    really = spd.people[person].id
    event = event_id(spd, load, kind)
    done(corrections.correct_attribution(asked, load=load, event=event, person=really, words="A likeness."))


@pytest.mark.parametrize(("person", "holds_now"), [("Piet", []), ("Bo", ["unexpected"])])
def test_a_paper_release_is_asked_about_again_with_whoever_gave_it(
    spd: Department, person: str, holds_now: list[str]
) -> None:
    """The authority asked is that of the release, on its day, not of whoever entered the form."""
    cast.hire(spd, "Piet", "supervisor", "release")
    load = entered(spd)
    it_was(spd, load, LoadReleasedOnPaper, person)
    found = cast.load_now(spd, load)
    assert found.release is not None
    assert found.release.by == spd.people[person].id
    assert standing(spd, load) == holds_now
    assert fate(spd, load) == ("released, under recall" if holds_now else "released")


def test_what_stands_on_a_form_is_its_writers_and_the_entry_its_recorders(spd: Department) -> None:
    """Bo of engineering could not have read the record; he could not have entered the form either."""
    load = entered(spd)
    was = {type(event.data): event.event_id for event in cast.events_of(spd, load)}
    it_was(spd, load, LoadReviewed, "Bo")
    assert len(cast.load_now(spd, load).unexpected) == 1
    told = cast.last_event(spd, load)
    assert (told.event, told.was) == (was[LoadReviewed], spd.people["Ines"].id)
    it_was(spd, load, EnteredFromPaper, "Ines")
    told = cast.last_event(spd, load)
    assert (told.was, told.authorised) == (spd.people["Sanne"].id, True)


def test_a_correction_lifts_nothing_off_a_form(spd: Department) -> None:
    """I11: the release was signed in the name of somebody who might not; it was somebody who might."""
    load = entered(spd, claimed_by=spd.people["Bo"].id)
    before = standing(spd, load)
    it_was(spd, load, LoadReleasedOnPaper, "Ines")
    assert standing(spd, load) == before
    assert fate(spd, load) == "quarantined, under recall"


# --- the pages ----------------------------------------------------------------------------------------


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch, settings: Any) -> Iterator[Department]:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS
    department = visitors.department_with_doors(monkeypatch)
    department.wait(24 * 60)  # what stands on the forms happened after the department was set up
    yield department
    cast.rebuilt_equals_live(department)


def posts(department: Department, who: str, route: str, fields: dict[str, Any], **named: Any) -> HttpResponse:
    sent = {"deed": str(department.new_deed())} | fields
    department.wait()
    answer = visitor(department, who).post(address(department, route, **named), sent, follow=True)
    assert isinstance(answer, HttpResponse)
    return answer


def typed(department: Department, **more: Any) -> dict[str, Any]:
    """The entry page, filled in by the department's own clock."""
    fields = {
        "chamber": f"{department.machine}/1",
        "trays": [str(tray) for tray in department.trays],
        "programme": cast.PROGRAMME_NAME,
        "machine_cycle": "4471",
        "started_at": "2026-03-03T02:20",
        "ending": "ended",
        "ended_at": "2026-03-03T03:20:30",
        "decision": "packing",
        "decided_at": "2026-03-03T03:30",
        "claimed_by": str(department.people["Ines"].id),
        "words": "The server was gone.",
    }
    return fields | {f"criterion_{n}": "met" for n in range(1, len(ALL_MET) + 1)} | more


def test_from_issuing_to_a_release(eastmere: Department) -> None:
    answer = posts(eastmere, "Sanne", "issue-forms", {"count": "3"})
    assert "The numbers are issued." in words_of(answer)
    found = visitor(eastmere, "Ines").get(address(eastmere, "scan") + "?code=d-00002", follow=True)
    assert "What stands on form D-00002?" in words_of(found)
    answer = posts(eastmere, "Ines", "enter-form", typed(eastmere), number=2)
    assert "Alder 4471 is released" in words_of(answer)
    assert "Form D-00002 is entered" in words_of(answer)
    now = words_of(visitor(eastmere, "Ines").get(address(eastmere, "now")))
    assert "A downtime form is missing: D-00001." in now
    answer = posts(eastmere, "Sanne", "void-form", {"words": "Torn."}, number=1)
    assert "Form D-00001 is voided." in words_of(answer)


def test_the_page_says_that_it_left_on_paper(eastmere: Department) -> None:
    posts(eastmere, "Sanne", "issue-forms", {"count": "1"})
    blank = {f"criterion_{n}": "" for n in range(1, len(ALL_MET) + 1)}
    answer = posts(eastmere, "Ines", "enter-form", typed(eastmere, **blank), number=1)
    seen = words_of(answer)
    assert "Alder 4471 is quarantined, under recall review" in seen
    assert "It left on paper though something stood against it" in seen
    assert "The record is missing. Nobody lifts this while it is missing." in seen


def test_times_are_by_the_facilitys_own_clock(eastmere: Department) -> None:
    eastmere.facility.time_zone = "America/New_York"
    eastmere.facility.save()
    posts(eastmere, "Ines", "enter-form", typed(eastmere, started_at="2026-03-02T20:20"), number=1)
    (row,) = loads.newest(eastmere.id, limit=2)
    assert row.started_at is not None
    assert row.started_at.isoformat() == "2026-03-03T01:20:00+00:00"


FAR_EAST, FAR_WEST = "Pacific/Auckland", "America/New_York"


@pytest.mark.parametrize("name", ["started_at", "alarm_at", "ended_at", "decided_at"])
@pytest.mark.parametrize(("zone", "moment"), [(FAR_EAST, "0001-01-01T00:00"), (FAR_WEST, "9999-12-31T23:59")])
def test_a_moment_in_no_calendar_is_sent_back(eastmere: Department, name: str, zone: str, moment: str) -> None:
    """At the ends of the calendar the facility's own clock has moments that UTC has not."""
    eastmere.facility.time_zone = zone
    eastmere.facility.save()
    before = len(cast.whole_log(eastmere))
    answer = posts(eastmere, "Ines", "enter-form", typed(eastmere, **{name: moment}), number=1)
    assert answer.status_code == 400
    assert "is in no calendar. Nothing was written." in words_of(answer)
    assert len(cast.whole_log(eastmere)) == before


@pytest.mark.parametrize(
    "more",
    [
        {"started_at": "2026-03-03T02:20+05:00"},
        {"started_at": "2026-03-03T25:00"},
        {"ended_at": "yesterday"},
        {"machine_cycle": "-1"},
        {"machine_cycle": str(10**15)},
        {"chamber": "a chamber of nothing"},
        {"trays": ["00000000-0000-0000-0000-000000000000"]},
        {"programme": "Unheard of"},
        {"claimed_by": "00000000-0000-0000-0000-000000000000"},
        {"load": "00000000-0000-0000-0000-000000000000"},
        {"ending": "burst"},
        {"decision": "lent"},
        {"criterion_1": "perhaps"},
        {"alarm_code": "c" * 41},
        {"words": "w" * 4001},
    ],
    ids=lambda more: next(f"{name} {value}"[:40] for name, value in more.items()),
)
def test_what_can_not_stand_on_a_form_is_told_beside_its_field(eastmere: Department, more: dict[str, Any]) -> None:
    before = len(cast.whole_log(eastmere))
    answer = posts(eastmere, "Ines", "enter-form", typed(eastmere, **more), number=1)
    assert answer.status_code == 422
    assert visitors.alert_of(answer)
    assert len(cast.whole_log(eastmere)) == before


@pytest.mark.parametrize(("number", "said"), [("17", "D-00017"), ("d-17", "D-00017"), ("D-00017", "D-00017")])
def test_a_form_is_found_by_its_number(eastmere: Department, number: str, said: str) -> None:
    answer = visitor(eastmere, "Ines").get(address(eastmere, "find-form"), {"number": number}, follow=True)
    assert f"What stands on form {said}?" in words_of(answer)
    assert "This number was never issued." in words_of(answer)


@pytest.mark.parametrize("number", ["", "0", "x", "1234567", "²"])
def test_what_is_no_number_is_said_so(eastmere: Department, number: str) -> None:
    assert visitor(eastmere, "Ines").get(address(eastmere, "find-form"), {"number": number}).status_code == 400


def test_who_may_not_is_told_so(eastmere: Department) -> None:
    assert posts(eastmere, "Ines", "issue-forms", {"count": "3"}).status_code == 409
    assert posts(eastmere, "Bo", "enter-form", typed(eastmere), number=1).status_code == 409
    assert posts(eastmere, "Ines", "void-form", {"words": "Lost."}, number=1).status_code == 409
    assert posts(eastmere, "Ines", "enter-form", {"chamber": "nowhere"}, number=1).status_code == 422


def test_the_load_tells_of_its_form(eastmere: Department) -> None:
    posts(eastmere, "Sanne", "issue-forms", {"count": "1"})
    posts(eastmere, "Sanne", "enter-form", typed(eastmere), number=1)
    (row,) = loads.newest(eastmere.id, limit=2)
    assert "Entered by Sanne from downtime form D-00001, written by Ines" in words_of(page_of(eastmere, row.owner))


# --- the paper ----------------------------------------------------------------------------------------


def paper_of(department: Department) -> pypdfium2.PdfDocument:
    answer = visitor(department, "Ines").get(address(department, "print-forms"))
    assert answer.headers["Content-Type"] == "application/pdf"
    return pypdfium2.PdfDocument(answer.content)


def text_of(page: Any) -> str:
    return re.sub(r"\s+", " ", page.get_textpage().get_text_range())


def test_each_form_has_a_page_with_its_number_as_text_and_as_code_128(eastmere: Department) -> None:
    posts(eastmere, "Sanne", "issue-forms", {"count": "2"})
    paper = paper_of(eastmere)
    assert len(paper) == 2
    for n in (1, 2):
        page = paper[n - 1]
        assert f"Downtime form D-0000{n}" in text_of(page)
        assert [round(side) for side in page.get_size()] == [595, 842]  # A4
        (code,) = zxingcpp.read_barcodes(page.render(scale=3).to_pil())
        assert (code.text, code.format) == (f"D-0000{n}", zxingcpp.BarcodeFormat.Code128)


def test_the_paper_asks_what_the_page_asks_in_the_same_order(eastmere: Department) -> None:
    posts(eastmere, "Sanne", "issue-forms", {"count": "1"})
    printed = text_of(paper_of(eastmere)[0])
    page = visitor(eastmere, "Ines").get(address(eastmere, "enter-form", number=1))
    labels = [str(field.label) for field in page.context["form"]]
    assert len(labels) == 15 + len(ALL_MET)
    at = 0
    for label in labels:
        found = printed.find(label, at)
        assert found >= 0, (label, printed[at:])
        at = found + 1
    for words in ("Eastmere", "Never reach into a tray", "gloves, apron, visor", "Released for packing", "Held"):
        assert words in printed
    assert not re.search(r"\bsafe\b", printed, re.IGNORECASE)


def test_a_department_with_many_criteria_and_chambers_still_gets_one_page(eastmere: Department) -> None:
    criteria = tuple(
        Criterion(f"x{n}", f"Line {n} of the many that are read off the record", "disinfection") for n in range(14)
    )
    cast.publish_programme(eastmere, "Łukasz’s programme", criteria=criteria)
    for n in range(15):
        cast.register_machine(eastmere, f"Machine {n}", "left", "right")
    posts(eastmere, "Sanne", "issue-forms", {"count": "1"})
    paper = paper_of(eastmere)
    assert len(paper) == 1
    assert "Line 13 of the many that are read off the record" in text_of(paper[0])


def test_without_a_form_that_is_out_nothing_is_printed(eastmere: Department) -> None:
    assert visitor(eastmere, "Ines").get(address(eastmere, "print-forms")).status_code == 400


# --- the last known state -----------------------------------------------------------------------------


def test_the_copy_has_nothing_to_press_and_nobodys_name(eastmere: Department) -> None:
    cast.given_load_with_alarm(eastmere)
    answer = visitor(eastmere, "Ines").get(address(eastmere, "last-known"))
    page = answer.content.decode()
    assert "A spray arm does not turn".lower() in words_of(answer).lower()
    assert "use the paper forms" in words_of(answer)
    for nothing in ("<button", "<form", "<input", "Ines"):
        assert nothing not in page
    assert answer.headers["Cache-Control"] == "no-store"


def test_the_copy_uses_up_no_message(eastmere: Department) -> None:
    someone = visitor(eastmere, "Sanne")
    someone.post(address(eastmere, "issue-forms"), {"count": "1", "deed": str(eastmere.new_deed())})
    someone.get(address(eastmere, "last-known"))
    assert "The numbers are issued." in words_of(someone.get(address(eastmere, "downtime")))


def test_the_worker_is_served_from_within_the_facility(eastmere: Department) -> None:
    answer = visitor(eastmere, "Ines").get(address(eastmere, "offline-worker"))
    assert answer.headers["Content-Type"].startswith("text/javascript")
    assert visitors.nobody().get(address(eastmere, "offline-worker")).status_code == 302

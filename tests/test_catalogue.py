"""The fault catalogue: drafted by one person, compared, published by a second; what it proposes and refuses.

Every story ends with *rebuilt equals live*.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import pytest
from django.http import HttpResponse
from django.urls import reverse
from msgspec.structs import replace

from incidents.operations import alarms, corrections, setting_up
from incidents.operations import catalogue as deeds
from incidents.operations.deeds import Outcome
from incidents.projections.models import CatalogueDraftRow, OpenItemRow
from incidents.queries import catalogue as told
from incidents.queries import facts
from incidents.rules import authority, catalogue, faults
from incidents.rules.events import CatalogueDrafted, Fault, Stream
from incidents.rules.programmes import STARTING_FAULTS
from tests import visitors
from tests.cast import (
    Department,
    acknowledge,
    agree_on_faults,
    bare_department,
    done,
    given_load_with_alarm,
    given_running_load,
    load_now,
    open_department,
    rebuilt_equals_live,
    refused,
    request,
    tell,
    whole_log,
)
from tests.visitors import alert_of, form_of, unsound, visitor, words_of

W01 = next(fault for fault in STARTING_FAULTS if fault.code == "W01")
LEAK = Fault(
    code="L01",
    title="Water on the floor",
    consequence="Somebody may be hurt",
    time_to_respond="at once",
    priority="high",
    why="",
    first_instruction="Close the water tap.",
    caution=faults.caution_of(("heat", "chemicals")),
)


@pytest.fixture
def spd(db: None) -> Iterator[Department]:
    department = open_department()
    yield department
    rebuilt_equals_live(department)


def draft(spd: Department, new: Sequence[Fault], who: str = "Bo", **more: Any) -> Outcome:
    return deeds.draft_catalogue(request(spd, who, **more), faults=new)


def publish(spd: Department, who: str = "Ada", **more: Any) -> Outcome:
    return deeds.publish_draft(request(spd, who, **more))


def with_(*changed: Fault, without: str = "") -> list[Fault]:
    """The starting faults with some of them added or changed, and one left out."""
    codes = {fault.code for fault in changed} | {without}
    return [fault for fault in STARTING_FAULTS if fault.code not in codes] + list(changed)


def in_force(spd: Department) -> dict[str, Fault]:
    found = facts.catalogue(spd.id)
    assert found is not None
    return {fault.code: fault for fault in found.faults}


# --- two people ---------------------------------------------------------------------------------------


def test_a_draft_binds_nobody_until_a_second_person_publishes_it(spd: Department) -> None:
    done(draft(spd, with_(LEAK)))
    assert "L01" not in in_force(spd)
    assert refused(publish(spd, "Bo")) == "same-person-twice"
    done(publish(spd, "Ada"))
    assert in_force(spd)["L01"] == LEAK
    assert told.standing(spd.id).draft is None
    assert told.standing(spd.id).edition == 2


def test_whoever_drafted_last_is_not_the_second_person(spd: Department) -> None:
    """Ada amends Bo's draft: now Bo may agree to it, and Ada may not."""
    done(draft(spd, with_(LEAK)))
    done(draft(spd, with_(LEAK, without="P01"), "Ada"))
    assert refused(publish(spd, "Ada")) == "same-person-twice"
    done(publish(spd, "Bo"))
    assert "P01" not in in_force(spd)


def test_the_second_person_agrees_to_what_was_read(spd: Department) -> None:
    done(draft(spd, with_(LEAK)))
    seen = told.standing(spd.id).version
    done(draft(spd, with_(replace(LEAK, title="Steam at the door"))))
    assert refused(publish(spd, expected_version=seen)) == "stale"
    assert refused(draft(spd, with_(without="W01"), "Ada", expected_version=seen)) == "stale"
    done(publish(spd, expected_version=told.standing(spd.id).version))


def test_two_first_drafts_do_not_overwrite_each_other(spd: Department) -> None:
    seen = told.standing(spd.id).version
    done(draft(spd, with_(LEAK), expected_version=seen))
    assert refused(draft(spd, with_(without="W01"), "Sanne", expected_version=seen)) == "stale"


def test_a_draft_is_dropped_by_drafting_what_is_in_force(spd: Department) -> None:
    done(draft(spd, with_(LEAK)))
    assert CatalogueDraftRow.objects.filter(known_to=None).count() == 1
    done(draft(spd, list(reversed(STARTING_FAULTS))))
    assert CatalogueDraftRow.objects.filter(known_to=None).count() == 0
    assert refused(publish(spd)) == "no-draft"
    assert refused(draft(spd, STARTING_FAULTS)) == "nothing-changed"


def test_only_the_first_edition_is_published_by_one_person(spd: Department) -> None:
    assert (
        refused(setting_up.publish_catalogue(request(spd, "Ada"), faults=with_(LEAK))) == "second-person-publishes"
    )


def test_a_facility_without_a_catalogue_drafts_its_first_one(db: None) -> None:
    spd = bare_department()
    done(setting_up.open_facility(request(spd, "Ada")))
    done(draft(spd, [LEAK]))
    done(publish(spd))
    assert told.standing(spd.id).edition == 1
    rebuilt_equals_live(spd)


@pytest.mark.parametrize("who", ["Ines", "Joan"])
def test_who_neither_drafts_nor_publishes(spd: Department, who: str) -> None:
    done(draft(spd, with_(LEAK)))
    assert refused(draft(spd, (), who)) == "role"
    assert refused(publish(spd, who)) == "role"


def test_the_table_of_authority_names_engineering_supervisors_and_administrators() -> None:
    for deed in ("draft_catalogue", "publish_draft"):
        assert authority.DEEDS[deed].roles == {"administrator", "engineering", "supervisor"}


def test_the_draft_tells_whose_it_is_and_what_it_goes_by(spd: Department) -> None:
    done(draft(spd, with_(LEAK)))
    last = whole_log(spd)[-1]
    assert last.stream == Stream("catalogue", spd.id)
    assert isinstance(last.data, CatalogueDrafted)
    assert last.data.edition_from == 1
    standing = told.standing(spd.id)
    assert standing.draft is not None
    assert (standing.draft.by, standing.draft.by_name) == (spd.people["Bo"].id, "Bo")


# --- what a running load keeps ------------------------------------------------------------------------


def test_a_cycle_keeps_the_edition_it_started_under(spd: Department) -> None:
    load = given_running_load(spd)
    agree_on_faults(spd, with_(replace(W01, resume={}, priority="high")))
    done(tell(spd, "alarm-raised", code="W01", phase="wash"))
    (alarm,) = load_now(spd, load).alarms
    assert (alarm.priority, alarm.resume) == ("medium", "supervisor")


def test_what_is_taken_out_is_unknown_high_and_never_resumed(spd: Department) -> None:
    agree_on_faults(spd, with_(without="W01"))
    load, alarm = given_load_with_alarm(spd, "W01", "pre-wash")
    told_of = load_now(spd, load).alarms[0]
    assert (told_of.known, told_of.priority) == (False, "high")
    done(acknowledge(spd, load, alarm))
    assert refused(alarms.resume_cycle(request(spd, "Sanne"), load=load, alarm=alarm)) == "fault-unknown"


# --- what a fault has to say --------------------------------------------------------------------------

# Common practice, from memory (trade.md, section C): high where disinfection is not proven, a release in error
# or an injury is possible; medium for a delay; low for what runs out or is due.
PROPOSED = [
    ("Disinfection is not proven", "within minutes", "high"),
    ("A load may be released in error", "within the cycle", "high"),
    ("Somebody may be hurt", "at once", "high"),
    ("Somebody may be hurt", "within the shift", "medium"),
    ("The load is delayed", "within the cycle", "medium"),
    ("The machine is out of use", "within the shift", "low"),
    ("A consumable runs out", "within the cycle", "low"),
    ("Maintenance is due", "at once", "medium"),
    ("Something else", "at once", "high"),
    ("Maintenance is due", "some day", "high"),
]


@pytest.mark.parametrize(("consequence", "time", "priority"), PROPOSED)
def test_the_table_proposes_a_priority(consequence: str, time: str, priority: str) -> None:
    assert faults.proposed_priority(consequence, time) == priority


def test_more_time_never_raises_a_priority() -> None:
    for row in faults.PROPOSED.values():
        ranks = [faults.PRIORITIES.index(priority) for priority in row]
        assert ranks == sorted(ranks)


def test_a_lower_priority_than_proposed_needs_a_reason(spd: Department) -> None:
    low = replace(LEAK, priority="low")
    assert refused(draft(spd, with_(low))) == "why-missing"
    done(draft(spd, with_(replace(low, why="It drips into a tray that is emptied each shift"))))


def test_a_higher_priority_than_proposed_needs_none(spd: Department) -> None:
    done(draft(spd, with_(replace(W01, priority="high", why=""))))


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (replace(LEAK, code=" "), "fault-incomplete"),
        (replace(LEAK, first_instruction=""), "fault-incomplete"),
        (replace(LEAK, code="W01"), "fault-twice"),
        (replace(LEAK, resume={"disinfection": "supervisor"}), "phase-protected"),
        (replace(LEAK, resume={"Wash!": "supervisor"}), "phase-code"),
        (replace(LEAK, resume={"wash": "anyone"}), "fault-odd"),
        (replace(LEAK, priority="urgent"), "fault-odd"),
    ],
)
def test_a_fault_that_can_not_stand_is_refused(spd: Department, fault: Fault, code: str) -> None:
    assert refused(draft(spd, [*STARTING_FAULTS, fault])) == code


def test_the_starting_faults_keep_the_rules() -> None:
    assert catalogue.faults_refusal(STARTING_FAULTS) is None
    assert all(fault.consequence in faults.CONSEQUENCES for fault in STARTING_FAULTS)
    assert all(fault.time_to_respond in faults.TIMES for fault in STARTING_FAULTS)


@pytest.mark.parametrize("parts", [(), ("heat",), ("sharps", "contaminated"), tuple(faults.CAUTIONS)])
@pytest.mark.parametrize("more", ["", "Wet floor."])
def test_a_caution_is_put_together_and_taken_apart_again(parts: tuple[str, ...], more: str) -> None:
    assert faults.parts_of(faults.caution_of(parts, more)) == (parts, more)


# --- comparing ----------------------------------------------------------------------------------------


def test_a_comparison_tells_fault_by_fault_what_changes() -> None:
    hotter = replace(W01, title="No water", resume={"wash": "never", "pre-wash": "technician"})
    compared = {
        each.fault.code: each for each in catalogue.compare(STARTING_FAULTS, with_(LEAK, hotter, without="P01"))
    }
    kinds = {code: each.kind for code, each in compared.items() if each.kind != "unchanged"}
    assert kinds == {"L01": "added", "P01": "removed", "W01": "changed"}
    assert compared["W01"].changes == (
        faults.Change("Title", "Water did not come in", "No water"),
        faults.Change("Resume", "pre-wash: technician; wash: supervisor", "pre-wash: technician"),
    )


# --- at the door --------------------------------------------------------------------------------------


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    rebuilt_equals_live(department)


def address(spd: Department, route: str) -> str:
    return reverse(route, args=[spd.facility.slug])


def fault_form(**changed: Any) -> dict[str, Any]:
    typed = {
        "code": "L01",
        "title": "Water on the floor",
        "consequence": "Somebody may be hurt",
        "time_to_respond": "at once",
        "priority": "",
        "why": "",
        "first_instruction": "Close the water tap.",
        "caution": ["heat", "sharps"],
        "caution_more": "Wet floor.",
        "resume-pre-wash": "never",
        "resume-wash": "supervisor",
        "resume-rinse": "never",
        "resume-drying": "technician",
    }
    return typed | changed


def send_fault(spd: Department, who: str, query: str = "", **changed: Any) -> HttpResponse:
    spd.wait()
    url = address(spd, "catalogue-fault") + query
    page = visitor(spd, who).get(url)
    return visitor(spd, who).post(url, form_of(page) | fault_form(**changed))


def test_two_people_change_the_catalogue_at_their_screens(eastmere: Department) -> None:
    assert send_fault(eastmere, "Bo").status_code == 302
    mine = visitor(eastmere, "Bo").get(address(eastmere, "catalogue-compare"))
    assert "You can’t sign twice. A second person must agree." in words_of(mine)
    assert unsound(mine) == []
    eastmere.wait()
    page = visitor(eastmere, "Sanne").get(address(eastmere, "catalogue-compare"))
    assert "L01 Water on the floor Added" in words_of(page)
    url = address(eastmere, "catalogue-publish")
    sent = visitor(eastmere, "Sanne").post(url, form_of(page, url))
    assert sent.status_code == 302, alert_of(sent)
    leak = in_force(eastmere)["L01"]
    assert leak.priority == "high"
    assert leak.caution == faults.caution_of(("heat", "sharps"), "Wet floor.")
    assert leak.resume == {"wash": "supervisor", "drying": "technician"}
    assert "L01" in words_of(visitor(eastmere, "Ines").get(address(eastmere, "catalogue")))


def test_a_fault_is_changed_removed_and_the_draft_dropped(eastmere: Department) -> None:
    spd = eastmere
    assert send_fault(spd, "Bo", "?code=W01", code="W01", title="No water", resume="").status_code == 302
    page = visitor(spd, "Bo").get(address(spd, "catalogue-draft"))
    assert "One fault differs from edition 1" in words_of(page)
    remove, drop = address(spd, "catalogue-remove"), address(spd, "catalogue-drop")
    spd.wait()
    sent = visitor(spd, "Bo").post(remove, form_of(page, remove) | {"code": "P01"})
    assert sent.status_code == 302
    kinds = {each.fault.code: each.kind for each in told.standing(spd.id).changed}
    assert kinds == {"W01": "changed", "P01": "removed"}
    stale = visitor(spd, "Bo").post(drop, form_of(page, drop) | {"deed": str(spd.new_deed())})
    assert (stale.status_code, "changed since you looked" in alert_of(stale)) == (409, True)
    page = visitor(spd, "Bo").get(address(spd, "catalogue-draft"))
    spd.wait()
    assert visitor(spd, "Bo").post(drop, form_of(page, drop)).status_code == 302
    assert told.standing(spd.id).draft is None


def test_a_lower_priority_without_a_reason_is_told_on_the_form(eastmere: Department) -> None:
    sent = send_fault(eastmere, "Bo", priority="low")
    assert sent.status_code == 409
    assert "high by its consequence" in alert_of(sent)
    assert unsound(sent) == []
    assert send_fault(eastmere, "Bo", priority="urgent").status_code == 422


def test_a_technician_reads_it_and_is_told_who_drafts(eastmere: Department) -> None:
    page = visitor(eastmere, "Ines").get(address(eastmere, "catalogue"))
    assert "This needs the role administrator or engineering or supervisor." in words_of(page)
    assert visitor(eastmere, "Ines").get(address(eastmere, "catalogue-fault") + "?code=X99").status_code == 404


# --- two people who were one --------------------------------------------------------------------------


def it_was(spd: Department, work: str, person: str, who: str = "Sanne") -> Outcome:
    """Put right who did the newest work of this name."""
    event = next(each.event for each in told.work(spd.id) if each.sentence == work)
    return corrections.correct_catalogue_attribution(
        request(spd, who), event=event, person=spd.people[person].id, words="It was in another’s session."
    )


def the_items(spd: Department) -> list[str]:
    rows = OpenItemRow.objects.filter(facility_id=spd.id, owner_kind="catalogue", known_to=None)
    return list(rows.values_list("title", flat=True))


@pytest.mark.parametrize(("work", "really"), [("Drafted", "Ada"), ("Edition 2 published", "Bo")])
def test_an_edition_of_one_person_falls_and_the_one_before_is_in_force(
    spd: Department, work: str, really: str
) -> None:
    """I15: Bo drafts, Ada publishes, and it was one of them alone."""
    done(draft(spd, with_(LEAK)))
    done(publish(spd))
    assert LEAK.code in in_force(spd)
    done(it_was(spd, work, really))
    assert LEAK.code not in in_force(spd)
    assert told.standing(spd.id).edition == 1
    assert the_items(spd) == ["Catalogue edition 2 fell: no two authorised people. Edition 1 is in force."]


def test_what_fell_stands_as_a_draft_for_somebody_else_and_gets_a_number_of_its_own(spd: Department) -> None:
    done(draft(spd, with_(LEAK)))
    done(publish(spd))
    done(it_was(spd, "Drafted", "Ada"))
    assert refused(publish(spd, "Ada")) == "same-person-twice"
    done(publish(spd, "Bo"))
    assert (told.standing(spd.id).edition, the_items(spd)) == (3, [])
    assert LEAK.code in in_force(spd)


def test_what_fell_never_comes_back_by_a_correction(spd: Department) -> None:
    done(draft(spd, with_(LEAK)))
    done(publish(spd))
    done(it_was(spd, "Drafted", "Ada"))
    done(it_was(spd, "Drafted", "Bo"))
    assert told.standing(spd.id).edition == 1
    assert refused(it_was(spd, "Drafted", "Bo")) == "same-person"


def test_a_standing_draft_is_its_true_authors(spd: Department) -> None:
    done(draft(spd, with_(LEAK)))
    done(it_was(spd, "Drafted", "Ada"))
    assert refused(publish(spd, "Ada")) == "same-person-twice"
    done(publish(spd, "Bo"))


@pytest.mark.parametrize("work", ["Drafted", "Edition 2 published"])
def test_whoever_was_not_authorised_put_nothing_in_force(spd: Department, work: str) -> None:
    """Ines is a technician."""
    done(draft(spd, with_(LEAK)))
    done(publish(spd))
    done(it_was(spd, work, "Ines"))
    assert told.standing(spd.id).edition == 1


def test_without_its_first_edition_no_fault_is_known(spd: Department) -> None:
    done(it_was(spd, "Edition 1 published", "Ines"))
    assert facts.catalogue(spd.id) is None
    assert the_items(spd) == ["Catalogue edition 1 fell: no two authorised people. No edition is in force."]
    done(publish(spd, "Bo"))  # its faults stand as Ines's draft
    assert told.standing(spd.id).edition == 2


def test_a_cycle_under_an_edition_that_fell_goes_by_the_one_in_force(spd: Department) -> None:
    """Else one person alone could let a fault be resumed."""
    lenient = replace(STARTING_FAULTS[2], resume={"wash": "technician"})
    done(draft(spd, with_(lenient)))
    done(publish(spd))
    load = given_running_load(spd)
    done(it_was(spd, "Edition 2 published", "Bo"))
    done(alarms.report_alarm(request(spd, "Ines"), load=load, code=lenient.code, phase="wash"))
    (alarm,) = load_now(spd, load).alarms
    assert alarm.resume == "never"
    alarms.acknowledge_alarm(request(spd, "Ines"), stream=Stream("load", load), alarm=alarm.id)
    assert refused(alarms.resume_cycle(request(spd, "Sanne"), load=load, alarm=alarm.id)) == "resume-not-permitted"


def test_who_may_not_put_a_catalogue_right(spd: Department) -> None:
    for who in ("Ines", "Bo", "Joan"):
        assert refused(it_was(spd, "Edition 1 published", "Sanne", who=who)) == "role"
    asked = request(spd, "Sanne")
    person = spd.people["Bo"].id
    outcome = corrections.correct_catalogue_attribution(asked, event=person, person=person, words="x")
    assert refused(outcome) == "event-unknown"
    assert refused(it_was(spd, "Edition 1 published", "Ada")) == "same-person"


def test_the_attribution_of_a_catalogue_is_corrected_at_a_screen(eastmere: Department) -> None:
    done(draft(eastmere, with_(LEAK)))
    done(publish(eastmere))
    sanne = visitor(eastmere, "Sanne")
    url = address(eastmere, "catalogue-attribution")
    page = sanne.get(url)
    assert "Edition 2 published" in words_of(page)
    event = next(each.event for each in told.work(eastmere.id) if each.sentence == "Drafted")
    typed = {"event": str(event), "person": str(eastmere.people["Ada"].id), "words": "She sat in for Bo."}
    assert sanne.post(url, form_of(page) | typed).status_code == 302
    assert "Fault catalogue, edition 1" in words_of(sanne.get(address(eastmere, "catalogue")))
    assert "Catalogue edition 2 fell" in words_of(sanne.get(address(eastmere, "now")))

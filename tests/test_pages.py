"""What the pages say of a load in every state it can be in: the verdict, the boards, what may be done and why not.

Sources: design, section 4 (dispositions, holds, roles) and section 9 (screens; the tool never shows "safe").
Words are asserted where they carry the verdict; the rest is asked of what the page was made from.
"""

import re
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any, NamedTuple
from urllib.parse import urlsplit
from uuid import UUID

import pytest
from django.db import connection
from django.http import HttpResponse
from django.test import Client
from django.urls import resolve, reverse

from incidents.figures.models import Heartbeat
from incidents.identity.ids import named
from incidents.identity.models import AccessToken, Membership, Person
from incidents.operations import alarms, cycles, setting_up
from incidents.operations.sweep import sweep
from incidents.rules.events import (
    CataloguePublished,
    MachineRegistered,
    ProgrammeDrafted,
    RightsSet,
    SetRegistered,
)
from tests import cast, visitors
from tests.cast import Department
from tests.visitors import (
    PEOPLE,
    Errand,
    address,
    alert_of,
    carried,
    errand_of,
    factors,
    form_of,
    form_of_deed,
    undone,
    unsound,
    visitor,
    words_of,
    written,
)


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


# --- a load in every state ----------------------------------------------------------------------------


def stopped(department: Department, code: str = "W02", phase: str = "wash") -> UUID:
    return cast.given_load_with_alarm(department, code, phase)[0]


def stopped_and_seen(department: Department) -> UUID:
    load, alarm = cast.given_load_with_alarm(department)
    cast.done(cast.acknowledge(department, load, alarm))
    return load


def placed(department: Department) -> UUID:
    load = cast.given_aborted_load(department)
    asked = cast.request(department, "Ines")
    cast.done(cycles.place_load(asked, load=load, place="quarantine", spot="Bay 3"))
    return load


def incomplete(department: Department) -> UUID:
    load = cast.given_running_load(department)
    cast.done(cast.tell(department, "cycle-finished", complete=False))
    return load


def overdue(department: Department) -> UUID:
    load = cast.given_running_load(department)
    sweep(department.wait(71))
    return load


def under_an_unknown_programme(department: Department) -> UUID:
    load = cast.given_assembled_load(department)
    cast.done(cast.tell(department, "cycle-started", programme="Unheard of"))
    cast.done(cast.tell(department, "cycle-finished"))
    return load


def found(department: Department, **verdicts: Any) -> UUID:
    load = cast.given_finished_load(department)
    cast.done(cast.review(department, load, **verdicts))
    return load


def without_a_record(department: Department) -> UUID:
    load = cast.given_finished_load(department)
    cast.done(cast.review(department, load, record_seen=False))
    return load


def held(department: Department) -> UUID:
    load = cast.given_finished_load(department)
    cast.done(cast.hold(department, load))
    return load


def under_recall(department: Department) -> UUID:
    load = cast.given_released_load(department)
    cast.done(cast.hold(department, load, "Joan", "The indicator failed."))
    return load


def run_again(department: Department) -> UUID:
    load = cast.given_aborted_load(department)
    cast.rerun(department, load)
    return load


def reprocessed(department: Department) -> UUID:
    load = cast.given_aborted_load(department)
    cast.rerun_and_release(department, load)
    return load


class State(NamedTuple):
    """A way to a state; what its page then says, and what it offers Ines."""

    way: Callable[[Department], UUID]
    verdict: str
    boards: tuple[str, ...] = ()
    offers: tuple[str, ...] = ()
    no_release: str = ""
    no_rerun: str = ""
    now: str = ""  # what Now says of it


NOT_ENDED = "no complete cycle"
STATES = {
    "assembled": State(
        cast.given_assembled_load, "in process", (), ("start", "hold"), NOT_ENDED, "has not been run yet"
    ),
    "running": State(
        cast.given_running_load,
        "in process",
        (),
        ("report-end", "report-alarm", "hold"),
        NOT_ENDED,
        "its cycle has not ended",
        "Running",
    ),
    "stopped": State(
        stopped,
        "in process",
        (),
        ("alarm", "report-end", "report-alarm", "hold"),
        NOT_ENDED,
        "its cycle has not ended",
        "Nobody has seen it.",
    ),
    "stopped and seen": State(
        stopped_and_seen,
        "in process",
        (),
        ("alarm", "report-end", "report-alarm", "hold"),
        NOT_ENDED,
        "its cycle has not ended",
        "2026-00001 stopped. Resume or abort.",
    ),
    "aborted": State(
        cast.given_aborted_load,
        "quarantined",
        ("disinfection-not-proven", "cycle-incomplete"),
        ("rerun", "place", "hold"),
        "Disinfection is not proven: the cycle did not run to its end. No signature changes that.",
        "",
        "Run 2026-00001 again. It is held.",
    ),
    "placed": State(
        placed,
        "quarantined",
        ("disinfection-not-proven", "cycle-incomplete"),
        ("rerun", "place", "hold"),
        "Disinfection is not proven",
        "",
        "Run 2026-00001 again. It is held.",
    ),
    "ended too early": State(
        incomplete,
        "quarantined",
        ("disinfection-not-proven", "cycle-incomplete"),
        ("rerun", "place", "hold"),
        "Disinfection is not proven",
        "",
        "Run 2026-00001 again. It is held.",
    ),
    "run again": State(
        run_again,
        "quarantined",
        ("disinfection-not-proven", "cycle-incomplete"),
        ("place", "hold"),
        "was run again",
        "It is being run again as",
        "Running",
    ),
    "overdue": State(
        overdue,
        "quarantined",
        ("outcome-unknown",),
        ("report-end", "report-alarm", "hold"),
        "The outcome is unknown",
        "its cycle has not ended",
        "2026-00001: the outcome is unknown.",
    ),
    "awaiting review": State(
        cast.given_finished_load,
        "awaiting review",
        (),
        ("review", "place", "hold"),
        "nobody has reviewed the record",
        "awaits review",
        "Review 2026-00001.",
    ),
    "under an unknown programme": State(
        under_an_unknown_programme,
        "quarantined",
        ("disinfection-not-proven", "unexpected"),
        ("review", "rerun", "place", "hold"),
        "there are no criteria to hold its record against",
        "",
        "2026-00001 is held.",
    ),
    "reviewed": State(
        cast.given_reviewed_load,
        "awaiting review",
        (),
        ("release", "place", "hold"),
        "",
        "awaits review",
        "Release 2026-00001.",
    ),
    "disinfection not proven": State(
        lambda department: found(department, a0="not-proven"),
        "quarantined",
        ("disinfection-not-proven",),
        ("rerun", "place", "hold"),
        "A0 of at least 3000 at the recorded probe: not proven. No signature changes that.",
        "",
        "2026-00001 is held. A0 of at least 3000 at the recorded probe: not proven.",
    ),
    "disinfection not met": State(
        lambda department: found(department, a0="not-met"),
        "quarantined",
        ("disinfection-not-met",),
        ("rerun", "place", "hold"),
        "A0 of at least 3000 at the recorded probe: not met. No signature changes that.",
        "",
        "2026-00001 is held.",
    ),
    "rinse and paper not proven": State(
        lambda department: found(department, conductivity="not-proven", paper="not-proven"),
        "quarantined",
        ("rinse-not-proven", "documentation"),
        ("rerun", "place", "hold"),
        "Last rinse below its limit: not proven.",
        "",
        "2026-00001 is held.",
    ),
    "without a record": State(
        without_a_record,
        "quarantined",
        ("record-missing",),
        ("review", "rerun", "place", "hold"),
        "The record is missing.",
        "",
        "2026-00001 is held. The record is missing.",
    ),
    "held": State(
        held,
        "quarantined",
        ("manual",),
        ("review", "rerun", "place", "hold"),
        "Somebody holds this load.",
        "",
        "2026-00001 is held. Somebody holds this load.",
    ),
    "released": State(
        cast.given_released_load, "released", (), ("place", "hold"), "is released already", "Hold it first"
    ),
    "under recall": State(
        under_recall,
        "released, under recall review",
        ("manual",),
        ("rerun", "place", "hold"),
        "is released already",
        "",
        "2026-00001 is under recall review.",
    ),
    "reprocessed": State(
        reprocessed,
        "reprocessed",
        ("disinfection-not-proven", "cycle-incomplete"),
        ("place", "hold"),
        "is reprocessed already",
        "was reprocessed",
    ),
}


def acts_of(page: HttpResponse) -> tuple[set[str], list[str]]:
    """Where the open acts lead, by name of route; and the refused ones as they are read."""
    opened = set()
    for act in page.context["acts"]:
        if act["kind"] == "open":
            opened.add(act.get("posts_to") or resolve(urlsplit(act["url"]).path).url_name or "")
    refused = [f"{act['title']} {act['sentence']}" for act in page.context["acts"] if act["kind"] == "refused"]
    assert all(act in words_of(page) for act in refused)
    return opened, refused


@pytest.mark.parametrize("name", STATES)
def test_a_loads_page_says_what_it_is_and_what_may_be_done(eastmere: Department, name: str) -> None:
    state = STATES[name]
    load = state.way(eastmere)
    page = visitors.page_of(eastmere, load)

    assert page.status_code == 200
    assert unsound(page) == []
    assert f"2026-00001 is {state.verdict}" in words_of(page)
    assert tuple(board.code for board in page.context["story"].holds) == state.boards
    for board in page.context["story"].holds:
        assert board.sentence in words_of(page)
        assert " ".join(board.who.split()) in words_of(page)
    opened, refused = acts_of(page)
    assert opened == set(state.offers)
    for start, reason in (("Release", state.no_release), ("Re-run", state.no_rerun)):
        why = [sentence for sentence in refused if reason and sentence.startswith(start) and reason in sentence]
        assert len(why) == bool(reason), (start, reason, refused)


@pytest.mark.parametrize("name", STATES)
def test_the_lists_say_the_same_as_the_page(eastmere: Department, name: str) -> None:
    state = STATES[name]
    load = state.way(eastmere)
    client = visitor(eastmere, "Ines")
    listed, now = client.get(address(eastmere, "loads")), client.get(address(eastmere, "now"))

    row = next(row for row in listed.context["rows"] if row.owner == load)
    words = row.disposition + (", under recall review" if row.under_recall else "")
    assert words == state.verdict
    assert words.split(",")[0].capitalize() in words_of(listed)
    if state.boards and name != "reprocessed":
        assert visitors.page_of(eastmere, load).context["story"].holds[0].sentence in words_of(listed)
    assert state.now in words_of(now)
    if not state.now and name != "assembled":
        assert "2026-00001" not in words_of(now)
    assert unsound(listed) + unsound(now) == []
    for disposition in ("in process", "awaiting review", "quarantined", "released", "reprocessed", "under recall"):
        found = client.get(address(eastmere, "loads"), {"disposition": disposition}).context["rows"]
        mine = row.under_recall if disposition == "under recall" else row.disposition == disposition
        assert (load in {each.owner for each in found}) == mine


WANTED = {"start": {"programme": cast.PROGRAMME_NAME}, "report-end": {"complete": "yes"}}
WANTED |= {"report-alarm": {"code": "W02", "phase": "wash"}, "place": {"place": "quarantine"}}
WANTED |= {"rerun": {"programme": cast.PROGRAMME_NAME}, "hold": {"words": "A tray is wet."}}


@pytest.mark.parametrize("name", STATES)
def test_what_is_offered_is_not_then_refused(eastmere: Department, name: str) -> None:
    """To nobody: each person's open acts lead to a page, or their form goes through."""
    load = STATES[name].way(eastmere)
    for who in PEOPLE:
        client = visitor(eastmere, who)
        for act in client.get(address(eastmere, "load", load=load)).context["acts"]:
            if act["kind"] != "open":
                continue
            with undone():
                if act.get("posts_to"):
                    sent = carried(eastmere, load) | WANTED[act["posts_to"]]
                    answer = client.post(address(eastmere, act["posts_to"], load=load), sent)
                    assert answer.status_code == 302, (who, act["title"], alert_of(answer))
                else:
                    assert client.get(act["url"]).status_code == 200, (who, act["title"])


@pytest.mark.parametrize("who", PEOPLE)
def test_what_is_not_for_a_role_says_whose_it_is(eastmere: Department, who: str) -> None:
    load = cast.given_assembled_load(eastmere)
    opened, refused = acts_of(visitors.page_of(eastmere, load, who))
    assert ("start" in opened) == (who in ("Ines", "Sanne"))
    if "start" not in opened:
        assert "Start its cycle: This needs the role supervisor or technician. Ask someone who has it." in refused


def test_a_hold_is_lifted_by_whom_the_board_names(eastmere: Department) -> None:
    load = found(eastmere, conductivity="not-proven", paper="not-met")
    words = words_of(visitors.page_of(eastmere, load, "Ines"))
    assert "Two people: supervisor and infection prevention, with reason, signed" in words
    assert "Supervisor, with reason, signed" in words
    offered = {who: acts_of(visitors.page_of(eastmere, load, who))[0] for who in PEOPLE}
    assert {who for who in PEOPLE if "lift" in offered[who]} == {"Sanne", "Joan"}


def test_what_nobody_lifts_has_no_page_for_lifting(eastmere: Department) -> None:
    load = cast.given_aborted_load(eastmere)
    answer = visitor(eastmere, "Sanne").get(address(eastmere, "lift", load=load), {"hold": "cycle-incomplete"})
    assert answer.status_code == 409
    assert "Nobody lifts this. A new cycle clears the items." in alert_of(answer)


def test_a_release_that_is_not_possible_has_no_page_for_signing(eastmere: Department) -> None:
    load = found(eastmere, a0="not-proven")
    answer = visitor(eastmere, "Ines").get(address(eastmere, "release", load=load))
    assert answer.status_code == 409
    assert "Release is not possible: A0 of at least 3000 at the recorded probe: not proven." in alert_of(answer)


def test_a_released_load_says_for_what_and_by_whom(eastmere: Department) -> None:
    words = words_of(visitors.page_of(eastmere, cast.given_released_load(eastmere)))
    assert "Released for packing, signed by Ines" in words
    assert words.count("Met") >= 6  # each criterion as it was read


def test_a_rerun_and_its_old_load_name_each_other(eastmere: Department) -> None:
    load = cast.given_aborted_load(eastmere)
    new = cast.rerun(eastmere, load)
    assert "run again as 2026-00002" in words_of(visitors.page_of(eastmere, load))
    assert "runs the items of 2026-00001 again" in words_of(visitors.page_of(eastmere, new))


def test_a_load_goes_by_the_machines_counter_once_it_is_known(eastmere: Department) -> None:
    load = cast.given_running_load(eastmere, cycle=4471)
    assert "Alder 4471 is in process" in words_of(visitors.page_of(eastmere, load))


def test_what_happened_is_told_in_the_departments_own_time(eastmere: Department) -> None:
    eastmere.facility.time_zone = "Europe/Amsterdam"
    eastmere.facility.save()
    load = cast.given_assembled_load(eastmere)
    assert f"{eastmere.now + timedelta(hours=1):%H:%M:%S}" in words_of(visitors.page_of(eastmere, load))


def test_contents_name_tray_set_and_owner(eastmere: Department) -> None:
    words = words_of(visitors.page_of(eastmere, cast.given_assembled_load(eastmere)))
    assert "Basic set 1 Basic set, 1 of 2 Theatre 1 Basic set 2 Basic set, 2 of 2 Theatre 1" in words


# --- the alarm, step by step --------------------------------------------------------------------------


def alarm_url(department: Department, load: UUID, step: str = "alarm") -> str:
    alarm = cast.load_now(department, load).alarms[-1].id
    named_by = {"kind": "load"} if step in ("alarm", "acknowledge") else {}
    return address(department, step, owner=load, alarm=alarm, **named_by)


def test_an_alarm_is_first_seen_then_decided_then_its_load_is_placed(eastmere: Department) -> None:
    """By what the pages themselves carry, as a technician with gloves on does it."""
    load = stopped(eastmere)
    client = visitor(eastmere, "Ines")
    page = client.get(alarm_url(eastmere, load))
    assert "Go to Alder and scan it" in words_of(page)
    assert "Leave the door shut. It unlocks when the water has drained." in words_of(page)
    assert alarm_url(eastmere, load, "acknowledge") not in [action for action, _ in visitors.read(page).forms]

    page = client.get(address(eastmere, "scan"), {"code": "M-Alder"}, follow=True)
    assert "A spray arm does not turn" in words_of(page)
    assert "Leave the door shut. It unlocks when the water has drained." in words_of(page)
    assert "Sharps: never reach into a tray that you can’t see into." in words_of(page)

    page = client.post(alarm_url(eastmere, load, "acknowledge"), form_of_deed(page), follow=True)
    assert "Resume is not permitted: the catalogue never allows it for “A spray arm does not turn” in wash." in (
        words_of(page)
    )
    assert "Disinfection is not proven" in words_of(page)

    sent = form_of(page, alarm_url(eastmere, load, "abort")) | {"reason": "item-in-the-way", "words": "A clip."}
    page = client.post(alarm_url(eastmere, load, "abort"), sent, follow=True)
    assert "2026-00001 is held" in words_of(page)

    sent = form_of(page, address(eastmere, "place", load=load)) | {"place": "quarantine", "spot": "Bay 3"}
    page = client.post(address(eastmere, "place", load=load), sent, follow=True)
    words = words_of(page)
    assert "2026-00001 is quarantined" in words
    assert "quarantine, Bay 3" in words
    assert "Aborted by Ines: an item was in the way" in words
    assert "A clip." in words


RESUMES = {
    ("P01", "wash", "Ines"): True,
    ("W01", "wash", "Ines"): False,
    ("W01", "wash", "Sanne"): True,
    ("W02", "wash", "Sanne"): False,
    ("P01", "disinfection", "Sanne"): False,
    ("X99", "wash", "Sanne"): False,
    ("P01", "wash", "Bo"): False,
    ("P01", "moon", "Ines"): False,
}


@pytest.mark.parametrize(("code", "phase", "who"), RESUMES)
def test_a_resume_is_offered_where_catalogue_phase_and_role_allow_it(
    eastmere: Department, code: str, phase: str, who: str
) -> None:
    load = stopped(eastmere, code, phase)
    alarm = cast.load_now(eastmere, load).alarms[-1].id
    cast.done(cast.acknowledge(eastmere, load, alarm))
    client = visitor(eastmere, who)
    visitors.scan(client, eastmere)
    page = client.get(alarm_url(eastmere, load))
    resume = alarm_url(eastmere, load, "resume")
    offered = resume in [action for action, _ in visitors.read(page).forms]
    assert offered == RESUMES[code, phase, who]
    answer = client.post(resume, carried(eastmere, load))
    assert answer.status_code == (302 if offered else 409)
    if not offered:
        assert alert_of(answer) and alert_of(answer).split(".")[0] in words_of(page)


def test_an_alarm_seen_twice_says_who_saw_it_first_and_when(eastmere: Department) -> None:
    """Design, section 4: a second acknowledgement is answered "already seen by …, 02:10"."""
    eastmere.facility.time_zone = "Europe/Amsterdam"
    eastmere.facility.save()
    load = stopped(eastmere)
    cast.done(cast.acknowledge(eastmere, load, cast.load_now(eastmere, load).alarms[-1].id))
    seen_at = eastmere.now + timedelta(hours=1)
    client = visitor(eastmere, "Sanne")
    visitors.scan(client, eastmere)
    answer = client.post(alarm_url(eastmere, load, "acknowledge"), carried(eastmere))
    assert answer.status_code == 409
    assert "seen already" in alert_of(answer)
    assert "Ines" in alert_of(answer)
    assert f"{seen_at:%H:%M}" in alert_of(answer)


# --- an alarm is answered at its machine --------------------------------------------------------------

AT_THE_MACHINE = ("acknowledge", "resume", "abort")


def at_the_door(department: Department, route: str) -> tuple[Client, Errand]:
    """Whoever answers the alarm, before any scan."""
    who = visitors.usual_visitor(route)
    return visitor(department, who), visitors.ERRANDS[route](department, who)


def is_answered(client: Client, department: Department, errand: Errand) -> bool:
    """Is the alarm answered? Else the page says to scan first, and nothing was written."""
    before = written(department)
    answer = client.post(errand.url, errand.fields)
    if answer.status_code == 302:
        assert written(department) > before
        return True
    assert (answer.status_code, unsound(answer)) == (409, [])
    assert "Scan the machine first, so that no other machine is meant. Nothing was written." in alert_of(answer)
    assert written(department) == before
    return False


@pytest.mark.parametrize("route", AT_THE_MACHINE)
def test_without_its_scan_an_alarm_is_not_answered(eastmere: Department, route: str) -> None:
    client, errand = at_the_door(eastmere, route)
    assert not is_answered(client, eastmere, errand)
    visitors.scan(client, eastmere)
    assert is_answered(client, eastmere, errand)


def test_a_machines_own_alarm_asks_for_its_scan_too(eastmere: Department) -> None:
    receipt = cast.done(cast.tell(eastmere, "alarm-raised", code="W02", phase="wash"))
    named_by = {"kind": "machine", "owner": eastmere.machine, "alarm": named(receipt.deed_id, "alarm")}
    errand = Errand(address(eastmere, "acknowledge", **named_by), carried(eastmere))
    client = visitor(eastmere, "Ines")
    assert "Go to Alder and scan it" in words_of(client.get(address(eastmere, "alarm", **named_by)))
    assert not is_answered(client, eastmere, errand)
    visitors.scan(client, eastmere)
    assert is_answered(client, eastmere, errand)


@pytest.mark.parametrize("route", AT_THE_MACHINE)
def test_the_scan_of_another_machine_does_not_serve(eastmere: Department, route: str) -> None:
    cast.register_machine(eastmere, "Birch")
    client, errand = at_the_door(eastmere, route)
    for code in ("M-Birch", "Basic set 1", "2026-00001", "M-Cedar"):
        visitors.scan(client, eastmere, code)
        assert not is_answered(client, eastmere, errand), code
    visitors.scan(client, eastmere)
    visitors.scan(client, eastmere, "M-Birch")  # the last machine is where one stands
    assert not is_answered(client, eastmere, errand)


@pytest.mark.parametrize("route", AT_THE_MACHINE)
@pytest.mark.parametrize(("minutes", "good"), [(10, True), (10.02, False), (24 * 60, False)])
def test_a_scan_is_good_for_ten_minutes(eastmere: Department, route: str, minutes: float, good: bool) -> None:
    client, errand = at_the_door(eastmere, route)
    visitors.scan(client, eastmere)
    eastmere.wait(minutes)
    assert is_answered(client, eastmere, errand) == good


def bind_workstation(client: Client, department: Department, machine: UUID) -> None:
    """Sanne, the supervisor, says which machine this workstation stands at; the cookie is the workstation's."""
    sanne = visitor(department, "Sanne")
    assert sanne.post(address(department, "bind-machine", machine=machine)).status_code == 302
    client.cookies["sluicegate_machine"] = sanne.cookies["sluicegate_machine"].value


@pytest.mark.parametrize("route", AT_THE_MACHINE)
def test_a_workstation_at_the_machine_needs_no_scan(eastmere: Department, route: str) -> None:
    client, errand = at_the_door(eastmere, route)
    birch = cast.register_machine(eastmere, "Birch")
    bind_workstation(client, eastmere, birch)
    assert not is_answered(client, eastmere, errand)
    bind_workstation(client, eastmere, eastmere.machine)
    eastmere.wait(60)
    assert is_answered(client, eastmere, errand)


def test_nobody_binds_a_workstation_by_a_cookie_of_their_own(eastmere: Department) -> None:
    client, errand = at_the_door(eastmere, "acknowledge")
    for cookie in (str(eastmere.machine), f"{eastmere.machine}:1:x", ""):
        client.cookies["sluicegate_machine"] = cookie
        assert not is_answered(client, eastmere, errand), cookie


def test_the_next_person_at_the_tablet_scans_for_themselves(eastmere: Department) -> None:
    client, errand = at_the_door(eastmere, "acknowledge")
    visitors.scan(client, eastmere)
    assert client.post("/sign-in/", factors(eastmere, "Sanne")).status_code == 302
    assert not is_answered(client, eastmere, errand)


def test_seen_is_not_solved(eastmere: Department) -> None:
    load = stopped_and_seen(eastmere)
    assert "2026-00001 stopped. Resume or abort." in words_of(visitor(eastmere, "Ines").get("/f/eastmere/"))
    assert "Release" in "".join(acts_of(visitors.page_of(eastmere, load))[1])


def test_a_second_alarm_is_decided_with_the_first(eastmere: Department) -> None:
    load = stopped_and_seen(eastmere)
    cast.done(cast.tell(eastmere, "alarm-raised", code="T01", phase="wash"))
    second = cast.load_now(eastmere, load).alarms[-1].id
    cast.done(cast.acknowledge(eastmere, load, second))
    asked = cast.request(eastmere, "Ines")
    cast.done(alarms.abort_cycle(asked, load=load, reason="fault", alarm=second))
    for alarm in cast.load_now(eastmere, load).alarms:
        page = visitor(eastmere, "Ines").get(address(eastmere, "alarm", kind="load", owner=load, alarm=alarm.id))
        assert (page.status_code, unsound(page)) == (200, [])


# --- scanning -----------------------------------------------------------------------------------------


def scanned(department: Department, code: str) -> str:
    return str(visitor(department, "Ines").get(address(department, "scan"), {"code": code}).headers["Location"])


@pytest.mark.parametrize("code", ["M-Alder", "Alder", "alder", "ALDER", "  M-Alder  "])
def test_a_free_machine_leads_to_a_new_load_for_it(eastmere: Department, code: str) -> None:
    assert scanned(eastmere, code) == address(eastmere, "assemble") + f"?machine={eastmere.machine}"


@pytest.mark.parametrize("way", [cast.given_assembled_load, cast.given_running_load, overdue])
def test_a_machine_with_a_load_leads_to_the_load(eastmere: Department, way: Callable[[Department], UUID]) -> None:
    load = way(eastmere)
    assert scanned(eastmere, "M-Alder") == address(eastmere, "load", load=load)


def test_a_machine_with_an_unseen_alarm_leads_to_the_alarm(eastmere: Department) -> None:
    load = stopped(eastmere)
    assert scanned(eastmere, "M-Alder") == alarm_url(eastmere, load)


def test_a_machine_whose_alarm_was_seen_leads_to_its_decision(eastmere: Department) -> None:
    load = stopped_and_seen(eastmere)
    assert scanned(eastmere, "M-Alder") == alarm_url(eastmere, load)


def test_a_machine_that_alarms_without_a_load_leads_to_that_alarm(eastmere: Department) -> None:
    receipt = cast.done(cast.tell(eastmere, "alarm-raised", code="W02", phase="wash"))
    alarm = named(receipt.deed_id, "alarm")
    wanted = address(eastmere, "alarm", kind="machine", owner=eastmere.machine, alarm=alarm)
    assert scanned(eastmere, "M-Alder") == wanted


def test_another_machines_alarm_is_not_this_machines(eastmere: Department) -> None:
    stopped(eastmere)
    birch = cast.register_machine(eastmere, "Birch")
    assert scanned(eastmere, "M-Birch") == address(eastmere, "assemble") + f"?machine={birch}"


@pytest.mark.parametrize("code", ["2026-00001", "Alder 4471", "alder 4471", " 2026-00001 "])
def test_a_loads_number_and_its_name_lead_to_it(eastmere: Department, code: str) -> None:
    load = cast.given_running_load(eastmere, cycle=4471)
    assert scanned(eastmere, code) == address(eastmere, "load", load=load)


def test_a_tray_leads_to_the_load_that_it_last_went_into(eastmere: Department) -> None:
    first = cast.given_aborted_load(eastmere)
    assert scanned(eastmere, "Basic set 1") == address(eastmere, "load", load=first)
    second = cast.rerun(eastmere, first)
    assert scanned(eastmere, "basic set 1") == address(eastmere, "load", load=second)


def test_a_tray_that_never_went_into_a_load_is_not_unknown(eastmere: Department) -> None:
    answer = visitor(eastmere, "Ines").get(address(eastmere, "scan"), {"code": "Basic set 1"}, follow=True)
    assert answer.status_code == 200
    assert "Nothing here has the code" not in words_of(answer)


@pytest.mark.parametrize("code", ["B-0", "2026-99999", "Alder 1", "Basic set", "%", "_", "' OR 1=1 --"])
def test_an_unknown_code_leads_to_now_and_says_so(eastmere: Department, code: str) -> None:
    cast.given_assembled_load(eastmere)
    answer = visitor(eastmere, "Ines").get(address(eastmere, "scan"), {"code": code}, follow=True)
    assert answer.redirect_chain[-1][0] == address(eastmere, "now")
    assert f"Nothing here has the code “{code}”." in words_of(answer)


def test_codes_of_another_facility_are_unknown(eastmere: Department) -> None:
    westmere = visitors.another_department()
    cast.register_machine(westmere, "Birch")
    cast.given_running_load(westmere, cycle=7)
    for code in ("M-Birch", "Alder 7", "2026-00001"):
        assert scanned(eastmere, code) == address(eastmere, "now")


# --- Set-up -------------------------------------------------------------------------------------------


def assert_all_in(page: str, *words: str) -> None:
    assert [word for word in words if word not in page] == []


def test_a_machine_is_registered(eastmere: Department) -> None:
    client, errand = errand_of(eastmere, "add-machine")
    page = client.post(errand.url, errand.fields, follow=True)
    event = cast.whole_log(eastmere)[-1]
    assert event.data == MachineRegistered("Birch", "M-Birch", ("1", "2"))
    assert event.actor.id == eastmere.people["Ada"].id
    assert_all_in(words_of(page), "Birch", "M-Birch", "hambers: 1, 2")
    assert scanned(eastmere, "M-Birch").startswith(address(eastmere, "assemble"))


def test_a_new_programme_wants_two_people_as_its_next_edition_does(eastmere: Department) -> None:
    client, errand = errand_of(eastmere, "add-programme")
    sent = errand.fields | {"name": "Heavy soil", "deed": str(eastmere.new_deed())}
    assert client.post(errand.url, sent).status_code == 302
    published = cast.whole_log(eastmere)[-1].data
    assert isinstance(published, ProgrammeDrafted)
    assert (published.name, published.edition_from) == ("Heavy soil", 0)
    assert [phase.minutes for phase in published.phases] == [15, 10]
    assert (published.expected_s, published.grace_s) == (25 * 60, 600)
    assert [criterion.kind for criterion in published.criteria] == ["disinfection"]
    for name in ("Heavy soil", cast.PROGRAMME_NAME):
        before = written(eastmere)
        answer = client.post(errand.url, sent | {"name": name, "deed": str(eastmere.new_deed())})
        assert answer.status_code == 422 and "Draft its next edition on its own page." in words_of(answer)
        assert written(eastmere) == before


def test_a_set_is_registered_with_its_trays(eastmere: Department) -> None:
    client, errand = errand_of(eastmere, "add-set")
    page = client.post(errand.url, errand.fields, follow=True)
    registered = cast.whole_log(eastmere)[-1].data
    assert isinstance(registered, SetRegistered)
    assert [tray.label for tray in registered.trays] == ["Eye 1", "Eye 2"]
    assert_all_in(words_of(page), "Eye set", "Eye 1, Eye 2", "Theatre 2")
    assert "Eye 2" in words_of(visitor(eastmere, "Ines").get(address(eastmere, "assemble")))


def test_a_person_is_added_and_comes_in(eastmere: Department) -> None:
    client, errand = errand_of(eastmere, "add-person")
    before = written(eastmere)
    page = client.post(errand.url, errand.fields, follow=True)
    assert re.search(r"Pia technician release until 0?2 Mar 2027", words_of(page), re.IGNORECASE)
    assert written(eastmere) == before + 1
    told = cast.whole_log(eastmere)[-1].data  # by id: the name can be forgotten
    assert isinstance(told, RightsSet)
    assert (told.person, told.roles) == (Person.objects.get(login="pia").id, ("technician",))
    there = visitors.nobody()
    assert there.post("/sign-in/", {"badge": "B-77", "pin": "7007"}).status_code == 302
    assert "Pia" in words_of(there.get("/", follow=True))
    assert list(Membership.objects.filter(person__name="Pia").values_list("role", flat=True)) == ["technician"]


def test_the_catalogue_is_read_as_it_is_in_force(eastmere: Department) -> None:
    assert isinstance(cast.whole_log(eastmere)[2].data, CataloguePublished)
    words = words_of(visitor(eastmere, "Ada").get(address(eastmere, "catalogue")))
    assert "Fault catalogue, edition 1" in words
    assert "A spray arm does not turn" in words


def rows_of_everything() -> Iterator[tuple[str, str]]:
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names():
            cursor.execute(f"SELECT * FROM {table}")
            yield from ((table, str(row)) for row in cursor.fetchall())


def test_a_tokens_secret_is_shown_once_and_kept_as_a_digest_only(eastmere: Department) -> None:
    client, errand = errand_of(eastmere, "make-token")
    page = client.post(errand.url, errand.fields)
    secret = page.context["secret"]
    assert secret in words_of(page)
    assert page.headers["Cache-Control"] == "no-store"
    assert visitors.report(eastmere, secret, visitors.cloud_event()).status_code == 201

    token = AccessToken.objects.get()
    revoke = address(eastmere, "revoke-token", token=token.token_key)
    overview = client.get(address(eastmere, "set-up"))
    assert revoke in [action for action, _ in visitors.read(overview).forms]
    assert secret[: len(token.token_key) + 1] not in overview.content.decode()
    assert (token.machine, token.role, token.facility) == (eastmere.machine, "device", eastmere.facility)
    assert len(token.token_key) < len(secret) / 3
    assert [table for table, row in rows_of_everything() if secret in row] == []

    client.post(revoke)
    overview = client.get(address(eastmere, "set-up"))
    assert revoke not in [action for action, _ in visitors.read(overview).forms]


# --- a day by the forms alone -------------------------------------------------------------------------


def test_a_load_goes_its_whole_way_by_what_the_pages_carry(eastmere: Department) -> None:
    """Every form is sent with exactly what its page put into it and what a person then types."""
    client = visitor(eastmere, "Ines")

    def send(page: HttpResponse, action: str, **typed: Any) -> HttpResponse:
        answer = client.post(action or page.request["PATH_INFO"], form_of(page, action) | typed, follow=True)
        assert answer.status_code == 200, alert_of(answer)
        assert unsound(answer) == []
        eastmere.wait()
        return answer

    page = client.get(address(eastmere, "assemble"))
    page = send(page, "", chamber=f"{eastmere.machine}/1", tray=[str(tray) for tray in eastmere.trays])
    load = page.context["load"].id
    page = send(page, address(eastmere, "start", load=load), programme=cast.PROGRAMME_NAME, machine_cycle="4471")
    page = send(page, address(eastmere, "report-end", load=load), complete="yes")
    page = client.get(address(eastmere, "review", load=load))
    stated = {f"criterion-{criterion.code}": "met" for criterion in cast.CRITERIA}
    page = send(page, "", record="seen", **stated)
    page = client.get(address(eastmere, "release", load=load))
    page = send(page, "", purpose="use", **factors(eastmere, "Ines"))
    assert "Alder 4471 is released" in words_of(page)
    page = send(page, address(eastmere, "hold", load=load), words="Found wet.")
    assert "Alder 4471 is released, under recall review" in words_of(page)
    page = send(page, address(eastmere, "rerun", load=load), programme=cast.PROGRAMME_NAME)
    assert "runs the items of Alder 4471 again" in words_of(page)


# --- nothing, and a lot -------------------------------------------------------------------------------

OF_THE_FACILITY = ("now", "loads", "assemble", "set-up", "catalogue", "add-person", "add-machine")
OF_THE_FACILITY += ("add-programme", "add-set")


@pytest.mark.parametrize("route", OF_THE_FACILITY)
def test_a_page_with_nothing_on_it_says_so(db: None, monkeypatch: pytest.MonkeyPatch, route: str) -> None:
    """The day after the first run, or less: no machine, no programme, no set, no catalogue, no load."""
    department = cast.bare_department(slug="eastmere")
    visitors.give_badges(department)
    visitors.keep_time(monkeypatch, department)
    page = visitor(department, "Ada").get(address(department, route))
    assert (page.status_code, unsound(page)) == (200, [])
    assert route == "set-up" or "None" not in words_of(page)
    if route in ("now", "loads", "assemble"):
        assert re.search(r"\b[Nn]o(thing| machine| load| tray)\b", words_of(page))


def test_a_person_without_a_role_anywhere_is_told_so_and_can_leave(eastmere: Department) -> None:
    client = visitor(eastmere, "Ines")
    Membership.objects.filter(person=eastmere.people["Ines"]).delete()
    page = client.get("/")
    assert "You have no role anywhere" in words_of(page)
    assert reverse("sign-out") in [action for action, _ in visitors.read(page).forms]


def test_a_person_of_two_departments_chooses(eastmere: Department) -> None:
    westmere = visitors.another_department()
    cast.MembershipFactory.create(facility=westmere.facility, person=eastmere.people["Ines"], role="quality")
    client = visitor(eastmere, "Ines")
    page = client.get("/")
    assert unsound(page) == []
    for slug in ("eastmere", "westmere"):
        assert f'href="/f/{slug}/"' in page.content.decode()
        assert client.get(f"/f/{slug}/").status_code == 200


@pytest.fixture
def crowded(eastmere: Department) -> tuple[Department, UUID]:
    """Names as long as they may be, 12 machines, 121 loads, one of them with 100 trays and as many events."""
    trays = cast.register_set(eastmere, "A very long set of instruments for whatever a night may bring", 100)
    cast.register_set(eastmere, "w" * 100, 50)
    for n in range(11):
        asked = cast.request(eastmere, "Ada")
        name = f"{n} Washer-disinfector with a name that goes on and on until eighty characters".ljust(80, "m")[:80]
        done = setting_up.register_machine(asked, name=name, code=f"{n}".ljust(80, "c"), chambers=("c" * 40, "2"))
        cast.done(done)
    large = cast.given_running_load(eastmere, trays=trays, cycle=2**53 - 1)
    for n in range(60):
        code = ("W02", "P01", "X99", "c" * 40)[n % 4]
        cast.done(cast.tell(eastmere, "alarm-raised", code=code, phase="p" * 40, text="t" * 200))
    for n in range(20):
        cast.done(cast.hold(eastmere, large, words="word " * (n * 30 + 1)))
    cast.done(cast.tell(eastmere, "cycle-finished"))
    for n in range(120):
        tray = cast.register_set(eastmere, f"Set {n}", 1)
        load = cast.given_assembled_load(eastmere, trays=tray)
        if n % 3:
            begun = cast.request(eastmere, "Ines")
            cast.done(cycles.start_cycle(begun, load=load, programme=cast.PROGRAMME_NAME))
            cast.done(cast.tell(eastmere, "cycle-finished", complete=n % 2 == 0))
    return eastmere, large


def test_every_page_bears_a_lot(crowded: tuple[Department, UUID]) -> None:
    eastmere, large = crowded
    client = visitor(eastmere, "Ada")
    pages = [address(eastmere, route) for route in OF_THE_FACILITY]
    pages += [address(eastmere, route, load=large) for route in ("load", "review")]
    pages += [alarm_url(eastmere, large)]
    for url in pages:
        page = client.get(url)
        assert (page.status_code, unsound(page)) == (200, []), url
    assert len(client.get(address(eastmere, "loads")).context["rows"]) == 100
    named = client.get(address(eastmere, "loads"), {"search": "2026-00001"})
    assert [row.number for row in named.context["rows"]] == ["2026-00001"]


# --- Now ----------------------------------------------------------------------------------------------


def test_now_asks_for_its_panes_alone(eastmere: Department) -> None:
    client = visitor(eastmere, "Ines")
    whole = client.get(address(eastmere, "now"))
    panes = client.get(address(eastmere, "now"), headers={"HX-Request": "true"})
    assert "<html" in whole.content.decode()
    assert "<html" not in panes.content.decode()
    assert unsound(panes) == []


def test_the_worst_stands_first(eastmere: Department) -> None:
    birch = cast.register_machine(eastmere, "Birch")
    one, two = eastmere.trays
    waiting = cast.given_finished_load(eastmere, trays=[one])
    cast.given_running_load(eastmere, trays=[two], machine=birch)
    cast.done(cast.tell(eastmere, "alarm-raised", machine=birch, code="W02", phase="wash"))
    titles = [matter["title"] for matter in visitor(eastmere, "Ines").get("/f/eastmere/").context["matters"]]
    assert "Nobody has seen it." in titles[0]
    assert titles[-1] == f"Review {cast.load_now(eastmere, waiting).name}."


WATCHED = {None: "has not run yet", 10: "Watch ran 10 s ago", 300: "Watch is late: last ran 5 min ago"}


@pytest.mark.parametrize("age_s", WATCHED)
def test_the_watch_says_when_it_last_ran(eastmere: Department, age_s: int | None) -> None:
    if age_s is not None:
        Heartbeat.objects.create(name="sweep", at=eastmere.now - timedelta(seconds=age_s))
    assert WATCHED[age_s] in words_of(visitor(eastmere, "Ines").get("/f/eastmere/"))


def test_the_process_says_that_it_is_well(db: None) -> None:
    answer = Client().get("/readyz")
    assert (answer.status_code, answer.json()) == (200, {"status": "ok"})


def test_several_reviewed_loads_lead_to_one_signature(eastmere: Department) -> None:
    """From Now, the list of what awaits review, and each one's own page; a single load leads nowhere."""
    ines = visitor(eastmere, "Ines")
    first = cast.given_reviewed_load(eastmere, trays=eastmere.trays[:1])
    round_of = address(eastmere, "release-round")
    pages = [
        address(eastmere, "now"),
        address(eastmere, "loads") + "?disposition=awaiting+review",
        address(eastmere, "release", load=first),
    ]
    assert not any(round_of in ines.get(page).content.decode() for page in pages)
    cast.given_reviewed_load(eastmere, trays=eastmere.trays[1:2])
    assert all(f'href="{round_of}"' in ines.get(page).content.decode() for page in pages)

"""Every door × everyone: who gets through, who is told why not, and who learns nothing at all.

Expected answers are the design's (section 7: what isn't yours answers 404) and the reliability page's ("wrong
role at home: deed 409 with its sentence, page 403; a route without an entry fails the test").
"""

import json
import logging
from collections.abc import Iterator
from typing import Any, NamedTuple
from urllib.parse import urlsplit
from uuid import UUID

import pytest
from django.http import HttpResponse
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from incidents.pages import load_forms
from incidents.queries import facts
from incidents.rules.authority import DEEDS
from tests import cast, recorded, test_api_doors, visitors
from tests.cast import Department
from tests.visitors import ERRANDS, PEOPLE, Errand, alert_of, unsound, visitor, words_of, written

SIGN_IN = 302
LEARNS_NOTHING = 404
FLOOR = ("Ines", "Sanne")


class Door(NamedTuple):
    """A route and a method: what those answer who may, what the others at home, and what everyone else."""

    route: str
    method: str
    answer: int
    through: tuple[str, ...] = PEOPLE
    refused: int = 409
    nobody: int = SIGN_IN
    outsider: int = LEARNS_NOTHING


def anyone(route: str, method: str, answer: int) -> Door:
    return Door(route, method, answer, nobody=answer, outsider=answer)


def page(route: str) -> Door:
    return Door(route, "GET", 200)


def deed(route: str, *through: str) -> Door:
    return Door(route, "POST", 302, through or PEOPLE)


def set_up(route: str, method: str = "GET", answer: int = 200) -> Door:
    return Door(route, method, answer, ("Ada",), refused=403)


def board(route: str) -> Door:
    """What a workstation that is a board reads too: no sign-in is asked for, it is there or it isn't."""
    return Door(route, "GET", 200, nobody=LEARNS_NOTHING)


DOORS = (
    anyone("root", "GET", 302),
    anyone("livez", "GET", 200),
    anyone("metrics", "GET", 404),  # without its token
    anyone("readyz", "GET", 200),
    anyone("first-run", "GET", 302),  # closed: there are people
    anyone("sign-in", "GET", 200),
    anyone("sign-in", "POST", 302),
    anyone("sign-out", "POST", 302),
    page("now"),
    Door("scan", "GET", 302),
    page("loads"),
    page("load"),
    page("alarm"),
    page("hold-tag"),
    page("release-label"),
    page("record-form"),
    page("record-page"),
    page("drafts"),
    Door("drafts", "POST", 204),
    page("assemble"),
    page("review"),
    page("readings"),
    page("what-if"),
    page("release"),
    page("lift"),
    page("withdraw-record"),
    page("lift-first"),
    page("lift-second"),
    page("catalogue"),
    page("catalogue-draft"),
    page("catalogue-fault"),
    page("catalogue-compare"),
    page("catalogue-attribution"),
    page("escalation"),
    page("escalation-draft"),
    deed("escalation-draft", "Ada", "Bo", "Sanne"),
    deed("escalation-approve", "Ada", "Bo", "Sanne"),
    deed("escalation-adopt", "Ada"),
    page("rotas"),
    page("set-calendar"),
    deed("set-calendar", "Ada", "Sanne"),
    deed("swap-turn", "Ada", "Sanne"),
    deed("add-holiday", "Ada", "Sanne"),
    page("programme"),
    page("programme-draft"),
    page("programme-compare"),
    page("programme-attribution"),
    deed("programme-draft", "Ada", "Bo", "Sanne"),
    deed("programme-approve", "Ada", "Bo", "Sanne"),
    deed("programme-withdraw", "Ada", "Bo", "Sanne"),
    deed("programme-attribution", "Sanne", "Quinn", "Ada"),
    page("policy"),
    page("racks"),
    page("downtime"),
    page("enter-form"),
    page("print-forms"),
    page("last-known"),
    page("offline-worker"),
    Door("find-form", "GET", 302),
    deed("issue-forms", "Sanne", "Ada"),
    deed("enter-form", *FLOOR),
    deed("void-form", "Sanne"),
    page("sets"),
    page("machine"),
    page("machine-figures"),
    page("rack"),
    page("past-load"),
    page("evidence"),
    page("release-round"),
    *(page(f"load-deed {name}") for name in load_forms.DEEDS),
    board("wall"),
    board("live"),
    deed("block-machine", *FLOOR, "Bo", "Joan"),
    deed("return-machine", "Sanne", "Bo"),
    deed("compute-figures"),
    deed("bind-machine", "Sanne", "Ada")._replace(refused=403),
    deed("change-supply", *FLOOR, "Bo"),
    deed("explain-cycle", "Sanne", "Bo", "Quinn"),
    deed("explain-missing", "Sanne", "Bo", "Quinn"),
    deed("settle-restore", "Sanne", "Joan", "Quinn", "Ada"),
    deed("record-exposure"),
    deed("take-on-exposure", "Sanne", "Joan", "Quinn"),
    deed("racks", "Ada"),
    deed("block-rack", *FLOOR, "Bo"),
    deed("return-rack", "Sanne", "Bo"),
    deed("release-round", *cast.RELEASES),
    deed("make-board", "Sanne", "Ada")._replace(refused=403),
    deed("close-tour"),
    deed("drop-draft"),
    deed("catalogue-fault", "Ada", "Bo", "Sanne"),
    deed("catalogue-remove", "Ada", "Bo", "Sanne"),
    deed("catalogue-drop", "Ada", "Bo", "Sanne"),
    deed("catalogue-publish", "Ada", "Bo", "Sanne"),
    deed("catalogue-attribution", "Sanne", "Quinn", "Ada"),
    deed("policy", "Ada"),
    deed("load-deed cleared", *FLOOR, "Bo"),
    deed("load-deed stopped"),
    deed("load-deed power"),
    deed("load-deed door"),
    deed("load-deed wrong-programme"),
    deed("load-deed reject", *FLOOR, "Joan"),
    deed("load-deed contamination", *FLOOR, "Joan"),
    deed("load-deed send-tray", *FLOOR),
    deed("load-deed note"),
    deed("load-deed correct", *FLOOR, "Quinn", "Joan", "Bo"),
    deed("load-deed attribution", "Sanne", "Quinn", "Ada"),
    deed("assemble", *FLOOR),
    deed("start", *FLOOR),
    deed("report-end", *FLOOR, "Bo"),
    deed("report-alarm"),
    deed("place", *FLOOR, "Joan"),
    deed("rerun", *FLOOR),
    deed("hold"),
    deed("review", *FLOOR, "Quinn"),
    deed("readings", *FLOOR, "Bo", "Joan", "Quinn"),
    deed("review-readings", *FLOOR, "Quinn"),
    deed("set-basis", "Ada"),
    deed("record-form", "Ada", "Bo", "Sanne"),
    deed("release", *cast.RELEASES),
    deed("lift", "Sanne", "Joan"),
    deed("withdraw-record", "Sanne", "Joan"),
    deed("lift-first", "Sanne", "Joan"),
    deed("lift-second", "Sanne", "Joan"),
    deed("withdraw-lift", "Sanne", "Joan"),
    deed("acknowledge", *FLOOR, "Joan", "Bo"),
    deed("resume", *FLOOR),
    deed("abort", *FLOOR, "Bo"),
    set_up("set-up"),
    set_up("add-person"),
    set_up("set-rights"),
    set_up("set-rights", "POST", 302),
    set_up("add-machine"),
    set_up("add-programme"),
    set_up("add-set"),
    set_up("limit-machine"),
    set_up("limit-machine", "POST", 302),
    set_up("add-person", "POST", 302),
    set_up("add-machine", "POST", 302),
    set_up("add-programme", "POST", 302),
    set_up("add-set", "POST", 302),
    set_up("make-token", "POST", 200),
    set_up("revoke-token", "POST", 302),
    page("open-item"),
    deed("care-for"),
    page("times"),
    page("incident"),
    deed("incident", "Ines", "Sanne", "Bo", "Joan", "Quinn"),
    page("handover"),
    deed("handover"),
    page("messages"),
    deed("answer-message"),
    page("contacts"),
    deed("contacts"),
    deed("test-contact"),
    page("tokens"),
    Door("tokens", "POST", 200),
    deed("revoke-own-token"),
    Door("observations", "POST", 201, ("Alder",), refused=401, nobody=401, outsider=401),
    Door("observation-batch", "POST", 200, ("Alder",), refused=401, nobody=401, outsider=401),
    Door("own-readings", "POST", 201, ("Alder",), refused=401, nobody=401, outsider=401),
)
NO_EVENT = {"sign-in", "sign-out", "make-token", "revoke-token", "bind-machine", "make-board"}
NO_EVENT |= {"compute-figures", "drafts", "tokens", "revoke-own-token", "close-tour", "drop-draft"}
FOR_WHAT = "A supervisor or administrator says what a workstation is for"
FORBIDS = {"make-board": FOR_WHAT, "bind-machine": FOR_WHAT}
POST_ONLY = ("sign-out", "start", "report-end", "report-alarm", "place", "rerun", "hold", "acknowledge", "resume")
POST_ONLY += ("abort", "make-token", "revoke-token", "observations", "issue-forms", "void-form")
POST_ONLY += ("block-machine", "return-machine", "bind-machine", "change-supply", "explain-cycle")
POST_ONLY += (
    "withdraw-lift",
    "settle-restore",
    "record-exposure",
    "take-on-exposure",
    "block-rack",
    "return-rack",
    "make-board",
)
POST_ONLY += ("revoke-own-token", "explain-missing", "observation-batch", "close-tour", "drop-draft")
POST_ONLY += ("programme-approve", "programme-withdraw", "escalation-approve", "escalation-adopt")
POST_ONLY += ("swap-turn", "add-holiday")
POST_ONLY += ("catalogue-remove", "catalogue-drop", "catalogue-publish", "review-readings", "set-basis")
POST_ONLY += ("own-readings", "care-for", "answer-message", "test-contact", "compute-figures")
FOR_MACHINES = {"observations", "observation-batch", "own-readings"}
UNSAFE = ("POST", "PUT", "PATCH", "DELETE")


@pytest.fixture(autouse=True)
def quick_and_quiet(settings: Any) -> Iterator[None]:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS
    logging.disable(logging.ERROR)
    yield
    logging.disable(logging.NOTSET)


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Department:
    return visitors.department_with_doors(monkeypatch, slug="eastmere")


@pytest.fixture
def westmere(eastmere: Department) -> Department:
    return department_of_otto()


def department_of_otto() -> Department:
    """Another department. Otto may do everything in it."""
    department = visitors.another_department()
    roles = ("technician", "supervisor", "infection-prevention", "engineering", "quality", "administrator")
    for role in roles:
        cast.hire(department, "Otto", role, *(["release"] if role == "technician" else []))
    return department


# --- going through ------------------------------------------------------------------------------------


def errand_for(department: Department, door: Door, who: str) -> Errand:
    """What is sent at this door; a page is asked for in the state in which its form would be sent."""
    if door.route == "sign-in":
        return Errand(reverse("sign-in"), visitors.factors(department, "Ines"))
    if door.route in ("root", "metrics", "livez", "readyz", "first-run", "sign-out"):
        return Errand(reverse(door.route))
    if door.route == "scan":
        return Errand(visitors.address(department, "scan") + "?code=M-Alder")
    if door.route == "load":
        return Errand(visitors.address(department, "load", load=cast.given_running_load(department)))
    if door.route == "what-if":
        return Errand(visitors.withdraw_record(department, who).url.replace("withdraw/", "what-if/") + "&edition=1")
    if door.route == "drafts":
        return visitors.draft(department, who)
    if door.route == "hold-tag":
        return visitors.hold_tag(department, who)
    if door.route == "release-label":
        return visitors.release_label(department, who)
    if door.route == "record-page":
        return visitors.record_page(department, who)
    if door.route == "alarm":
        return visitors.see_alarm(department, who)
    if door.route in ("machine", "machine-figures"):
        return Errand(visitors.address(department, door.route, machine=department.machine))
    forms = (("escalation-draft", "GET"), ("set-calendar", "GET"))
    if door.route in ("escalation", "rotas") or (door.route, door.method) in forms:
        return Errand(visitors.address(department, door.route))
    if door.route in ("programme", "programme-compare") or (door.route, door.method) == ("programme-draft", "GET"):
        programme = facts.programme_id(department.id, cast.PROGRAMME_NAME)
        return Errand(visitors.address(department, door.route, programme=programme))
    if door.route == "open-item":
        return visitors.open_item(department, who)
    if (door.route, door.method) == ("contacts", "GET"):
        return Errand(visitors.address(department, "contacts"))
    if door.route == "rack":
        return visitors.see_rack(department, who)
    if door.route == "past-load":
        return visitors.see_past_load(department, who)
    if door.route == "find-form":
        return Errand(visitors.address(department, "find-form") + "?number=17")
    if door.route in visitors.PAPER_ERRANDS:
        return visitors.PAPER_ERRANDS[door.route](department, who)
    if door.route in ERRANDS:
        return ERRANDS[door.route](department, who)
    if door.route == "own-readings":
        cycle = 4471 + department.deeds
        cast.given_finished_load(department, cycle=cycle, trays=cast.register_set(department, f"Set {cycle}", 1))
        return Errand(f"{visitors.address(department, door.route)}?machine_cycle={cycle}")
    if " " in door.route:
        pytest.fail(f"nobody goes to {door.route}: add a function to ERRANDS in tests/visitors.py")
    return Errand(visitors.address(department, door.route))


def send(client: Client, door: Door, errand: Errand, method: str = "") -> HttpResponse:
    method = method or door.method
    if errand.first:
        client.get(errand.first)
    if door.route == "own-readings":
        sent = {"data": recorded.as_csv(recorded.good()), "content_type": "text/csv"}
        return getattr(client, method.lower())(errand.url, **(sent if method != "GET" else {}))
    if door.route in FOR_MACHINES:
        event = visitors.cloud_event()
        data = json.dumps([event] if door.route == "observation-batch" else event)
        sent = {"data": data, "content_type": "application/json"}
        return getattr(client, method.lower())(errand.url, **(sent if method != "GET" else {}))
    return getattr(client, method.lower())(errand.url, errand.fields if method == "POST" else None)


def caller(department: Department, who: str) -> Client:
    if who == "nobody":
        return visitors.nobody()
    home = department_of_otto() if who in ("Otto", "Birch") else department
    if who in ("Alder", "Birch"):
        _, secret = visitors.token_of(home)
        return visitors.nobody(headers={"Authorization": f"Token {secret}"})
    return visitor(home, who)


def expected_of(door: Door, who: str) -> int:
    if who == "Birch":
        return LEARNS_NOTHING
    if who in ("nobody", "Otto"):
        return door.nobody if who == "nobody" else door.outsider
    return door.answer if who in door.through else door.refused


def callers_at(door: Door) -> tuple[str, ...]:
    machines = ("Alder", "Birch") if door.route in FOR_MACHINES else ()
    return (*PEOPLE, "Otto", "nobody", *machines)


THROUGH = [(door, who) for door in DOORS for who in callers_at(door)]


@pytest.mark.parametrize(
    ("door", "who"), THROUGH, ids=[f"{door.method} {door.route} by {who}" for door, who in THROUGH]
)
def test_who_gets_through(eastmere: Department, door: Door, who: str) -> None:
    signer = who if who in PEOPLE else visitors.usual_visitor(door.route)
    errand = errand_for(eastmere, door, signer)
    before = written(eastmere)

    client = caller(eastmere, who)
    answer = send(client, door, errand)
    if answer.streaming:
        visitors.put_down(answer)  # the live stream never ends

    assert answer.status_code == expected_of(door, who), alert_of(answer)
    assert unsound(answer) == []
    if who == "nobody" and door.nobody == SIGN_IN and door.answer != door.nobody:
        assert urlsplit(answer.headers["Location"]).path == reverse("sign-in")
    if answer.status_code == LEARNS_NOTHING:
        nowhere = errand._replace(url=errand.url.replace("/eastmere/", "/nowhere/"))
        assert send(client, door, nowhere).content == answer.content
    if answer.status_code == 409:
        assert "This needs " in alert_of(answer)
    if answer.status_code == 403:
        assert FORBIDS.get(door.route, "Set-up is for administrators") in words_of(answer)
    does = door.method == "POST" and who in door.through and door.route not in NO_EVENT
    assert (written(eastmere) > before) == does


def test_every_route_has_a_door() -> None:
    """A new route needs a line above: who gets through, and who doesn't. The API's stand in test_api_doors."""
    closed = set(routes()) - test_api_doors.ROUTES ^ {door.route.partition(" ")[0] for door in DOORS}
    assert not closed, f"routes and DOORS differ: add or remove the line of {sorted(closed)}"
    closed = {f"load-deed {name}" for name in load_forms.DEEDS} - {door.route for door in WRITING}
    assert not closed, f"forms without a door: add a line `deed(…)` to DOORS for each of {sorted(closed)}"


def test_everything_that_is_posted_has_a_door_for_posting() -> None:
    closed = set(ERRANDS) - {door.route for door in WRITING}
    assert not closed, f"errands without a door: add a line `deed(…)` to DOORS for each of {sorted(closed)}"


def test_the_doors_tell_of_roles_what_the_rules_do() -> None:
    """The table above names people; the authority table names roles. They say the same."""
    deeds = {
        "assemble": "assemble_load",
        "start": "start_cycle",
        "report-end": "report_end",
        "report-alarm": "report_alarm",
        "place": "place_load",
        "rerun": "rerun_load",
        "hold": "hold_load",
        "review": "review_load",
        "readings": "keep_readings",
        "review-readings": "review_readings",
        "set-basis": "set_basis",
        "record-form": "set_record_form",
        "lift": "lift_hold",
        "withdraw-record": "withdraw_record",
        "lift-first": "sign_lift",
        "lift-second": "second_lift",
        "withdraw-lift": "withdraw_lift",
        "acknowledge": "acknowledge_alarm",
        "resume": "resume_cycle",
        "abort": "abort_cycle",
        "issue-forms": "issue_forms",
        "enter-form": "enter_form",
        "void-form": "void_form",
        "block-machine": "block_machine",
        "return-machine": "return_machine",
        "change-supply": "change_supply",
        "explain-cycle": "explain_cycle",
        "explain-missing": "explain_missing",
        "settle-restore": "settle_restore",
        "record-exposure": "record_exposure",
        "care-for": "hand_on_item",
        "handover": "hand_over_shift",
        "incident": "tell_incident",
        "answer-message": "settle_message",
        "contacts": "set_contact",
        "test-contact": "test_contact",
        "take-on-exposure": "take_on_exposure",
        "racks": "register_rack",
        "block-rack": "block_rack",
        "return-rack": "return_rack",
        "catalogue-fault": "draft_catalogue",
        "catalogue-remove": "draft_catalogue",
        "catalogue-drop": "draft_catalogue",
        "catalogue-publish": "publish_draft",
        "catalogue-attribution": "correct_catalogue_attribution",
        "programme-attribution": "correct_programme_attribution",
        "policy": "set_policy",
        "set-calendar": "set_calendar",
        "add-holiday": "set_calendar",
        "swap-turn": "swap_turn",
        **{f"load-deed {name}": deed.operation for name, deed in load_forms.DEEDS.items()},
    }
    roles = cast.CAST | {"Quinn": "quality"}
    for door in DOORS:
        if door.method == "POST" and door.route in deeds:
            allowed = DEEDS[deeds[door.route]].roles - {"device"}
            told = f"{door.route}: the people in DOORS are not those of {deeds[door.route]} in rules/authority.py"
            assert {roles[who] for who in door.through} == allowed, told


def routes(patterns: list[URLPattern | URLResolver] | None = None) -> Iterator[str]:
    for pattern in get_resolver().url_patterns if patterns is None else patterns:
        if isinstance(pattern, URLResolver):
            yield from routes(pattern.url_patterns)
        else:
            yield pattern.name or str(pattern.pattern)


# --- another facility's things under one's own address ------------------------------------------------

OF_THE_FACILITY = ("assemble", "add-person", "add-machine", "add-programme", "add-set", "racks", "policy")
OF_THE_FACILITY += (
    "tokens",
    "contacts",
    "handover",
    "close-tour",
    "drop-draft",
    "release-round",
    "set-basis",
    "escalation-draft",
    "escalation-approve",
    "escalation-adopt",
    "set-calendar",
    "swap-turn",
    "add-holiday",
    "make-board",
    "settle-restore",
    *visitors.CATALOGUE,
)
OF_A_THING = [Door(route, "POST", LEARNS_NOTHING) for route in ERRANDS if route not in OF_THE_FACILITY]
OF_A_THING += [
    Door(route, "GET", LEARNS_NOTHING)
    for route in (
        "load",
        "alarm",
        "incident",
        "review",
        "readings",
        "what-if",
        "release",
        "lift",
        "withdraw-record",
        "lift-first",
        "lift-second",
        "machine",
        "machine-figures",
        "rack",
        "programme",
        "programme-draft",
        "programme-compare",
        "programme-attribution",
        "past-load",
        "load-deed note",
    )
]


@pytest.mark.parametrize("door", OF_A_THING, ids=lambda door: f"{door.method} {door.route}")
def test_what_belongs_to_another_facility_is_as_if_it_had_never_been(
    eastmere: Department, westmere: Department, door: Door
) -> None:
    theirs = errand_for(westmere, door, visitors.usual_visitor(door.route))
    signed = {name: value for name, value in visitors.factors(eastmere, "Sanne").items() if name in theirs.fields}
    theirs = Errand(theirs.url.replace("/westmere/", "/eastmere/"), theirs.fields | signed)
    before = written(westmere)
    signs = door.route.startswith(("lift", "withdraw-record"))
    me = visitor(eastmere, "Sanne" if signs else visitors.usual_visitor(door.route))

    answer = send(me, door, theirs)

    assert answer.status_code == LEARNS_NOTHING
    assert unsound(answer) == []
    assert written(westmere) == before
    invented = theirs.url
    for thing in _ids_in(theirs.url):
        invented = invented.replace(thing, str(UUID(int=7)) if len(thing) == 36 else "0" * len(thing))
    assert send(me, door, theirs._replace(url=invented)).content == answer.content


def _ids_in(url: str) -> list[str]:
    parts = urlsplit(url).path.split("/")
    return [part for part in parts if len(part) == 36] or parts[4:5]


def test_the_same_deed_id_in_two_facilities_is_two_deeds(eastmere: Department, westmere: Department) -> None:
    """A deed's id is the sender's choice: two facilities may meet the same one, and neither learns of it."""
    mine, theirs = visitors.assemble(eastmere, "Ines"), visitors.assemble(westmere, "Ines")
    there = visitor(westmere, "Ines").post(theirs.url, theirs.fields)
    here = visitor(eastmere, "Ines").post(mine.url, mine.fields | {"deed": theirs.fields["deed"]})
    assert (there.status_code, here.status_code) == (302, 302)
    load = urlsplit(here.headers["Location"]).path.split("/")[4]
    page = visitor(eastmere, "Ines").get(here.headers["Location"])
    assert "Basic set 1" in words_of(page)
    assert len(cast.events_of(eastmere, UUID(load))) == len(cast.events_of(westmere, UUID(load))) == 1


# --- methods and forgery ------------------------------------------------------------------------------

WRITING = [door for door in DOORS if door.method == "POST"]


@pytest.mark.parametrize("route", POST_ONLY)
def test_what_is_only_posted_is_not_found_by_other_methods(eastmere: Department, route: str) -> None:
    door = next(door for door in WRITING if door.route == route)
    errand = errand_for(eastmere, door, visitors.usual_visitor(route))
    client = caller(eastmere, "Alder" if route in FOR_MACHINES else visitors.usual_visitor(route))
    before = written(eastmere)
    for method in ("GET", "HEAD", "PUT", "PATCH", "DELETE"):
        answer = getattr(client, method.lower())(errand.url)
        assert answer.status_code == 405, method
        assert "POST" in answer.headers["Allow"]
        assert unsound(answer) == []
    assert written(eastmere) == before


@pytest.mark.parametrize("method", UNSAFE)
@pytest.mark.parametrize("route", sorted({door.route for door in DOORS} - FOR_MACHINES))
def test_no_form_is_taken_from_elsewhere(eastmere: Department, route: str, method: str) -> None:
    """Without the page's own token nothing unsafe is even looked at."""
    door = next(door for door in DOORS if door.route == route)
    errand = errand_for(eastmere, door, visitors.usual_visitor(route))
    before = written(eastmere)
    answer = send(visitor(eastmere, visitors.usual_visitor(route), enforce_csrf_checks=True), door, errand, method)
    assert answer.status_code == 403
    assert "The form was too old" in words_of(answer)
    assert unsound(answer) == []
    assert written(eastmere) == before


@pytest.mark.parametrize(
    "door", [door for door in WRITING if door.route not in FOR_MACHINES], ids=lambda d: d.route
)
def test_a_form_of_our_own_page_is_taken(eastmere: Department, door: Door) -> None:
    """The counterpart: the same request with the page's token goes through."""
    who = visitors.usual_visitor(door.route)
    client = visitor(eastmere, who, enforce_csrf_checks=True)
    errand = errand_for(eastmere, door, who)
    page = client.get(reverse("sign-in"))
    token = next(fields for _, fields in visitors.read(page).forms)["csrfmiddlewaretoken"]
    answer = send(client, door, errand._replace(fields=errand.fields | {"csrfmiddlewaretoken": token}))
    assert answer.status_code == door.answer, alert_of(answer)


@pytest.mark.parametrize("route", sorted(FOR_MACHINES))
def test_a_machine_needs_no_form_and_a_cookie_opens_nothing_to_it(eastmere: Department, route: str) -> None:
    _, secret = visitors.token_of(eastmere)
    strict = Client(enforce_csrf_checks=True, headers={"Authorization": f"Token {secret}"})
    door = next(door for door in DOORS if door.route == route)
    assert send(strict, door, errand_for(eastmere, door, "Alder")).status_code == door.answer
    assert send(visitor(eastmere, "Ines"), door, errand_for(eastmere, door, "Alder")).status_code == 401


# --- boards: a workstation with nobody signed in ------------------------------------------------------


def board_at(department: Department) -> Client:
    """A workstation that Sanne made a board of, after everyone signed out."""
    sanne = visitor(department, "Sanne")
    assert sanne.post(visitors.address(department, "make-board")).status_code == 302
    workstation = visitors.nobody()
    workstation.cookies["sluicegate_board"] = sanne.cookies["sluicegate_board"].value
    return workstation


def test_a_board_is_read_with_nobody_signed_in_and_opens_nothing_else(
    eastmere: Department, westmere: Department
) -> None:
    workstation = board_at(eastmere)
    with visitors.undone():
        cast.given_load_with_alarm(eastmere)
        wall = workstation.get(visitors.address(eastmere, "wall"))
    assert (wall.status_code, unsound(wall)) == (200, [])
    assert "a spray arm does not turn" in words_of(wall).lower()
    assert not [name for name in PEOPLE if name in words_of(wall).split()]
    assert wall.headers["Cache-Control"].count("no-store") == 1
    stream = workstation.get(visitors.address(eastmere, "live"))
    visitors.put_down(stream)
    assert (stream.status_code, unsound(stream)) == (200, [])
    assert stream.headers["Content-Type"].startswith("text/event-stream")
    assert stream.headers["Cache-Control"] == "no-store"
    for door in DOORS:
        if door.method == "GET" and door.nobody == SIGN_IN and door.route not in ("root", "scan"):
            with visitors.undone():
                url = errand_for(eastmere, door, "Ines").url
                assert workstation.get(url).status_code == SIGN_IN, door.route
    for route in ("wall", "live"):
        assert workstation.get(visitors.address(westmere, route)).status_code == LEARNS_NOTHING


@pytest.mark.parametrize("cookie", ["eastmere", "eastmere:1:x", ""])
def test_nobody_makes_themselves_a_board(eastmere: Department, cookie: str) -> None:
    workstation = visitors.nobody()
    workstation.cookies["sluicegate_board"] = cookie
    for route in ("wall", "live"):
        assert workstation.get(visitors.address(eastmere, route)).status_code == LEARNS_NOTHING


# --- answers that no view makes -----------------------------------------------------------------------

BESIDES = {
    "a page that never was": ("/nothing/here/", {}, 404),
    "a slash forgotten": ("/f/eastmere/loads", {}, 301),
    "a host that is not ours": ("/", {"HTTP_HOST": "evil.example"}, 400),
    "a style sheet": ("/static/sluicegate/css/tokens.css", {}, 200),
    "the mark": ("/static/sluicegate/mark.svg", {}, 200),
}


@pytest.mark.parametrize("case", BESIDES)
def test_answers_that_no_view_makes_are_as_guarded(eastmere: Department, case: str) -> None:
    url, more, status = BESIDES[case]
    answer = visitor(eastmere, "Ines").get(url, **more)
    answer.close()
    assert answer.status_code == status
    assert unsound(answer) == []


def test_a_fault_of_the_server_tells_nothing_of_itself(
    eastmere: Department, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*anything: object) -> None:
        raise RuntimeError("the shelf of secrets")

    monkeypatch.setattr("incidents.queries.floor.open_items", broken)
    answer = visitor(eastmere, "Ines").get(visitors.address(eastmere, "now"))
    assert answer.status_code == 500
    assert "Sluicegate has a fault" in words_of(answer)
    assert b"secrets" not in answer.content
    assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"]
    assert visitors.inline_code(answer) == []

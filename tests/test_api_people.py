"""People, their roles and competences: one rule, asked by the page, by a program and by the first run.

Sources: RFC 9457 (problems); design, section 3.10 (bodies name people by id), 4 (roles) and 8 (a secret in no log).
"""

from collections.abc import Iterator
from datetime import date
from typing import Any
from uuid import UUID, uuid5

import pytest
from django.db import connection

from incidents.identity.models import Competence, Membership, Person
from incidents.ledger.writing import digest_of
from incidents.rules.events import Actor, CompetenceHeld, RightsSet
from tests import cast, visitors
from tests.api_callers import Program, problem_of, program, token_of_person, told
from tests.cast import Department
from tests.visitors import address, alert_of, visitor, words_of, written

PIA = {
    "name": "Pia",
    "login": "pia",
    "password": "seven swans a-swimming",
    "badge": "B-77",
    "pin": "7007",
    "roles": ["technician"],
}


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


def rights_set(department: Department) -> RightsSet:
    told = cast.whole_log(department)[-1].data
    assert isinstance(told, RightsSet)
    return told


def test_a_program_adds_a_person_who_then_signs_in(eastmere: Department) -> None:
    deed = eastmere.new_deed()
    ada = program(eastmere, "Ada")
    receipt = told(ada.deed("add_person", deed_id=deed, **PIA, competences=["release"]), 201)
    assert receipt["count"] == 1
    pia = uuid5(UUID(str(deed)), "person")  # RFC 9562, 5.5
    held = (CompetenceHeld("release", "2026-03-02", "2027-03-02"),)  # the cast's Monday, and 365 days
    assert rights_set(eastmere) == RightsSet(pia, ("technician",), held)
    assert told(ada.deed("add_person", deed_id=deed, **PIA, competences=["release"]), 201) == receipt
    assert Person.objects.get(login="pia").id == pia
    there = visitors.nobody()
    assert there.post("/sign-in/", {"badge": "B-77", "pin": "7007"}).status_code == 302


WRONG: dict[str, tuple[dict[str, Any], str, str]] = {
    "no name": ({"name": " "}, "person-incomplete", "needs a name"),
    "a long name": ({"name": "n" * 121}, "text-too-long", "at most 120"),
    "no sign-in name": ({"login": ""}, "person-incomplete", "needs a sign-in name"),
    "a sign-in name that is taken": ({"login": "ines.eastmere"}, "login-taken", "is taken"),
    "a badge that is taken": ({"badge": "eastmere-Ines"}, "badge-taken", "another person"),
    "a long badge": ({"badge": "b" * 65}, "text-too-long", "at most 64"),
    "a weak password": ({"password": "swan"}, "password-weak", "too short"),
    "three digits": ({"pin": "123"}, "pin", "4 to 12 digits"),
    "digits of another script": ({"pin": "١٢٣٤"}, "pin", "4 to 12 digits"),
    "no role": ({"roles": []}, "person-incomplete", "needs a role"),
    "a device": ({"roles": ["device"]}, "role-unknown", "is no role"),
    "a role that nobody knows": ({"roles": ["surgeon"]}, "role-unknown", "surgeon"),
    "a competence that nobody knows": ({"competences": ["surgery"]}, "competence-unknown", "surgery"),
}


@pytest.mark.parametrize("case", WRONG)
def test_both_doors_refuse_the_same_person_in_the_same_words(eastmere: Department, case: str) -> None:
    spoilt, code, words = WRONG[case]
    before = (written(eastmere), Person.objects.count(), Membership.objects.count())
    problem = problem_of(
        program(eastmere, "Ada").deed("add_person", **(PIA | spoilt)), 400 if code == "text-too-long" else 409
    )
    assert problem["code"] == code
    assert words in problem["detail"]
    page = visitor(eastmere, "Ada").post(address(eastmere, "add-person"), visitors.carried(eastmere) | PIA | spoilt)
    assert page.status_code == 422
    if "is no" not in words and case not in ("no name", "no sign-in name", "no role") and "unknown" not in code:
        assert words in words_of(page), alert_of(page)  # the form's own words say what is empty or no choice
    assert (written(eastmere), Person.objects.count(), Membership.objects.count()) == before


def test_no_secret_stands_in_the_log_or_beside_it(eastmere: Department) -> None:
    """Neither as it was given nor under a digest that four digits could be tried against."""
    told(program(eastmere, "Ada").deed("add_person", **PIA), 201)
    digest = "SELECT digest FROM ledger_deed ORDER BY first_position DESC LIMIT 1"
    with connection.cursor() as cursor:
        cursor.execute(digest)
        first = bytes(cursor.fetchone()[0])
        cursor.execute("SELECT body FROM ledger_event")
        bodies = " ".join(str(body) for (body,) in cursor.fetchall())
    for secret in ("Pia", "pia", "B-77", "7007", PIA["password"]):
        assert f'"{secret}"' not in bodies
    asked = {name: value for name, value in PIA.items() if name not in ("password", "pin")}
    by = Actor("person", eastmere.people["Ada"].id)
    times = {"expected_version": None, "occurred_at": None, "sequence": None}
    rest = {"competences": ()} | asked | {"roles": ("technician",)}
    assert first == digest_of("add_person", by, rest | times)


def test_rights_are_set_as_a_whole_and_bind_at_once(eastmere: Department) -> None:
    """A token of a role that was taken away opens nothing any more."""
    ines = program(eastmere, "Ines")
    told(ines.get("now/"))
    person = eastmere.people["Ines"].id
    told(
        program(eastmere, "Ada").deed("set_rights", person=person, roles=["quality"], competences=["override"]), 201
    )
    assert ines.get("now/").status_code == 401
    assert rights_set(eastmere).roles == ("quality",)
    assert list(Membership.objects.filter(person=person).values_list("role", flat=True)) == ["quality"]
    held = Competence.objects.get(person=person)
    assert (held.kind, held.valid_from, held.valid_until) == ("override", date(2026, 3, 2), date(2027, 3, 2))


def test_whoever_left_is_nobody_here_and_may_come_back(eastmere: Department) -> None:
    ada, person = program(eastmere, "Ada"), eastmere.people["Ines"].id
    told(ada.deed("set_rights", person=person, roles=[]), 201)
    assert visitor(eastmere, "Ines").get(address(eastmere, "now")).status_code == 404
    told(ada.deed("set_rights", person=person, roles=["technician"]), 201)
    assert visitor(eastmere, "Ines").get(address(eastmere, "now")).status_code == 200


def test_on_the_page_leaving_is_said_and_never_a_form_left_empty(eastmere: Department) -> None:
    url = address(eastmere, "set-rights", person=eastmere.people["Ines"].id)
    client, before = visitor(eastmere, "Ada"), written(eastmere)
    assert client.post(url, visitors.carried(eastmere)).status_code == 422
    assert written(eastmere) == before
    assert client.post(url, visitors.carried(eastmere) | {"left": "on"}).status_code == 302
    assert rights_set(eastmere) == RightsSet(eastmere.people["Ines"].id)


def test_what_would_leave_nobody_who_gives_rights_is_refused(eastmere: Department) -> None:
    ada = program(eastmere, "Ada")
    mine = {"person": eastmere.people["Ada"].id, "roles": ["quality"]}
    assert problem_of(ada.deed("set_rights", **mine), 409)["code"] == "last-administrator"
    told(ada.deed("set_rights", person=eastmere.people["Bo"].id, roles=["administrator"]), 201)
    told(ada.deed("set_rights", **mine), 201)


def test_rights_of_somebody_elsewhere_are_no_ones_here(eastmere: Department) -> None:
    """I16: a person of another department answers as one that never was."""
    westmere = visitors.another_department()
    stranger = cast.hire(westmere, "Otto", "technician").id
    ada = program(eastmere, "Ada")
    problems = [
        problem_of(ada.deed("set_rights", person=who, roles=["quality"]), 404) for who in (stranger, UUID(int=7))
    ]
    assert problems[0] == problems[1]
    assert list(Membership.objects.filter(person=stranger).values_list("facility__slug", flat=True)) == [
        westmere.facility.slug
    ]


def test_who_may_what_is_read_over_the_api(eastmere: Department) -> None:
    told(program(eastmere, "Ada").deed("add_person", **PIA, competences=["release"]), 201)
    items = told(program(eastmere, "Ines").get("people/"))["items"]
    (pia,) = (each for each in items if each["name"] == "Pia")
    assert pia["roles"] == ["technician"]
    assert pia["competences"] == [{"kind": "release", "valid_from": "2026-03-02", "valid_until": "2027-03-02"}]


def test_a_token_without_the_role_adds_nobody(eastmere: Department) -> None:
    """Ada, by a token of another role that she has, is not an administrator."""
    cast.MembershipFactory.create(facility=eastmere.facility, person=eastmere.people["Ada"], role="quality")
    secret = token_of_person(eastmere, "Ada", role="quality")
    assert problem_of(Program(eastmere, secret).deed("add_person", **PIA), 409)["code"] == "role"
    assert not Person.objects.filter(login="pia").exists()

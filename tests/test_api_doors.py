"""Every address of the API × every role × both facilities: who gets through, and who learns nothing at all.

Expected answers are the design's (sections 4 and 7) and the authority table's: nobody 401, another facility 404 as
if it had never been, a machine's token 403 wherever it doesn't report, a wrong role 409 with its sentence.
"""

from __future__ import annotations

import json
import types
import typing
from collections.abc import Iterator
from datetime import datetime
from typing import Annotated, Any, Literal
from uuid import UUID

import msgspec
import pytest
from django.test import Client

from incidents.api.deeds import OFFERED
from incidents.api.urls import of_a_facility
from incidents.operations import machines
from incidents.queries import facts
from incidents.rules.authority import DEEDS
from tests import cast, visitors
from tests.api_callers import Program, problem_of, program, told
from tests.cast import RELEASES, Department
from tests.visitors import PEOPLE, ROLES, unsound, written

FOR_MACHINES = {"observations", "observation-batch", "own-readings"}  # these stand in test_doors
ROUTES = {"api-schema", "api-docs", "api-nothing", *(route.name for route in of_a_facility)} - FOR_MACHINES
NOWHERE = UUID(int=7)


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


@pytest.fixture
def westmere(eastmere: Department) -> Department:
    return visitors.another_department()


# --- looks --------------------------------------------------------------------------------------------

LOOKS = {
    "api-now": "now/",
    "api-open-items": "open-items/",
    "api-alarms": "alarms/",
    "api-times": "times/",
    "api-incident": "incidents/{alarm}/",
    "api-loads": "loads/",
    "api-load": "loads/{load}/",
    "api-what-if": "loads/{load}/what-if/?edition=1",
    "api-machines": "machines/",
    "api-machine": "machines/{machine}/",
    "api-machine-figures": "machines/{machine}/figures/",
    "api-catalogue": "catalogue/",
    "api-policy": "policy/",
    "api-programmes": "programmes/",
    "api-trays": "trays/",
    "api-sets": "sets/",
    "api-racks": "racks/",
    "api-rack": "racks/{rack}/",
    "api-programme": "programmes/{programme}/",
    "api-paper-forms": "paper-forms/",
    "api-people": "people/",
    "api-events": "events/",
    "api-proof": "events/0/",
    "api-log": "log/",
    "api-consistency": "log/consistency/?first=1",
    "api-tokens": "tokens/",
    "api-handover": "handover/",
    "api-messages": "messages/",
    "api-contacts": "contacts/",
    "api-escalation": "escalation/",
    "api-calendar": "calendar/",
    "api-open-item": "open-items/machine/{blocked}/blocked:/",
}
ACTS = {"api-late-entries": "late-entries/", "api-signings": "signings/", "api-revoke-token": "tokens/0/revoke/"}
ACTS |= {"api-readings": f"loads/{NOWHERE}/readings/"}
ACTS |= {f"deed-{name}": f"deeds/{name}/" for name in OFFERED}


def test_every_route_has_a_line_here() -> None:
    closed = (set(LOOKS) | set(ACTS)) ^ ROUTES - {"api-schema", "api-docs", "api-nothing"}
    assert not closed, f"routes of the API and LOOKS or ACTS above differ: add or remove {sorted(closed)}"


def things_of(department: Department) -> dict[str, Any]:
    rack = cast.register_rack(department, "Rack 3")
    programme = facts.programme_id(department.id, cast.PROGRAMME_NAME)
    blocked = cast.register_machine(department, "Cedar")
    cast.done(machines.block_machine(cast.request(department, "Bo"), machine=blocked, reason="The door leaks."))
    alarm = cast.named(cast.done(cast.tell(department, "alarm-raised", code="W02", phase="wash")).deed_id, "alarm")
    return {
        "alarm": alarm,
        "blocked": blocked,
        "load": cast.given_running_load(department),
        "machine": department.machine,
        "rack": rack,
        "programme": programme,
    }


def foreigners(westmere: Department, home: Department) -> tuple[Program, Program]:
    """Another facility's people and machines, at this one's address."""
    found = (program(westmere, "Ines"), program(westmere, "Alder"))
    for each in found:
        each.department = home
    return found


@pytest.mark.parametrize("route", LOOKS)
def test_who_may_look(eastmere: Department, westmere: Department, route: str) -> None:
    path = LOOKS[route].format(**things_of(eastmere))
    for who in PEOPLE:
        answer = program(eastmere, who).get(path)
        told(answer)
        assert unsound(answer) == []
    problem_of(program(eastmere, "Alder").get(path), 403)
    problem_of(program(eastmere).get(path), 401)
    for stranger in foreigners(westmere, eastmere):
        assert problem_of(stranger.get(path), 404) == problem_of(stranger.get(path, slug="nowhere"), 404)
    for method in ("POST", "PUT", "PATCH", "DELETE", "OPTIONS"):
        problem_of(program(eastmere, "Ada").client.generic(method, f"/api/v1/f/eastmere/{path}"), 405)


@pytest.mark.parametrize(
    "route", ["api-load", "api-incident", "api-machine", "api-machine-figures", "api-rack", "api-programme"]
)
def test_an_id_of_another_facility_is_as_if_it_had_never_been(
    eastmere: Department, westmere: Department, route: str
) -> None:
    theirs, nothing = things_of(westmere), dict.fromkeys(("load", "alarm", "machine", "rack", "programme"), NOWHERE)
    ines = program(eastmere, "Ines")
    foreign, unknown = (ines.get(LOOKS[route].format(**ids)) for ids in (theirs, nothing))
    assert problem_of(foreign, 404) == problem_of(unknown, 404)
    assert foreign.content == unknown.content


def test_lists_tell_of_ones_own_facility_only(eastmere: Department, westmere: Department) -> None:
    things_of(westmere)
    cast.given_load_with_alarm(eastmere)
    mine = program(eastmere, "Ines")
    others = {str(westmere.id), str(westmere.machine), *(str(tray) for tray in westmere.trays)}
    others |= {str(person.id) for person in westmere.people.values()}
    for route, path in LOOKS.items():
        if "{" not in path:
            answer = mine.get(path)
            assert answer.status_code == 200, route
            assert not [name for name in others if name in answer.content.decode()], route
    for query in (f"stream={westmere.machine}", f"person={westmere.people['Ines'].id}"):
        assert told(mine.get(f"events/?{query}"))["items"] == []


def test_a_cursor_of_another_facility_opens_nothing(eastmere: Department, westmere: Department) -> None:
    for department in (eastmere, westmere):
        cast.register_machine(department, "Birch")
    theirs = told(program(westmere, "Ines").get("machines/?limit=1"))["next"]
    problem_of(program(eastmere, "Ines").get(f"machines/?limit=1&cursor={theirs}"), 400)


def test_tokens_are_told_to_their_own_and_to_administrators(eastmere: Department, westmere: Department) -> None:
    ines, ada = program(eastmere, "Ines"), program(eastmere, "Ada")
    visitors.token_of(eastmere)
    program(westmere, "Ines")
    (own,) = told(ines.get("tokens/"))["items"]
    assert own["person"] == str(eastmere.people["Ines"].id)
    everyones = told(ada.get("tokens/"))["items"]
    assert len(everyones) == 3
    hers = next(token for token in everyones if token["person"] == str(eastmere.people["Ada"].id))
    problem_of(ines.post(f"tokens/{hers['key']}/revoke/", {}), 404)
    told(ada.get("tokens/"))
    told(ada.post(f"tokens/{own['key']}/revoke/", {}))
    problem_of(ines.get("tokens/"), 401)


# --- deeds --------------------------------------------------------------------------------------------


def sample(kind: Any) -> Any:
    """Something that this member may say; it names nothing that is here."""
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is Annotated:
        return sample(inner[0])
    if origin is Literal:
        return inner[0]
    if origin in (typing.Union, types.UnionType):
        return sample(inner[0])
    if origin is tuple:
        return [sample(inner[0])]
    if origin is dict:
        return {sample(inner[0]): sample(inner[1])}
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return sample_of(kind)
    return {UUID: str(NOWHERE), str: "x", int: 1, bool: True, datetime: "2026-03-02T06:00:00Z"}[kind]


def sample_of(struct: type[msgspec.Struct]) -> dict[str, Any]:
    return {field.name: sample(field.type) for field in msgspec.structs.fields(struct) if field.required}


@pytest.mark.parametrize("name", OFFERED)
def test_who_may_do_it(eastmere: Department, westmere: Department, name: str) -> None:
    body = sample_of(OFFERED[name].members)
    permission = DEEDS[name]
    for who in PEOPLE:
        able = permission.competence is None or who in RELEASES
        with visitors.undone():
            answer = program(eastmere, who).post(f"deeds/{name}/", body)
            assert answer.status_code in (201, 404, 409), answer.content
            assert unsound(answer) == []
            code = "" if answer.status_code == 201 else json.loads(answer.content)["code"]
            refused = "" if ROLES[who] in permission.roles and able else "role"
            refused = "competence" if refused and ROLES[who] in permission.roles else refused
            assert (code if code in ("role", "competence") else "") == refused, who


@pytest.mark.parametrize("route", ACTS)
def test_who_comes_as_far_as_the_deed(eastmere: Department, westmere: Department, route: str) -> None:
    before = written(eastmere)
    path, url = ACTS[route], f"/api/v1/f/eastmere/{ACTS[route]}"
    for who in PEOPLE:
        problem_of(program(eastmere, who).post(path, {"no_such_member": 1}), 400)
    problem_of(program(eastmere, "Alder").post(path, {}), 403)
    problem_of(program(eastmere).post(path, {}), 401)
    for stranger in foreigners(westmere, eastmere):
        assert problem_of(stranger.post(path, {}), 404) == problem_of(stranger.post(path, {}, slug="nowhere"), 404)
    cookie = visitors.visitor(eastmere, "Ada", enforce_csrf_checks=True)
    problem_of(cookie.post(url, "{}", content_type="application/json"), 401)  # a page's session opens nothing here
    for method in ("GET", "HEAD", "PUT", "PATCH", "DELETE", "OPTIONS"):
        assert program(eastmere, "Ada").client.generic(method, url).status_code == 405
    assert written(eastmere) == before


def test_the_schema_and_its_page_are_for_everyone_and_tell_of_nobody(eastmere: Department) -> None:
    for path, kind in (("schema/", "application/vnd.oai.openapi+json"), ("docs/", "text/html; charset=utf-8")):
        answer = Client().get(f"/api/v1/{path}")
        assert (answer.status_code, answer.headers["Content-Type"], unsound(answer)) == (200, kind, [])
        assert not [name for name in ("eastmere", *PEOPLE) if name in answer.content.decode().split()]
    tag = Client().get("/api/v1/schema/").headers["ETag"]
    assert Client().get("/api/v1/schema/", headers={"If-None-Match": tag}).status_code == 304

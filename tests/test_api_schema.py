"""The whole schema against the whole API, for every role: what the schema says is what the doors do.

schemathesis makes requests of it, good ones and spoilt ones, and looks at every answer: no server error, no
status, media type or shape that the schema doesn't tell of, and nothing spoilt is ever taken. `--drill` makes many.
"""

import random
from collections.abc import Iterator
from typing import Any
from uuid import UUID

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_schema_conformance,
    status_code_conformance,
)

from incidents.api.deeds import OFFERED
from incidents.api.examples import example_of
from incidents.api.members import convert, strict
from incidents.api.urls import of_a_facility
from tests import cast, visitors
from tests.api_callers import program
from tests.cast import Department

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
    negative_data_rejection,
]
CALLERS = ("Ines", "Sanne", "Joan", "Bo", "Quinn", "Ada", "Alder", "")  # every role, a machine, and nobody
SCHEMA = schemathesis.openapi.from_wsgi("/api/v1/schema/", get_wsgi_application())
OPERATIONS = {each.ok().label: each.ok() for each in SCHEMA.get_all_operations()}


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS
    settings.API_RATE = 0


@pytest.fixture(autouse=True)
def kept_open() -> Iterator[None]:
    """The requests run beside the test, on its own connection to the database."""
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Department:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    cast.register_rack(department, "Rack 1")
    return department


def test_the_schema_tells_of_every_deed() -> None:
    told = {label.split("/")[-2] for label in OPERATIONS if "/deeds/" in label}
    assert told == set(OFFERED)


def doors() -> list[Any]:
    found = [route.callback.cls for route in of_a_facility]
    return [door for door in found if door.takes is not None]


@pytest.mark.parametrize("door", doors(), ids=lambda door: door.operation_id)
def test_every_example_is_taken_as_it_stands(door: Any) -> None:
    """The page shows it to be copied."""
    convert(example_of(door.takes), strict(door.takes) if door.for_machines else door.takes)


def things(department: Department) -> dict[str, list[str]]:
    """The ids of what is here, by the members that name them."""
    load, alarm = cast.given_load_with_alarm(department)
    cast.done(cast.acknowledge(department, load, alarm))
    machine = [str(department.machine)]
    trays = [str(tray) for tray in department.trays]
    people = [str(person.id) for person in department.people.values()]
    events = [str(event.event_id) for event in cast.events_of(department, load)]
    return {
        **{name: [str(load)] for name in ("load", "loads_nearby", "loads")},
        **dict.fromkeys(("tray", "trays"), trays),
        **dict.fromkeys(("person", "was", "claimed_by"), people),
        "machine": machine,
        "machine_code": [visitors.ALDER],
        "alarm": [str(alarm)],
        "event": events,
        "id": [str(load), *machine],
        "chamber": ["1"],
        "programme": [cast.PROGRAMME_NAME],
    }


def at_home(value: Any, here: dict[str, list[str]], chance: random.Random, name: str = "") -> Any:
    """The same request about things that are here, as often as not: else every deed would end at an unknown id."""
    if isinstance(value, dict):
        return {key: at_home(inner, here, chance, key) for key, inner in value.items()}
    if isinstance(value, list):
        return [at_home(inner, here, chance, name) for inner in value]
    known = name in here and isinstance(value, str) and value
    return chance.choice(here[name]) if known and chance.random() < 0.7 else value


@pytest.mark.drill
@pytest.mark.parametrize("label", OPERATIONS)
def test_the_doors_do_what_the_schema_says(eastmere: Department, label: str, long_drill: bool) -> None:
    operation = OPERATIONS[label]
    programs = {who: program(eastmere, who) for who in CALLERS}
    here = things(eastmere)
    fixed = {"slug": eastmere.facility.slug}
    if "{load}" in label:
        fixed["load"] = here["load"][0]
    good = operation.as_strategy(GenerationMode.POSITIVE, path_parameters=fixed)
    bad = operation.as_strategy(GenerationMode.NEGATIVE, path_parameters=fixed)

    one_by_one = label.endswith("/observations/batch/")  # what can't be read is said of each entry alone
    checks = [check for check in CHECKS if not (one_by_one and check is negative_data_rejection)]

    @settings(
        max_examples=60 if long_drill else 4,
        deadline=None,
        database=None,
        derandomize=not long_drill,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(good | bad, st.randoms())
    def every_role(case: Any, chance: random.Random) -> None:
        if case.meta is None or case.meta.generation.mode.is_positive:
            case.body = at_home(case.body, here, chance)
        for caller in programs.values():
            with visitors.undone():
                headers = {"Authorization": caller.authorization} if caller.authorization else {}
                answer = case.call(headers=headers)
                case.validate_response(answer, checks=checks)
                if one_by_one and answer.status_code == 200 and case.meta.generation.mode.is_negative:
                    assert any(each["status"] == 400 for each in answer.json())

    every_role()


def test_an_id_of_nothing_is_no_fault(eastmere: Department) -> None:
    for path in ("loads", "machines", "racks"):
        assert program(eastmere, "Ines").get(f"{path}/{UUID(int=7)}/").status_code == 404

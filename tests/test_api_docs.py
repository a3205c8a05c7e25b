"""docs/api.md as a stranger follows it: its curl commands, word for word, at the real doors."""

import json
import re
import shlex
from typing import Any
from uuid import uuid4

import pytest

from config.settings import BASE_DIR
from tests import cast, visitors
from tests.api_callers import Program, program, told
from tests.cast import Department
from tests.visitors import address, visitor, words_of

DOCS = (BASE_DIR / "docs" / "api.md").read_text()


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Department:
    return visitors.department_with_doors(monkeypatch, slug="eastmere")


def commands() -> list[list[str]]:
    """Every curl of the page as a shell would split it."""
    blocks = re.findall(r"(?m)^ {4}curl (?:.*\n(?: {4,}.*\n)*)", DOCS)
    return [shlex.split(re.sub(r"\$\(uuidgen\)", str(uuid4()), block)) for block in blocks]


def ask(command: list[str], ines: Program, alder: Program, **named: str) -> Any:
    """Do what the command does, with the token that it names."""
    caller = alder if "Token $GATEWAY" in " ".join(command) else ines
    path = next(part for part in command if part.startswith("$API/")).removeprefix("$API/")
    if "-d" not in command:
        return told(caller.get(path))
    body = command[command.index("-d") + 1]
    for name, value in named.items():
        body = body.replace(name, value)
    kind = next(part for part in command if part.startswith("Content-Type: ")).removeprefix("Content-Type: ")
    return told(caller.post(path, json.loads(body), content_type=kind), 201)


def test_an_alarm_is_posted_with_curl_and_seen_on_now(eastmere: Department) -> None:
    ines, alder = program(eastmere, "Ines"), program(eastmere, "Alder")
    running, report, items, observe = commands()
    load = cast.given_running_load(eastmere)

    (found,) = ask(running, ines, alder)["items"]
    assert found["id"] == str(load)
    ask(report, ines, alder, **{"ID-OF-THE-LOAD": found["id"]})
    assert [item["kind"] for item in ask(items, ines, alder)["items"]] == ["alarm"]
    page = visitor(eastmere, "Ines").get(address(eastmere, "now"))
    assert "a spray arm does not turn" in words_of(page).lower()
    before = visitors.written(eastmere)
    ask(observe, ines, alder)
    assert visitors.written(eastmere) > before


def test_the_page_tells_of_every_status_that_a_problem_may_have() -> None:
    from incidents.api.schema import ACTS, READS

    rows = {int(status) for row in re.findall(r"(?m)^\| ([0-9, ]+) \|", DOCS) for status in row.split(", ")}
    assert rows == {*ACTS, *READS}

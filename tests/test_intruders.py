"""What docs/threat-model.md says stands in the way, where no other file tests it.

Sources: the design (section 7: what isn't yours answers 404, with the same body in the same time), and OWASP's
Application Security Verification Standard 5.0, where a clause is named.
"""

from __future__ import annotations

import ast
import asyncio
import io
import json
import logging
import random
import re
import statistics
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from uuid import UUID
from wsgiref.util import setup_testing_defaults

import pytest
from django.apps import apps
from django.conf import settings as configured
from django.core.wsgi import get_wsgi_application
from django.db import models
from django.forms import FileField
from django.forms.forms import BaseForm
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from config.capped import RECORD_LIMIT_BYTES, capped, limit_of
from incidents.analysis.readings import BYTES_MOST
from incidents.api.observations import BATCH_LIMIT_BYTES
from incidents.ledger.models import Event
from tests import cast, visitors
from tests.api_callers import Program, problem_of, program, told
from tests.cast import Department
from tests.test_api_doors import ACTS, LOOKS
from tests.visitors import (
    ERRANDS,
    PASSWORD,
    PINS,
    address,
    badge_of,
    cloud_event,
    errand_of,
    nobody,
    visitor,
    written,
)

SOURCES = Path(configured.BASE_DIR) / "incidents"
NOWHERE = UUID(int=7)


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


# --- another facility's ids ---------------------------------------------------------------------------

PAIRS = 80
STRANGE = 5  # standard deviations of a fair coin: chance does it once in two million
NOTICEABLE = 0.15  # of the median: what noise of a busy machine hides anyhow
Ask = Callable[[], HttpResponse]


def told_apart(one: Ask, other: Ask) -> bool:
    """Can a clock tell the two? Asked in turns, each pair in a drawn order, so that load strikes both alike.

    A sign test over the pairs, and medians that differ: either alone would be noise, or nothing anybody can use.
    """
    chance = random.Random(7)
    taken: dict[Ask, list[float]] = {one: [], other: []}
    for ask in (one, other) * 3:
        ask()
    for _ in range(PAIRS):
        for ask in chance.sample((one, other), 2):
            began = time.perf_counter()
            ask()
            taken[ask].append(time.perf_counter() - began)
    slower = sum(a > b for a, b in zip(taken[one], taken[other], strict=True))
    z = abs(slower - PAIRS / 2) / (PAIRS**0.5 / 2)
    a, b = (statistics.median(each) for each in taken.values())
    return z > STRANGE and abs(a - b) > NOTICEABLE * min(a, b)


def asking(department: Department, door: str, what: str, which: UUID) -> Ask:
    """Ines’s look at a thing, on its page or over the API."""
    if door == "API":
        ines = program(department, "Ines")
        return lambda: ines.get(LOOKS[f"api-{what}"].format(**{what: which}))
    client, url = visitor(department, "Ines"), address(department, what, **{what: which})
    return lambda: client.get(url)


@pytest.mark.parametrize("what", ["load", "machine"])
@pytest.mark.parametrize("door", ["page", "API"])
def test_no_clock_tells_a_foreign_id_from_none(eastmere: Department, door: str, what: str) -> None:
    westmere = visitors.another_department()
    theirs = westmere.machine if what == "machine" else cast.given_running_load(westmere)
    foreign, unknown = (asking(eastmere, door, what, which) for which in (theirs, NOWHERE))
    assert (foreign().status_code, unknown().status_code) == (404, 404)
    assert foreign().content == unknown().content
    assert not told_apart(foreign, unknown)


def test_the_measure_sees_what_there_is_to_see(eastmere: Department) -> None:
    """A load that is here is read and told, which takes longer."""
    own, unknown = (
        asking(eastmere, "page", "load", which) for which in (cast.given_running_load(eastmere), NOWHERE)
    )
    assert own().status_code == 200
    assert told_apart(own, unknown)


@pytest.mark.parametrize("door", ["page", "API"])
def test_no_clock_tells_a_foreign_facility_from_none(eastmere: Department, door: str) -> None:
    visitors.another_department()
    ines = program(eastmere, "Ines").client if door == "API" else visitor(eastmere, "Ines")
    before = "/api/v1" if door == "API" else ""
    after = "now/" if door == "API" else ""
    foreign, unknown = (
        lambda slug=slug: ines.get(f"{before}/f/{slug}/{after}") for slug in ("westmere", "nowhere")
    )
    assert (foreign().status_code, unknown().status_code) == (404, 404)
    assert foreign().content == unknown().content
    assert not told_apart(foreign, unknown)


# --- bodies -------------------------------------------------------------------------------------------

FORM = "application/x-www-form-urlencoded"


@pytest.mark.parametrize("route", ERRANDS)
def test_no_form_takes_more_than_a_quarter_of_a_mebibyte(eastmere: Department, route: str) -> None:
    client, errand = errand_of(eastmere, route)
    before = written(eastmere)
    answer = client.post(errand.url, "words=" + "x" * configured.DATA_UPLOAD_MAX_MEMORY_SIZE, content_type=FORM)
    assert answer.status_code in (400, 413)
    assert visitors.unsound(answer) == []
    assert written(eastmere) == before


@pytest.mark.parametrize("route", [route for route in ACTS if route != "api-readings"])
def test_no_deed_takes_more_than_a_quarter_of_a_mebibyte(eastmere: Department, route: str) -> None:
    before = written(eastmere)
    body = b'{"words": "' + b"x" * 256 * 1024 + b'"}'
    problem_of(program(eastmere, "Ada").post(ACTS[route], body), 413)
    assert written(eastmere) == before


@pytest.mark.parametrize("route", ["sign-in", "first-run"])
def test_nobody_is_asked_more_either(eastmere: Department, route: str) -> None:
    answer = nobody().post(reverse(route), "login=" + "x" * 300_000, content_type=FORM)
    assert answer.status_code in (302, 400, 413)  # the first run is over: it leads elsewhere


Scope = dict[str, Any]


def through(sizes: list[int], declared: int | None = None, limit: int = 1000) -> tuple[int, int]:
    """Send a body in such pieces: the answer's status, and how many bytes came as far as the application."""
    pieces = [{"type": "http.request", "body": bytes(size), "more_body": True} for size in sizes]
    pieces.append({"type": "http.request", "body": b"", "more_body": False})
    sent: list[Scope] = []
    reached = 0

    async def application(scope: Any, receive: Any, send: Any) -> None:
        nonlocal reached
        while (message := await receive())["more_body"]:
            reached += len(message["body"])
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    async def receive() -> Scope:
        return pieces.pop(0)

    async def send(message: Scope) -> None:
        sent.append(message)

    headers = [] if declared is None else [(b"content-length", str(declared).encode())]
    asyncio.run(capped(application, limit)({"type": "http", "headers": headers}, receive, send))
    assert [message["type"] for message in sent] == ["http.response.start", "http.response.body"]
    if sent[0]["status"] == 413:
        assert json.loads(sent[1]["body"])["code"] == "too-large"
    return sent[0]["status"], reached


def test_a_longer_body_never_comes_as_far_as_the_application() -> None:
    """ASVS 5.0, 5.2.1 (files of a size that is processed) and 4.1: in chunks, nothing declares how much comes."""
    assert through([400, 600]) == (200, 1000)
    assert through([400, 600], declared=1000) == (200, 1000)
    assert through([400, 601]) == (413, 400)
    assert through([], declared=1001) == (413, 0)
    assert through([400, 601], declared=5) == (413, 400)


def test_only_a_record_of_readings_may_be_longer() -> None:
    assert limit_of("/f/eastmere/loads/7/readings/", 1000) == RECORD_LIMIT_BYTES > BYTES_MOST
    assert limit_of("/api/v1/f/eastmere/loads/7/readings/", 1000) == RECORD_LIMIT_BYTES
    assert limit_of("/f/eastmere/loads/7/readings/review/", 1000) == 1000
    assert limit_of("/f/eastmere/readings", 1000) == 1000


@pytest.mark.parametrize(
    "path", ["/sign-in/", "/api/v1/f/eastmere/observations/", "/f/eastmere/loads/new/", "/nowhere/"]
)
def test_a_longer_body_is_refused_under_any_server(db: None, path: str) -> None:
    """By the WSGI application itself, as another server would call it (PEP 3333); not a byte of it is read."""

    class Unread(io.RawIOBase):
        def readinto(self, buffer: Any) -> int:
            raise AssertionError("the body was read")

    def ask(declared: int) -> str:
        environ: dict[str, Any] = {"CONTENT_LENGTH": str(declared), "PATH_INFO": path, "REQUEST_METHOD": "POST"}
        setup_testing_defaults(environ)
        environ |= {"wsgi.input": Unread(), "HTTP_HOST": "testserver", "CONTENT_TYPE": "application/json"}
        told: list[str] = []
        answer = get_wsgi_application()(environ, lambda status, headers: told.append(status))
        list(answer)
        return told[0]

    assert ask(BATCH_LIMIT_BYTES + 1) == "413 Request Entity Too Large"
    assert ask(2**40) == "413 Request Entity Too Large"
    assert not ask(0).startswith("413")


def test_every_address_takes_what_the_outermost_door_lets_through() -> None:
    assert configured.DATA_UPLOAD_MAX_MEMORY_SIZE <= BATCH_LIMIT_BYTES


# --- files, tables, other servers ---------------------------------------------------------------------


def imports_of(path: Path) -> set[str]:
    """Every module that a file names, and what it takes from it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def importers(of: set[str], apart_from: tuple[str, ...] = ()) -> list[str]:
    files = [path for path in SOURCES.rglob("*.py") if not str(path.relative_to(SOURCES)).startswith(apart_from)]
    assert len(files) > 100
    return [str(path.relative_to(SOURCES)) for path in files if of & imports_of(path)]


CALLS_OUT = {"http.client", "urllib.request", "urllib3", "socket", "ssl", "smtplib", "ftplib", "xmlrpc.client"}
CALLS_OUT |= {"requests", "httpx", "aiohttp", "paho.mqtt.client", "django.core.mail", "subprocess", "webbrowser"}


def test_nothing_that_answers_requests_calls_another_server() -> None:
    """Against forged requests (ASVS 5.0, 1.3.6): only a program's side, commands, and the channels of the outbox
    make any at all; a channel is driven by the worker alone, and asks where it goes (`test_delivery`)."""
    assert importers(CALLS_OUT, apart_from=("client.py", "management/", "outbox/channels/")) == []
    assert "client.py" in importers(CALLS_OUT)


def test_the_one_file_that_is_uploaded_takes_a_name_of_ours(eastmere: Department) -> None:
    """ASVS 5.0, 5.3.2: a record is kept by its digest, so that no name of a file leads anywhere."""
    assert not [
        field for model in apps.get_models() for field in model._meta.fields if isinstance(field, models.FileField)
    ]
    forms = [each for each in all_subclasses(BaseForm) if each.__module__.startswith("incidents.")]
    assert len(forms) > 5
    fields = [field for form in forms for field in getattr(form, "base_fields", {}).values()]
    assert fields and not [field for field in fields if isinstance(field, FileField)]
    templates = list((Path(configured.BASE_DIR) / "templates").rglob("*.html"))
    taking = re.compile(r'type="file"|enctype=|\.FILES\b')
    found = {path.name for path in [*templates, *SOURCES.rglob("*.py")] if taking.search(path.read_text())}
    assert found == {"readings.html", "record_form.html", "readings.py"}
    client, errand = errand_of(eastmere, "readings")
    errand.fields["record"].name = "../../etc/passwd.csv"
    assert client.post(errand.url, errand.fields).status_code == 302
    assert all("passwd" not in event.body for event in Event.objects.all())


def all_subclasses(kind: type) -> Iterator[type]:
    for each in kind.__subclasses__():
        yield each
        yield from all_subclasses(each)


def test_no_table_is_handed_out_that_a_spreadsheet_would_run() -> None:
    """Formulas in exported cells (ASVS 5.0, 1.2.10): nothing exports; whoever begins writes the test for it."""
    assert importers({"csv", "openpyxl", "xlsxwriter"}, apart_from=("management/", "analysis/")) == []
    said = [path for path in SOURCES.rglob("*.py") if re.search(r"text/csv|spreadsheet", path.read_text())]
    taking = {"api/readings.py", "management/gateway/records.py"}  # they take a record, and hand none out
    assert {str(path.relative_to(SOURCES)) for path in said} == taking


# --- secrets ------------------------------------------------------------------------------------------


NEVER_AT_DEBUG = {
    "django.template",
    "django.db.backends",
}  # they would tell a page's whole context, a statement's values


def test_no_secret_is_ever_logged(eastmere: Department, caplog: pytest.LogCaptureFixture) -> None:
    """ASVS 5.0, 16.2.5: a whole incident, with slips, at the level of whoever looks for a fault."""
    for name in {"", *logging.root.manager.loggerDict} - NEVER_AT_DEBUG:
        caplog.set_level(logging.DEBUG, logger=name or None)
    assert not [name for name in NEVER_AT_DEBUG if logging.getLogger(name).isEnabledFor(logging.DEBUG)]
    secrets = {"Q!" + PASSWORD, "86420"}
    client = nobody()
    client.post(reverse("sign-in") + "?by=password", {"login": "ines.eastmere", "password": "Q!" + PASSWORD})
    client.post(reverse("sign-in") + "?by=password", {"login": "ines.eastmere", "password": PASSWORD})
    client.post(reverse("sign-in"), {"badge": badge_of(eastmere, "Ines"), "pin": "86420"})
    client.post(reverse("sign-in"), {"badge": badge_of(eastmere, "Ines"), "pin": PINS["Ines"]})
    assert client.get(address(eastmere, "now")).status_code == 200
    secrets |= {PASSWORD, client.cookies["sessionid"].value, client.cookies["csrftoken"].value[:32]} - {""}

    own = visitors.make_own_token(eastmere, "Ines")
    token = client.post(own.url, own.fields).context["secret"]
    gateway = visitors.token_of(eastmere)[1]
    secrets |= {token, token[15:], gateway, gateway[15:]}
    alarm = cloud_event("alarm-raised", {"code": "W02", "phase": "wash"})
    assert visitors.report(eastmere, gateway, alarm).status_code == 201
    assert visitors.report(eastmere, gateway[:-1] + "0", alarm).status_code in (201, 401)
    told(Program(eastmere, token).get("now/"))
    problem_of(Program(eastmere, token).get("loads/?no=such"), 400)

    release = visitors.release(eastmere, "Ines")
    client.post(release.url, release.fields | {"pin": "86420"})
    assert client.post(release.url, release.fields).status_code == 302
    signing = {"operation": "release_load", "deed_id": str(NOWHERE), "badge": badge_of(eastmere, "Ines")}
    seen = {"load": str(NOWHERE), "version": 1, "leaf": "0" * 64}
    Program(eastmere, token).post("signings/", signing | {"pin": "86420", "seen": seen, "purpose": "packing"})
    Client(raise_request_exception=False).post(release.url, release.fields)  # nobody's

    lines = [f"{record.getMessage()} {record.__dict__!r}" for record in caplog.records]
    assert [line for line in lines if "release" in line]
    spoken = {secret for secret in secrets | set(PINS.values()) for line in lines if said_in(secret, line)}
    assert spoken == set()


def said_in(secret: str, line: str) -> bool:
    """As a word: four digits stand in many a number of milliseconds."""
    return re.search(rf"(?<![\w.]){re.escape(secret)}(?![\w.])", line) is not None

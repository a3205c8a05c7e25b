"""What is told to whoever runs the server: a line for each request, gauges, and never a secret."""

import json
import logging
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as standing
from django.test import Client
from django.urls import reverse
from prometheus_client.parser import text_string_to_metric_families

from incidents.figures.models import Heartbeat
from incidents.rules.refusals import Refusal
from tests import cast, visitors
from tests.cast import Department, open_department
from tests.test_start import HOUSE, environment
from tests.visitors import visitor

pytestmark = pytest.mark.django_db
BEARER = {"HTTP_AUTHORIZATION": "Bearer s3cret"}


@pytest.fixture
def spd(db: None) -> Department:
    return open_department(slug="eastmere")


# --- the log ------------------------------------------------------------------------------------------


def test_a_request_is_one_line_by_its_route(spd: Department, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, logger="sluicegate.requests")
    visitor(spd, "Ines").get("/f/eastmere/loads/?search=Hip+retractor")
    (line,) = [record for record in caplog.records if record.name == "sluicegate.requests"]
    told = {name: getattr(line, name) for name in standing.LOGGED}
    assert told | {"ms": 0} == {
        "route": "loads",
        "method": "GET",
        "status": 200,
        "ms": 0,
        "person": str(spd.people["Ines"].id),
    }
    assert told["ms"] > 0


@pytest.mark.parametrize(
    ("given", "kept"), [("0191f0ab-proxy.1", True), ("short", False), ("a" * 65, False), ("in\tjection:1", False)]
)
def test_the_proxys_id_goes_back_with_the_answer_where_it_is_readable(given: str, kept: bool) -> None:
    answer = Client().get("/livez", headers={"X-Request-ID": given})
    assert (answer["X-Request-ID"] == given) == kept
    assert re.fullmatch(r"[A-Za-z0-9._-]{8,64}", answer["X-Request-ID"])


def test_json_is_written_where_there_is_an_origin_and_no_secret_stands_in_it(tmp_path: Path) -> None:
    """A process of its own, with its log on a file: a sign-in that fails, a page, a device's token, a 500."""
    script = """
import django; django.setup()
from django.test import Client
from django.core.management import call_command
from incidents.identity.models import Person
call_command("migrate", verbosity=0)
Person.objects.create(login="x", name="X")
client = Client(raise_request_exception=False)
over_tls = {"secure": True, "headers": {"host": "spd.example"}}
typed = {"badge": "B-77SECRET", "pin": "9911SECRET", "login": "x", "password": "pwSECRET"}
client.post("/sign-in/", typed, **over_tls)
client.get("/f/nowhere/?q=querySECRET", **over_tls)
client.post("/api/v1/f/nowhere/observations/", "{}", content_type="application/json",
            headers={"authorization": "Token tokSECRET", "host": "spd.example"}, secure=True)
import incidents.pages.health as health
def breaks(*_): raise RuntimeError("broken on purpose")
from unittest.mock import patch
with patch.object(health.guards, "flaws", breaks):
    client.get("/readyz", **over_tls)
"""
    ran = subprocess.run(
        [sys.executable, "-c", script],
        cwd=HOUSE,
        env=environment(
            DJANGO_SETTINGS_MODULE="config.settings",
            SLUICEGATE_DATA=str(tmp_path),
            SLUICEGATE_ORIGIN="https://spd.example",
        ),
        text=True,
        capture_output=True,
        timeout=60,
        check=True,
    )
    told = [json.loads(line) for line in ran.stderr.splitlines()]
    requests = [line for line in told if line["event"] == "request"]
    assert [line["status"] for line in requests] == [422, 302, 401, 500]
    assert all(line["request_id"] and line["level"] == "info" for line in requests)
    (broken,) = [line for line in told if line["level"] == "error"]
    assert "broken on purpose" in broken["exception"]
    assert broken["request_id"] == requests[-1]["request_id"]
    assert "SECRET" not in ran.stderr
    assert "SECRET" not in ran.stdout


def test_a_deploy_check_finds_nothing_for_an_https_origin(tmp_path: Path) -> None:
    surroundings = environment(
        SLUICEGATE_DATA=str(tmp_path),
        SLUICEGATE_ORIGIN="https://spd.example",
        SLUICEGATE_SECRET_KEY=os.urandom(40).hex(),
    )
    command = [sys.executable, "manage.py", "check", "--deploy", "--fail-level", "INFO"]
    ran = subprocess.run(command, cwd=HOUSE, env=surroundings, text=True, capture_output=True, timeout=60)
    assert ran.returncode == 0, ran.stderr


# --- gauges -------------------------------------------------------------------------------------------


def gauges() -> dict[tuple[str, ...], float]:
    """Every sample by its name and its labels' values."""
    answer = Client().get("/metrics", **BEARER)  # type: ignore[arg-type]
    assert answer.status_code == 200
    found = {}
    for family in text_string_to_metric_families(answer.content.decode()):
        for sample in family.samples:
            found[sample.name, *(sample.labels[name] for name in sorted(sample.labels))] = sample.value
    return found


@pytest.mark.parametrize("token", ["", "Bearer ", "Bearer wrong", "Token s3cret", "Bearer s3cret "])
def test_gauges_are_not_there_without_the_token(settings: Any, token: str) -> None:
    for wanted in ("", "s3cret"):
        settings.METRICS_TOKEN = wanted
        assert Client().get("/metrics", headers={"Authorization": token}).status_code == 404


def test_gauges_count_what_waits(spd: Department, settings: Any) -> None:
    settings.METRICS_TOKEN = "s3cret"
    assert ("sluicegate_open_items", "eastmere", "high") not in gauges()
    assert ("sluicegate_sweep_age_seconds",) not in gauges()
    cast.given_load_with_alarm(spd)
    Heartbeat.objects.create(name="sweep", at=spd.now)
    found = gauges()
    assert found["sluicegate_open_items", "eastmere", "high"] == 1
    assert found["sluicegate_log_events", "eastmere"] == len(cast.whole_log(spd))
    assert found["sluicegate_sweep_age_seconds",] > 0
    assert found["sluicegate_logs_in_doubt",] == 0


def test_gauges_time_what_was_written_and_nothing_that_was_refused(spd: Department, settings: Any) -> None:
    settings.METRICS_TOKEN = "s3cret"
    before = gauges()["sluicegate_append_seconds_count",]
    load = cast.given_assembled_load(spd)
    assert gauges()["sluicegate_append_seconds_count",] == before + 1
    assert isinstance(cast.let_go(spd, load), Refusal)
    assert gauges()["sluicegate_append_seconds_count",] == before + 1


def test_gauges_time_answers_by_route(spd: Department, settings: Any) -> None:
    settings.METRICS_TOKEN = "s3cret"
    counted = ("sluicegate_request_seconds_count", "GET", "now", "2xx")
    before = gauges().get(counted, 0)
    visitor(spd, "Ines").get(visitors.address(spd, "now"))
    visitor(spd, "Ines").get(reverse("now", args=["nowhere"]))
    assert gauges()[counted] == before + 1

"""The server deployment as it is written down: what its file promises, as far as no engine is needed for it."""

import re
from typing import Any

import pytest
import yaml

from tests.test_start import HOUSE

COMPOSE: dict[str, Any] = yaml.safe_load((HOUSE / "docker-compose.yml").read_text())
SERVICES: dict[str, Any] = COMPOSE["services"]
EVERY_SERVICE = pytest.mark.parametrize("name", SERVICES)
OURS = [name for name, service in SERVICES.items() if service.get("build")]
SECRETS = ("OWNER_PASSWORD", "APP_PASSWORD", "SLUICEGATE_SECRET_KEY")


@EVERY_SERVICE
def test_every_image_is_named_by_an_exact_tag(name: str) -> None:
    assert re.fullmatch(r"[a-z]+:\d+\.\d+(\.\d+)?(-[a-z]+)?", SERVICES[name]["image"])


@EVERY_SERVICE
def test_every_service_that_stays_is_watched_and_comes_back(name: str) -> None:
    """All but the one that migrates and leaves."""
    stays = name != "migrate"
    assert ("healthcheck" in SERVICES[name]) == stays
    assert (SERVICES[name].get("restart") == "unless-stopped") == stays


def test_only_who_migrates_and_who_dumps_knows_the_owners_password() -> None:
    knows = {name for name, service in SERVICES.items() if "OWNER_PASSWORD" in yaml.safe_dump(service)}
    assert knows == {"migrate", "postgres", "backup"}


@pytest.mark.parametrize("secret", SECRETS)
def test_secrets_come_from_the_environment_and_must_be_there(secret: str) -> None:
    text = (HOUSE / "docker-compose.yml").read_text()
    assert re.findall(rf"\$\{{{secret}[^}}]*\}}", text)
    assert set(re.findall(rf"\$\{{{secret}([^}}]*)\}}", text)) == {":?"}


@pytest.mark.parametrize("name", OURS)
def test_ours_go_without_privileges_and_beside_the_witness(name: str) -> None:
    if name == "migrate":
        return
    service = SERVICES[name]
    assert (service["read_only"], service["cap_drop"]) == (True, ["ALL"])
    assert service["volumes"] == ["witness:/witness"]
    assert service["environment"]["SLUICEGATE_WITNESS"].startswith("/witness/")


def test_the_witness_lies_apart_from_the_database() -> None:
    holders = {name for name, service in SERVICES.items() if "witness" in str(service.get("volumes"))}
    assert "postgres" not in holders
    assert "backup" not in holders


def test_every_setting_given_is_one_that_is_read() -> None:
    known = set(re.findall(r"^(\w+)  ", (HOUSE / "config" / "settings.py").read_text(), re.MULTILINE))
    given = {name for service in SERVICES.values() for name in service.get("environment", {})}
    assert {name for name in given if name.startswith("SLUICEGATE_")} <= known

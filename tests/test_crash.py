"""Killed in the middle: what was acknowledged is there, the rest is whole or absent (I4).

A power cut can't be had here: `kill -9` ends the client, not the database or the disk.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple
from urllib.parse import quote

import pytest
from django.db import connection

from incidents.ledger import merkle
from incidents.ledger.reading import head
from tests.cast import Department, open_department, rebuilt_equals_live, whole_log
from tests.specimens import body_again

pytestmark = [pytest.mark.usefixtures("committed"), pytest.mark.drill]
HOUSE = Path(__file__).resolve().parent.parent
APPENDS = 1_000


class Said(NamedTuple):
    """What the killed client had acknowledged: the deed's number, its position, its leaf."""

    n: int
    position: int
    leaf: str


@pytest.fixture
def spd(committed: None) -> Department:
    return open_department()


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    """Leads a process of its own to the database of this test."""
    named = connection.settings_dict
    settings = {"DJANGO_SETTINGS_MODULE": "config.settings", "SLUICEGATE_DATA": str(tmp_path)}
    if connection.vendor == "postgresql":
        host, user = quote(named["HOST"], safe=""), quote(named["USER"])
        login = f"{user}:{quote(named['PASSWORD'])}" if named["PASSWORD"] else user
        settings["DATABASE_URL"] = f"postgresql://{login}@{host}:{named['PORT'] or 5432}/{named['NAME']}"
    else:
        (tmp_path / "sluicegate.sqlite3").symlink_to(named["NAME"])
    return {name: value for name, value in os.environ.items() if name != "DATABASE_URL"} | settings


def client(spd: Department, environment: dict[str, str], count: int, when: str = "after") -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.appender", str(spd.id), str(spd.people["Ada"].id), str(count), when]
    return subprocess.Popen(command, cwd=HOUSE, env=environment, text=True, stdout=subprocess.PIPE)


def acknowledged(process: subprocess.Popen[str], count: int) -> Iterator[Said]:
    """Its next `count` lines; fewer where it ended before."""
    assert process.stdout is not None
    for _ in range(count):
        line = process.stdout.readline()
        if not line.endswith("\n"):
            return
        n, position, leaf = line.split()
        yield Said(int(n), int(position), leaf)


def killed_after(process: subprocess.Popen[str], count: int) -> list[Said]:
    """Kill -9 once it has said so much; what it managed to say until it was gone counts too."""
    said = list(acknowledged(process, count))
    process.send_signal(signal.SIGKILL)
    said += acknowledged(process, APPENDS)
    assert process.wait(10) == -signal.SIGKILL
    assert process.stdout is not None
    process.stdout.close()
    return said


def leaves(spd: Department) -> list[str]:
    """The leaf of every event, as the log that is left has it."""
    return [merkle.leaf_hash(body_again(event)).hex() for event in whole_log(spd)]


def lost(spd: Department, said: list[Said]) -> list[Said]:
    kept = leaves(spd)
    return [each for each in said if kept[each.position : each.position + 1] != [each.leaf]]


def log_is_whole(spd: Department) -> None:
    events, found = whole_log(spd), head(spd.id)
    assert found is not None
    assert [event.position for event in events] == list(range(found.size))
    assert merkle.root([bytes.fromhex(leaf) for leaf in leaves(spd)]) == found.root
    with connection.cursor() as cursor:
        cursor.execute("SELECT sum(count) FROM ledger_deed WHERE facility_id = %s", (spd.id,))
        assert cursor.fetchone() == (found.size,)
    rebuilt_equals_live(spd)


def test_what_was_acknowledged_survives_a_kill(
    spd: Department, environment: dict[str, str], long_drill: bool
) -> None:
    """A thousand appends, killed again and again on the way; the next client starts over with the same deeds."""
    said: list[Said] = []
    kills = 20 if long_drill else 3
    for kill in range(kills):
        said += killed_after(client(spd, environment, APPENDS), APPENDS * (kill + 1) // (kills + 1))
        assert lost(spd, said) == []
        log_is_whole(spd)
    before = len(whole_log(spd))
    again = client(spd, environment, APPENDS)
    said += acknowledged(again, APPENDS)
    assert again.wait(60) == 0
    assert again.stdout is not None
    again.stdout.close()
    assert lost(spd, said) == []
    assert {each.n for each in said} == set(range(APPENDS))
    assert len(whole_log(spd)) > before
    log_is_whole(spd)


def test_who_acknowledges_before_the_commit_loses_what_was_said(
    spd: Department, environment: dict[str, str]
) -> None:
    """Control: the same client, the same kill, but it speaks a moment too soon."""
    said = killed_after(client(spd, environment, APPENDS, "before"), 3)
    assert lost(spd, said) == said[2:]
    log_is_whole(spd)

"""Every page says when it is old, and on paper which state of the log it shows."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from itertools import islice
from typing import Any
from uuid import UUID

import pytest

from incidents.pages import live
from tests import cast, floor_cast, visitors
from tests.bare_ledger import ask
from tests.cast import Department
from tests.visitors import address, read, unsound, visitor, words_of


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


def tree_hash(leaves: list[bytes]) -> bytes:
    """MTH of RFC 9162, 2.1.1, written here once more from the standard alone."""
    if len(leaves) == 1:
        return leaves[0]
    half = 1
    while half * 2 < len(leaves):
        half *= 2
    return sha256(b"\x01" + tree_hash(leaves[:half]) + tree_hash(leaves[half:])).digest()


def log_of(department: Department) -> list[bytes]:
    bodies = ask("SELECT body FROM ledger_event WHERE facility_id = %s ORDER BY position", department.id)
    return [sha256(b"\x00" + str(body).encode()).digest() for (body,) in bodies]


PAGES = (
    "now",
    "loads",
    "assemble",
    "release-round",
    "evidence",
    "catalogue",
    "policy",
    "racks",
    "sets",
    "downtime",
)


@pytest.mark.parametrize("route", PAGES)
def test_a_page_on_paper_names_the_position_and_the_root_of_the_log(eastmere: Department, route: str) -> None:
    cast.given_aborted_load(eastmere)
    leaves = log_of(eastmere)
    answer = visitor(eastmere, "Ines").get(address(eastmere, route))
    assert unsound(answer) == []
    foot = f"{len(leaves)} events, the newest at position {len(leaves) - 1}; root {tree_hash(leaves).hex()} ."
    assert foot in words_of(answer)


@pytest.mark.parametrize("route", PAGES)
def test_every_page_has_a_bar_for_when_it_is_old(eastmere: Department, route: str) -> None:
    answer = visitor(eastmere, "Ines").get(address(eastmere, route))
    bars = [attrs for _, attrs in read(answer).elements if "data-not-live" in attrs or "data-watch-late" in attrs]
    assert len(bars) == 2
    assert all("hidden" in bar for bar in bars)
    assert bars[0]["data-live"] == address(eastmere, "live")
    assert bars[0]["data-read-at"] == f"{eastmere.now:%H:%M:%S}"


def test_a_machines_and_a_racks_page_have_them_too(eastmere: Department) -> None:
    rack = floor_cast.given_rack(eastmere)
    client = visitor(eastmere, "Ines")
    pages = [
        client.get(address(eastmere, "machine", machine=eastmere.machine)),
        client.get(address(eastmere, "rack", rack=rack)),
        client.get(address(eastmere, "load", load=cast.given_running_load(eastmere))),
    ]
    assert all("data-not-live" in page.content.decode() for page in pages)


# --- the live stream ----------------------------------------------------------------------------------

EASTMERE = UUID(int=7)


def heard(monkeypatch: pytest.MonkeyPatch, swept_s_ago: int | None) -> list[str]:
    """The first two things that a watcher hears."""
    swept_at = None if swept_s_ago is None else datetime.now(UTC) - timedelta(seconds=swept_s_ago)

    async def found() -> Any:
        return {EASTMERE: 41}, swept_at

    async def listen(stream: AsyncIterator[str]) -> list[str]:
        told = [await asyncio.wait_for(anext(stream), 10) for _ in range(2)]
        await stream.aclose()  # type: ignore[attr-defined]
        return told

    monkeypatch.setattr(live, "_read", found)
    monkeypatch.setattr(live, "poller", live.Poller())
    return list(islice(asyncio.run(listen(live.told(EASTMERE))), 2))


@pytest.mark.parametrize("seconds", [3, 90])
def test_the_stream_tells_how_long_the_log_is_and_when_the_sweep_ran(
    monkeypatch: pytest.MonkeyPatch, seconds: int
) -> None:
    position, beat = heard(monkeypatch, seconds)
    assert position == "event: position\ndata: 41\n\n"
    assert beat.startswith("event: beat\ndata: ")
    assert seconds <= int(beat.split()[-1]) <= seconds + 5


def test_a_watch_that_never_ran_has_no_age(monkeypatch: pytest.MonkeyPatch) -> None:
    assert heard(monkeypatch, None)[1] == "event: beat\ndata: \n\n"

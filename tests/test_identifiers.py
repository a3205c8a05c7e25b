"""Ids: a UUIDv7 tells its moment, and what follows from a deed has the same name every time."""

import json
import time
from datetime import UTC, datetime
from pathlib import Path
from uuid import NAMESPACE_DNS, RFC_4122, UUID

import pytest

from incidents.identity.ids import named, new_id, unix_ms

# Each value names its source in the file.
VALUES = {
    value["id"]: value
    for value in json.loads((Path(__file__).parent / "published" / "ledger_values.json").read_text())
}


def test_published_uuidv7() -> None:
    """RFC 9562's example value."""
    value = VALUES["UUIDV7"]
    found = UUID(value["inputs"]["uuid"])
    expected = value["expected"]
    assert unix_ms(found) == expected["unix_ms"], value["source"]
    assert datetime.fromtimestamp(unix_ms(found) / 1000, UTC) == datetime.fromisoformat(expected["utc"])
    assert found.version == expected["version"]
    assert f"{found.int >> 62 & 3:b}" == expected["variant"]


def test_published_uuidv5() -> None:
    """RFC 9562, A.4 (from memory; Python's uuid5 agrees)."""
    assert named(NAMESPACE_DNS, "www.example.com") == UUID("2ed6657d-e927-568b-95e1-2665a8aea6a2")


def test_a_new_id_is_a_uuidv7_of_now(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: 1_645_557_742_000_999_999)
    ids = {new_id() for _ in range(200)}
    assert len(ids) == 200
    assert {(found.version, found.variant, unix_ms(found)) for found in ids} == {(7, RFC_4122, 1_645_557_742_000)}


def test_later_ids_sort_after_earlier_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    moments = [0, 1, 999, 1_645_557_742_000, 2**48 - 1]  # ms
    ids = []
    for moment in moments:
        monkeypatch.setattr(time, "time_ns", lambda moment=moment: moment * 1_000_000)
        ids.append(new_id())
    assert ids == sorted(ids)
    assert [unix_ms(found) for found in ids] == moments


def test_a_name_gives_one_id_per_source() -> None:
    deed, other = new_id(), new_id()
    assert named(deed, "0") == named(deed, "0")
    assert len({named(deed, "0"), named(deed, "1"), named(other, "0")}) == 3
    assert named(deed, "0").version == 5

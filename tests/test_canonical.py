"""One form for what is hashed, and the door for foreign JSON. The oracle is the `rfc8785` library."""

import json
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from enum import StrEnum
from math import inf, nan
from pathlib import Path
from typing import Any, NamedTuple
from uuid import UUID
from zoneinfo import ZoneInfo

import msgspec
import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from incidents.ledger.canonical import DEPTH_LIMIT, LARGEST_INTEGER, NotCanonical, decode_strict, encode

# Each value names its source in the file.
VALUES = {
    value["id"]: value
    for value in json.loads((Path(__file__).parent / "published" / "ledger_values.json").read_text())
}
NOON = datetime(2026, 3, 4, 12, 0, 0, 5000, tzinfo=UTC)
ALDER = UUID("017f22e2-79b0-7cc3-98c4-dc0c0c07398f")


class Place(NamedTuple):
    kind: str
    id: UUID


class Side(StrEnum):
    CLEAN = "clean"


class Found(msgspec.Struct, tag="found"):
    where: Place
    counter: int
    temp_c: Any = None


class Accented(msgspec.Struct, rename={"grade": "degré"}):
    grade: int


# Published values (the RFC 8785 author's test data, and a public implementation's conformance test).


def test_the_oracle_agrees_with_the_published_values() -> None:
    for name in ("JCS-VALUES", "JCS-STRUCT"):
        value = VALUES[name]
        written = rfc8785.dumps(json.loads(value["inputs"]["json"]))
        assert written.decode() == value["expected"]["canonical"], value["source"]
    value = VALUES["JCS-RUST-CR"]
    data = decode_strict(value["expected"]["canonical"])
    assert isinstance(data, dict)
    assert set(data) == set(value["inputs"]["keys"])
    assert rfc8785.dumps(dict(reversed(data.items()))).decode() == value["expected"]["canonical"], value["source"]


def test_published_values_with_floats_or_foreign_keys_are_refused() -> None:
    for name, where in (("JCS-VALUES", "$.numbers[0]"), ("JCS-STRUCT", "$.1.\n")):
        with pytest.raises(NotCanonical, match="float") as refused:
            encode(decode_strict(VALUES[name]["inputs"]["json"]))
        assert refused.value.where == where
    with pytest.raises(NotCanonical, match="not ASCII"):
        encode(decode_strict(VALUES["JCS-RUST-CR"]["expected"]["canonical"]))


def test_published_values_that_remain_are_written_alike() -> None:
    value = VALUES["JCS-STRUCT"]  # 56.0 as 56, which is how RFC 8785 writes it
    data = decode_strict(value["inputs"]["json"].replace("56.0", "56"))
    assert encode(data).decode() == value["expected"]["canonical"], value["source"]
    value = VALUES["JCS-VALUES"]
    data = decode_strict(value["inputs"]["json"])
    assert isinstance(data, dict)
    del data["numbers"]
    assert encode(data) == value["expected"]["canonical"].partition(',"numbers"')[0].encode() + b"}", value[
        "source"
    ]


# Objects of all kinds.

KEYS = st.text(st.characters(max_codepoint=127, exclude_characters="\0"), max_size=12)
TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
WHOLE = st.integers(-LARGEST_INTEGER, LARGEST_INTEGER)
SOUND = st.one_of(st.none(), st.booleans(), WHOLE, TEXT)
FLAWED = st.one_of(
    st.floats(),
    st.integers(min_value=LARGEST_INTEGER + 1),
    st.integers(max_value=-LARGEST_INTEGER - 1),
    st.sampled_from(
        ["a\0", "\ud800", "b\udfff\\", {"é": 1}, {"\0": 1}, {"\ud800": 1}, {1: 1}, {None: 1}, {1, 2}, b"x"]
    ),
)


def trees(leaves: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.recursive(leaves, lambda inner: st.lists(inner) | st.dictionaries(KEYS, inner), max_leaves=15)


@settings(max_examples=400, deadline=None)
@given(trees(SOUND))
def test_written_as_rfc_8785_has_it_and_read_back(value: Any) -> None:
    assert encode(value) == rfc8785.dumps(value)
    assert decode_strict(encode(value)) == value


@settings(max_examples=200, deadline=None)
@given(trees(SOUND), FLAWED, st.lists(KEYS | st.none(), max_size=4))
def test_a_flaw_is_refused_wherever_it_hides(beside: Any, flaw: Any, steps: list[str | None]) -> None:
    for step in steps:
        flaw = [beside, flaw] if step is None else {step: flaw}
    with pytest.raises(NotCanonical):
        encode(flaw)


def test_what_an_event_is_made_of() -> None:
    found = Found(where=Place("load", ALDER), counter=4471, temp_c=Decimal("90.0"))
    assert encode({"z": found, "at": NOON, "day": date(2026, 3, 4), "side": Side.CLEAN, "ok": True}) == (
        b'{"at":"2026-03-04T12:00:00.005000Z","day":"2026-03-04","ok":true,"side":"clean","z":{"counter":4471,'
        b'"temp_c":"90.0","type":"found","where":["load","017f22e2-79b0-7cc3-98c4-dc0c0c07398f"]}}'
    )


def test_one_moment_has_one_form() -> None:
    london = NOON.astimezone(ZoneInfo("Europe/London"))  # winter: the same as UTC
    assert encode([NOON]) == encode([london]) == b'["2026-03-04T12:00:00.005000Z"]'


def test_text_that_only_looks_like_a_flaw_is_kept() -> None:
    assert (
        encode({"why": r"a\u0000", "name": "Zoë €"}) == rb'{"name":"Zo' + "ë €".encode() + rb'","why":"a\\u0000"}'
    )


@pytest.mark.parametrize(
    ("value", "where", "why"),
    [
        ({"a": [1, {"temp_c": 90.5}]}, "$.a[1].temp_c", "float"),
        (Found(where=Place("load", ALDER), counter=1, temp_c=nan), "$.temp_c", "float"),
        ({"a": {"b": inf}}, "$.a.b", "float"),
        ({"n": 2**53}, "$.n", "54 bits"),
        ({"n": 10**5000}, "$.n", "bits"),
        ({"a": {"é": 1}}, "$.a", "ASCII"),
        ({"a": {7: 1}}, "$.a", "ASCII"),
        ({"a": {"b\0": 1}}, "$.a", "ASCII"),
        ([Accented(1)], "$[0]", "ASCII"),
        ({"text": ["ok", "a\0b"]}, "$.text[1]", r"U\+0000"),
        ({"text": "\ud83d"}, "$.text", "surrogate"),
        ({"at": NOON.replace(tzinfo=None)}, "$.at", "UTC"),
        ({"at": NOON.astimezone(timezone(timedelta(hours=1)))}, "$.at", "UTC"),
        ({"d": Decimal("NaN")}, "$.d", "Decimal"),
        ({"s": {1, 2}}, "$.s", "set"),
        ({"b": b"raw"}, "$.b", "bytes"),
        ({"for": timedelta(1)}, "$.for", "timedelta"),
        (1.5, "$", "float"),
    ],
)
def test_a_refusal_says_what_and_where(value: Any, where: str, why: str) -> None:
    with pytest.raises(NotCanonical, match=why) as refused:
        encode(value)
    assert refused.value.where == where
    assert str(refused.value) == f"{where}: {refused.value.what}"


# Foreign JSON.


@pytest.mark.parametrize(
    ("written", "where", "why"),
    [
        ('{"a": {"b": 1, "c": 2, "b": 1}}', "$.a", "'b' comes twice"),
        (r'[{"a": 1, "\u0061": 2}]', "$[0]", "'a' comes twice"),
        ('{"a": [NaN]}', "$.a[0]", "NaN"),
        ("[-Infinity]", "$[0]", "Infinity"),
        ('{"a": 1e400}', "$.a", "too large"),
        ('{"a": 9007199254740992}', "$.a", "54 bits"),
        ('{"a": ' + "9" * 100_000 + "}", "$.a", "too large"),
        (r'{"a": "x\u0000"}', "$.a", r"U\+0000"),
        (r'{"a": {"x\u0000": 1}}', "$.a", r"U\+0000"),
        (r'{"a": ["\ud800"]}', "$.a[0]", "surrogate"),
        (r'{"\udc00": 1}', "$", "surrogate"),
        ("[" * (DEPTH_LIMIT + 1) + "]" * (DEPTH_LIMIT + 1), "$" + "[0]" * DEPTH_LIMIT, "one inside another"),
        ("[" * 100_000, "$", "one inside another"),
        ("[" * 20_000 + "]" * 20_000, "$", "one inside another"),
        (b'{"a": "\xff"}', "$", "byte 7 is not UTF-8"),
        (b"\xef\xbb\xbf{}", "$", "line 1, column 1"),
        ('{"a": 1}'.encode("utf-16"), "$", "UTF-8"),
        ('{"a": 1,\n "b": }', "$", "line 2, column 7"),
        ('{"a": 1} {}', "$", "Extra data"),
        ('"a\tb"', "$", "control character"),
        ("", "$", "line 1, column 1"),
        ("'a'", "$", "not JSON"),
    ],
    ids=lambda value: repr(value)[:30],
)
def test_foreign_json_is_refused_with_what_and_where(written: str | bytes, where: str, why: str) -> None:
    with pytest.raises(NotCanonical, match=why) as refused:
        decode_strict(written)
    assert refused.value.where == where


def test_foreign_json_at_its_limits() -> None:
    deep = "[" * DEPTH_LIMIT + "]" * DEPTH_LIMIT
    assert json.dumps(decode_strict(deep)) == deep
    assert decode_strict(f"[{LARGEST_INTEGER}, {-LARGEST_INTEGER}]") == [LARGEST_INTEGER, -LARGEST_INTEGER]
    assert decode_strict('"12345678"', limit=10) == "12345678"
    with pytest.raises(NotCanonical, match="longer than 10 bytes"):
        decode_strict('"123456789"', limit=10)


def test_foreign_json_keeps_its_text() -> None:
    assert decode_strict(rb'{"n": 1.5, "\u20ac": "\ud83d\ude00", "rtl": "\u202e", "nfd": "e\u0301"}') == {
        "n": 1.5,
        "€": "😀",
        "rtl": "\u202e",
        "nfd": "e\u0301",
    }

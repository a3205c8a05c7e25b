"""How an event's body becomes bytes, and how foreign JSON is let in.

A body has one form only, so that its hash means something: RFC 8785 (JCS), cut down to what needs neither
number formatting nor UTF-16 sorting. Keys are ASCII, numbers are whole and within ±(2^53 - 1) (RFC 7493,
2.2), moments are UTC; what has a fraction is a decimal string.
"""

import json
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from enum import Enum
from math import inf, isfinite
from typing import Any
from uuid import UUID

import msgspec
from msgspec.structs import astuple

LARGEST_INTEGER = 2**53 - 1
INPUT_LIMIT_BYTES = 256 * 1024
DEPTH_LIMIT = 32


class NotCanonical(ValueError):
    """Data that has no single form as JSON.

    what   the flaw and the way out, in a sentence
    where  its place, such as `$.readings[3].temp_c`; `$` is the whole
    """

    def __init__(self, what: str, where: str = "$") -> None:
        super().__init__(f"{where}: {what}")
        self.what = what
        self.where = where

    def under(self, key: object) -> "NotCanonical":
        """The same flaw, its place told from one container further out."""
        step = f"[{key}]" if isinstance(key, int) else f".{key}"
        return NotCanonical(self.what, f"${step}{self.where[1:]}")


# Out: what the ledger writes and hashes.

_write = msgspec.json.Encoder(order="sorted").encode
_PLAIN = frozenset({str, bool, type(None), UUID, date})


def encode(value: object) -> bytes:
    """The canonical bytes of a Struct, dict, list or tuple made of text, whole numbers, ids, moments, decimals.

    A Decimal is written as a string, an Enum as its value. Raises NotCanonical for whatever has more than
    one form, or none: floats, keys that are not ASCII text, integers beyond ±(2^53 - 1), U+0000, lone
    surrogates, moments outside UTC, other types. A quick look answers for ordinary bodies; only a doubt
    costs the careful one, which finds the place.
    """
    try:
        if _is_ordinary(value):
            body = _write(value)
            if body.isascii() and rb"\u0000" not in body:
                return body
    except (TypeError, UnicodeEncodeError):
        pass  # a type, a key or text that msgspec does not take: a doubt like the others
    _look_at(value)
    return _write(value)


def _is_ordinary(value: Any) -> bool:
    """A quick and certain yes, as far as types and sizes go; keys and text show in the bytes.

    Values are looked at before msgspec writes them, because it writes NaN as null and sorts sets.
    """
    kind = type(value)
    if kind is dict:
        items = value.values()
    elif isinstance(value, (list, tuple)):
        items = value
    else:
        items = astuple(value)
    for item in items:
        kind = type(item)
        if kind in _PLAIN:
            continue
        if kind is int:
            if not -LARGEST_INTEGER <= item <= LARGEST_INTEGER:
                return False
        elif kind is datetime:
            if item.tzinfo is not UTC:
                return False
        elif not _is_ordinary(item):
            return False
    return True


def _look_at(item: Any) -> None:
    """Refuse an item that has no single form."""
    kind = type(item)
    if kind is int:
        _refuse_large(item)
    elif kind is datetime:
        _refuse_outside_utc(item)
    elif kind is str:
        _refuse_bad_text(item)
    elif isinstance(item, Enum):
        _look_at(item.value)
    elif kind not in _PLAIN and not (kind is Decimal and item.is_finite()):
        _look_into(item)


def _look_into(container: Any) -> None:
    for key, item in _entries(container):
        try:
            _look_at(item)
        except NotCanonical as flaw:
            raise flaw.under(key) from None


def _entries(container: Any) -> Iterable[tuple[object, object]]:
    """(key or index, item) of a container whose keys are sound."""
    if isinstance(container, (list, tuple)):
        return enumerate(container)
    if type(container) is dict:
        _refuse_bad_keys(container)
        return container.items()
    if isinstance(container, msgspec.Struct):
        names = container.__struct_encode_fields__
        _refuse_bad_keys(names)
        return zip(names, astuple(container), strict=True)
    raise NotCanonical(f"{container!r:.60} ({type(container).__name__}) has no single form; write it as plain text")


def _refuse_large(number: int) -> None:
    if not -LARGEST_INTEGER <= number <= LARGEST_INTEGER:
        raise NotCanonical(f"an integer of {number.bit_length()} bits; beyond 53 readers differ, write it as text")


def _refuse_outside_utc(moment: datetime) -> None:
    if moment.utcoffset() != timedelta(0):
        raise NotCanonical(f"{moment.isoformat()} is not in UTC; convert it first")


def _refuse_bad_keys(keys: Iterable[object]) -> None:
    for key in keys:
        if type(key) is not str or not key.isascii() or "\0" in key:
            raise NotCanonical(f"the key {key!r:.60} is not ASCII text")


def _refuse_bad_text(text: str) -> None:
    if "\0" in text:
        raise NotCanonical("the text holds U+0000, which no database keeps; leave it out")
    try:
        text.encode()
    except UnicodeEncodeError:
        raise NotCanonical("the text holds half a character (a lone surrogate); send the whole one") from None


# In: what an untrusted sender wrote.


class _Pairs(list[tuple[str, object]]):
    """A JSON object as it was written, before its keys are known to be unique."""


def decode_strict(data: bytes | str, limit: int = INPUT_LIMIT_BYTES) -> object:
    """What the JSON text says, as dict, list, str, int, float, bool or None.

    limit  bytes (characters of a str) that are read at all

    Raises NotCanonical where readers would differ or suffer (RFC 8259, 4 to 8; RFC 7493, 2): not UTF-8, not
    JSON, duplicate keys, NaN and Infinity by name or by size (1e400), integers beyond ±(2^53 - 1), U+0000,
    lone surrogates, more than `limit` bytes, more than DEPTH_LIMIT containers one inside another.
    """
    if len(data) > limit:
        raise NotCanonical(f"longer than {limit} bytes; send less at a time")
    return _settle(_written(data), DEPTH_LIMIT)


def decode_each(data: bytes, limit: int) -> list[object | NotCanonical]:
    """The entries of a JSON list, each as `decode_strict` gives it, or the flaw that it has for itself.

    Raises NotCanonical where the whole is no JSON list.
    """
    if len(data) > limit:
        raise NotCanonical(f"longer than {limit} bytes; send less at a time")
    written = _written(data)
    if not isinstance(written, list) or isinstance(written, _Pairs):
        raise NotCanonical("not a JSON list; send one")
    return [_settled_or_flaw(entry) for entry in written]


def _settled_or_flaw(written: Any) -> object | NotCanonical:
    try:
        return _settle(written, DEPTH_LIMIT)
    except NotCanonical as flaw:
        return flaw


def _written(data: bytes | str) -> Any:
    """What the text says, before any of it is known to be sound. Raises NotCanonical."""
    try:
        text = data if isinstance(data, str) else data.decode()
        return json.loads(text, object_pairs_hook=_Pairs, parse_int=_whole_number)
    except UnicodeDecodeError as flaw:
        raise NotCanonical(f"byte {flaw.start} is not UTF-8; send the text as UTF-8") from None
    except json.JSONDecodeError as flaw:
        raise NotCanonical(f"not JSON at line {flaw.lineno}, column {flaw.colno}: {flaw.msg}") from None
    except RecursionError:
        raise _too_deep() from None


def _whole_number(digits: str) -> int | float:
    """Python takes a second for a million digits, and refuses them without saying where."""
    return int(digits) if len(digits) <= 20 else inf


def _settle(written: Any, depth: int) -> object:
    """`written` with its objects as dicts, once nothing in it needs refusing; `depth` containers may follow."""
    if isinstance(written, list):
        return _settle_container(written, depth)
    if isinstance(written, str):
        _refuse_bad_text(written)
    elif isinstance(written, int):
        _refuse_large(written)
    elif isinstance(written, float) and not isfinite(written):
        raise NotCanonical("NaN, Infinity or a number too large for any reader; write it as text")
    return written


def _settle_container(written: list[Any], depth: int) -> object:
    if not depth:
        raise _too_deep()
    if not isinstance(written, _Pairs):
        return [_settle_entry(at, item, depth - 1) for at, item in enumerate(written)]
    settled: dict[str, object] = {}
    for key, item in written:
        _refuse_bad_text(key)
        if key in settled:
            raise NotCanonical(f"the key {key!r:.60} comes twice; send it once")
        settled[key] = _settle_entry(key, item, depth - 1)
    return settled


def _settle_entry(key: object, item: object, depth: int) -> object:
    try:
        return _settle(item, depth)
    except NotCanonical as flaw:
        raise flaw.under(key) from None


def _too_deep() -> NotCanonical:
    return NotCanonical(f"more than {DEPTH_LIMIT} lists and objects one inside another; flatten them")

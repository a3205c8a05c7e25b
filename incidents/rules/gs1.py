"""GS1 identification: check digits, and element strings as a scanner gives them (GS1 General Specifications, 7).

What is printed here carries application identifier 91 (company internal information) with the load's number: a
number of a department's own needs no company prefix, and claims none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

FNC1 = "\x1d"  # how a scanner tells the separator
SYMBOLOGIES = ("]d2", "]C1", "]e0", "]Q3")  # DataMatrix, GS1-128, DataBar, QR code with FNC1 first
INTERNAL = "91"
_FIXED = {"00": 18, "01": 14, "02": 14, "11": 6, "15": 6, "17": 6, "20": 2}  # digits after the identifier
_FREE = ("10", "21", "90", "91", "92", "93", "94", "95", "96", "97", "98", "99")
_ALPHABET = frozenset(
    "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"  # set 82
)


def check_digit(without: str) -> int:
    """The last digit of a GTIN, GLN or SSCC: weights 3 and 1 from the right, up to the next ten."""
    if not (without.isascii() and without.isdigit()):
        raise ValueError("a GS1 key has digits only")
    total = sum(int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(without)))
    return -total % 10


def is_key(number: str) -> bool:
    """Does the number end in its own check digit?"""
    whole = number.isascii() and number.isdigit() and len(number) > 1
    return whole and check_digit(number[:-1]) == int(number[-1])


def element_string(elements: Sequence[tuple[str, str]]) -> str:
    """As it is encoded, without the leading FNC1. Raises ValueError where a value can't stand in it."""
    parts = []
    for place, (identifier, value) in enumerate(elements):
        if not value or len(value) > 90 or not set(value) <= _ALPHABET:
            raise ValueError(f"({identifier}) can’t hold {value[:40]!r}")
        ends = FNC1 if identifier not in _FIXED and place < len(elements) - 1 else ""
        parts.append(identifier + value + ends)
    return "".join(parts)


def read(scanned: str) -> Mapping[str, str]:
    """Identifiers and values of what a scanner read; nothing where it is no element string."""
    mark = next((mark for mark in SYMBOLOGIES if scanned.startswith(mark)), "")
    if not mark and not scanned.startswith(FNC1):
        return {}
    rest, found = scanned.removeprefix(mark).removeprefix(FNC1), {}
    while rest:
        identifier, rest = rest[:2], rest[2:]
        if identifier in _FIXED:
            length = _FIXED[identifier]
            value, rest = rest[:length], rest[length:].removeprefix(FNC1)
        elif identifier in _FREE:
            value, _, rest = rest.partition(FNC1)
        else:
            return {}
        found[identifier] = value
    return found


def load_number(scanned: str) -> str:
    """The number that one of our own labels carries; else what was scanned, as it is."""
    return read(scanned).get(INTERNAL, scanned)

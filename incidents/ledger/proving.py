"""What proves a facility's log to somebody who doesn't trust its server (RFC 9162, 2.1).

Every leaf up to the size asked for is hashed anew from its stored bytes, 1.5 µs each: nothing but the bytes
themselves is believed. Kept meanwhile are 32 bytes of each, not the log.
"""

from __future__ import annotations

from typing import NamedTuple
from uuid import UUID

from incidents.ledger import merkle
from incidents.ledger.dialect import Hand, translated
from incidents.ledger.reading import head


class Inclusion(NamedTuple):
    """That the body (exact text) stands at `position` of the first `size` events; hashes in hex."""

    position: int
    body: str
    leaf: str
    size: int
    path: list[str]
    root: str


class Consistency(NamedTuple):
    """That the log of `first` events is the beginning of that of `second`; hashes in hex."""

    first: int
    first_root: str
    second: int
    second_root: str
    path: list[str]


def inclusion(facility: UUID, position: int, size: int | None) -> Inclusion | None:
    """None where the log of that size has no such event, or isn't that long."""
    leaves = _leaves(facility, size)
    if leaves is None or position >= len(leaves):
        return None
    path = [step.hex() for step in merkle.inclusion_path(position, leaves)]
    (body,) = _bodies(facility, position, position + 1)
    return Inclusion(position, body.decode(), leaves[position].hex(), len(leaves), path, merkle.root(leaves).hex())


def consistency(facility: UUID, first: int, second: int | None) -> Consistency | None:
    """None where the log isn't that long, or the first is longer than the second."""
    leaves = _leaves(facility, second)
    if leaves is None or first > len(leaves):
        return None
    path = [step.hex() for step in merkle.consistency_proof(first, len(leaves), leaves)]
    earlier = merkle.root(leaves[:first]).hex()
    return Consistency(first, earlier, len(leaves), merkle.root(leaves).hex(), path)


def _leaves(facility: UUID, size: int | None) -> list[bytes] | None:
    """The hashes of the first `size` events, or of all; None where there are fewer."""
    standing = head(facility)
    if standing is None or (size is not None and size > standing.size):
        return None
    end = standing.size if size is None else size
    return [
        merkle.leaf_hash(body)
        for start in range(0, end, _AT_ONCE)
        for body in _bodies(facility, start, min(start + _AT_ONCE, end))
    ]


def _bodies(facility: UUID, start: int, end: int) -> list[bytes]:
    """The stored bytes of the events from one position to before another."""
    with translated():
        return [body.encode() for (body,) in Hand().rows(_SPAN, (facility, start, end))]


_AT_ONCE = 10_000
_SPAN = (
    "SELECT body FROM ledger_event WHERE facility_id = %s AND position >= %s AND position < %s ORDER BY position"
)

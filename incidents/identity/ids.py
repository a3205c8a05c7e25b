"""Ids: UUIDv7 for what a door starts, UUIDv5 for what follows from it.

RFC 9562. A deed's id is a UUIDv7 made by whoever acts; everything the deed brings into being is named
from it, so that the same deed sent twice names the same things.
"""

import secrets
import time
from datetime import datetime
from hashlib import sha1, sha256
from uuid import UUID

_MARKED = (5 << 76) | (2 << 62)  # version and variant
_UNMARKED = ~((15 << 76) | (3 << 62))


def new_id() -> UUID:
    """A UUIDv7 of this moment: 48 bits of Unix milliseconds, 74 of chance (RFC 9562, 5.7)."""
    unix_ms = time.time_ns() // 1_000_000
    value = (unix_ms << 80) | (7 << 76) | (secrets.randbits(12) << 64) | (2 << 62) | secrets.randbits(62)
    return UUID(int=value)


def of_moment(source: UUID, name: str, moment: datetime) -> UUID:
    """A UUIDv7 of that moment whose chance is drawn from `source` and `name`: the same ones name the same id."""
    drawn = int.from_bytes(sha256(source.bytes + name.encode()).digest()[:10])
    unix_ms = int(moment.timestamp() * 1000)
    return UUID(
        int=(unix_ms << 80) | (7 << 76) | ((drawn >> 62 & 0xFFF) << 64) | (2 << 62) | (drawn & (1 << 62) - 1)
    )


def named(source: UUID, name: str) -> UUID:
    """The id of what `source` brings into being under `name`: a UUIDv5 (RFC 9562, 5.5)."""
    value = int.from_bytes(sha1(source.bytes + name.encode(), usedforsecurity=False).digest()[:16])
    return UUID(int=value & _UNMARKED | _MARKED)


def unix_ms(value: UUID) -> int:
    """The moment inside a UUIDv7, in milliseconds since 1970-01-01 UTC."""
    return value.int >> 80

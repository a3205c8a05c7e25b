"""Bytes too large for an event, named by their SHA-256 and kept per facility, written before the lock."""

from __future__ import annotations

import hashlib
from typing import BinaryIO
from uuid import UUID

from django.db import connection, transaction

from incidents.ledger.dialect import unless_there

PIECE_BYTES = 1024 * 1024


def name_of(data: bytes) -> str:
    """The name that these bytes would have."""
    return hashlib.sha256(data).hexdigest()


def put(facility: UUID, data: bytes) -> str:
    """Keep `data`; the same bytes twice are kept once. Returns their digest as hex."""
    digest = hashlib.sha256(data).digest()
    pieces = range(0, max(len(data), 1), PIECE_BYTES)
    with transaction.atomic(), connection.cursor() as cursor:
        for seq, start in enumerate(pieces):
            named = (facility, digest, seq)
            cursor.execute(_PUT + unless_there(), (*named, data[start : start + PIECE_BYTES], *named))
    return digest.hex()


def put_file(facility: UUID, file: BinaryIO) -> str:
    """As `put`, a piece at a time: whatever its length, one piece of it is in memory."""
    digest = hashlib.sha256()
    file.seek(0)
    while piece := file.read(PIECE_BYTES):
        digest.update(piece)
    file.seek(0)
    named = digest.digest()
    with transaction.atomic(), connection.cursor() as cursor:
        seq, piece = 0, file.read(PIECE_BYTES)
        while piece or seq == 0:
            key = (facility, named, seq)
            cursor.execute(_PUT + unless_there(), (*key, piece, *key))
            seq, piece = seq + 1, file.read(PIECE_BYTES)
    return named.hex()


def get(facility: UUID, digest: str) -> bytes:
    """The bytes of this facility under `digest`. Raises LookupError, also where they are another's."""
    with connection.cursor() as cursor:
        cursor.execute(_GET, (facility, bytes.fromhex(digest)))
        pieces = [bytes(piece) for (piece,) in cursor.fetchall()]
    if not pieces:
        raise LookupError(f"no bytes {digest[:12]}… here")
    data = b"".join(pieces)
    if hashlib.sha256(data).hexdigest() != digest:
        raise LookupError(f"the bytes under {digest[:12]}… are not what their name says")
    return data


_PUT = (
    "INSERT INTO ledger_blob (facility_id, digest, seq, piece) SELECT %s, %s, %s, %s WHERE NOT EXISTS"
    " (SELECT 1 FROM ledger_blob WHERE facility_id = %s AND digest = %s AND seq = %s)"
)
_GET = "SELECT piece FROM ledger_blob WHERE facility_id = %s AND digest = %s ORDER BY seq"

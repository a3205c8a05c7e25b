"""A record's columns as few bytes: whole numbers of the record's own last decimal, as differences, then deflated.

What comes back is what was read, number for number: a column that isn't such decimals stays as it is. The canonical
bytes are the same for the same readings, whatever file they came in; deflating them is not part of that.
"""

from __future__ import annotations

import json
import struct
import zlib
from datetime import datetime
from itertools import groupby
from typing import Any

import numpy as np
from numpy.typing import NDArray

from incidents.analysis.lethality import Floats
from incidents.analysis.readings import Record, Signal

MAGIC = b"SGR1"
DECIMALS_MOST = 6
_EXACT = 2.0**53  # beyond it a double has no last whole digit
_KINDS = ("<i1", "<i2", "<i4", "<i8")


def canonical(record: Record) -> bytes:
    """The same bytes for the same times, signals, marks and start."""
    columns = [("time", "s", record.times), *((each.name, each.unit, each.values) for each in record.signals)]
    told, parts = [], []
    for name, unit, values in columns:
        how, data = _column(values)
        told.append([name, unit, *how])
        parts.append(data)
    header = {
        "columns": told,
        "marks": [[word, len(list(run))] for word, run in groupby(record.marks)],
        "repeated": record.repeated,
        "rows": int(record.times.size),
        "started_at": record.started_at.isoformat() if record.started_at else None,
    }
    text = json.dumps(header, sort_keys=True, separators=(",", ":")).encode()
    return b"".join([MAGIC, struct.pack("<I", len(text)), text, *parts])


def packed(canonical_bytes: bytes) -> bytes:
    return zlib.compress(canonical_bytes, 9)


def unpacked(data: bytes) -> Record:
    """The record again. Raises ValueError where these are no such bytes."""
    whole = zlib.decompress(data)
    if whole[:4] != MAGIC:
        raise ValueError("these bytes are no packed record")
    (length,) = struct.unpack_from("<I", whole, 4)
    header: dict[str, Any] = json.loads(whole[8 : 8 + length])
    at, rows, found = 8 + length, header["rows"], []
    for name, unit, kind, decimals, missing in header["columns"]:
        values, at = _values(whole, at, rows, kind, decimals, missing)
        found.append(Signal(name, unit, values))
    marks = tuple(word for word, count in header["marks"] for _ in range(count))
    begun = datetime.fromisoformat(header["started_at"]) if header["started_at"] else None
    return Record(found[0].values, tuple(found[1:]), marks, begun, header["repeated"])


def _column(values: Floats) -> tuple[tuple[str, int, bool], bytes]:
    """How a column is told (kind of number, decimals, whether readings are missing), and its bytes."""
    there = np.isfinite(values)
    missing = not there.all()
    mask = np.packbits(~there).tobytes() if missing else b""
    decimals = _decimals(values[there])
    if decimals is None:
        return ("<f8", 0, missing), mask + np.where(there, values, 0.0).astype("<f8").tobytes()
    whole = np.zeros(values.size, dtype=np.int64)
    whole[there] = np.rint(values[there] * 10.0**decimals).astype(np.int64)
    steps = np.diff(_carried(whole, there), prepend=0)
    kind = next(kind for kind in _KINDS if _fits(steps, kind))
    return (kind, decimals, missing), mask + steps.astype(kind).tobytes()


def _decimals(values: Floats) -> int | None:
    """With how few decimals these numbers are told exactly; None where six are too few."""
    if not np.all(np.abs(values) < _EXACT):
        return None
    for decimals in range(DECIMALS_MOST + 1):
        scaled = np.rint(values * 10.0**decimals)
        if np.all(np.abs(scaled) < _EXACT) and np.array_equal(scaled / 10.0**decimals, values):
            return decimals
    return None


def _carried(whole: NDArray[np.int64], there: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Where a reading is missing, the one before it: its difference is then nought."""
    last = np.maximum.accumulate(np.where(there, np.arange(whole.size), -1))
    return np.where(last >= 0, whole[np.maximum(last, 0)], 0)


def _fits(steps: NDArray[np.int64], kind: str) -> bool:
    limits = np.iinfo(np.dtype(kind))
    return bool(steps.min(initial=0) >= limits.min and steps.max(initial=0) <= limits.max)


def _values(whole: bytes, at: int, rows: int, kind: str, decimals: int, missing: bool) -> tuple[Floats, int]:
    gone = None
    if missing:
        length = -(-rows // 8)
        bits = np.frombuffer(whole, dtype=np.uint8, count=length, offset=at)
        gone, at = np.unpackbits(bits, count=rows).astype(bool), at + length
    told = np.frombuffer(whole, dtype=kind, count=rows, offset=at)
    at += rows * np.dtype(kind).itemsize
    values = told.astype(np.float64) if kind == "<f8" else np.cumsum(told, dtype=np.int64) / 10.0**decimals
    if gone is not None:
        values[gone] = np.nan
    return values, at

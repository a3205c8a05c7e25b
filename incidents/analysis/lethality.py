"""Heat delivered at a recorded probe: A0 and F0, from a curve of readings.

A0 is the equivalent time in seconds at 80 °C for organisms with z = 10 K; nothing below 65 °C counts (ISO 15883-1,
Annex B; the limit of 65 °C from memory). F0 is the equivalent time in minutes at 121.11 °C with z = 10 K. Both
are the integral of 10^((T − reference) / z) over time. Between two readings the curve is taken as straight, and the
integral of a straight segment is elementary, so the result does not depend on how often the recorder wrote
(rectangles are about 1 % low on a ramp at 1 s and 9 % at 10 s). A probe proves what it saw, not what the load
got: only a validation report relates the two.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Rule = Literal["exact", "lower"]
Floats = NDArray[np.float64]
LN10 = float(np.log(10.0))
A0_REFERENCE_C = 80.0
A0_FLOOR_C = 65.0
F0_REFERENCE_C = 121.11
Z_K = 10.0
MAX_GAP_S = 30.0
COLDEST_C, HOTTEST_C = -50.0, 300.0  # beyond these a probe is open or shorted: no reading
SLIGHT = 1e-9  # below it a segment is flat: (e^x − 1) / x is 1 to the last digit


class Gap(NamedTuple):
    """A stretch without readings, in seconds of the record. It counts as nothing."""

    from_s: float
    to_s: float


class Delivered(NamedTuple):
    """`value` in the reference's unit of seconds; `low` and `high` are its ends under the tolerance."""

    value: float
    low: float
    high: float
    above_floor_s: float
    gaps: tuple[Gap, ...]


def rate(celsius: Floats | float, *, z: float = Z_K, reference: float = A0_REFERENCE_C) -> Floats:
    """Equivalent seconds at the reference that one second at this temperature is worth."""
    worth: Floats = np.power(10.0, (np.asarray(celsius, dtype=np.float64) - reference) / z)
    return worth


def time_for(wanted: float, celsius: float, *, z: float = Z_K, reference: float = A0_REFERENCE_C) -> float:
    """Seconds at a steady temperature that deliver `wanted` equivalent seconds."""
    return float(wanted / rate(celsius, z=z, reference=reference))


def delivered(
    times: Floats,
    celsius: Floats,
    *,
    z: float = Z_K,
    reference: float = A0_REFERENCE_C,
    floor: float | None = A0_FLOOR_C,
    max_gap: float = MAX_GAP_S,
    bias: float = 0.0,
    tolerance: float = 0.0,
    rule: Rule = "exact",
) -> Delivered:
    """What one probe saw delivered.

    `times` in seconds, rising; `celsius` the readings, NaN or beyond any cycle where one is missing. `bias` is
    reading minus truth, in K; `tolerance` is what remains uncertain on either side, in K. The floor applies to the
    corrected curve.
    A stretch longer than `max_gap` seconds without a reading counts as nothing and is listed, also at either end.
    Rule *exact* takes straight segments, *lower* each interval at the lower of its two readings.

    Raises ValueError when the two differ in length or the times don't rise.
    """
    times, celsius = np.asarray(times, dtype=np.float64), np.asarray(celsius, dtype=np.float64)
    if times.shape != celsius.shape or times.ndim != 1:
        raise ValueError(f"{times.size} times and {celsius.size} readings")
    there = (celsius >= COLDEST_C) & (celsius <= HOTTEST_C)
    read_at, read = times[there], celsius[there] - bias
    spans = np.diff(read_at)
    if np.any(spans <= 0):
        raise ValueError("the times don't rise")
    counted = spans <= max_gap

    def summed(curve: Floats) -> float:
        worth = integral(spans, curve, z=z, reference=reference, floor=floor, rule=rule)
        return float(np.sum(worth, where=counted))

    return Delivered(
        summed(read),
        summed(read - tolerance),
        summed(read + tolerance),
        float(np.sum(_above(spans, read, floor)[2], where=counted)),
        _gaps(times, read_at, max_gap),
    )


def integral(
    spans: Floats, celsius: Floats, *, z: float, reference: float, floor: float | None, rule: Rule
) -> Floats:
    """What each of the n − 1 intervals between n readings is worth, in equivalent seconds at the reference."""
    if rule == "lower":
        lower = np.minimum(celsius[:-1], celsius[1:])
        worth = spans * rate(lower, z=z, reference=reference)
        return worth if floor is None else np.where(lower >= floor, worth, 0.0)
    begin, end, within = _above(spans, celsius, floor)
    slope = LN10 * (end - begin) / z
    flat = np.abs(slope) < SLIGHT
    mean = np.where(flat, 1.0, np.expm1(slope) / np.where(flat, 1.0, slope))
    return within * rate(begin, z=z, reference=reference) * mean


def _above(spans: Floats, celsius: Floats, floor: float | None) -> tuple[Floats, Floats, Floats]:
    """The part of each straight segment at or above the floor: its two temperatures, and its seconds."""
    begin, end = celsius[:-1], celsius[1:]
    if floor is None:
        return begin, end, spans
    rise = end - begin
    safe = np.where(rise == 0, 1.0, rise)
    crosses = (begin < floor) != (end < floor)
    reached = (floor - begin) / safe  # the share of the segment at which it meets the floor
    upper_part = np.where(begin < floor, 1.0 - reached, reached)
    share = np.where(crosses, upper_part, np.where(begin < floor, 0.0, 1.0))
    return np.maximum(begin, floor), np.maximum(end, floor), spans * share


def _gaps(times: Floats, read_at: Floats, max_gap: float) -> tuple[Gap, ...]:
    """Also before a probe's first reading and after its last, where the record goes on without it."""
    heard = np.concatenate((times[:1], read_at, times[-1:]))
    silent = np.diff(heard) > max_gap
    return tuple(Gap(float(a), float(b)) for a, b in zip(heard[:-1][silent], heard[1:][silent], strict=True))

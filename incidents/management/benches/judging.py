"""Records of an hour with four load probes held against a programme, beside a plain loop over the same readings."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence

import msgspec
import numpy as np

from incidents.analysis.criteria import Calibration, Criteria, Lethality, PhaseLimits
from incidents.analysis.findings import told
from incidents.analysis.readings import Record, Signal
from incidents.analysis.records import judge

SECONDS, PROBES, PLAIN_CYCLES = 3600, 4, 10
KNEES_S = (0, 180, 600, 1200, 1260, 1800, 2300, 2700, 2760, SECONDS - 1)
KNEES_C = (20, 21, 57, 57, 25, 25, 91, 91.5, 40, 70)
BEGINS_S = {"pre-wash": 0, "wash": 180, "rinse": 1260, "disinfection": 1800, "drying": 2701}
LOW_C, HIGH_C, HELD_S = 90.0, 95.0, 300.0
CRITERIA = Criteria(
    phases=tuple(
        PhaseLimits(code, 91, LOW_C, HIGH_C, HELD_S) if code == "disinfection" else PhaseLimits(code)
        for code in BEGINS_S
    ),
    source="bench",
    disinfection=Lethality(3000, "bench"),
    gap_s=10,
    sampling_s=2,
    probes=PROBES,
    calibration=Calibration(0.3),
)


class Figure(msgspec.Struct, frozen=True):
    """Seconds of one core for a thousand records, and how many times as long the plain loop takes."""

    name: str
    database: str
    seconds_per_1000_cycles: float
    times_the_plain_loop: float


def run(cycles: int) -> Sequence[Figure]:
    """Judge that many different records; the plain loop judges a few of them and must find the same A0."""
    records = [record(seed) for seed in range(min(cycles, 50))]
    began = time.perf_counter()
    for n in range(cycles):
        judge(records[n % len(records)], CRITERIA)
    ours_s = (time.perf_counter() - began) / cycles
    began = time.perf_counter()
    plain = [least_a0(each) for each in records[:PLAIN_CYCLES]]
    plain_s = (time.perf_counter() - began) / len(plain)
    for each, a0_s in zip(records, plain, strict=False):
        found = next(finding for finding in judge(each, CRITERIA).findings if finding.criterion == "disinfection")
        if not found.found.startswith(f"A0 {told(a0_s)} s"):
            raise ValueError(f"the plain loop finds {a0_s}, not {found.found}")
    name = f"judge {cycles} records of {SECONDS} s with {PROBES} probes"
    return [Figure(name, "no database", 1000 * ours_s, plain_s / ours_s)]


def record(seed: int) -> Record:
    chance = np.random.default_rng(seed)
    times = np.arange(float(SECONDS))
    curve = np.interp(times, KNEES_S, KNEES_C)
    signals = tuple(
        Signal(f"probe_{n}", "degC", curve + 0.05 * n + chance.normal(0, 0.03, SECONDS))
        for n in range(1, PROBES + 1)
    )
    phase = [next(code for code in reversed(BEGINS_S) if t >= BEGINS_S[code]) for t in range(SECONDS)]
    return Record(times, signals, tuple(phase), None, 0)


def least_a0(record: Record) -> float:
    """The same by a plain loop: A0 by straight segments, the longest hold and both bands; A0 is given back."""
    times, marks = record.times.tolist(), record.marks
    curves = [signal.values.tolist() for signal in record.signals]
    rows = [n for n, mark in enumerate(marks) if mark == "disinfection"]
    a0_s = [0.0] * len(curves)
    hottest, held_s, longest_s = -math.inf, 0.0, 0.0
    for n in rows[:-1]:
        span = times[n + 1] - times[n]
        for k, curve in enumerate(curves):
            a0_s[k] += _segment(span, curve[n], curve[n + 1])
            hottest = max(hottest, curve[n])
        both = min(min(curve[n], curve[n + 1]) for curve in curves) >= LOW_C
        held_s = held_s + span if both else 0.0
        longest_s = max(longest_s, held_s)
    return min(a0_s) if hottest <= HIGH_C and longest_s >= HELD_S else -1.0


def _segment(span: float, begin: float, end: float) -> float:
    """10^((T − 80) / 10) over a straight segment, nothing below 65 °C."""
    if begin < 65 and end < 65:
        return 0.0
    if (begin < 65) != (end < 65):
        share = (max(begin, end) - 65) / abs(end - begin)
        span, begin, end = span * share, max(begin, 65.0), max(end, 65.0)
    slope = math.log(10) * (end - begin) / 10
    return span * 10 ** ((begin - 80) / 10) * (math.expm1(slope) / slope if abs(slope) > 1e-9 else 1.0)

"""The temperature probes of a record: what each read less its bias, and what makes one doubtful."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from incidents.analysis.criteria import Calibration, Criteria
from incidents.analysis.findings import Doubt, degrees, told
from incidents.analysis.lethality import Floats
from incidents.analysis.readings import Record

UNKNOWN = Calibration(0.0)


class Load(NamedTuple):
    """The load probes by name, and the coldest and hottest of them at each moment with both ends of uncertainty.

    Where one of them has no reading, coldest and hottest have none.
    """

    names: tuple[str, ...]
    celsius: dict[str, Floats]
    calibrations: dict[str, Calibration]
    coldest: Floats
    coldest_low: Floats
    coldest_high: Floats
    hottest: Floats
    hottest_low: Floats
    hottest_high: Floats


def load(record: Record, criteria: Criteria) -> Load:
    """The signals named `probe_…`, in the order of their names. What no water can be counts as not read."""
    lowest, highest = criteria.plausible_c
    celsius = {
        name: np.where((curve >= lowest) & (curve <= highest), curve, np.nan)
        for name, curve in sorted(record.temperatures.items())
        if name.startswith("probe_")
    }
    calibrations = {name: criteria.calibration_of(name) or UNKNOWN for name in celsius}
    if not celsius:
        nothing = np.full(record.times.size, np.nan)
        return Load((), {}, {}, *(nothing,) * 6)
    true = np.array([curve - calibrations[name].bias_k for name, curve in celsius.items()])
    unsure = np.array([[calibrations[name].tolerance_k] for name in celsius])
    low, high = true - unsure, true + unsure
    return Load(
        tuple(celsius),
        celsius,
        calibrations,
        *(each.min(axis=0) for each in (true, low, high)),
        # the hottest that was seen is too hot, also while another probe said nothing
        *(np.fmax.reduce(each, axis=0) for each in (true, low, high)),
    )


def pair(record: Record, criteria: Criteria) -> dict[str, Floats]:
    """Control and independent probe less their biases, where they are recorded."""
    return {
        name: curve - (criteria.calibration_of(name) or UNKNOWN).bias_k
        for name, curve in record.temperatures.items()
        if name in ("control", "independent")
    }


def doubts(record: Record, criteria: Criteria, name: str, rows: slice) -> list[Doubt]:
    """What makes this probe doubtful in these rows."""
    curve, times = record.temperatures[name][rows], record.times[rows]
    absent = ~np.isfinite(curve)
    if absent.all():
        return [Doubt("sensor", f"{name} read nothing")]
    found = []
    if absent.any():
        n = int(absent.sum())
        many = f"{n} readings are" if n > 1 else "a reading is"
        found.append(Doubt("unseen", f"{many} missing at {name}, first at {told(times[np.argmax(absent)])} s"))
    lowest, highest = criteria.plausible_c
    with np.errstate(invalid="ignore"):
        odd = (curve < lowest) | (curve > highest)
    if odd.any():
        at = int(np.argmax(odd))
        found.append(
            Doubt("sensor", f"{name} reads {degrees(curve[at])} at {told(times[at])} s: an open or shorted circuit")
        )
    stuck = _stuck(record, criteria, name)
    if stuck:
        found.append(stuck)
    return found


def _stuck(record: Record, criteria: Criteria, name: str) -> Doubt | None:
    """A probe that says the same for long while another moves, or through a whole cycle of several phases."""
    whole = record.temperatures
    there = np.isfinite(whole[name])
    times, curve = record.times[there], whole[name][there]
    changes = np.flatnonzero(np.diff(curve)) + 1
    starts, ends = np.concatenate([[0], changes]), np.concatenate([changes - 1, [curve.size - 1]])
    lasting = np.flatnonzero(times[ends] - times[starts] >= criteria.stuck_s)
    for n in lasting:
        begin, end = times[starts[n]], times[ends[n]]
        during = slice(*np.searchsorted(record.times, [begin, end]) + np.array([0, 1]))
        moves = max((_moved(other[during]) for key, other in whole.items() if key != name), default=0.0)
        throughout = starts[n] == 0 and ends[n] == curve.size - 1 and len(set(record.marks)) > 1
        if moves >= criteria.stuck_k or throughout:
            return Doubt(
                "sensor", f"{name} is stuck at {degrees(curve[starts[n]])} from {told(begin)} to {told(end)} s"
            )
    return None


def _moved(curve: Floats) -> float:
    there = curve[np.isfinite(curve)]
    return float(np.ptp(there)) if there.size else 0.0

"""A cycle's record of readings from the small physical model: every 5 s, each phase as long as planned.

Bytes depend on nothing but what is asked: the same cycle of the same seed is the same file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple
from uuid import UUID

import numpy as np

from incidents.simulation.curves import BAND_K, Celsius, Plant, Probe, followed, mixed_c, warmed_c

STEP_S = 5
PROBES = ("probe_1", "probe_2", "probe_3", "probe_4", "control", "independent")
PLANT = Plant(power_w=22_000.0)
LAG = Probe(lag_s=3.0)
WATER_KG, AIR_KG = 14.0, 2.0


class Planned(NamedTuple):
    """A phase of so many seconds: what comes in at which temperature, and what it is heated to, if anything."""

    code: str
    seconds: int
    inlet_c: float = 15.0
    set_c: float | None = None


# By phase code: inlet, set value (°C). Hot filling keeps the heating of a disinfection short (invented machine).
HEATED: Mapping[str, tuple[float, float]] = {
    "wash": (15.0, 57.0),
    "disinfection": (70.0, 91.5),
    "drying": (60.0, 70.0),
}
RINSED_S = 18.0  # in which all but 1/e of what the wash left is rinsed away
DOSED_ML: Mapping[str, tuple[str, float]] = {"wash": ("1", 50.0), "rinse": ("2", 20.0)}


def planned(phases: Sequence[tuple[str, int]]) -> list[Planned]:
    """Phases by code and seconds, heated as this machine heats them."""
    return [Planned(code, seconds, *HEATED.get(code, (15.0, None))) for code, seconds in phases]


def record(cycle: UUID, begun: datetime, phases: Sequence[Planned]) -> bytes:
    """The file of one cycle; `cycle` is the seed of what flickers."""
    chance = np.random.default_rng(cycle.int)
    water, codes = _water(phases)
    shown = followed(water, LAG.lag_s)
    at = np.arange(0, water.size, STEP_S)
    columns = [shown[at] + chance.normal(0, 0.12) + chance.normal(0, 0.04, at.size) for _ in PROBES]
    conductivity = 9.0 + 330.0 * np.exp(-_since(codes, "rinse")[at] / RINSED_S) + chance.normal(0, 0.3, at.size)
    names = [f"{name}_degC" for name in PROBES]
    lines = [",".join(["time", *names, "conductivity_25degC_uS_cm", "dose_1_ml", "dose_2_ml", "door", "phase"])]
    doses = {line: _dosed(codes, code, ml) for code, (line, ml) in DOSED_ML.items()}
    for place, second in enumerate(at):
        moment = (begun + timedelta(seconds=int(second))).isoformat(timespec="seconds")
        cells = [f"{column[place]:.2f}" for column in columns]
        cells += [f"{conductivity[place]:.1f}", f"{doses['1'][second]:.0f}", f"{doses['2'][second]:.0f}"]
        lines.append(",".join([moment, *cells, "shut", codes[second]]))
    return ("\n".join(lines) + "\n").encode()


def _water(phases: Sequence[Planned]) -> tuple[Celsius, list[str]]:
    """The water a second at a time through all phases, each of its planned length; and each second's phase."""
    steel_c, told, codes = PLANT.room_c, [], []
    for phase in phases:
        kg = AIR_KG if phase.code == "drying" else WATER_KG
        level = mixed_c(PLANT, steel_c, kg, phase.inlet_c)
        for _ in range(phase.seconds):
            told.append(level)
            codes.append(phase.code)
            level = warmed_c(PLANT, kg, level, _duty(phase, level))
        steel_c = told[-1]
    return np.array(told), codes


def _duty(phase: Planned, level: float) -> float:
    """Full power until near the set value, then in proportion to what is missing, above what the loss asks for."""
    if phase.set_c is None:
        return 0.0
    aim = phase.set_c + 0.5
    keeping = PLANT.loss_w_k * (aim - PLANT.room_c) / PLANT.power_w
    return min(1.0, max(0.0, keeping + (aim - level) / BAND_K))


def _dosed(codes: Sequence[str], code: str, ml: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """A line's running total: dosed evenly over half a minute, from 20 s into the phase."""
    return np.clip((_since(codes, code) - 20.0) / 30.0, 0.0, 1.0) * ml


def _since(codes: Sequence[str], code: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Seconds since a phase began, 0 until then."""
    begins = codes.index(code) if code in codes else len(codes)
    return np.clip(np.arange(len(codes)) - begins, 0.0, None)

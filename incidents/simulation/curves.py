"""Temperatures of a cycle from a small physical model of the machine, ready for readings.

Water and steel are one lump that an element heats and the room cools: C dT/dt = P u − UA (T − T_room)
(lumped capacitance; F. P. Incropera et al., *Fundamentals of Heat and Mass Transfer*, ch. 5.1–5.3). A probe follows
the water with a first-order lag, reads with a bias, and flickers. Steps are trapezoidal, one a second.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

WATER_J_KG_K = 4186.0
STEEL_J_KG_K = 500.0
BAND_K = 5.0  # how far below its set point full power goes over into control
Celsius = NDArray[np.float64]


class Plant(msgspec.Struct, frozen=True):
    """A machine as heat meets it. `heater` is the share of its element that still works."""

    power_w: float = 9_000.0
    steel_kg: float = 35.0
    loss_w_k: float = 14.0
    room_c: float = 21.0
    heater: float = 1.0


class Probe(msgspec.Struct, frozen=True):
    """A sensor: its time constant, what it reads too much, and how it flickers (standard deviation)."""

    lag_s: float = 4.0
    bias_c: float = 0.0
    noise_c: float = 0.05


class Stage(msgspec.Struct, frozen=True):
    """One filling of water: how much comes in at which temperature, what it is heated to, how long it holds.

    It holds from when the controlling probe first reads `set_c`, aiming `margin_k` above it, and gives up after
    `heating_s` seconds. Without a set point `hold_s` is all it takes.
    """

    code: str
    hold_s: int
    water_kg: float
    inlet_c: float = 15.0
    set_c: float | None = None
    margin_k: float = 0.5
    heating_s: int = 1_800


class Curve(msgspec.Struct, frozen=True):
    """One reading a second. `water_c` is the truth, `probe_c` what was read; `reached` is false where a set
    point was not reached within its time, and the cycle ended there."""

    at_s: NDArray[np.float64]
    water_c: Celsius
    probe_c: Celsius
    phase: tuple[str, ...]
    reached: bool


INSTRUMENTS: Sequence[Stage] = (
    Stage("pre-wash", 180, 14.0),
    Stage("wash", 300, 14.0, 15.0, 55.0),
    Stage("rinse", 240, 14.0),
    Stage("disinfection", 300, 14.0, 15.0, 91.0),
)


def capacity_j_k(plant: Plant, water_kg: float) -> float:
    """Heat capacity of water and steel together, J/K."""
    return water_kg * WATER_J_KG_K + plant.steel_kg * STEEL_J_KG_K


def mixed_c(plant: Plant, steel_c: float, water_kg: float, inlet_c: float) -> float:
    """The temperature of a fresh filling once water and steel have met."""
    whole = capacity_j_k(plant, water_kg)
    return (water_kg * WATER_J_KG_K * inlet_c + plant.steel_kg * STEEL_J_KG_K * steel_c) / whole


def warmed_c(plant: Plant, water_kg: float, from_c: float, duty: float, step_s: float = 1.0) -> float:
    """One trapezoidal step of C dT/dt = P·duty − UA (T − T_room)."""
    rate = plant.loss_w_k / capacity_j_k(plant, water_kg)
    drive = (plant.power_w * plant.heater * duty + plant.loss_w_k * plant.room_c) / capacity_j_k(plant, water_kg)
    return (from_c * (1 - rate * step_s / 2) + drive * step_s) / (1 + rate * step_s / 2)


def heated(plant: Plant, water_kg: float, start_c: float, seconds: int, duty: float = 1.0) -> Celsius:
    """The water under a constant duty of the element, one value a second, the start included."""
    told = [start_c]
    for _ in range(seconds):
        told.append(warmed_c(plant, water_kg, told[-1], duty))
    return np.array(told)


def followed(water_c: Celsius, lag_s: float) -> Celsius:
    """What a probe of this time constant shows of the water, one value a second (trapezoidal)."""
    if lag_s <= 0:
        return water_c.copy()
    shown = np.empty_like(water_c)
    shown[0] = water_c[0]
    share = 1 / (2 * lag_s)
    for n in range(1, len(water_c)):
        shown[n] = (shown[n - 1] * (1 - share) + (water_c[n - 1] + water_c[n]) * share) / (1 + share)
    return shown


def cycle(
    stages: Sequence[Stage], plant: Plant, probe: Probe, chance: Generator | None, start_c: float | None = None
) -> Curve:
    """The temperatures of a whole cycle; without `chance` nothing flickers."""
    steel_c = plant.room_c if start_c is None else start_c
    told: list[float] = []
    phase: list[str] = []
    reached = True
    for stage in stages:
        fill_c = mixed_c(plant, steel_c, stage.water_kg, stage.inlet_c)
        water, reached = _stage(stage, plant, probe, fill_c)
        told += water
        phase += [stage.code] * len(water)
        steel_c = water[-1]
        if not reached:
            break
    water_c = np.array(told)
    probe_c = followed(water_c, probe.lag_s) + probe.bias_c
    if chance is not None:
        probe_c = probe_c + chance.normal(0.0, probe.noise_c, len(probe_c))
    return Curve(np.arange(len(told), dtype=np.float64), water_c, probe_c, tuple(phase), reached)


def _stage(stage: Stage, plant: Plant, probe: Probe, fill_c: float) -> tuple[list[float], bool]:
    """The water through one stage, one value a second, both ends included; and whether it got there.

    Control: full power until near the aim, then in proportion to what is missing, on top of the duty that the
    loss at the aim asks for. The controller reads a probe like the recorder's, not the water.
    """
    if stage.set_c is None:
        return [float(each) for each in heated(plant, stage.water_kg, fill_c, stage.hold_s, 0.0)], True
    aim_c = stage.set_c + stage.margin_k
    keeping = plant.loss_w_k * (aim_c - plant.room_c) / (plant.power_w * plant.heater)
    follows = 1 / (probe.lag_s + 0.5) if probe.lag_s > 0 else 1.0
    water, shown_c, held_s, waited_s = [fill_c], fill_c + probe.bias_c, 0, 0
    there = shown_c >= stage.set_c
    while held_s < stage.hold_s:
        duty = min(1.0, max(0.0, keeping + (aim_c - shown_c) / BAND_K))
        water.append(warmed_c(plant, stage.water_kg, water[-1], duty))
        shown_c += (water[-1] + probe.bias_c - shown_c) * follows
        held_s += there
        waited_s += not there
        there = there or shown_c >= stage.set_c
        if waited_s > stage.heating_s:
            return water, False
    return water, True

"""A good record of one invented cycle, what it is held against, and how to spoil either by name."""

from __future__ import annotations

import io
import itertools
import json
import math
from collections.abc import Callable, Sequence

from incidents.analysis import readings, structured
from incidents.analysis.criteria import (
    Calibration,
    Conductivity,
    Criteria,
    Dose,
    Lethality,
    PhaseLimits,
)

Cell = float | str | None
Table = dict[str, list[Cell]]
Spoiling = Callable[[Table], Table]

PHASES = ("pre-wash", "wash", "rinse", "disinfection", "drying")
BEGINS_S = {"pre-wash": 0, "wash": 120, "rinse": 600, "disinfection": 800, "drying": 1402}
ENDS_S = 1700
STEP_S = 2
HELD_FROM_S, HELD_TO_S = 1100, 1400
PROBES = ("probe_1", "probe_2", "probe_3", "probe_4")
KNEES = ((0, 20), (120, 21), (300, 57), (596, 57), (600, 40), (798, 25), (800, 25), (1098, 90.5), (1120, 91.5))
CURVE = (*KNEES, (1400, 91.5), (1402, 60), (1700, 40))

CRITERIA = Criteria(
    phases=(
        PhaseLimits("pre-wash", least_s=100, most_s=200),
        PhaseLimits("wash", 57, 55, 62, held_s=280, least_s=400, most_s=600, doses=(Dose("1", 50, 10),)),
        PhaseLimits("rinse", least_s=150, most_s=300, doses=(Dose("2", 20, 10),)),
        PhaseLimits("disinfection", 91, 90, 95, held_s=280, least_s=500, most_s=700),
        PhaseLimits("drying", least_s=200, most_s=400),
    ),
    source="programme “Instruments”, version 1",
    disinfection=Lethality(3000, "invented for this test"),
    gap_s=10,
    sampling_s=5,
    agreement_k=2,
    conductivity=Conductivity(30, "25-degC"),
    probes=4,
    calibration=Calibration(0.3),
    kinds=("disinfection", "cleaning", "rinse", "upper-band", "documentation"),
)


def good() -> Table:
    """Every two seconds; four load probes at most 0.2 K apart, none of them still."""
    times = range(0, ENDS_S + 1, STEP_S)
    table: Table = {"time_s": list(times)}
    for n, name in enumerate((*PROBES, "control", "independent")):
        table[f"{name}_degC"] = [round(at(t) + 0.04 * n + 0.02 * math.sin(t + n), 3) for t in times]
    table["conductivity_25degC_uS_cm"] = [round(12 + 300 * math.exp(-t / 90), 2) for t in times]
    table["dose_1_ml"] = [0.0 if t < 200 else 50.0 for t in times]
    table["dose_2_ml"] = [0.0 if t < 700 else 20.0 for t in times]
    table["door"] = ["shut" for _ in times]
    table["phase"] = [phase_at(t) for t in times]
    return table


def at(t: float) -> float:
    """°C of the water, straight between the knees."""
    for (t0, c0), (t1, c1) in itertools.pairwise(CURVE):
        if t0 <= t <= t1:
            return c0 + (c1 - c0) * (t - t0) / (t1 - t0)
    raise AssertionError(t)


def phase_at(t: float) -> str:
    return next(code for code in reversed(PHASES) if t >= BEGINS_S[code])


def as_csv(table: Table) -> bytes:
    rows = zip(*table.values(), strict=True)
    lines = [",".join(table), *(",".join("" if cell is None else str(cell) for cell in row) for row in rows)]
    return ("\n".join(lines) + "\n").encode()


def as_json(table: Table) -> bytes:
    rows = list(zip(*table.values(), strict=True))
    return json.dumps({"columns": list(table), "rows": rows}).encode()


def record_of(table: Table) -> readings.Record:
    return structured.read_either(io.BytesIO(as_csv(table)))


# --- spoilings ----------------------------------------------------------------------------------------


def within(table: Table, begin: float, end: float) -> list[int]:
    return [n for n, t in enumerate(table["time_s"]) if begin <= float(t or 0) <= end]


def put(column: str, value: Cell, begin: float = 0, end: float = ENDS_S) -> Spoiling:
    """One value in a column from one second to another."""

    def spoil(table: Table) -> Table:
        cells = list(table[column])
        for n in within(table, begin, end):
            cells[n] = value
        return table | {column: cells}

    return spoil


def shift(columns: Sequence[str], by: float, begin: float = 0, end: float = ENDS_S) -> Spoiling:
    """Columns higher or lower by so much."""

    def spoil(table: Table) -> Table:
        spoilt = dict(table)
        for column in columns:
            cells = list(table[column])
            for n in within(table, begin, end):
                cells[n] = round(float(cells[n] or 0) + by, 3)
            spoilt[column] = cells
        return spoilt

    return spoil


def without_rows(begin: float, end: float) -> Spoiling:
    def spoil(table: Table) -> Table:
        gone = set(within(table, begin, end))
        return {name: [cell for n, cell in enumerate(cells) if n not in gone] for name, cells in table.items()}

    return spoil


def without(*columns: str) -> Spoiling:
    return lambda table: {name: cells for name, cells in table.items() if name not in columns}


def renamed(old: str, new: str) -> Spoiling:
    return lambda table: {new if name == old else name: cells for name, cells in table.items()}


def twice(table: Table) -> Table:
    """The same cycle once more behind itself, as one record."""
    more = {name: [*cells, *cells] for name, cells in table.items()}
    return more | {"time_s": [*table["time_s"], *(float(t or 0) + ENDS_S + STEP_S for t in table["time_s"])]}


def both(*spoilings: Spoiling) -> Spoiling:
    def spoil(table: Table) -> Table:
        for each in spoilings:
            table = each(table)
        return table

    return spoil


ALL_PROBES = tuple(f"{name}_degC" for name in PROBES)
TEMPERATURES = (*ALL_PROBES, "control_degC", "independent_degC")

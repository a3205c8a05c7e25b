"""`lethality FILE.csv`: A0 at each recorded probe, over the whole file."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from incidents.analysis import lethality, readings
from incidents.analysis.commands import told

HELP = "A0 at each recorded probe, over the whole file"
NO_PROBE = "no column is a temperature named probe_…, control or independent."


def options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE.csv")
    parser.add_argument("--z", type=told.positive, default=lethality.Z_K, help="K")
    parser.add_argument("--ref", type=told.finite, default=lethality.A0_REFERENCE_C, help="°C")
    parser.add_argument("--floor", type=told.finite, default=lethality.A0_FLOOR_C, help="°C; nothing below counts")
    parser.add_argument(
        "--max-gap", type=told.not_negative, default=lethality.MAX_GAP_S, help="s; longer is nothing"
    )
    parser.add_argument("--bias", type=told.finite, default=0.0, help="K, reading minus truth")
    parser.add_argument("--tolerance", type=told.not_negative, default=0.0, help="K on either side")
    parser.add_argument("--rule", choices=("exact", "lower"), default="exact")
    parser.add_argument("--json", action="store_true")


def answer(given: argparse.Namespace) -> told.Answer:
    with Path(given.file).open("rb") as file:
        record = readings.read(file)
    keys = _keys(record, given)
    if not keys["probes"]:
        raise told.Refused(NO_PROBE)
    return told.Answer(keys, _lines(keys, given))


def _keys(record: readings.Record, given: argparse.Namespace) -> dict[str, Any]:
    probes = {}
    for name, celsius in record.temperatures.items():
        if not (name.startswith("probe_") or name in ("control", "independent")):
            continue
        found = lethality.delivered(
            record.times,
            celsius,
            z=given.z,
            reference=given.ref,
            floor=given.floor,
            max_gap=given.max_gap,
            bias=given.bias,
            tolerance=given.tolerance,
            rule=given.rule,
        )
        probes[name] = {
            "a0_s": found.value,
            "a0_low_s": found.low,
            "a0_high_s": found.high,
            "above_floor_s": found.above_floor_s,
            "gaps": [{"from_s": gap.from_s, "to_s": gap.to_s} for gap in found.gaps],
        }
    return {"rule": given.rule, "probes": probes}


def _lines(keys: dict[str, Any], given: argparse.Namespace) -> list[str]:
    lines = [f"rule {keys['rule']}, z {given.z:g} K, reference {given.ref:g} °C, floor {given.floor:g} °C"]
    lines.append(f"{'at the recorded probe':<24}{'A0 s':>10}{'low':>10}{'high':>10}{'above floor s':>16}  gaps")
    for name, probe in keys["probes"].items():
        gaps = ", ".join(f"{gap['from_s']:g}–{gap['to_s']:g} s" for gap in probe["gaps"]) or "none"
        lines.append(
            f"{name:<24}{probe['a0_s']:>10.1f}{probe['a0_low_s']:>10.1f}{probe['a0_high_s']:>10.1f}"
            f"{probe['above_floor_s']:>16.1f}  {gaps}"
        )
    return lines

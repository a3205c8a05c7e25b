"""A0 and F0 against published numbers and the definition; the record's file against what recorders really write."""

import io
import itertools
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from incidents.analysis import lethality, readings
from incidents.analysis.__main__ import main
from incidents.analysis.lethality import F0_REFERENCE_C, Gap, delivered, rate, time_for
from incidents.rules.policies import STARTING_REQUIREMENTS

# Each with its source: the definition in ISO 15883-1 Annex B.1, HTM 01-04, texts on lethality.
PUBLISHED: dict[str, Any] = {
    value["id"]: value
    for value in json.loads((Path(__file__).parent / "published" / "lethality_values.json").read_text())
}


def published(*beginnings: str) -> Any:
    chosen = [name for name in PUBLISHED if name.startswith(beginnings)]
    return pytest.mark.parametrize("value", [PUBLISHED[name] for name in chosen], ids=chosen)


def near(number: float, value: Any) -> Any:
    tolerance = value["tolerance"]
    return pytest.approx(number, rel=tolerance.get("rel", 1e-12), abs=tolerance.get("abs", 0))


def steady(celsius: float, seconds: int, **more: Any) -> lethality.Delivered:
    return delivered(np.arange(seconds + 1.0), np.full(seconds + 1, float(celsius)), **more)


# --- published numbers --------------------------------------------------------------------------------


@published("A0-RATE")
def test_a0_of_a_second_and_a_minute(value: Any) -> None:
    celsius, expected = value["inputs"]["T_C"], value["expected"]
    assert rate(celsius) == near(expected["A0_per_second"], value)
    assert steady(celsius, 60).value == near(expected["A0_per_60s"], value)


@published("A0-TIME")
def test_time_at_a_steady_temperature(value: Any) -> None:
    for celsius, seconds in zip(value["inputs"]["T_C"], value["expected"]["seconds"], strict=True):
        assert time_for(value["inputs"]["A0"], celsius) == near(seconds, value)


@published("A0-PUB-90")
def test_ninety_degrees_for_minutes(value: Any) -> None:
    assert steady(value["inputs"]["T_C"], value["inputs"]["hold_s"]).value == near(value["expected"]["A0"], value)


@published("A0-LOWLIMIT")
def test_nothing_below_65_degrees_counts(value: Any) -> None:
    """Two steady stretches, each by itself: a ramp between them would count for its upper part."""
    stretches = [(stretch["T_C"], stretch["s"]) for stretch in value["inputs"]["profile"]]
    assert sum(steady(*stretch).value for stretch in stretches) == near(value["expected"]["A0"], value)
    ignored = sum(steady(*stretch, floor=None).value for stretch in stretches)
    assert ignored == near(value["expected"]["A0_if_limit_ignored"], value)


@published("A0-FENCEPOST")
def test_n_readings_span_n_minus_one_intervals(value: Any) -> None:
    assert steady(90, 300).value == near(value["expected"]["A0_trapezoid"], value)


@published("A0-GAP")
def test_a_gap_counts_as_nothing_and_is_listed(value: Any) -> None:
    times = np.concatenate([np.arange(101.0), np.arange(200.0, 301.0)])
    found = delivered(times, np.full(times.size, 90.0))
    assert found.value == near(value["expected"]["A0_counting_gap_as_zero"], value)
    assert found.gaps == (Gap(100, 200),)
    bridged = delivered(times, np.full(times.size, 90.0), max_gap=100)
    assert bridged.value == near(value["expected"]["A0_if_interpolated"], value)


@published("A0-UK-PAIRS")
def test_pairs_of_time_and_temperature_are_not_the_same_a0(value: Any) -> None:
    for (celsius, seconds), a0 in zip(value["inputs"]["pairs_T_s"], value["expected"]["A0"], strict=True):
        assert steady(celsius, seconds).value == near(a0, value)


@published("F0-RATE")
def test_f0_of_a_minute(value: Any) -> None:
    given = value["inputs"]
    found = steady(given["T_C"], 60, reference=given["Tref_C"], z=given["z_K"], floor=None)
    assert found.value / 60 == near(value["expected"]["min_per_min"], value)
    assert given["Tref_C"] == F0_REFERENCE_C


@published("F0-REFCHOICE")
def test_the_choice_of_reference_moves_f0(value: Any) -> None:
    given = value["inputs"]
    for reference, minutes in zip(given["Tref_C"], value["expected"]["F0_min"], strict=True):
        found = steady(given["T_C"], 60 * given["hold_min"], reference=reference, floor=None)
        assert found.value / 60 == near(minutes, value)


# --- the integral -------------------------------------------------------------------------------------

curves = st.lists(st.floats(20, 99), min_size=2, max_size=30)


@given(curves, st.floats(0.5, 20))
def test_the_exact_integral_is_the_numerical_one(curve: list[float], step: float) -> None:
    """scipy.integrate.quad on each straight segment, cut at 65 °C."""
    times = np.arange(len(curve)) * step
    expected = 0.0
    for a, b in itertools.pairwise(curve):
        at = lambda t, a=a, b=b: a + (b - a) * t / step  # noqa: E731
        cut = [step * (65 - a) / (b - a)] if (a < 65) != (b < 65) else None
        worth = lambda t, at=at: 10 ** ((at(t) - 80) / 10) if at(t) >= 65 else 0.0  # noqa: E731
        expected += quad(worth, 0, step, points=cut)[0]
    assert delivered(times, np.array(curve)).value == pytest.approx(expected, rel=1e-6, abs=1e-9)


@given(curves, st.integers(1, 28))
def test_a0_adds_up_over_a_split_of_the_time_axis(curve: list[float], cut: int) -> None:
    cut = min(cut, len(curve) - 1)
    times, read = np.arange(len(curve)) * 5.0, np.array(curve)
    parts = sum(delivered(times[s], read[s]).value for s in (slice(0, cut + 1), slice(cut, None)))
    assert parts == pytest.approx(delivered(times, read).value, rel=1e-12, abs=1e-12)


@given(curves, st.floats(0, 5))
def test_a_hotter_curve_never_delivers_less(curve: list[float], more: float) -> None:
    times, read = np.arange(len(curve)) * 5.0, np.array(curve)
    for rule in ("exact", "lower"):
        assert delivered(times, read + more, rule=rule).value >= delivered(times, read, rule=rule).value - 1e-9


@given(curves, st.integers(2, 9))
def test_more_readings_of_the_same_straight_line_change_nothing(curve: list[float], n: int) -> None:
    times = np.arange(len(curve)) * 9.0
    fine = np.linspace(0, times[-1], (len(curve) - 1) * n + 1)
    resampled = np.interp(fine, times, np.array(curve))
    assert delivered(fine, resampled).value == pytest.approx(
        delivered(times, np.array(curve)).value, rel=1e-9, abs=1e-9
    )


@given(curves)
def test_the_lower_rule_never_says_more(curve: list[float]) -> None:
    times, read = np.arange(len(curve)) * 5.0, np.array(curve)
    assert delivered(times, read, rule="lower").value <= delivered(times, read).value + 1e-9


@given(curves, st.floats(-2, 2), st.floats(0, 3))
def test_low_and_high_enclose_the_value(curve: list[float], bias: float, tolerance: float) -> None:
    times, read = np.arange(len(curve)) * 5.0, np.array(curve)
    found = delivered(times, read, bias=bias, tolerance=tolerance)
    assert found.low <= found.value <= found.high
    assert found.value == pytest.approx(delivered(times, read - bias).value)


@pytest.mark.parametrize("open_circuit", [3276.7, -200.0, 1e308, -1e308])
def test_a_probe_that_is_open_or_shorted_reads_nothing(open_circuit: float) -> None:
    found = delivered(np.array([0.0, 1, 2, 3]), np.array([90, open_circuit, 90, 90]), max_gap=1.5)
    assert found.value == pytest.approx(10)
    assert found.gaps == (Gap(0, 2),)


@pytest.mark.parametrize(
    ("curve", "gaps"),
    [
        ([math.nan, math.nan, 90, 90], (Gap(0, 40),)),
        ([90, 90, math.nan, math.nan], (Gap(20, 60),)),
        ([math.nan] * 4, (Gap(0, 60),)),
        ([90, 90, 90, math.nan], ()),
    ],
)
def test_a_probe_silent_at_either_end_of_the_record_is_a_gap(curve: list[float], gaps: tuple[Gap, ...]) -> None:
    assert delivered(np.arange(4) * 20.0, np.array(curve)).gaps == gaps


@pytest.mark.parametrize(("times", "curve"), [([0, 1], [90]), ([0, 0], [90, 90]), ([1, 0], [90, 90])])
def test_what_is_no_curve_is_refused(times: list[float], curve: list[float]) -> None:
    with pytest.raises(ValueError):
        delivered(np.array(times), np.array(curve))


# --- the file -----------------------------------------------------------------------------------------

PLAIN = "time_s,probe_1_degC,control_degC\n0,90,91\n1,90,91\n2,90,91\n"


@pytest.mark.parametrize(
    "record",
    [
        PLAIN.encode(),
        PLAIN.encode("utf-8-sig"),
        PLAIN.encode("utf-16"),
        PLAIN.replace("\n", "\r\n").encode(),
        PLAIN.rstrip("\n").encode(),
        PLAIN.replace("1,90,91\n", "1,90,91\r\n").encode(),
        PLAIN.replace(",", ";").encode(),
        PLAIN.replace(",", "\t").encode(),
        b"time_s;probe_1_degC;control_degC\n0;90,0;91,0\n1,0;90,0;91\n2;9,0e1;91\n",
        b"time_s,probe_1_degF,control_degF\n0,194,195.8\n1,194,195.8\n2,194,195.8\n",
        b"time_s,probe_1_K,control_K\n0,363.15,364.15\n1,363.15,364.15\n2,363.15,364.15\n",
        b"time,probe_1_degC,control_degC\n2026-03-29T00:59:59Z,90,91\n2026-03-29T01:00:00Z,90,91\n2026-03-29T01:00:01Z,90,91\n",
        b"time,probe_1_degC,control_degC\n2026-03-29T01:59:59+01:00,90,91\n2026-03-29T03:00:00+02:00,90,91\n2026-03-29T03:00:01+02:00,90,91\n",
        b"remark,time_s,probe_1_degC,control_degC\nx,0,90,91\n,1,90,91\n=1+1,2,90,91\n",
        b"time_s,probe_1_degC,control_degC\n0,90,91\n0,90,91\n1,90,91\n2,90,91\n",
        b"time_s,probe_1_degC,control_degC,\n0,90,91,\n\n1,90,91,\n,,,\n2,90,91,\n",
    ],
)
def test_what_recorders_write_is_read_alike(record: bytes) -> None:
    """In the spring night of 2026-03-29 the clocks of Central Europe go from 2 to 3: the offsets say so."""
    found = readings.read(io.BytesIO(record))
    assert found.times.tolist() == [0, 1, 2]
    assert found.temperatures["probe_1"] == pytest.approx([90, 90, 90])
    assert found.temperatures["control"] == pytest.approx([91, 91, 91])


@pytest.mark.parametrize("cell", ["", "NaN", "nan", "--", "-", "n/a", " "])
def test_a_missing_reading_is_missing(cell: str) -> None:
    found = readings.read_text(f"time_s,probe_1_degC\n0,90\n1,{cell}\n2,90\n")
    assert math.isnan(found.temperatures["probe_1"][1])


MALFORMED = {
    "empty": (b"", 1, "empty"),
    "blank lines": (b"\n\n", 1, "empty"),
    "a header alone": (b"time_s,probe_1_degC\n", 1, "at least two"),
    "one row": (b"time_s,probe_1_degC\n0,90\n", 2, "at least two"),
    "no time": (b"probe_1_degC\n90\n90\n", 1, "time_s"),
    "no unit": (b"time_s,probe_1\n0,90\n1,90\n", 1, "no unit"),
    "a column without a name": (b"time_s,,probe_1_degC\n0,1,90\n1,1,90\n", 1, "no name"),
    "a column twice": (b"time_s,probe_1_degC,probe_1_degC\n0,1,90\n1,1,90\n", 1, "two columns"),
    "a probe in two units": (b"time_s,probe_1_degC,probe_1_degF\n0,90,90\n1,90,90\n", 1, "in two units"),
    "lines that end with CR alone": (b"time_s,probe_1_degC\r0,90\r1,90\r", 1, "CR alone"),
    "words": (b"time_s,probe_1_degC\n0,90\n1,hot\n", 3, "not a number"),
    "infinity": (b"time_s,probe_1_degC\n0,90\n1,inf\n", 3, "not a number"),
    "beyond": (b"time_s,probe_1_degC\n0,90\n1,1e400\n", 3, "beyond"),
    "hexadecimal": (b"time_s,probe_1_degC\n0,90\n1,0x5A\n", 3, "not a number"),
    "underscore": (b"time_s,probe_1_degC\n0,90\n1,9_0\n", 3, "not a number"),
    "other digits": ("time_s,probe_1_degC\n0,90\n1,९०\n".encode(), 3, "not a number"),
    "a formula": (b"time_s,probe_1_degC\n0,90\n1,=90\n", 3, "not a number"),
    "thousands": (b"time_s;probe_1_degC\n0;90\n1;1.234,5\n", 3, "separator"),
    "two commas": (b"time_s;probe_1_degC\n0;90\n1;1,234,5\n", 3, "separator"),
    "a time missing": (b"time_s,probe_1_degC\n0,90\n,90\n", 3, "time is missing"),
    "time backwards": (b"time_s,probe_1_degC\n0,90\n2,90\n1,90\n", 4, "backwards"),
    "two readings at once": (b"time_s,probe_1_degC\n0,90\n1,90\n1,91\n", 4, "stands twice"),
    "a row cut short": (b"time_s,probe_1_degC,control_degC\n0,90,90\n1,90\n", 3, "cut short"),
    "a row too long": (b"time_s,probe_1_degC\n0,90\n1,90,90\n", 3, "3 cells"),
    "a day that is none": (b"time,probe_1_degC\n2026-02-30T00:00:00,90\n2026-02-30T00:00:01,90\n", 2, "ISO 8601"),
    "offset and none": (b"time,probe_1_degC\n2026-02-20T00:00:00,90\n2026-02-20T00:00:01Z,90\n", 3, "offset"),
    "latin-1": ("time_s,probe_1_degC,remark\n0,90,\n1,90,heiß\n".encode("latin-1"), 3, "not UTF-8"),
    "half of UTF-16": (PLAIN.encode("utf-16")[:-1], 4, "not UTF-16"),
    "an open quote": (b'time_s,probe_1_degC\n0,90\n1,"90\n2,90\n', 3, "parted"),
    "a packed file": (b"PK\x03\x04" + bytes(40), 0, "packed"),
    "a gzipped file": (b"\x1f\x8b\x08" + bytes(40), 0, "packed"),
    "a line without end": (b"time_s,probe_1_degC\n0,90\n1," + b"9" * 200_000, 3, "more than"),
    "bytes of nothing": (b"time_s,probe_1_degC\n0,90\n1,9\x000\n", 3, "not a number"),
    "too many columns": (b"time_s," + b",".join(b"c%d_degC" % n for n in range(80)) + b"\n", 1, "at most"),
}


@pytest.mark.parametrize("name", MALFORMED)
def test_what_is_no_record_says_where(name: str) -> None:
    record, line, words = MALFORMED[name]
    with pytest.raises(readings.Unreadable) as refused:
        readings.read(io.BytesIO(record))
    assert refused.value.line == line
    assert words in str(refused.value)


class Endless(io.RawIOBase):
    """A file of 2 GB of readings, made as it is read."""

    given = 0

    def read(self, size: int = -1) -> bytes:
        self.given += size
        start = b"time_s,probe_1_degC\n" if self.given == size else b""
        return (start + b"1,90\n" * (size // 5)) if self.given < 2_000_000_000 else b""


def test_a_file_without_end_is_left_at_the_cap() -> None:
    file = Endless()
    with pytest.raises(readings.Unreadable):
        readings.read(file)  # type: ignore[arg-type]
    assert file.given <= readings.BYTES_MOST + 2 * readings.CHUNK


# --- the command --------------------------------------------------------------------------------------


def told(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    assert main(["lethality", *words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_the_command_answers_on_anyones_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "cycle.csv"
    rows = "".join(f"{t},90,91,{20 if t else ''}\n" for t in range(301))
    file.write_text("time_s,probe_1_degC,control_degC,conductivity_uS_cm\n" + rows)
    found = told(capsys, str(file), "--tolerance", "1")
    assert found["rule"] == "exact"
    assert set(found["probes"]) == {"probe_1", "control"}
    probe = found["probes"]["probe_1"]
    assert probe["a0_s"] == pytest.approx(3000)
    assert probe["a0_low_s"] == pytest.approx(3000 / 10**0.1)
    assert probe["a0_high_s"] == pytest.approx(3000 * 10**0.1)
    assert (probe["above_floor_s"], probe["gaps"]) == (300, [])
    assert told(capsys, str(file), "--bias", "10")["probes"]["probe_1"]["a0_s"] == pytest.approx(300)
    assert told(capsys, str(file), "--floor", "95")["probes"]["probe_1"]["a0_s"] == 0
    assert told(capsys, str(file), "--ref", "90")["probes"]["probe_1"]["a0_s"] == pytest.approx(300)
    assert main(["lethality", str(file)]) == 0
    assert "3000.0" in capsys.readouterr().out


NO_RECORDS = ("", "time_s,conductivity_uS_cm\n0,1\n1,1\n", "time_s,probe_1_degC\n0,hot\n1,1\n")


@pytest.mark.parametrize("record", NO_RECORDS)
def test_what_cannot_be_read_is_exit_3(tmp_path: Path, capsys: pytest.CaptureFixture[str], record: str) -> None:
    file = tmp_path / "cycle.csv"
    file.write_text(record)
    assert main(["lethality", str(file)]) == 3
    assert "cycle.csv: " in capsys.readouterr().err
    assert main(["lethality", str(tmp_path / "none.csv")]) == 3


@pytest.mark.parametrize("words", [("--z", "0"), ("--z", "nan"), ("--tolerance", "-1"), ("--rule", "other"), ()])
def test_wrong_usage_is_exit_2(words: tuple[str, ...]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["lethality", *(["x.csv"] if words else []), *words])
    assert left.value.code == 2


@published("A0-PUB-CLASS")
def test_a_department_starts_with_the_published_requirements(value: Any) -> None:
    asked = [each.a0_s for each in STARTING_REQUIREMENTS]
    assert [each for each in asked if each in value["expected"]["A0_min"]] == value["expected"]["A0_min"]

"""`python -m incidents.analysis`: answers on handbook numbers, and sentences on input that can't be taken."""

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from config.settings import BASE_DIR
from incidents.analysis.__main__ import main
from tests.published_values import PUBLISHED, given


def told(capsys: pytest.CaptureFixture[str], *words: object) -> Any:
    """The answer in JSON, in which nothing may be NaN or infinite."""
    code = main([*map(str, words), "--json"])
    out = capsys.readouterr()
    assert (code, out.err) == (0, "")
    return json.loads(out.out, parse_constant=lambda word: pytest.fail(f"{word} in an answer"))


def refused(capsys: pytest.CaptureFixture[str], *words: object) -> str:
    """The sentence with exit code 2 and nothing beside it."""
    try:
        code = main([*map(str, words), "--json"])
    except SystemExit as left:  # argparse
        code = int(left.code or 0)
    out = capsys.readouterr()
    assert (code, out.out) == (2, "")
    assert "Traceback" not in out.err
    return out.err


# --- rate and compare ---------------------------------------------------------------------------------


def test_rate(capsys: pytest.CaptureFixture[str]) -> None:
    inputs, expected, near = given("RPOIS-1")
    found = told(capsys, "rate", "--events", inputs["x"], "--exposure", inputs["T"])
    assert found["rate"] == near(expected["rate"])
    assert [found["low"], found["high"]] == near(expected["CI95"])
    inputs, expected, near = given("NIST-MTBF-CI")
    found = told(capsys, "rate", "--events", 2, "--exposure", 800, "--confidence", 0.9)
    assert [1 / found["high"], 1 / found["low"]] == near(expected["CI"])
    assert main(["rate", "--events", "0", "--exposure", "100"]) == 0
    assert "no rate of zero" in capsys.readouterr().out


def test_compare(capsys: pytest.CaptureFixture[str]) -> None:
    inputs, expected, near = given("RPOIS-2")
    (a, b), (over_a, over_b) = inputs["x"], inputs["T"]
    found = told(capsys, "compare", "--a", a, "--a-exposure", over_a, "--b", b, "--b-exposure", over_b)
    assert set(found) == {"ratio", "low", "high", "p_central", "p_minlike"}
    assert [found["ratio"], found["p_minlike"]] == near([expected["ratio"], expected["p_minlike"]])
    assert [found["low"], found["high"]] == near(expected["CI95"])
    nothing = told(capsys, "compare", "--a", 3, "--a-exposure", 10, "--b", 0, "--b-exposure", 10)
    assert (nothing["ratio"], nothing["high"]) == (None, None)
    assert nothing["low"] > 0
    assert main(["compare", "--a", "0", "--a-exposure", "1", "--b", "0", "--b-exposure", "1"]) == 0
    assert "nan" not in capsys.readouterr().out


RATE = ("rate", "--events", "3", "--exposure", "10")
WRONG_WORDS = [
    (),
    ("rate",),
    ("rate", "--events", "-1", "--exposure", "10"),
    ("rate", "--events", "1.5", "--exposure", "10"),
    ("rate", "--events", "three", "--exposure", "10"),
    ("rate", "--events", "nan", "--exposure", "10"),
    ("rate", "--events", "3", "--exposure", "0"),
    ("rate", "--events", "3", "--exposure", "-10"),
    ("rate", "--events", "3", "--exposure", "inf"),
    (*RATE, "--confidence", "0"),
    (*RATE, "--confidence", "1"),
    (*RATE, "--confidence", "95"),
    (*RATE, "--confidence", "nan"),
    ("compare", "--a", "1", "--a-exposure", "1", "--b", "1", "--b-exposure", "0"),
    ("nothing",),
]


@pytest.mark.parametrize("words", WRONG_WORDS, ids=lambda words: " ".join(words) or "nothing")
def test_words_that_mean_nothing(capsys: pytest.CaptureFixture[str], words: tuple[str, ...]) -> None:
    assert refused(capsys, *words)


# --- trend --------------------------------------------------------------------------------------------

FILES = PUBLISHED / "figures"


def test_trend_of_the_handbooks_times(capsys: pytest.CaptureFixture[str]) -> None:
    found = told(capsys, "trend", FILES / "handbook_case_1.csv", "--until", 1500, "--confidence", 0.8)
    assert (found["n"], found["until"], found["truncation"]) == (10, 1500, "time")
    _, expected, near = given("NIST-REVARR")
    assert (found["reversals"], found["reversals_p"] / 2) == (33, near(expected["exact_upper_tail_P_R_ge_33"]))
    _, expected, near = given("NIST-LAPLACE")
    assert found["laplace_z"] == near(expected["z"])
    _, expected, near = given("NIST-MILHDBK")
    assert (found["mil_hdbk_chi2"], found["mil_hdbk_df"]) == (near(expected["chi2"]), 20)
    assert found["mil_hdbk_p"] / 2 == near(1 - expected["cdf"])
    _, expected, near = given("NIST-CROW-MLE")
    assert [found["mle"]["beta"], found["mle"]["lambda"]] == near([expected["beta"], expected["lambda"]])
    assert found["mle"]["rate_now"] * found["mle"]["mtbf_now"] == pytest.approx(1)
    _, expected, near = given("NIST-CROW-MOD")
    assert found["modified"]["beta"] == near(expected["beta"])
    assert [found["modified"][name] for name in ("mtbf_now_low", "mtbf_now_high")] == near(
        expected["MTBF_80pct_CI"]
    )


def test_trend_with_a_tie_and_the_exact_bounds(capsys: pytest.CaptureFixture[str]) -> None:
    found = told(capsys, "trend", FILES / "mil_hdbk_189_c.csv", "--until", 300, "--confidence", 0.9)
    _, expected, near = given("MIL189-C")
    assert found["cvm"] == near(expected["CvM"])
    assert found["modified"]["beta"] == near(expected["beta_unbiased"])
    _, bounds, near = given("CROW-CI-COEF")
    assert found["mle"]["mtbf_now_low"] / expected["MTBF_T"] == near(bounds["MTBF_lower_coef"], rel=1e-6)
    assert found["mle"]["mtbf_now_high"] / expected["MTBF_T"] == near(bounds["MTBF_upper_coef"], rel=1e-6)


def test_trend_that_ends_with_its_last_fault(capsys: pytest.CaptureFixture[str]) -> None:
    found = told(capsys, "trend", FILES / "handbook_case_1.csv")
    assert (found["truncation"], found["until"], found["mil_hdbk_df"]) == ("failure", 1478, 18)
    assert found["modified"]["mtbf_now_low"] is None
    same = told(capsys, "trend", FILES / "handbook_case_1.csv", "--until", 1478, "--truncation", "failure")
    assert same == found


def test_a_worsening_engine_reads_as_rising(capsys: pytest.CaptureFixture[str]) -> None:
    assert told(capsys, "trend", FILES / "ship_engine.csv", "--until", 20)["verdict"] == "rising"
    assert main(["trend", str(FILES / "ship_engine.csv"), "--until", "20", "--ahead", "1"]) == 0
    assert "Faults come faster." in capsys.readouterr().out


def test_trend_of_counts_by_interval(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = written(tmp_path, "from,to,count\n0,20,13\n20,40,16\n40,60,5\n60,80,8\n80,100,7\n")
    found = told(capsys, "trend", file, "--groups")
    assert (found["n"], found["until"], found["fit_df"]) == (49, 100, 3)
    assert found["mle"]["beta"] == pytest.approx(0.753, abs=5e-4)  # MIL-HDBK-189, Appendix C, from memory


@pytest.mark.parametrize(
    "times", ["5", "5\n40", "5\n40\n43", "5\n5\n5\n5", "7\n7\n7\n7\n7", "0.1\n0.2\n0.3\n0.4\n0.5"]
)
@pytest.mark.parametrize("more", [(), ("--until", "9e9"), ("--ahead", "10"), ("--until", "50", "--ahead", "1e9")])
def test_few_faults_or_all_at_once_are_answered_honestly(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, times: str, more: tuple[str, ...]
) -> None:
    file = written(tmp_path, "\n".join(["time", *times.split()]))
    found = told(capsys, "trend", file, *more, "--svg", tmp_path / "trend.svg")
    assert found["n"] == len(times.split())
    assert found["verdict"] in (["too few to say"] if found["n"] < 4 else ["no trend shown", "rising", "falling"])
    if found["n"] > 4 and not more:
        assert found["verdict"] == "no trend shown"
    assert main(["trend", str(file), *more]) == 0
    assert "nan" not in capsys.readouterr().out.lower()
    assert "nan" not in (tmp_path / "trend.svg").read_text().lower()


BAD_TIMES = {
    "empty": ("", (), "empty"),
    "a header alone": ("time\n", (), "no row"),
    "no such column": ("cycles\n5\n", (), "“time”"),
    "the column twice": ("time,time\n5,5\n", (), "two columns"),
    "text": ("time\n5\nsoon\n", (), "Line 3, column 1: “soon” is not a number"),
    "an empty cell": ("time,what\n5,a\n,b\n", (), "Line 3"),
    "NaN": ("time\n5\nNaN\n", (), "not a number"),
    "infinite": ("time\n5\ninf\n", (), "not a number"),
    "beyond numbers": ("time\n5\n1e400\n", (), "beyond"),
    "a formula": ("time\n=5+1\n", (), "not a number"),
    "unsorted": ("time\n5\n40\n39\n", (), "Line 4, column 1: The time 39 stands after 40"),
    "negative": ("time\n-5\n40\n", (), "above 0"),
    "nought": ("time\n0\n40\n", (), "above 0"),
    "beyond the end": ("time\n5\n40\n", ("--until", "39"), "beyond --until"),
    "an end of nothing": ("time\n5\n40\n", ("--until", "0"), "more than 0"),
    "no end": ("time\n5\n40\n", ("--truncation", "time"), "--until"),
    "two ends": ("time\n5\n40\n", ("--until", "50", "--truncation", "failure"), "not 50"),
    "a short row": ("what,time\na,5\nb\n", (), "Line 3"),
    "groups with a hole": ("from,to,count\n0,5,1\n6,9,1\n", ("--groups",), "begins at 6"),
    "groups backwards": ("from,to,count\n0,5,1\n5,4,1\n", ("--groups",), "ends at 4"),
    "half a fault": ("from,to,count\n0,5,1.5\n5,9,1\n", ("--groups",), "whole"),
    "faults owed": ("from,to,count\n0,5,-1\n5,9,1\n", ("--groups",), "below 0"),
    "no faults": ("from,to,count\n0,5,0\n5,9,0\n", ("--groups",), "one fault"),
    "one interval": ("from,to,count\n0,5,4\n", ("--groups",), "two intervals"),
    "all in the first": ("from,to,count\n0,5,4\n5,9,0\n", ("--groups",), "no shape"),
    "all in the last": ("from,to,count\n0,5,0\n5,9,4\n", ("--groups",), "no shape"),
    "groups and an end": ("from,to,count\n0,5,1\n5,9,1\n", ("--groups", "--until", "9"), "leave out"),
    "more rows than are read": ("time\n" + "1\n" * 1_000_001, (), "more than 1000000 rows"),
    "no text": ("time\n1\n\x00\n", (), "not a number"),
}


@pytest.mark.parametrize("name", BAD_TIMES)
def test_times_that_cannot_be_taken(capsys: pytest.CaptureFixture[str], tmp_path: Path, name: str) -> None:
    text, more, words = BAD_TIMES[name]
    assert words in refused(capsys, "trend", written(tmp_path, text), *more)


def test_a_file_that_isnt_there_or_cant_be_written(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert "No such file" in refused(capsys, "trend", tmp_path / "none.csv")
    assert "directory" in refused(capsys, "trend", tmp_path)
    file = written(tmp_path, "time\n5\n40\n")
    assert "No such file" in refused(capsys, "trend", file, "--svg", tmp_path / "none" / "x.svg")


def written(folder: Path, text: str) -> Path:
    file = folder / "given.csv"
    file.write_text(text)
    return file


# --- recurrence ---------------------------------------------------------------------------------------


def test_recurrence_of_five_units(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    picture = tmp_path / "mcf.svg"
    found = told(capsys, "recurrence", FILES / "five_units.csv", "--confidence", 0.9, "--svg", picture)["mcf"]
    _, expected, near = given("MCF-DOC")
    names = {"time": "t", "mcf": "MCF", "variance": "var", "low": "lower95_1s", "high": "upper95_1s"}
    for mine, theirs in names.items():
        assert [row[mine] for row in found] == near(expected[theirs])
    assert [row["at_risk"] for row in found[:5]] == [5, 5, 5, 5, 5]
    assert picture.read_text().startswith("<svg")
    assert main(["recurrence", str(FILES / "five_units.csv")]) == 0
    assert "14 faults of 5 units" in capsys.readouterr().out


def test_units_without_a_fault(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    found = told(capsys, "recurrence", written(tmp_path, "unit,time,kind\na,5,end\nb,9,end\n"))
    assert found == {"mcf": [], "units": 2}
    one = told(capsys, "recurrence", written(tmp_path, "unit,time,kind\na,5,event\na,5,end\n"))["mcf"]
    assert one == [{"time": 5, "mcf": 1, "variance": 0, "low": 1, "high": 1, "at_risk": 1}]


BAD_UNITS = {
    "empty": ("", "empty"),
    "no kind": ("unit,time\na,5\n", "“kind”"),
    "no end": ("unit,time,kind\na,5,event\n", "no row “end”"),
    "two ends": ("unit,time,kind\na,5,end\na,6,end\n", "two rows “end”"),
    "an event after the end": ("unit,time,kind\na,5,end\na,6,event\n", "Line 3, column 2"),
    "an event before the start": ("unit,time,kind\na,3,start\na,3,event\na,6,end\n", "before it starts"),
    "a start after the end": ("unit,time,kind\na,7,start\na,6,end\n", "no end after it"),
    "another word": ("unit,time,kind\na,5,stop\n", "“stop” is none of"),
    "no unit": ("unit,time,kind\n,5,event\n", "which unit"),
    "text": ("unit,time,kind\na,five,event\na,6,end\n", "not a number"),
    "negative": ("unit,time,kind\na,-5,event\na,6,end\n", "below 0"),
    "NaN": ("unit,time,kind\na,nan,event\na,6,end\n", "not a number"),
}


@pytest.mark.parametrize("name", BAD_UNITS)
def test_units_that_cannot_be_taken(capsys: pytest.CaptureFixture[str], tmp_path: Path, name: str) -> None:
    text, words = BAD_UNITS[name]
    assert words in refused(capsys, "recurrence", written(tmp_path, text))


# --- charts -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("file", "name"), [("wafers_c.csv", "NIST-C"), ("circuit_c.csv", "QCC-C")])
def test_chart_of_counts(capsys: pytest.CaptureFixture[str], file: str, name: str) -> None:
    found = told(capsys, "chart", "--kind", "c", FILES / file)
    _, expected, near = given(name)
    assert [found["center"], found["lcl"], found["ucl"]] == near([expected[x] for x in ("center", "LCL", "UCL")])
    assert found["signals"] == expected["out_points"]


def test_charts_of_measures(capsys: pytest.CaptureFixture[str]) -> None:
    found = told(capsys, "chart", FILES / "flow_imr.csv", "--kind", "imr")
    _, expected, near = given("NIST-IMR")
    assert [found["center"], found["lcl"], found["ucl"]] == near([expected[x] for x in ("center", "LCL", "UCL")])
    assert found["moving_range"]["ucl"] == near(expected["MR_UCL"])
    inputs, expected, near = given("NIST-CUSUM")
    words = ("--target", inputs["target"], "--k", inputs["k"], "--h", inputs["h"])
    found = told(capsys, "chart", "--kind", "cusum", FILES / "cusum.csv", *words)
    assert found["upper"] == near(expected["Sh"])
    assert (found["h"], found["signals"]) == (inputs["h"], expected["signals"])
    found = told(capsys, "chart", "--kind", "ewma", FILES / "flow_imr.csv", "--target", 50, "--sigma", 2)
    assert len(found["lcl"]) == len(found["ucl"]) == 10
    assert found["ucl"][0] == pytest.approx(50 + 3 * 2 * 0.2)


CHARTED = {
    "c": "count\n3\n4\n0\n",
    "u": "count,exposure\n3,10\n4,20\n0,1\n",
    "p": "count,n\n3,10\n4,20\n0,1\n",
    "imr": "x\n3\n4\n-1.5\n",
    "g": "count\n30\n400\n0\n",
    "t": "gap\n30.5\n400\n0\n",
    "ewma": "x\n3\n4\n-1.5\n",
    "cusum": "x\n3\n4\n-1.5\n",
}


@pytest.mark.parametrize("kind", CHARTED)
def test_every_kind_of_chart_is_told_and_drawn(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, kind: str
) -> None:
    file, picture = written(tmp_path, CHARTED[kind]), tmp_path / "chart.svg"
    found = told(capsys, "chart", "--kind", kind, file, "--svg", picture)
    assert {"center", "lcl", "ucl", "signals"} <= set(found)
    assert isinstance(found["ucl"], list) == (kind in ("u", "p", "ewma"))
    drawing = picture.read_text()
    assert "<title" in drawing
    assert "nan" not in drawing.lower()
    assert main(["chart", "--kind", kind, str(file)]) == 0
    assert "nan" not in capsys.readouterr().out.lower()


@pytest.mark.parametrize("kind", ["c", "u", "p", "g"])
def test_nothing_at_all_is_charted_as_nothing(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, kind: str
) -> None:
    heading, *_ = CHARTED[kind].split("\n")
    file = written(tmp_path, f"{heading}\n" + ("0,5\n" if "," in heading else "0\n") * 3)
    found = told(capsys, "chart", "--kind", kind, file, "--svg", tmp_path / "chart.svg")
    assert (found["center"], found["signals"]) == (0, [])


BAD_POINTS = {
    "empty": ("c", "", (), "empty"),
    "another column": ("c", "x\n1\n", (), "“count”"),
    "text": ("imr", "x\n1\nhot\n", (), "Line 3, column 1"),
    "half a count": ("c", "count\n1.5\n", (), "whole"),
    "a negative count": ("c", "count\n-1\n", (), "below 0"),
    "no exposure": ("u", "count,exposure\n1,0\n", (), "Line 2, column 2"),
    "more than all": ("p", "count,n\n3,2\n", (), "3 of 2"),
    "a negative gap": ("t", "gap\n-1\n", (), "below 0"),
    "one value": ("imr", "x\n5\n", (), "--sigma"),
    "values alike": ("ewma", "x\n5\n5\n5\n", (), "--sigma"),
    "NaN": ("cusum", "x\nnan\n", (), "not a number"),
    "sigma of nothing": ("imr", "x\n5\n6\n", ("--sigma", "0"), "more than 0"),
    "weight of 2": ("ewma", "x\n5\n6\n", ("--weight", "2"), "at most 1"),
    "k below 0": ("cusum", "x\n5\n6\n", ("--k", "-1"), "0 or more"),
    "a target for counts": ("c", "count\n5\n6\n", ("--target", "5"), "means nothing"),
    "another kind": ("x", "x\n5\n6\n", (), "invalid choice"),
}


@pytest.mark.parametrize("name", BAD_POINTS)
def test_points_that_cannot_be_charted(capsys: pytest.CaptureFixture[str], tmp_path: Path, name: str) -> None:
    kind, text, more, words = BAD_POINTS[name]
    assert words in refused(capsys, "chart", "--kind", kind, written(tmp_path, text), *more)


# --- annunciation -------------------------------------------------------------------------------------

ALARMS = "raised_at,cleared_at,acknowledged_at,source,priority\n"


def alarms(counts: list[int]) -> str:
    """So many alarms in each ten minutes by the clock, each from a source of its own, seen after a minute."""
    rows = []
    for window, count in enumerate(counts):
        for place in range(count):
            at = datetime(2026, 3, 1, 6, tzinfo=UTC) + timedelta(minutes=10 * window, seconds=30 * place)
            seen, gone = at + timedelta(minutes=1), at + timedelta(minutes=5)
            priority = "low" if place % 5 else "high"
            rows.append(f"{at.isoformat()},{gone.isoformat()},{seen.isoformat()},S{window}-{place},{priority}\n")
    return ALARMS + "".join(rows)


def test_annunciation(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    inputs, expected, _ = given("ALM-FLOOD-DEF")
    counts = inputs["counts_per_10min"]
    file, picture = written(tmp_path, alarms(counts)), tmp_path / "alarms.svg"
    words = ("--operators", 2, "--hours", 12, "--cycles", 110, "--svg", picture)
    found = told(capsys, "annunciation", file, *words)
    assert (found["count"], found["collapsed"], found["per_10_min"]) == (sum(counts), sum(counts), counts)
    (flood,) = found["floods"]
    assert (flood["alarms"], flood["peak"]) == (expected["alarms_in_flood"], expected["peak"])
    assert (flood["from"], flood["to"]) == ("2026-03-01T06:20:00Z", "2026-03-01T07:00:00Z")
    assert found["time_to_acknowledge"] == {"median_s": 60, "p90_s": 60, "n": 55, "censored": 0}
    assert found["per_operator_hour"] == pytest.approx(55 / 24)
    assert found["per_100_cycles"] == 50
    assert sum(found["priority_share"].values()) == pytest.approx(1)
    assert found["top_share"] == pytest.approx(10 / 55)
    assert "flood above 10" in picture.read_text()
    assert main(["annunciation", str(file)]) == 0
    assert "55 alarms" in capsys.readouterr().out


def test_chattering_is_collapsed_and_both_counts_are_told(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    rows = [f"2026-03-01T06:00:{s:02}Z,2026-03-01T06:00:{s + 5:02}Z,,door,low\n" for s in (0, 20, 50)]
    rows.append("2026-03-01T07:00:00Z,2026-03-01T07:00:10Z,,pump,low\n")
    rows.append("2026-03-01T07:00:00Z,,,steam,high\n")
    found = told(
        capsys, "annunciation", written(tmp_path, ALARMS + "".join(rows)), "--until", "2026-03-02T07:00:01Z"
    )
    assert (found["count"], found["collapsed"]) == (5, 3)
    assert (found["chattering"], found["fleeting"], found["stale"]) == ({"door": 3}, {"pump": 1}, {"steam": 1})
    assert found["time_to_acknowledge"] == {"median_s": None, "p90_s": None, "n": 0, "censored": 5}


BAD_ALARMS = {
    "empty": ("", (), "empty"),
    "none": (ALARMS, (), "no row"),
    "no source": ("raised_at,cleared_at,acknowledged_at,priority\n", (), "“source”"),
    "no time": (ALARMS + "yesterday,,,a,low\n", (), "Line 2, column 1"),
    "never raised": (ALARMS + ",,,a,low\n", (), "ISO 8601"),
    "unsorted": (ALARMS + "2026-03-02T00:00Z,,,a,low\n2026-03-01T00:00Z,,,a,low\n", (), "sort them"),
    "cleared before": (ALARMS + "2026-03-02T00:00Z,2026-03-01T00:00Z,,a,low\n", (), "before the alarm"),
    "seen before": (ALARMS + "2026-03-02T00:00Z,,2026-03-01T00:00Z,a,low\n", (), "Line 2, column 3"),
    "an empty source": (ALARMS + "2026-03-02T00:00Z,,,,low\n", (), "Line 2, column 4"),
    "offset and none": (ALARMS + "2026-03-02T00:00Z,,2026-03-02T00:00,a,low\n", (), "offset"),
    "beyond the end": (ALARMS + "2026-03-02T00:00Z,,,a,low\n", ("--until", "2026-03-01T00:00Z"), "beyond --until"),
    "an end without offset": (ALARMS + "2026-03-02T00:00Z,,,a,low\n", ("--until", "2026-03-03"), "offset"),
    "an end that is none": (ALARMS + "2026-03-02T00:00Z,,,a,low\n", ("--until", "soon"), "ISO 8601"),
    "a wrong century": (ALARMS + "1926-03-02T00:00Z,,,a,low\n2026-03-02T00:00Z,,,a,low\n", (), "date wrong"),
    "operators without hours": (ALARMS + "2026-03-02T00:00Z,,,a,low\n", ("--operators", "2"), "together"),
}


@pytest.mark.parametrize("name", BAD_ALARMS)
def test_alarms_that_cannot_be_taken(capsys: pytest.CaptureFixture[str], tmp_path: Path, name: str) -> None:
    text, more, words = BAD_ALARMS[name]
    assert words in refused(capsys, "annunciation", written(tmp_path, text), *more)


def test_a_reader_that_has_seen_enough_is_no_error(tmp_path: Path) -> None:
    """As `… | head -1` reads: the pipe is closed before everything was written."""
    rows = "\n".join(f"{n},{n}.5,event\n{n},{n + 1},end" for n in range(4_000))
    file = written(tmp_path, f"unit,time,kind\n{rows}\n")
    command = [sys.executable, "-m", "incidents.analysis", "recurrence", str(file), "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=BASE_DIR) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.read(1)
        running.stdout.close()
        assert (running.stderr.read(), running.wait(60)) == (b"", 0)

"""A record as JSON reads like the same record as CSV, and what is none says where."""

import io
from typing import Any

import numpy as np
import pytest

from incidents.analysis import readings, structured
from incidents.analysis.records import judge
from tests.recorded import CRITERIA, as_csv, as_json, good, put

HEAD = b'{"columns": ["time_s", "probe_1_degC"], "rows": '


def read(text: bytes) -> readings.Record:
    return structured.read_either(io.BytesIO(text))


@pytest.mark.parametrize("before", [b"", b"\xef\xbb\xbf", b"\n  "])
def test_both_forms_say_the_same(before: bytes) -> None:
    table = put("probe_2_degC", None, 40, 44)(good())
    one, other = read(as_csv(table)), read(before + as_json(table))
    assert np.array_equal(one.times, other.times)
    assert one.marks == other.marks
    for ours, theirs in zip(one.signals, other.signals, strict=True):
        assert ours[:2] == theirs[:2]
        assert np.array_equal(ours.values, theirs.values, equal_nan=True)
    assert judge(one, CRITERIA).findings == judge(other, CRITERIA).findings


MALFORMED: dict[str, tuple[bytes, str]] = {
    "a brace alone": (b"{", "no JSON"),
    "cut short": (HEAD + b"[[0, 90], [1, 9", "no JSON"),
    "not UTF-8": (HEAD + b'[[0, 90], [1, "\xff"]]}', "not UTF-8"),
    "a list": (b"[1, 2]", "must be an object"),
    "a member too few": (b'{"columns": ["time_s"]}', "must be an object"),
    "a member too many": (HEAD + b'[], "more": 1}', "must be an object"),
    "a member twice": (HEAD + b'[], "rows": []}', "“rows” stands twice"),
    "columns are no list": (b'{"columns": "time_s", "rows": []}', "must be a list of names"),
    "columns are numbers": (b'{"columns": [1], "rows": []}', "must be a list of names"),
    "no columns": (b'{"columns": [], "rows": []}', "must be a list of names"),
    "a column without a unit": (b'{"columns": ["time_s", "probe_1"], "rows": []}', "names no unit"),
    "no time": (b'{"columns": ["probe_1_degC"], "rows": []}', "No column is named"),
    "rows are no list": (HEAD + b'{"0": 90}}', "must be a list of lists"),
    "a row is no list": (HEAD + b"[90]}", "must be a list of lists"),
    "no rows": (HEAD + b"[]}", "at least two rows"),
    "one row": (HEAD + b"[[0, 90]]}", "at least two rows"),
    "a row too short": (HEAD + b"[[0, 90], [1]]}", "Row 2: The row has 1 cells"),
    "a row too long": (HEAD + b"[[0, 90], [1, 90, 90]]}", "Row 2, column 3"),
    "yes is no number": (HEAD + b"[[0, 90], [1, true]]}", "Row 2, column 2: A cell must be"),
    "a list in a cell": (HEAD + b"[[0, 90], [1, [90]]]}", "Row 2, column 2: A cell must be"),
    "an object in a cell": (HEAD + b'[[0, 90], [1, {"c": 90}]]}', "Row 2, column 2: A cell must be"),
    "a word": (HEAD + b'[[0, 90], [1, "hot"]]}', "Row 2, column 2: “hot” is not a number"),
    "NaN": (HEAD + b"[[0, 90], [1, NaN]]}", "write null"),
    "Infinity": (HEAD + b"[[0, 90], [1, -Infinity]]}", "write null"),
    "beyond": (HEAD + b"[[0, 90], [1, 1e400]]}", "beyond any reading"),
    "thousands of digits": (HEAD + b"[[0, 90], [1, " + b"9" * 5000 + b"]]}", "more digits"),
    "no time in a row": (HEAD + b"[[0, 90], [null, 90]]}", "Row 2, column 1: The time is missing"),
    "time backwards": (HEAD + b"[[0, 90], [5, 90], [4, 90]]}", "Row 3, column 1: The time runs backwards"),
    "the time starts again": (HEAD + b"[[0, 90], [1, 90], [0, 90]]}", "Row 3, column 1: The time starts again"),
    "nested": (b"[" * 100_000, "nested too deeply"),
    "a door ajar": (
        b'{"columns": ["time_s", "door"], "rows": [[0, "shut"], [1, "ajar"]]}',
        "“ajar” is no state of a door",
    ),
    "CSV with a time that starts again": (
        b"time_s,probe_1_degC\n0,90\n1,90\n0,90\n",
        "Line 4, column 1: The time starts",
    ),
    "too much": (b'{"columns": ["' + b" " * structured.BYTES_MOST, "more than 20 MB"),
}


@pytest.mark.parametrize("name", MALFORMED)
def test_what_is_no_record_says_where(name: str) -> None:
    text, words = MALFORMED[name]
    with pytest.raises(readings.Unreadable) as refused:
        read(text)
    assert words in str(refused.value)


def test_a_door_is_open_or_shut_or_unknown() -> None:
    found: Any = read(b"time_s,door\n0,shut\n1,open\n2,\n").signals[0].values
    assert found[:2].tolist() == [0, 1]
    assert np.isnan(found[2])

"""A record of readings as JSON, `{"columns": [names as in CSV], "rows": [[…], …]}`; and a file in either form.

A cell is a number, a text as in CSV, or null where the reading is missing. Whatever else is told with its row.
"""

from __future__ import annotations

import io
import json
import math
from typing import Any, BinaryIO, NoReturn

from incidents.analysis import readings
from incidents.analysis.readings import AS_THEY_ARE, BYTES_MOST, Columns, Record, Unreadable

_DEEP = "The file is nested too deeply: columns and rows of cells are all that is read."


def read_either(file: BinaryIO, columns: Columns = AS_THEY_ARE) -> Record:
    """CSV under these columns, or JSON where the first sign is a brace or a bracket. Raises Unreadable."""
    if not isinstance(file, io.BufferedReader):
        file = io.BufferedReader(file)  # type: ignore[type-var]
    sign = file.peek(64)[:64].removeprefix(b"\xef\xbb\xbf").lstrip()[:1]
    return read(file) if sign in (b"{", b"[") else readings.read(file, columns)


def read(file: BinaryIO) -> Record:
    """Read a record in JSON. Raises Unreadable."""
    whole = file.read(BYTES_MOST + 1)
    if len(whole) > BYTES_MOST:
        raise Unreadable(f"The file has more than {BYTES_MOST // 1024 // 1024} MB: give one cycle’s record.")
    try:
        told = json.loads(
            whole.decode("utf-8-sig"), object_pairs_hook=_once, parse_constant=_no_number, parse_float=_finite
        )
    except UnicodeDecodeError as error:
        raise Unreadable(
            "The text is not UTF-8: save the file as UTF-8.", whole[: error.start].count(b"\n") + 1
        ) from None
    except json.JSONDecodeError as error:
        raise Unreadable(f"This is no JSON: {error.msg}.", error.lineno, error.colno) from None
    except RecursionError:
        raise Unreadable(_DEEP) from None
    except ValueError:  # a whole number of thousands of digits
        raise Unreadable("A number has more digits than any reading.") from None
    return _record(told)


def _record(told: Any) -> Record:
    if not isinstance(told, dict) or set(told) != {"columns", "rows"}:
        raise Unreadable("The file must be an object with “columns” and “rows”, and nothing else.")
    columns, rows = told["columns"], told["rows"]
    if not isinstance(columns, list) or not columns or not all(isinstance(name, str) for name in columns):
        raise Unreadable("“columns” must be a list of names.")
    if not isinstance(rows, list) or not all(isinstance(row, list) for row in rows):
        raise Unreadable("“rows” must be a list of lists of cells.")
    reading = readings.reader(columns)
    number = 0
    try:
        for number, row in enumerate(rows, 1):
            reading.take([_text(cell, n) for n, cell in enumerate(row, 1)], number)
        return reading.record()
    except Unreadable as error:
        column = f", column {error.column}" if error.column else ""
        where = f"Row {number}{column}: " if number else ""
        raise Unreadable(f"{where}{error.sentence}") from None


def _text(cell: Any, column: int) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool) or not isinstance(cell, str | int | float):
        raise Unreadable("A cell must be a number, a text or null.", 0, column)
    return cell if isinstance(cell, str) else repr(cell)


def _once(members: list[tuple[str, Any]]) -> dict[str, Any]:
    told = dict(members)
    if len(told) < len(members):
        names = [name for name, _ in members]
        twice = next(name for name in names if names.count(name) > 1)
        raise Unreadable(f"“{twice[:40]}” stands twice.")
    return told


def _no_number(word: str) -> NoReturn:
    raise Unreadable(f"“{word}” is no number: write null where a reading is missing.")


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise Unreadable(f"“{text[:40]}” is beyond any reading.")
    return number

"""A record of readings as a file: plain CSV with columns named by signal and unit.

The first line names the columns: a time (`time_s` in seconds, or `time` in ISO 8601) and signals such as
`probe_1_degC`, `control_degF`, `conductivity_uS_cm`, `dose_1_ml`; `phase` marks phases, `door` is open or shut,
other columns are passed over. Comma, semicolon or tab between cells; a decimal point or, where no comma parts
cells, a decimal comma; UTF-8, or UTF-16 with its byte order mark. An empty cell, `NaN`, `--` or `-` is
a missing reading. Whatever can't be read is told with its line and column; nothing is guessed.
"""

from __future__ import annotations

import codecs
import csv
import io
import math
import re
from array import array
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import BinaryIO, NamedTuple

import numpy as np

from incidents.analysis.lethality import Floats

BYTES_MOST = 20 * 1024 * 1024
ROWS_MOST = 2_000_000
COLUMNS_MOST = 64
CELL_MOST = 400  # characters
MISSING = frozenset({"", "nan", "--", "-", "n/a", "na", "null"})
TEMPERATURES = ("probe_", "control", "independent")
UNITS = {"degC", "degF", "K", "uS_cm", "ml", "bar", "mbar", "rpm", "s"}
CHUNK = 64 * 1024
_TIME_NAMES = ("time_s", "time")
_DOOR = {"open": 1.0, "1": 1.0, "shut": 0.0, "closed": 0.0, "0": 0.0}
NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)


class Unreadable(Exception):
    """The file is no record; `line` and `column` (both from 1) say where, 0 where it is the file as a whole."""

    def __init__(self, sentence: str, line: int = 0, column: int = 0) -> None:
        where = f"Line {line}, column {column}: " if column else f"Line {line}: " if line else ""
        super().__init__(f"{where}{sentence}")
        self.sentence, self.line, self.column = sentence, line, column


class Signal(NamedTuple):
    """One column of numbers: its name without the unit, the unit as written, NaN where a reading is missing."""

    name: str
    unit: str
    values: Floats


class Record(NamedTuple):
    """Times in seconds, rising; signals of the same length; `marks` are the words of a `phase` column."""

    times: Floats
    signals: tuple[Signal, ...]
    marks: tuple[str, ...]
    started_at: datetime | None
    repeated: int

    def celsius(self, name: str) -> Floats | None:
        """The signal of this name in °C, where it is a temperature."""
        return next((in_celsius(signal) for signal in self.signals if signal.name == name), None)

    @property
    def temperatures(self) -> dict[str, Floats]:
        """Every temperature in °C by its name: probes, control, independent."""
        return {each.name: in_celsius(each) for each in self.signals if each.unit in ("degC", "degF", "K")}


def in_celsius(signal: Signal) -> Floats:
    """Raises ValueError where the signal is no temperature."""
    if signal.unit == "degC":
        return signal.values
    if signal.unit == "degF":
        fahrenheit: Floats = (signal.values - 32.0) / 1.8
        return fahrenheit
    if signal.unit == "K":
        kelvin: Floats = signal.values - 273.15
        return kelvin
    raise ValueError(f"{signal.name} is no temperature")


class Columns(NamedTuple):
    """How a department's own export is read: its names by ours, and on which line they stand."""

    ours: Mapping[str, str]
    header_line: int


AS_THEY_ARE = Columns({}, 1)


def read(file: BinaryIO, columns: Columns = AS_THEY_ARE) -> Record:
    """Read a record in one pass, in memory that grows with its numbers only. Raises Unreadable."""
    reading, rows = _begun(file, columns)
    for line, row in rows:
        reading.take(row, line)
    return reading.record()


def preview(file: BinaryIO, columns: Columns, most: int = 5) -> tuple[list[str], list[str], list[list[str]]]:
    """The file's own names, ours for them, and its first rows as they stand. Raises Unreadable."""
    _, names, rows = _opened(file, columns)
    shown = [row for _, (_, row) in zip(range(most), rows, strict=False)]
    return names, [columns.ours.get(name.strip(), name.strip()) for name in names], shown


def _begun(file: BinaryIO, columns: Columns) -> tuple[_Reading, Iterator[tuple[int, list[str]]]]:
    delimiter, names, rows = _opened(file, columns)
    ours = [columns.ours.get(name.strip(), name) for name in names]
    return _Reading(_names(ours, columns.header_line), decimal_comma=delimiter != ","), rows


def _opened(file: BinaryIO, columns: Columns) -> tuple[str, list[str], Iterator[tuple[int, list[str]]]]:
    """What parts the cells, the file's own names, and its rows with their lines."""
    text = lines(file)
    for _ in range(columns.header_line - 1):
        next(text, "")
    header = next(text, "")
    if not header.strip():
        where = "its first line" if columns.header_line == 1 else f"line {columns.header_line}"
        raise Unreadable(f"The file is empty: {where} must name the columns.", columns.header_line)
    delimiter = delimiter_of(header)
    rows = parted(with_first(header, text), delimiter, columns.header_line - 1)
    _, names = next(rows)
    return delimiter, names, rows


def reader(header: Sequence[str]) -> _Reading:
    """Takes rows of texts one by one under these names; for records that are no CSV."""
    return _Reading(_names(header), decimal_comma=False)


# --- from bytes to lines ------------------------------------------------------------------------------


def lines(file: BinaryIO) -> Iterator[str]:
    """The file's lines. At most BYTES_MOST bytes are read, and never a whole long line at once."""
    first = file.read(CHUNK)
    if first[:2] == b"PK" or first[:2] == b"\x1f\x8b":
        raise Unreadable("This is a packed file: unpack it and give the record itself.")
    encoding = _encoding(first)
    decoder = codecs.getincrementaldecoder(encoding)()
    taken, rest, number = 0, "", 1
    chunk = first
    while chunk:
        taken += len(chunk)
        if taken > BYTES_MOST:
            raise Unreadable(
                f"The file has more than {BYTES_MOST // 1024 // 1024} MB: give a shorter stretch of it."
            )
        rest += _decoded(decoder, chunk, number + rest.count("\n"), encoding)
        *whole, rest = rest.split("\n")
        for line in whole:
            yield line.removesuffix("\r") + "\n"
            number += 1
        if len(rest) > CELL_MOST * COLUMNS_MOST:
            raise Unreadable(f"The line has more than {CELL_MOST * COLUMNS_MOST} characters.", number)
        chunk = file.read(CHUNK)
    rest += _decoded(decoder, b"", number, encoding)
    if rest:
        yield rest.removesuffix("\r")


def _decoded(decoder: codecs.IncrementalDecoder, chunk: bytes, line: int, encoding: str) -> str:
    try:
        return decoder.decode(chunk, final=not chunk)
    except UnicodeDecodeError as error:
        line += error.object[: error.start].count(b"\n")
        named = "UTF-16" if encoding == "utf-16" else "UTF-8"
        raise Unreadable(f"The text is not {named}: save the file as UTF-8.", line) from None


def _encoding(first: bytes) -> str:
    if first.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    return "utf-8-sig"


def with_first(first: str, rest: Iterator[str]) -> Iterator[str]:
    yield first
    yield from rest


def parted(text: Iterator[str], delimiter: str, before: int = 0) -> Iterator[tuple[int, list[str]]]:
    """Each row with the line on which it ends, after so many others; what can't be parted is Unreadable."""
    rows = csv.reader(text, delimiter=delimiter, strict=True)
    while True:
        begins = before + rows.line_num + 1
        try:
            row = next(rows)
        except StopIteration:
            return
        except csv.Error as error:
            if "new-line" in str(error):
                raise Unreadable("Lines end with CR alone: save the file with LF or CRLF.", begins) from None
            raise Unreadable(f"The line can’t be parted into cells: {error}.", begins) from None
        yield before + rows.line_num, row


def delimiter_of(header: str) -> str:
    """What parts the cells: whichever of these the header has most of."""
    return max(";\t,", key=header.count)


# --- from cells to numbers ----------------------------------------------------------------------------


class _Column(NamedTuple):
    name: str
    unit: str


def _names(header: Sequence[str], line: int = 1) -> list[_Column]:
    if len(header) > COLUMNS_MOST:
        raise Unreadable(f"There are {len(header)} columns; at most {COLUMNS_MOST} are read.", line)
    names = [name.strip() for name in header]
    while names and not names[-1]:
        names.pop()
    for number, name in enumerate(names, 1):
        if not name:
            raise Unreadable("The column has no name.", line, number)
        if names.index(name) != number - 1:
            raise Unreadable(f"“{name[:40]}” names two columns.", line, number)
    if not any(name in _TIME_NAMES for name in names):
        raise Unreadable("No column is named “time_s” or “time”.", line)
    columns = [_column(name, number, line) for number, name in enumerate(names, 1)]
    measured = [column.name if column.unit else "" for column in columns]
    for number, name in enumerate(measured, 1):
        if name and measured.index(name) != number - 1:
            raise Unreadable(
                f"“{name[:40]}” stands twice, in two units: leave one of the two columns out.", line, number
            )
    return columns


def _column(name: str, number: int, line: int) -> _Column:
    if name in (*_TIME_NAMES, "phase"):
        return _Column(name, "")
    if name == "door":
        return _Column(name, "door")
    for unit in sorted(UNITS, key=len, reverse=True):
        if name.endswith(f"_{unit}") and len(name) > len(unit) + 1:
            return _Column(name[: -len(unit) - 1], unit)
    if name.startswith(TEMPERATURES):
        raise Unreadable(f"“{name[:40]}” names no unit: end it with _degC, _degF or _K.", line, number)
    return _Column(name, "")


class _Reading:
    """What was read so far."""

    def __init__(self, columns: list[_Column], *, decimal_comma: bool) -> None:
        self.columns, self.decimal_comma = columns, decimal_comma
        self.time_at = next(n for n, column in enumerate(columns) if column.name in _TIME_NAMES)
        self.mark_at = next((n for n, column in enumerate(columns) if column.name == "phase"), None)
        self.times = array("d")
        self.values = [array("d") for _ in columns]
        self.marks: list[str] = []
        self.started_at: datetime | None = None
        self.repeated = 0

    def take(self, row: list[str], line: int) -> None:
        if not any(cell.strip() for cell in row):
            return
        if len(self.times) >= ROWS_MOST:
            raise Unreadable(f"There are more than {ROWS_MOST} rows: give one cycle’s record.", line)
        if len(row) < len(self.columns):
            raise Unreadable(
                f"The row has {len(row)} cells, the header {len(self.columns)}: it is cut short.", line
            )
        if any(cell.strip() for cell in row[len(self.columns) :]):
            raise Unreadable(
                f"The row has {len(row)} cells, the header {len(self.columns)}.", line, len(self.columns) + 1
            )
        at = self._time(row[self.time_at].strip(), line)
        numbers = [
            self._cell(column, row[n].strip(), line, n + 1) if column.unit else math.nan
            for n, column in enumerate(self.columns)
        ]
        if self.times and at <= self.times[-1]:
            self._same_again(at, numbers, line)
            return
        self.times.append(at)
        for values, number in zip(self.values, numbers, strict=True):
            values.append(number)
        if self.mark_at is not None:
            self.marks.append(row[self.mark_at].strip()[:40])

    def _same_again(self, at: float, numbers: list[float], line: int) -> None:
        """A row for a time that stands already: the same once more is passed over, another is no record."""
        before = [values[-1] for values in self.values]
        same = all(a == b or (math.isnan(a) and math.isnan(b)) for a, b in zip(before, numbers, strict=True))
        if at == self.times[-1] and same:
            self.repeated += 1
            return
        if at <= self.times[0] < self.times[-1]:
            raise Unreadable(
                "The time starts again: two records in one file. Give each cycle’s record by itself.",
                line,
                self.time_at + 1,
            )
        what = "runs backwards" if at < self.times[-1] else "stands twice with different readings"
        raise Unreadable(f"The time {what}.", line, self.time_at + 1)

    def _time(self, cell: str, line: int) -> float:
        if self.columns[self.time_at].name == "time_s":
            at = self._number(cell, line, self.time_at + 1)
            if math.isnan(at):
                raise Unreadable("The time is missing.", line, self.time_at + 1)
            return at
        try:
            moment = datetime.fromisoformat(cell)
        except ValueError:
            raise Unreadable(
                f"“{cell[:40]}” is no time in ISO 8601, as in 2026-11-24T02:09:41Z.", line, self.time_at + 1
            ) from None
        if self.started_at is None:
            self.started_at = moment
        if (moment.tzinfo is None) != (self.started_at.tzinfo is None):
            raise Unreadable("Some times have an offset and some have none.", line, self.time_at + 1)
        return (moment - self.started_at).total_seconds()

    def _cell(self, column: _Column, cell: str, line: int, place: int) -> float:
        if column.unit != "door":
            return self._number(cell, line, place)
        if cell.lower() not in _DOOR and cell.lower() not in MISSING:
            raise Unreadable(f"“{cell[:40]}” is no state of a door: write open or shut.", line, place)
        return _DOOR.get(cell.lower(), math.nan)

    def _number(self, cell: str, line: int, column: int) -> float:
        if cell.lower() in MISSING:
            return math.nan
        text = cell
        if self.decimal_comma and "," in cell:
            if "." in cell or cell.count(",") > 1:
                raise Unreadable(
                    f"“{cell[:40]}” has more than one separator: write it without a thousands sign.", line, column
                )
            text = cell.replace(",", ".")
        if not NUMBER.fullmatch(text):
            raise Unreadable(f"“{cell[:40]}” is not a number.", line, column)
        number = float(text)
        if not math.isfinite(number):
            raise Unreadable(f"“{cell[:40]}” is beyond any reading.", line, column)
        return number

    def record(self) -> Record:
        if len(self.times) < 2:
            raise Unreadable("A record needs at least two rows of readings.", len(self.times) + 1)
        signals = tuple(
            Signal(column.name, column.unit, np.frombuffer(values, dtype=np.float64))
            for column, values in zip(self.columns, self.values, strict=True)
            if column.unit
        )
        times = np.frombuffer(self.times, dtype=np.float64)
        return Record(times, signals, tuple(self.marks), self.started_at, self.repeated)


def read_text(text: str) -> Record:
    """A record given as text; for tests and the shell."""
    return read(io.BytesIO(text.encode()))

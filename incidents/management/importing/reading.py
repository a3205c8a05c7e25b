"""Reading a CSV file as it comes: its encoding, its delimiter, its headings, its rows.

Quotes are read as RFC 4180 has them. What can't be told apart for certain is a flaw, never a guess.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, NamedTuple

from incidents.management.importing.mapping import Mapping
from incidents.management.importing.problems import Flaw

CELL_LIMIT = 10_000_000  # characters
DELIMITERS = (",", ";", "\t")
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_SEP_LINE = re.compile(r"sep=(.)\s*$", re.IGNORECASE)

Read = Callable[[int], object]  # told how many characters were read


class Row(NamedTuple):
    """`line` is where it begins. A row that can't be read has a flaw in the place of its cells."""

    line: int
    cells: list[str] | Flaw


class Table(NamedTuple):
    headings: tuple[str, ...]
    rows: Iterator[Row]


def encoding_of(path: Path, mapping: Mapping) -> str:
    """By its byte order mark, else as the mapping says, else UTF-8; UTF-16 without a mark by its empty bytes."""
    with path.open("rb") as file:
        start = file.read(512)
    for bom, encoding in _BOMS:
        if start.startswith(bom):
            return encoding
    if mapping.encoding:
        return mapping.encoding
    halves = start[0:8:2], start[1:8:2]
    for encoding, empty, full in (("utf-16-le", halves[1], halves[0]), ("utf-16-be", *halves)):
        if len(empty) == len(full) == 4 and not any(empty) and all(full):
            return encoding
    return "utf-8"


def open_table(path: Path, file: IO[str], mapping: Mapping, read: Read) -> Table:
    """The headings of an open file, and its rows as they are asked for. Raises Flaw."""
    csv.field_size_limit(CELL_LIMIT)
    lines = _Lines(file, read)
    first = lines.take()
    told = _SEP_LINE.match(first)
    before = 1 if told else 0
    delimiter = mapping.delimiter or (told[1] if told else _delimiter_of(first))
    start = "" if told else first
    reader = csv.reader(lines.after(start), delimiter=delimiter, strict=True)
    try:
        headings = tuple(heading.strip() for heading in next(reader))
    except StopIteration:
        raise Flaw("file-empty", "The file is empty.", "Export it again.") from None
    except csv.Error as error:
        raise Flaw("headings-unreadable", f"Its headings can’t be read: {error}.", "Export it again.") from None
    doubled = sorted({name for name in headings if name and headings.count(name) > 1})
    if doubled:
        raise Flaw("heading-twice", "Two columns have this heading.", "Rename one of them.", column=doubled[0])
    return Table(headings, _rows(reader, lines, len(headings), before))


def _delimiter_of(line: str) -> str:
    """The one that cuts the headings into most pieces."""
    bare = re.sub(r'"[^"]*"', "", line)
    return max(DELIMITERS, key=bare.count)


def _rows(reader: Iterator[list[str]], lines: _Lines, width: int, before: int) -> Iterator[Row]:
    while True:
        begins = lines.count + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            flaw = _unreadable(str(error), begins, lines.count)
            yield Row(begins, flaw)
            if lines.ended:
                raise flaw from None
            continue
        if len(cells) > width and not any(cells[width:]):
            del cells[width:]
        if not any(cells):
            continue
        if len(cells) != width:
            what = f"The row has {len(cells)} cells, and there are {width} headings."
            yield Row(begins, Flaw("cells-odd", what, "Look for a delimiter or a quote too many or too few."))
        else:
            yield Row(begins, cells)


def _unreadable(error: str, begins: int, ends: int) -> Flaw:
    reach = f" Lines {begins} to {ends} were taken for one row." if ends > begins else ""
    if "unexpected end" in error:
        what = f"A quote is opened here and never closed.{reach}"
    elif "field larger" in error:
        what = f"A cell has more than {CELL_LIMIT} characters."
    else:
        what = f"The row can’t be read: {error}.{reach}"
    return Flaw("row-unreadable", what, "Look for a quote too many or too few.", line=begins)


class _Lines:
    """The lines of a file, counted; one that never ends is a flaw instead of all of the memory."""

    def __init__(self, file: IO[str], read: Read) -> None:
        self.count = 0
        self.ended = False
        self._file, self._read = file, read

    def take(self) -> str:
        try:
            line = self._file.readline(CELL_LIMIT + 1)
        except UnicodeError as error:
            raise Flaw("encoding-odd", f"It can’t be read: {error}.", _SAY_ENCODING, line=self.count + 1) from None
        if len(line) > CELL_LIMIT:
            what = f"A line has more than {CELL_LIMIT} characters."
            raise Flaw("line-endless", what, "Is it a CSV file? Export it again.", line=self.count + 1)
        self.ended = not line
        self.count += bool(line)
        self._read(len(line))
        return line

    def after(self, first: str) -> Iterator[str]:
        if first:
            yield first
        while line := self.take():
            yield line


_SAY_ENCODING = 'Save it as UTF-8, or name its encoding in the mapping: encoding = "cp1252".'

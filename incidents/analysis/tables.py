"""An engineer's own table as a file: a header that names the columns, then one row for each thing.

Comma, semicolon or tab between cells, UTF-8 or UTF-16, as for records of readings (`readings`). Columns that nobody
asked for are passed over. Every cell that is asked for must be there and be what it should; nothing is guessed.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import MAXYEAR, MINYEAR, UTC, datetime
from pathlib import Path
from typing import NamedTuple

import numpy as np

from incidents.analysis.lethality import Floats
from incidents.analysis.readings import NUMBER, Unreadable, delimiter_of, lines, parted, with_first

ROWS_MOST = 1_000_000


class Table(NamedTuple):
    """Cells by the name of their column, as text; where each stands in the file."""

    cells: dict[str, list[str]]
    rows: Sequence[int]
    places: dict[str, int]
    decimal_comma: bool

    def numbers(self, name: str, *, whole: bool = False, least: float | None = None) -> Floats:
        """A column as numbers. Raises Unreadable where a cell is none, isn't whole or lies below `least`."""
        told = np.empty(len(self.rows))
        for place, cell in enumerate(self.cells[name]):
            number = self._number(cell, name, place)
            if whole and number != int(number):
                raise self.flaw(f"“{cell[:40]}” is no whole number.", place, name)
            if least is not None and number < least:
                raise self.flaw(f"“{cell[:40]}” is below {least:g}.", place, name)
            told[place] = number
        return told

    def moments(self, name: str, *, empty: bool = False) -> Floats:
        """A column of times in ISO 8601 as seconds since 1970 in UTC; NaN where it is empty and may be."""
        told = np.empty(len(self.rows))
        offsets: set[bool] = set()
        for place, cell in enumerate(self.cells[name]):
            if empty and not cell:
                told[place] = np.nan
                continue
            moment = as_moment(cell)
            if moment is None:
                raise self.flaw(f"“{cell[:40]}” is no time in ISO 8601, as in 2026-11-24T02:09:41Z.", place, name)
            offsets.add(moment.tzinfo is not None)
            if len(offsets) > 1:
                raise self.flaw("Some times have an offset and some have none.", place, name)
            told[place] = seconds(moment)
        return told

    def flaw(self, sentence: str, place: int, name: str) -> Unreadable:
        return Unreadable(sentence, self.rows[place], self.places[name] + 1)

    def _number(self, cell: str, name: str, place: int) -> float:
        text = cell.replace(",", ".") if self.decimal_comma and cell.count(",") == 1 and "." not in cell else cell
        if not cell:
            raise self.flaw("The cell is empty: a number is missing.", place, name)
        if not NUMBER.fullmatch(text):
            raise self.flaw(f"“{cell[:40]}” is not a number.", place, name)
        number = float(text)
        if not abs(number) < 1e100:
            raise self.flaw(f"“{cell[:40]}” is beyond any measure.", place, name)
        return number


def read(path: Path, wanted: Sequence[str], *, besides: Collection[str] = ()) -> Table:
    """The columns of a file by name; `besides` are read where they are there. Raises Unreadable, OSError."""
    with path.open("rb") as file:
        text = lines(file)
        header = next(text, "")
        if not header.strip():
            raise Unreadable(f"The file is empty: its first line must name the columns ({', '.join(wanted)}).", 1)
        delimiter = delimiter_of(header)
        rows = parted(with_first(header, text), delimiter)
        places = _places(next(rows)[1], wanted, besides)
        cells: dict[str, list[str]] = {name: [] for name in places}
        at: list[int] = []
        for line, row in rows:
            if not any(cell.strip() for cell in row):
                continue
            if len(at) >= ROWS_MOST:
                raise Unreadable(f"There are more than {ROWS_MOST} rows: give a shorter stretch of it.", line)
            at.append(line)
            for name, place in places.items():
                if place >= len(row):
                    raise Unreadable(f"The row has {len(row)} cells; “{name}” is missing.", line)
                cells[name].append(row[place].strip())
    if not at:
        raise Unreadable("There is a header and no row under it.", 2)
    return Table(cells, at, places, delimiter != ",")


def _places(header: Sequence[str], wanted: Sequence[str], besides: Collection[str]) -> dict[str, int]:
    names = [name.strip() for name in header]
    for name in wanted:
        if name not in names:
            raise Unreadable(f"No column is named “{name}”; this reads {', '.join(wanted)}.", 1)
        if names.count(name) > 1:
            raise Unreadable(f"“{name}” names two columns.", 1)
    return {name: names.index(name) for name in (*wanted, *besides) if name in names}


def as_moment(text: str) -> datetime | None:
    """A time in ISO 8601, or None; none in a calendar’s first and last year, which another zone may not have."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if MINYEAR < moment.year < MAXYEAR else None


def seconds(moment: datetime) -> float:
    """Seconds since 1970 in UTC; a time without an offset counts as UTC."""
    there = moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
    return (there - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()

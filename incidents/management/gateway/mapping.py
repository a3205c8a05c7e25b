"""From a line that a machine prints to what it observed, by the patterns or columns of the configuration."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from incidents.management.gateway.config import Config, Csv, Folder
from incidents.management.gateway.times import moment

LIMITS = {"chamber": 40, "programme": 80, "code": 40, "phase": 40, "text": 200}


class Unreadable(Exception):
    """A line that means nothing by the configuration; the sentence says why."""


class Seen(NamedTuple):
    """What a line tells: a kind of observation, its moment, its data, and what is doubtful about it."""

    kind: str
    at: datetime
    data: dict[str, Any]
    doubt: str


class Reading(NamedTuple):
    """The configuration made ready to read lines with."""

    config: Config
    folder: Folder
    zone: ZoneInfo
    patterns: Sequence[re.Pattern[str]]


def reading_of(config: Config) -> Reading:
    if config.folder is None:
        raise ValueError("only a folder's lines are mapped")
    patterns = [re.compile(line.pattern) for line in config.line]
    return Reading(config, config.folder, ZoneInfo(config.machine.time_zone), patterns)


def read_line(reading: Reading, line: str, header: Sequence[str]) -> Seen | None:
    """What a line tells; None where it is of no interest. Raises Unreadable."""
    if not line.strip():
        return None
    if reading.config.csv is not None:
        return _read_row(reading, reading.config.csv, line, header)
    for pattern, meant in zip(reading.patterns, reading.config.line, strict=True):
        found = pattern.search(line)
        if found is not None:
            if not meant.type:
                return None
            return _seen(reading, meant.type, meant.set, found.groupdict(), _character(found))
    _unmatched(reading, "no pattern fits it")
    return None


def _character(found: re.Match[str]) -> str:
    """Where the time begins in the line, counted from 1."""
    at = found.start("time") if "time" in found.groupdict() else -1
    return f"column {at + 1}" if at >= 0 else "its time"


def _unmatched(reading: Reading, why: str) -> None:
    if reading.folder.unmatched == "reject":
        raise Unreadable(why)


def row_of(line: str, delimiter: str) -> list[str]:
    """The fields of a row. Raises Unreadable."""
    try:
        rows = list(csv.reader([line], delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise Unreadable(f"not a row of CSV: {error}") from None
    return [field.strip() for field in rows[0]] if rows else []


def _read_row(reading: Reading, table: Csv, line: str, header: Sequence[str]) -> Seen | None:
    row = row_of(line, table.delimiter)
    told = {name: _field(row, header, column) for name, column in table.columns.items()}
    meaning = table.events.get(told.pop("event") or "")
    if meaning is None:
        _unmatched(reading, "its event is not in [csv.events]")
    if meaning is None or not meaning.type:
        return None
    return _seen(reading, meaning.type, meaning.set, told, _cell(header, table.columns["time"]))


def _cell(header: Sequence[str], column: str | int) -> str:
    """Which field of the row has the time, counted from 1."""
    return f"column {column}" if isinstance(column, int) else f"column {header.index(column) + 1} ({column})"


def _field(row: Sequence[str], header: Sequence[str], column: str | int) -> str | None:
    if isinstance(column, str) and column not in header:
        raise Unreadable(f"the header has no column {column!r}")
    place = column - 1 if isinstance(column, int) else header.index(column)
    if not 0 <= place < len(row):
        raise Unreadable(f"it has {len(row)} columns; {column!r} is missing")
    return row[place]


def _seen(
    reading: Reading, kind: str, given: Mapping[str, Any], told: Mapping[str, str | None], column: str
) -> Seen:
    """`column` says where its time stands."""
    config = reading.config
    texts = {name: text.strip() for name, text in told.items() if text and text.strip()}
    if "time" not in texts:
        raise Unreadable("it has no time")
    try:
        when = moment(texts.pop("time"), reading.folder.time_format, reading.zone)
    except ValueError as error:
        raise Unreadable(f"its time ({column}) can’t be read: {error}") from None
    data: dict[str, Any] = {"chamber": config.machine.chamber} | dict(given)
    cycle = texts.pop("cycle", None)
    if cycle is not None:
        if not re.fullmatch(r"[0-9]{1,15}", cycle, re.ASCII):
            raise Unreadable(f"its cycle {cycle[:40]!r} is no whole number")
        data["machine_cycle"] = int(cycle)
    if "phase" in texts:
        texts["phase"] = config.phases.get(texts["phase"], texts["phase"])
    if "programme" in texts:
        texts["programme"] = config.programmes.get(texts["programme"], texts["programme"])
    for name, text in texts.items():
        if len(text) > LIMITS[name]:
            raise Unreadable(f"its {name} has more than {LIMITS[name]} characters")
    return Seen(kind, when.at, data | texts, f"{column}: {when.doubt}" if when.doubt else "")

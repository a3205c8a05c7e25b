"""What a cell becomes: text, words, a list, a whole number, a moment, an outcome. Raises Flaw."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from datetime import UTC, datetime, time
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from incidents.management.importing.mapping import Mapping, OfKind
from incidents.management.importing.problems import Flaw, excerpt
from incidents.rules.history import LARGEST_CYCLE, LONG, OUTCOMES, SHORT


class Said(NamedTuple):
    """An outcome: what it means here, and the record's own word."""

    outcome: str
    stated: str


def readable(text: str) -> None:
    """Raises Flaw where it holds what no text has."""
    if text.isascii() and text.isprintable():
        return
    for sign in text:
        if "\ud800" <= sign <= "\udfff" or sign == "�":
            raise Flaw(
                "encoding-odd", "It holds bytes of another encoding.", "Name the file’s encoding in the mapping."
            )
        if sign not in "\r\n\t" and unicodedata.category(sign) == "Cc":
            raise Flaw("control-character", f"It holds a control character (U+{ord(sign):04X}).", "Remove it.")


class Asked(NamedTuple):
    """All that reading a cell of one column depends on."""

    mapping: Mapping
    own: OfKind
    column: str
    filled: bool
    zone: ZoneInfo | None

    def meaning(self, text: str) -> str:
        return self.own.values.get(self.column, {}).get(text, text)


def _text(asked: Asked, text: str, limit: int = SHORT) -> str:
    meant = asked.meaning(text)
    if len(meant) > limit:
        raise Flaw("text-too-long", f"It has {len(meant)} characters; at most {limit} are kept.", "Shorten it.")
    return " ".join(meant.split()) if limit == SHORT else meant.replace("\r\n", "\n").replace("\r", "\n")


def _words(asked: Asked, text: str) -> str:
    return _text(asked, text, LONG)


def _list(asked: Asked, text: str) -> tuple[str, ...]:
    parts = asked.meaning(text).split(asked.mapping.list_separator)
    named = tuple(_text(asked, part) for part in parts if part.strip())
    if asked.filled and not named:
        raise Flaw("cell-empty", "It names none.", "Fill it in, or leave the line out.")
    return tuple(dict.fromkeys(named))


def _whole(asked: Asked, text: str) -> int | None:
    text = asked.meaning(text)
    if not text:
        return None
    found = _WHOLE[asked.mapping.decimal].fullmatch(text)
    if found is None or int(found[1]) > LARGEST_CYCLE:
        raise Flaw("number-unreadable", f"{excerpt(text)} is no whole number.", "Give the counter in digits alone.")
    return int(found[1])


_WHOLE = {mark: re.compile(rf"([0-9]{{1,18}})(?:{re.escape(mark)}0*)?") for mark in ".,"}


def _outcome(asked: Asked, text: str) -> Said:
    stated = _text(asked._replace(own=OfKind()), text)
    meant = asked.meaning(text) or "unknown"
    if meant not in OUTCOMES:
        raise Flaw(
            "outcome-unknown",
            f"What {excerpt(text)} means isn’t said.",
            f"Say it in the mapping, under [loads.values.outcome], as one of: {', '.join(OUTCOMES)}.",
        )
    return Said(meant, stated)


# --- moments ------------------------------------------------------------------------------------------


def _moment(asked: Asked, text: str) -> datetime | None:
    text = asked.meaning(text)
    if not text:
        return None
    told = _parsed(asked, text)
    if told.tzinfo is not None:
        return _in_utc(told, text)
    if asked.zone is None:
        raise Flaw(
            "zone-missing",
            f"{excerpt(text)} names no time zone.",
            'Name it in the mapping: zone = "Europe/Lisbon"; or write the offset, as in 2025-03-02T06:14+00:00.',
        )
    return _in_utc(_certain(told, asked.zone, text), text)


def _parsed(asked: Asked, text: str) -> datetime:
    """As the mapping's format has it; ISO 8601 is understood besides."""
    form = asked.own.formats.get(asked.column) or asked.mapping.time_format
    if form:
        try:
            return datetime.strptime(text, form)  # noqa: DTZ007, the zone follows
        except ValueError:
            pass
    try:
        told = datetime.fromisoformat(text)
    except ValueError:
        like = form or "2025-03-02T06:14:00+00:00"
        raise Flaw(
            "time-unreadable", f"{excerpt(text)} can’t be read as a date and a time like {like}.", _SAY_FORMAT
        ) from None
    if len(text) <= len("2025-W01-1") and told.time() == time():
        raise Flaw("time-missing", f"{excerpt(text)} names a day and no time of it.", _SAY_FORMAT)
    return told


def _certain(told: datetime, zone: ZoneInfo, text: str) -> datetime:
    """The one moment at which clocks there showed this; none or two of them are flaws."""
    first, second = told.replace(tzinfo=zone), told.replace(tzinfo=zone, fold=1)
    before, after = first.utcoffset(), second.utcoffset()
    if before == after:
        return first
    write = "Write this one with its offset, as in 2025-10-26T02:30:00+02:00."
    if before is not None and after is not None and before > after:
        raise Flaw("time-twice", f"Clocks in {zone.key} showed {excerpt(text)} twice, as they went back.", write)
    raise Flaw("time-never", f"Clocks in {zone.key} never showed {excerpt(text)}: they went forward.", write)


def _in_utc(told: datetime, text: str) -> datetime:
    try:
        return told.astimezone(UTC)
    except OverflowError:
        raise Flaw("time-unreadable", f"{excerpt(text)} lies outside the calendar.", _SAY_FORMAT) from None


_SAY_FORMAT = 'Give its format in the mapping: time_format = "%d.%m.%Y %H:%M".'
READ: dict[str, Callable[[Asked, str], Any]] = {
    "text": _text,
    "words": _words,
    "list": _list,
    "whole": _whole,
    "moment": _moment,
    "outcome": _outcome,
}

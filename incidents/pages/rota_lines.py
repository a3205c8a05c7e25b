"""Rotas and public holidays as lines of text: one turn or one day a line, and back."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from uuid import UUID

import msgspec

from incidents.pages.ladder_lines import LineUnreadable, numbered
from incidents.rules.escalation_events import Holiday, Rota, Swap, Turn

TURNS_HELP = (
    "One turn a line: rota; shift or on-call; who; days; from; to; every so many weeks; counted from. "
    "The last two may be left out. “Nights; shift; NAME; Mon-Fri; 22:00; 06:00; 2; 2026-W49”. "
    "A turn that ends no later than it begins ends on the next day; a public holiday counts as a Sunday."
)
HOLIDAYS_HELP = "One day a line: 2026-12-25; its name."
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_DAYS = re.compile(r"([A-Za-z]{3})(?: ?[-–] ?([A-Za-z]{3}))?")


def turn_lines(rotas: Iterable[Rota], names: Mapping[UUID, str]) -> str:
    return "\n".join(_line(rota, turn, names) for rota in rotas for turn in rota.turns)


def _line(rota: Rota, turn: Turn, names: Mapping[UUID, str]) -> str:
    who = names.get(turn.person, str(turn.person))
    parts = [rota.name, rota.kind, who, days_in_words(turn.days), turn.starts, turn.ends]
    return "; ".join([*parts, *([f"{turn.every_weeks}", turn.from_week] if turn.every_weeks > 1 else [])])


def days_in_words(days: Sequence[int]) -> str:
    """ "Mon-Fri", "Sat, Sun"."""
    on = sorted({*days})
    if len(on) > 2 and on == list(range(on[0], on[-1] + 1)):
        return f"{DAYS[on[0] - 1]}-{DAYS[on[-1] - 1]}"
    return ", ".join(DAYS[day - 1] for day in on)


def rotas_of(text: str, people: Mapping[str, Sequence[UUID]], swaps: Mapping[str, tuple[Swap, ...]]) -> list[Rota]:
    """The rotas that these lines say, each with its swaps. `people` are ids by name. Raises LineUnreadable."""
    kinds: dict[str, str] = {}
    turns: dict[str, list[Turn]] = {}
    for number, line in numbered(text):
        parts = [part.strip() for part in line.split(";")]
        if len(parts) not in (6, 8):
            raise LineUnreadable(f"Line {number}: a turn has 6 or 8 parts, divided by “;”.")
        name, kind = parts[0], parts[1]
        if kind not in ("shift", "on-call") or kinds.setdefault(name, kind) != kind:
            raise LineUnreadable(
                f"Line {number}: a rota is either shift or on-call, the same on each of its lines."
            )
        turns.setdefault(name, []).append(_turn(number, parts, people))
    return [
        msgspec.convert({"name": name, "kind": kinds[name], "turns": found, "swaps": swaps.get(name, ())}, Rota)
        for name, found in turns.items()
    ]


def _turn(number: int, parts: Sequence[str], people: Mapping[str, Sequence[UUID]]) -> Turn:
    more: dict[str, Any] = {}
    if len(parts) == 8:
        if not (parts[6].isascii() and parts[6].isdigit() and len(parts[6]) < 4):
            raise LineUnreadable(f"Line {number}: “{parts[6][:20]}” is no number of weeks.")
        more = {"every_weeks": int(parts[6]), "from_week": parts[7]}
    return Turn(_person(number, parts[2], people), _days(number, parts[3]), parts[4], parts[5], **more)


def _person(number: int, text: str, people: Mapping[str, Sequence[UUID]]) -> UUID:
    found = people.get(text, ())
    if len(found) == 1:
        return found[0]
    said = "is the name of several here: write the sign-in name" if found else "is nobody here"
    raise LineUnreadable(f"Line {number}: “{text[:40]}” {said}.")


def _days(number: int, text: str) -> tuple[int, ...]:
    on: list[int] = []
    for part in re.split(r"[, ]+(?![-–])", text):
        found = _DAYS.fullmatch(part)
        named = [each.capitalize() for each in found.groups() if each] if found else [""]
        if not set(named) <= set(DAYS):
            raise LineUnreadable(f"Line {number}: “{text[:40]}” are no days. Write Mon-Fri, or Sat, Sun.")
        first, last = DAYS.index(named[0]) + 1, DAYS.index(named[-1]) + 1
        on += range(first, last + 1) if first <= last else [*range(first, 8), *range(1, last + 1)]
    return tuple(sorted({*on}))


def holiday_lines(holidays: Iterable[Holiday]) -> str:
    return "\n".join(f"{each.day}; {each.name}" for each in holidays)


def holidays_of(text: str) -> list[Holiday]:
    """Raises LineUnreadable."""
    found = []
    for number, line in numbered(text):
        day, _, name = (part.strip() for part in line.partition(";"))
        if not name:
            raise LineUnreadable(f"Line {number} of the holidays: a day, “;”, and its name.")
        found.append(Holiday(day, name))
    return found

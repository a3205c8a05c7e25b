"""Ladders as lines of text: one step a line, and back."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import get_args
from uuid import UUID

import msgspec

from incidents.rules.authority import PEOPLES_ROLES
from incidents.rules.escalation import KINDS, span
from incidents.rules.escalation_events import Ladder, Quiet, Rung, ToWhom
from incidents.rules.events import Priority

HELP = (
    "One step a line: what stands; after how long; to whom; how; until when; again every; if nobody is on. "
    "The last two may be left out. “alarm (high); 5 min; supervisor; email; acknowledged; 15 min; engineering”."
)
QUIET_HELP = "One line each: priority; from; to; “holidays” where they count. “low; 20:00; 07:00; holidays”."
_SPAN = re.compile(r"(\d{1,6}) ?(s|min|h|days?)")
_SECONDS = {"s": 1, "min": 60, "h": 3600, "day": 86_400, "days": 86_400}
_WHAT = re.compile(r"([a-z-]+)(?: ?\(([a-z, ]+)\))?")


class LineUnreadable(ValueError):
    """A sentence that names the line and what is wrong with it."""


def lines_of(ladders: Iterable[Ladder]) -> str:
    return "\n".join(_line(ladder, rung) for ladder in ladders for rung in ladder.rungs)


def _line(ladder: Ladder, rung: Rung) -> str:
    what = f"{ladder.kind} ({', '.join(ladder.priorities)})" if ladder.priorities else ladder.kind
    parts = [what, span(rung.after_s), _said(rung.to), rung.channel, rung.until]
    if rung.repeat_s or rung.if_nobody:
        parts.append(span(rung.repeat_s) if rung.repeat_s else "once")
    if rung.if_nobody:
        parts.append(_said(rung.if_nobody))
    return "; ".join(parts)


def _said(to: ToWhom) -> str:
    return to.name if to.kind == "role" else f"{to.kind} {to.name or to.person or to.contact}"


def ladders_of(text: str) -> list[Ladder]:
    """The ladders that these lines say; steps of one ladder in their order. Raises LineUnreadable."""
    rungs: dict[tuple[str, tuple[str, ...]], list[Rung]] = {}
    for number, line in numbered(text):
        parts = [part.strip() for part in line.split(";")]
        if not 5 <= len(parts) <= 7:
            raise LineUnreadable(f"Line {number}: a step has 5 to 7 parts, divided by “;”.")
        what = _WHAT.fullmatch(parts[0])
        if what is None or what[1] not in KINDS:
            raise LineUnreadable(f"Line {number}: “{parts[0][:40]}” is no kind of open item. {', '.join(KINDS)}.")
        priorities = tuple(part.strip() for part in (what[2] or "").split(",") if part.strip())
        if not set(priorities) <= set(get_args(Priority)):
            raise LineUnreadable(f"Line {number}: a priority is high, medium or low, not “{what[2][:40]}”.")
        rungs.setdefault((what[1], priorities), []).append(_rung(number, parts))
    return [
        msgspec.convert({"kind": kind, "rungs": found, "priorities": priorities}, Ladder)
        for (kind, priorities), found in rungs.items()
    ]


def _rung(number: int, parts: Sequence[str]) -> Rung:
    said = {
        "after_s": _seconds(number, parts[1]),
        "to": _to(number, parts[2]),
        "channel": parts[3],
        "until": parts[4],
        "repeat_s": _seconds(number, parts[5]) if len(parts) > 5 and parts[5] != "once" else 0,
        "if_nobody": _to(number, parts[6]) if len(parts) > 6 else None,
    }
    try:
        return msgspec.convert(said, Rung)
    except msgspec.ValidationError:
        raise LineUnreadable(
            f"Line {number}: how is screen, email, webhook or other; until is acknowledged, taken-over or resolved."
        ) from None


def _seconds(number: int, text: str) -> int:
    found = _SPAN.fullmatch(text)
    if found is None:
        raise LineUnreadable(f"Line {number}: “{text[:40]}” is no time. Write 5 min, 2 h or 3 days.")
    return int(found[1]) * _SECONDS[found[2]]


def _to(number: int, text: str) -> ToWhom:
    kind, _, name = text.partition(" ")
    if text in PEOPLES_ROLES:
        return ToWhom("role", text)
    if kind == "rota" and name:
        return ToWhom("rota", name)
    try:
        if kind == "person":
            return ToWhom("person", person=UUID(name))
        if kind == "contact":
            return ToWhom("contact", contact=UUID(name))
    except ValueError:
        pass
    roles = ", ".join(PEOPLES_ROLES)
    raise LineUnreadable(f"Line {number}: “{text[:40]}” is nobody. A role ({roles}), or “rota” and its name.")


def quiet_lines(quiet: Iterable[Quiet]) -> str:
    said = ([each.priority, each.starts, each.ends, *(["holidays"] if each.holidays else [])] for each in quiet)
    return "\n".join("; ".join(parts) for parts in said)


def quiet_of(text: str) -> list[Quiet]:
    """Raises LineUnreadable."""
    found = []
    for number, line in numbered(text):
        parts = [part.strip() for part in line.split(";")]
        said = {"priority": parts[0], "starts": "".join(parts[1:2]), "ends": "".join(parts[2:3])}
        try:
            found.append(msgspec.convert(said | {"holidays": parts[3:] == ["holidays"]}, Quiet))
        except msgspec.ValidationError:
            raise LineUnreadable(f"Line {number} of the quiet hours: a priority is high, medium or low.") from None
        if len(parts) not in (3, 4) or parts[3:] not in ([], ["holidays"]):
            raise LineUnreadable(f"Line {number} of the quiet hours has 3 parts, or “holidays” as a fourth.")
    return found


def numbered(text: str) -> list[tuple[int, str]]:
    return [(n, line.strip()) for n, line in enumerate(text.splitlines(), 1) if line.strip()]

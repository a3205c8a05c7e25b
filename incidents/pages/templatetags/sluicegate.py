"""Template words of the house: glyphs, moments in the facility's zone, geometry of lanes and gauges."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from django import template
from django.conf import settings
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

register = template.Library()

GLYPHS: dict[str, str] = json.loads((Path(__file__).parent / "glyphs.json").read_text(encoding="utf-8"))

TONES = {
    "held": "hold",
    "eye": "hold",
    "overdue": "hold",
    "released": "open",
    "met": "open",
    "recall": "back",
    "hi": "stop",
    "hi-ack": "stop",
    "pin": "stop",
    "notmet": "stop",
    "offline": "stop",
    "todo": "quiet",
    "lo": "quiet",
    "lo-ack": "quiet",
    "rtn-ack": "quiet",
}

DISPOSITIONS = {
    "in process": "process",
    "awaiting review": "review",
    "quarantined": "held",
    "released": "released",
    "reprocessed": "reprocessed",
    "under recall": "recall",
}

PENNANTS = {"high": "hi", "medium": "med", "low": "lo"}

# What the state does to a pennant; a state that isn't here leaves it filled: unseen.
PENNANT_STATES = {
    "acknowledged": "{}-ack",
    "returned unacknowledged": "rtn",
    "normal": "rtn-ack",
    "shelved": "shelved",
    "out of service": "oos",
}

VERDICTS = {
    "met": ("met", "Met"),
    "not met": ("notmet", "Not met"),
    "not proven": ("notproven", "Not proven"),
}

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

NUMBERS = (
    *("No", "One", "Two", "Three", "Four", "Five", "Six"),
    *("Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve"),
)


def _plain(name: object) -> str:
    """The one spelling of a code that may come with hyphens, underscores or as an enumeration's member."""
    return str(getattr(name, "value", name)).replace("-", " ").replace("_", " ").strip().lower()


def _svg(name: str, tone: str, extra: str) -> SafeString:
    classes = " ".join(part for part in ("glyph", f"tone-{tone}" if tone else "", extra) if part)
    return format_html(
        '<svg class="{}" viewBox="0 0 24 24" width="24" height="24" fill="none" stroke="currentColor"'
        ' stroke-width="2.2" aria-hidden="true" focusable="false">{}</svg>',
        classes,
        mark_safe(GLYPHS[name]),
    )


@register.simple_tag
def shown_as_demo(facility: object) -> bool:
    """Does this page belong to a demonstration? `facility` may be missing: the process then knows."""
    return settings.DEMO or bool(getattr(facility, "demo", False))


@register.simple_tag
def glyph(name: str, extra: str = "") -> SafeString:
    """A glyph in its own tone; the class "plain" lets it take the colour of the words around it."""
    return _svg(name, "" if "plain" in extra.split() else TONES.get(name, ""), extra)


@register.simple_tag
def disposition_glyph(name: object, extra: str = "") -> SafeString:
    return glyph(DISPOSITIONS[_plain(name)], extra)


@register.simple_tag
def alarm_glyph(priority: object, state: object, extra: str = "") -> SafeString:
    """Pennants count the priority, filling says unseen; a high alarm keeps its tone whatever its state."""
    level = _plain(priority)
    name = PENNANT_STATES.get(_plain(state), "{}").format(PENNANTS[level])
    tone = "stop" if level == "high" and name != "rtn-ack" else TONES.get(name, "")
    return _svg(name, tone, extra)


@register.simple_tag
def verdict(value: object) -> SafeString:
    name, word = VERDICTS[_plain(value)]
    return format_html('<span class="verdict verdict-{}">{} {}</span>', name, glyph(name, "small"), word)


@register.simple_tag
def glyph_at(name: str, share: float, y: int, size: int) -> SafeString:
    """A glyph inside a drawing, its staff on `share` of the width."""
    return format_html(
        '<svg x="{}" y="{}" width="{}" height="{}" viewBox="3 0 24 24" fill="none"'
        ' stroke="currentColor" stroke-width="2.2">{}</svg>',
        percent(share),
        y,
        size,
        size,
        mark_safe(GLYPHS[name]),
    )


def _zone(name: str | None) -> tzinfo:
    return ZoneInfo(name) if name else UTC


def _there(at: datetime, zone: str | None) -> datetime:
    """The moment in the facility's zone; a claimed one at the edge of the calendar stays in UTC."""
    try:
        return at.astimezone(_zone(zone))
    except OverflowError:
        return at


@register.filter
def day(at: datetime | None, zone: str | None) -> str:
    if not at:
        return ""
    here = _there(at, zone)
    return f"{here.day} {MONTHS[here.month - 1]} {here.year}"


@register.filter
def clock(at: datetime | None, zone: str | None) -> str:
    return f"{_there(at, zone):%H:%M:%S}" if at else ""


@register.filter
def local(at: datetime | None, zone: str | None) -> str:
    return f"{day(at, zone)} {clock(at, zone)}" if at else ""


@register.filter
def ago(seconds: float | None) -> str:
    """A duration in its two largest units; seconds count only below ten minutes."""
    if seconds is None:
        return ""
    left = max(0, int(seconds))
    minutes, hours, days = left // 60, left // 3600, left // 86400
    if days:
        pair = f"{days} d", hours % 24, "h"
    elif hours:
        pair = f"{hours} h", minutes % 60, "min"
    elif minutes:
        pair = f"{minutes} min", left % 60 if minutes < 10 else 0, "s"
    else:
        return f"{left} s"
    large, small, unit = pair
    return f"{large} {small} {unit}" if small else large


@register.filter
def count_words(number: int) -> str:
    return NUMBERS[number] if 0 <= number < len(NUMBERS) else str(number)


@register.filter
def percent(share: float) -> str:
    """A share of the width, for an SVG attribute."""
    return f"{min(1.0, max(0.0, float(share))) * 100:.2f}%"


@register.filter
def at(known: Mapping[Any, Any], key: object) -> Any:
    """What is known under this key, or nothing."""
    return known.get(key, "")


@register.filter
def split(words: str) -> list[str]:
    return words.split()


NARROWEST_LANE = 58  # letters that fit along a lane where its phases are named at all


def _of(thing: Any, name: str) -> Any:
    return thing[name] if isinstance(thing, dict) else getattr(thing, name)


def _cut(title: str, room: int) -> str:
    """A phase’s name as far as its cell has room for letters; none where no name could be told from it."""
    if len(title) <= room:
        return title
    return f"{title[: room - 1]}…" if room > 3 else ""


@register.simple_tag
def lane_cells(phases: list[Any]) -> list[dict[str, str]]:
    """Where each phase begins and how wide it is drawn."""
    cells, start = [], 0.0
    for phase in phases:
        share = float(_of(phase, "share"))
        title = _cut(str(_of(phase, "title")), int(share * NARROWEST_LANE))
        cells.append({"x": percent(start), "width": percent(share), "title": title})
        start += share
    return cells


def _quarters(start: datetime, end: datetime) -> Iterator[datetime]:
    at = start + timedelta(seconds=-start.timestamp() % 900)
    while at <= end:
        yield at
        at += timedelta(minutes=15)


@register.simple_tag
def gauge_staff(gauge: Any, zone: str | None) -> dict[str, Any]:
    """Ticks each quarter, hours named; an hour that would lie under the mark of now keeps its tick alone."""
    moments: list[datetime] = [_of(gauge, name) for name in ("start_at", "end_at", "now_at")]
    start, end, now = (at.astimezone(UTC) for at in moments)

    def share(at: datetime) -> float:
        return min(1.0, max(0.0, (at - start) / (end - start)))

    filled = share(now)
    ticks = []
    for at in _quarters(start, end):
        here = _there(at, zone)
        hidden = filled - 0.025 < share(at) < filled + 0.09 or share(at) > 0.96
        name = f"{here:%H}" if here.minute == 0 and not hidden else ""
        ticks.append({"x": percent(share(at)), "hour": here.minute == 0, "name": name})
    return {
        "ticks": ticks,
        "now": percent(filled),
        "now_words": clock(now, zone)[:5],
        "late": filled > 0.88,
        "words": f"{clock(start, zone)[:5]} to {clock(end, zone)[:5]}, now {clock(now, zone)[:5]}",
    }


@register.filter
def words(code: str) -> str:
    """A code as words: "dirty-side" is "dirty side"; "pre-wash" is one word already."""
    return code if code == "pre-wash" else code.replace("-", " ")


@register.filter
def lower_first(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]

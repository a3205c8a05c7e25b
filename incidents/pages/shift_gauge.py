"""The shift's staff gauge: filled from its start up to now, with a pennant where each alarm was raised."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from incidents.pages.here import Board, Here
from incidents.queries import facts
from incidents.queries.floor import Matter
from incidents.rules import calendars

PENNANTS = {"high": "hi", "medium": "med", "low": "lo"}


def shift_gauge(here: Here | Board, matters: Sequence[Matter]) -> dict[str, Any] | None:
    """What the gauge draws; None where the policy's shifts leave this moment open."""
    shifts = facts.policy(here.facility.id).shifts
    span = calendars.shift_at(shifts, here.now, ZoneInfo(here.facility.time_zone))
    if span is None:
        return None
    length = span.end_at - span.start_at
    marks = [
        {"share": (matter.since - span.start_at) / length, "glyph": PENNANTS[matter.priority]}
        for matter in matters
        if matter.kind == "alarm" and span.start_at <= matter.since <= here.now
    ]
    return {
        "name": span.name,
        "start_at": span.start_at,
        "end_at": span.end_at,
        "now_at": here.now,
        "marks": marks,
    }

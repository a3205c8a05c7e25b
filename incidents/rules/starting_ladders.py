"""How open items climb where a facility has not said otherwise; a starting point, invented for this project."""

from __future__ import annotations

from incidents.rules.escalation_events import Channel, EscalationDrafted, Ladder, Quiet, Rung, ToWhom, Until

_SHIFT, _CHIEF = ToWhom("role", "technician"), ToWhom("role", "supervisor")
_ENGINEERS, _HYGIENE = ToWhom("role", "engineering"), ToWhom("role", "infection-prevention")
_FIVE, _QUARTER, _HALF, _HOUR, _SHIFT_LONG, _DAY = 300, 900, 1800, 3600, 8 * 3600, 86_400


def _until(until: Until, *rungs: tuple[int, ToWhom, Channel, int]) -> tuple[Rung, ...]:
    """Rungs (after, to, channel, again every) that the same thing stops."""
    return tuple(Rung(after_s, to, channel, until, repeat_s) for after_s, to, channel, repeat_s in rungs)


STARTING_LADDERS = (
    Ladder(
        "alarm",
        _until(
            "acknowledged",
            (120, _SHIFT, "screen", _FIVE),
            (_FIVE, _CHIEF, "screen", _FIVE),
            (_QUARTER, _CHIEF, "email", _QUARTER),
            (_HALF, _ENGINEERS, "email", _HALF),
        ),
        ("high",),
    ),
    Ladder(
        "alarm",
        _until(
            "acknowledged",
            (_FIVE, _SHIFT, "screen", _QUARTER),
            (_HALF, _CHIEF, "screen", _HALF),
            (2 * _HOUR, _CHIEF, "email", 2 * _HOUR),
        ),
    ),
    Ladder(
        "alarm-unresolved",
        _until("resolved", (_HOUR, _CHIEF, "screen", _HOUR), (_SHIFT_LONG, _ENGINEERS, "email", _SHIFT_LONG)),
    ),
    Ladder("fault-again", _until("resolved", (0, _ENGINEERS, "email", _DAY))),
    Ladder(
        "decision-due", _until("resolved", (_QUARTER, _SHIFT, "screen", _QUARTER), (_HOUR, _CHIEF, "email", _HOUR))
    ),
    Ladder(
        "rerun-due", _until("resolved", (_HALF, _SHIFT, "screen", _HALF), (2 * _HOUR, _CHIEF, "email", 2 * _HOUR))
    ),
    Ladder("outcome-unknown", _until("resolved", (0, _SHIFT, "screen", _HALF), (_HALF, _CHIEF, "email", _HOUR))),
    Ladder("review-due", _until("resolved", (2 * _HOUR, _CHIEF, "screen", 2 * _HOUR))),
    Ladder(
        "held", _until("taken-over", (_HOUR, _CHIEF, "screen", _HOUR), (_SHIFT_LONG, _CHIEF, "email", _SHIFT_LONG))
    ),
    Ladder("recall", _until("resolved", (0, _HYGIENE, "email", _DAY), (_HOUR, _CHIEF, "screen", _SHIFT_LONG))),
    Ladder(
        "contamination-due", _until("resolved", (_HALF, _CHIEF, "screen", _HOUR), (_HOUR, _HYGIENE, "email", _DAY))
    ),
    Ladder("machine-blocked", _until("resolved", (_DAY, _ENGINEERS, "email", _DAY))),
    Ladder("observations-missing", _until("resolved", (_HALF, _ENGINEERS, "email", _DAY))),
    Ladder("readings-missing", _until("resolved", (_HALF, _CHIEF, "screen", 2 * _HOUR))),
    Ladder("device-silent", _until("resolved", (_HALF, _ENGINEERS, "email", _DAY))),
    Ladder("test-due", _until("resolved", (0, _SHIFT, "screen", _HOUR), (2 * _HOUR, _CHIEF, "email", _SHIFT_LONG))),
)
STARTING_QUIET = (Quiet("low", "20:00", "07:00", holidays=True),)
STARTING = EscalationDrafted(
    edition_from=0,
    source="starting values, until the facility sets its own",
    ladders=STARTING_LADDERS,
    quiet=STARTING_QUIET,
)

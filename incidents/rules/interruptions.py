"""A cycle that did not run as it should: stopped by a hand, by the power, by the door, or the wrong one.

Whatever breaks a cycle leaves it incomplete, and only a complete new cycle clears its items (common practice;
ISO 15883-1, 4.3.1 asks for a disinfection that is "continuously maintained").
"""

from __future__ import annotations

from msgspec.structs import replace

from incidents.rules import alarms
from incidents.rules.events import CycleStopped, DoorOpened, PowerLost, Recorded, WrongProgrammeNoted
from incidents.rules.load_state import Load
from incidents.rules.load_steps import counted, unexpected

STOPS = {"by-hand": "stopped by hand", "emergency": "stopped by the emergency stop"}


def door_is_told(load: Load) -> bool:
    """May whoever stands there tell of its door? From the start of its cycle until it is released or cleared.

    A door forced after the power was lost, or after an abort, is the very case: what breaks no cycle any more is
    recorded all the same, with whether the load was taken out.
    """
    begun = load.stage not in ("none", "assembled")
    return begun and load.release is None and load.left_on_paper is None and not load.reprocessed


def stopped(load: Load, event: Recorded, data: CycleStopped) -> Load:
    """Somebody stopped it; an abort is all that may follow."""
    if load.stage == "finished" and _before_its_end(load, event):
        return _broken(replace(load, stops=(*load.stops, data.how)), event, f"it was {STOPS[data.how]}")
    if load.stage not in ("running", "stopped"):
        return unexpected(load, event, "A stop was recorded though no cycle was running.")
    return replace(load, stage="stopped", stops=(*load.stops, data.how))


def power_lost(load: Load, event: Recorded, data: PowerLost) -> Load:
    return _broken(counted(load, data.machine_cycle), event, f"power was lost{_in(data.phase)}")


def door_opened(load: Load, event: Recorded, data: DoorOpened) -> Load:
    """In mid-cycle it ends the cycle; afterwards only force is worth a look."""
    how = "the door was forced" if data.forced else "the door was opened"
    out = " and the load was taken out" if data.load_taken_out else ""
    unloading = not data.forced and not data.phase and not data.load_taken_out
    if load.stage == "finished" and unloading and not _before_its_end(load, event):
        return load
    return _broken(counted(load, data.machine_cycle), event, f"{how}{_in(data.phase)}{out}")


def wrong_programme(load: Load, event: Recorded, data: WrongProgrammeNoted) -> Load:
    return unexpected(load, event, f"The wrong programme was noticed: {data.meant} was meant.")


def _in(phase: str) -> str:
    return f" in {phase}" if phase else ""


def _before_its_end(load: Load, event: Recorded) -> bool:
    """Told late: it happened before the end that was told first."""
    return load.ended_at is not None and event.occurred_at < load.ended_at


def _broken(load: Load, event: Recorded, why: str) -> Load:
    told_late = load.stage == "finished" and _before_its_end(load, event)
    if load.stage in ("running", "stopped") or told_late:
        return replace(
            load,
            stage="incomplete",
            interrupted=why,
            ended_at=load.ended_at if told_late else event.occurred_at,
            alarms=alarms.decided(load.alarms),
        )
    if load.stage in ("aborted", "incomplete"):
        return load
    return unexpected(load, event, f"It was reported that {why}, though no cycle was running.")

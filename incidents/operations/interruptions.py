"""What broke a cycle, told by whoever was there."""

from __future__ import annotations

from typing import Literal
from uuid import UUID

from incidents.operations.deeds import Doing, observation, refuse
from incidents.rules.events import CycleStopped, DoorOpened, PowerLost, Stream, WrongProgrammeNoted
from incidents.rules.interruptions import STOPS

Interruption = Literal["power", "door"]


@observation
def stop_cycle(doing: Doing, *, load: UUID, how: Literal["by-hand", "emergency"]) -> None:
    """Somebody stopped it without an alarm; an abort is all that may follow."""
    doing.load(load)
    if how not in STOPS:
        raise refuse("stop-unknown", f"“{how}” is not a way to stop a cycle.", "By hand, or by the emergency stop.")
    doing.record(Stream("load", load), CycleStopped(how=how))


@observation
def report_interruption(
    doing: Doing,
    *,
    load: UUID,
    what: Interruption,
    phase: str = "",
    forced: bool = False,
    load_taken_out: bool = False,
) -> None:
    """The power failed or the door was opened in mid-cycle; such a cycle is never complete."""
    doing.load(load)
    if what == "power":
        doing.record(Stream("load", load), PowerLost(phase=phase))
    elif what == "door":
        doing.record(Stream("load", load), DoorOpened(forced=forced, load_taken_out=load_taken_out, phase=phase))
    else:
        raise refuse("interruption-unknown", f"“{what}” is not known here.", "Power or door.")


@observation
def note_wrong_programme(doing: Doing, *, load: UUID, meant: str) -> None:
    """The wrong programme was chosen; the load is held until somebody named has looked."""
    doing.load(load)
    if not meant.strip():
        raise refuse("programme-missing", "Say which programme was meant.", "Choose it from the list.")
    doing.record(Stream("load", load), WrongProgrammeNoted(meant=meant.strip()))

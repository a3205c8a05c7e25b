"""What happens on the floor beside the plain way of a load, for stories told without a database."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal
from uuid import UUID

from incidents.rules import holds
from incidents.rules.events import (
    AnyEvent,
    AttributionCorrected,
    ContaminationRecorded,
    Corrected,
    CycleStopped,
    DoorOpened,
    LoadPlaced,
    NoteAdded,
    PowerLost,
    RejectReason,
    TrayLeft,
    TraysRejected,
    Way,
    WrongProgrammeNoted,
)
from incidents.rules.loads import Load
from incidents.rules.refusals import Refusal
from tests.story import INES, JOAN, SANNE, TRAY_2, WORDS, Happening, id_of

Story = Sequence[AnyEvent | Happening]
NOTE = NoteAdded(WORDS)
CLEAN_SIDE = LoadPlaced("clean-side")


def stopped(how: Literal["by-hand", "emergency"] = "by-hand") -> CycleStopped:
    return CycleStopped(how)


def power_lost(phase: str = "", cycle: int | None = None) -> PowerLost:
    return PowerLost(phase=phase, machine_cycle=cycle, chamber="1")


def door_opened(forced: bool = False, taken_out: bool = False, phase: str = "") -> DoorOpened:
    return DoorOpened(forced=forced, load_taken_out=taken_out, phase=phase, chamber="1")


def wrong_programme(meant: str = "Heavy") -> WrongProgrammeNoted:
    return WrongProgrammeNoted(meant)


def rejected(reason: RejectReason = "wet", *trays: UUID, rest: bool = True) -> TraysRejected:
    return TraysRejected(trays or (TRAY_2,), reason, rest)


def cleaned_up() -> ContaminationRecorded:
    return ContaminationRecorded(WORDS, (), WORDS)


def left(tray: UUID = TRAY_2, way: Way = "repair", contaminated: bool = True) -> TrayLeft:
    return TrayLeft(tray, way, contaminated, WORDS)


def corrected(field: str, value: str, event: UUID | None = None) -> Corrected:
    return Corrected(event or id_of("some event"), field, value, WORDS)


ROLES = {
    INES: ("technician",),
    SANNE: ("supervisor",),
    JOAN: ("infection-prevention",),
    id_of("Piet"): ("supervisor",),
    id_of("Jill"): ("infection-prevention",),
}


def attributed(event: UUID, was: UUID, person: UUID, authorised: bool = True) -> AttributionCorrected:
    return AttributionCorrected(event, was, person, ROLES[person], authorised, WORDS)


# --- what then stands ---------------------------------------------------------------------------------


def codes(load: Load) -> list[str]:
    """The codes of the holds that stand, gravest first."""
    return [hold.code for hold in holds.holds(load)]


def pinned(load: Load) -> list[str]:
    """Those of them that nobody lifts."""
    return [hold.code for hold in holds.holds(load) if not hold.liftable]


def key_of(load: Load, code: str) -> str:
    return next(hold.key for hold in holds.holds(load) if hold.code == code)


def refused(outcome: Any) -> str:
    """The code of a refusal; every refusal also says why, and what to do next."""
    assert isinstance(outcome, Refusal), outcome
    assert outcome.sentence and outcome.next_step, outcome
    return outcome.code

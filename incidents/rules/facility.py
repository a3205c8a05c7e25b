"""The facility as a whole: its evidence basis, and what a restored backup may have lost."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules.events import BasisSet, FacilityOpened, LogRestored, Recorded, RestorationSettled, WordsRef
from incidents.rules.refusals import Refusal


class Restoration(msgspec.Struct, frozen=True):
    """A backup in the log's place: how many events had been noted, how many stood, and whether it is settled."""

    at: datetime
    noted_size: int
    size: int
    settled: bool = False

    @property
    def sentence(self) -> str:
        if self.size < self.noted_size:
            missing = self.noted_size - self.size
            what = "1 entry is" if missing == 1 else f"At least {missing} entries are"
            return f"A backup was restored: {what} missing from position {self.size} on."
        return "A backup was restored: the log is not the one noted before, and entries may be missing."


class Facility(msgspec.Struct, frozen=True):
    id: UUID
    version: int = 0
    basis: str = ""
    restorations: tuple[Restoration, ...] = ()

    @property
    def unsettled(self) -> tuple[Restoration, ...]:
        return tuple(each for each in self.restorations if not each.settled)


def fold(facility: UUID, events: Sequence[Recorded]) -> Facility:
    state = Facility(facility)
    for event in events:
        state = evolve(state, event)
    return state


def evolve(state: Facility, event: Recorded) -> Facility:
    """The next state. Total: what doesn't concern the facility leaves it as it is."""
    after = replace(state, version=event.version)
    match event.data:
        case FacilityOpened() as data:
            return replace(after, basis=data.basis)
        case BasisSet() as data:
            return replace(after, basis=data.basis)
        case LogRestored() as data:
            found = Restoration(event.recorded_at, data.noted_size, data.size)
            return replace(after, restorations=(*state.restorations, found))
        case RestorationSettled():
            return replace(after, restorations=tuple(replace(each, settled=True) for each in state.restorations))
        case _:
            return after


def settle(state: Facility, words: WordsRef) -> RestorationSettled | Refusal:
    """Everything lost was looked for. What it is worth is what its words say."""
    if not state.unsettled:
        return Refusal("nothing-to-settle", "No restored backup waits to be settled.", "Read Evidence.")
    return RestorationSettled(words=words)


def set_basis(state: Facility, basis: str, source: str) -> BasisSet | Refusal:
    """From here on; cycles already started keep the basis in force at their start."""
    if basis not in ("transcribed", "computed"):
        return Refusal("basis-unknown", f"“{basis[:40]}” is no basis of evidence.", "transcribed, or computed.")
    if not source.strip() or len(source) > 400:
        return Refusal(
            "source-missing", "The basis needs the source it goes by, in at most 400 characters.", "Name it."
        )
    if basis == state.basis:
        return Refusal("nothing-to-do", f"The evidence is {basis} already.", "Read the policy.")
    return BasisSet(basis="computed" if basis == "computed" else "transcribed", source=source.strip())

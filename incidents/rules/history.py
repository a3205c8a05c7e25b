"""Imported history: what an older record says, in streams of its own that nothing else folds.

It is never a load, an alarm or a block of this department: no hold, no open item, no release and no proof
comes of it, and no deed can reach it. It is there to be found, and counted in trends beside what was seen here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any, Protocol
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules.events import PastAlarmImported, PastLoadImported, PastRepairImported, Recorded
from incidents.rules.refusals import Refusal

DISPOSITION = "imported history, not judged here"
OUTCOMES = {"complete": "complete", "not-complete": "not complete", "unknown": "unknown"}
EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)
LARGEST_CYCLE = 2**53 - 1
SHORT, LONG, MOST_TRAYS = 80, 4_000, 200  # characters, characters, trays of a load
_WHERE_FROM = ("source", "line", "words")  # what may differ between two tellings of the same thing

PastEvent = PastLoadImported | PastAlarmImported | PastRepairImported


class HasChambers(Protocol):
    """A machine that is registered here, or one that the same import registers."""

    @property
    def name(self) -> str: ...
    @property
    def chambers(self) -> tuple[str, ...]: ...


class Past(msgspec.Struct, frozen=True):
    """One thing of the past: what was said of it, and the moment that it claims."""

    id: UUID
    version: int = 0
    told: PastEvent | None = None
    at: datetime | None = None

    @property
    def name(self) -> str:
        if self.told is None:
            return "Nothing"
        if isinstance(self.told, PastLoadImported) and self.told.machine_cycle is not None:
            return f"{self.told.machine_name} {self.told.machine_cycle}"
        return f"{self.told.machine_name}, {self.at:%Y-%m-%d %H:%M} UTC"


def fold(past_id: UUID, events: Sequence[Recorded]) -> Past:
    """What its stream says."""
    past = Past(past_id)
    for event in events:
        past = evolve(past, event)
    return replace(past, version=len(events))


def evolve(past: Past, event: Recorded) -> Past:
    """The next state. Total: the first telling stands, whatever else is written beside it."""
    if past.told is not None or not isinstance(event.data, PastEvent):
        return replace(past, version=event.version)
    return replace(past, version=event.version, told=event.data, at=event.occurred_at)


# --- which thing it is --------------------------------------------------------------------------------


def identity(event: PastEvent, at: datetime, words: str = "") -> str:
    """What makes two tellings the same thing: a load's counter, else its start; what, when and where else."""
    since = at.astimezone(UTC).isoformat()
    where: tuple[Any, ...]
    if isinstance(event, PastLoadImported):
        cycle = event.machine_cycle
        where = ("load", event.chamber, since if cycle is None else cycle)
    elif isinstance(event, PastAlarmImported):
        where = ("alarm", event.chamber, event.machine_cycle, event.code, since)
    else:
        where = ("repair", event.chamber, since, words)
    return msgspec.json.encode(("history", event.machine, *where)).decode()


def same(one: PastEvent, its_at: datetime, other: PastEvent, others_at: datetime) -> bool:
    """Do both say the same of it? Where it was read, and in which file, makes no difference."""
    return its_at == others_at and _said(one) == _said(other)


def _said(event: PastEvent) -> dict[str, Any]:
    members = msgspec.structs.asdict(event) | {"kind": type(event)}
    return {name: value for name, value in members.items() if name not in _WHERE_FROM}


# --- what is refused ----------------------------------------------------------------------------------


def refusal(event: PastEvent, at: datetime, machine: HasChambers, now: datetime) -> Refusal | None:
    """Why this can't be history of this machine, or None."""
    return next(_flaws(event, at, machine, now), None)


def _flaws(event: PastEvent, at: datetime, machine: HasChambers, now: datetime) -> Iterator[Refusal]:
    yield from _of_place(event, machine)
    for name, moment in (("start", at), *_later_moments(event)):
        if moment > now:
            yield Refusal(
                "history-ahead", f"Its {name} lies ahead of the clock here.", "History is what has happened."
            )
        elif moment < EARLIEST:
            yield Refusal("history-odd", f"Its {name} lies before 1970.", "Look at the format of the time.")
        elif moment < at:
            yield Refusal("history-order", f"Its {name} lies before its start.", "Look at both times in the file.")
    cycle = None if isinstance(event, PastRepairImported) else event.machine_cycle
    if cycle is not None and not 0 <= cycle <= LARGEST_CYCLE:
        yield Refusal("counter-odd", f"No counter stands at {cycle}.", "Give the number on the machine’s record.")
    yield from _of_texts(event)


def _of_place(event: PastEvent, machine: HasChambers) -> Iterator[Refusal]:
    needs_chamber = isinstance(event, PastLoadImported)
    if (event.chamber or needs_chamber) and event.chamber not in machine.chambers:
        named = f"no chamber “{event.chamber}”" if event.chamber else "several chambers"
        yield Refusal("chamber-unknown", f"{machine.name} has {named}.", "Name one of its chambers.")


def _later_moments(event: PastEvent) -> Iterator[tuple[str, datetime]]:
    for name in ("ended_at", "acknowledged_at", "cleared_at", "back_at"):
        moment = getattr(event, name, None)
        if moment is not None:
            yield _MOMENTS[name], moment


_MOMENTS = {
    "ended_at": "end",
    "acknowledged_at": "acknowledgement",
    "cleared_at": "clearing",
    "back_at": "return to service",
}


def _of_texts(event: PastEvent) -> Iterator[Refusal]:
    trays = event.trays if isinstance(event, PastLoadImported) else ()
    if len(trays) > MOST_TRAYS:
        yield Refusal("trays-many", f"It names {len(trays)} trays.", f"At most {MOST_TRAYS} are kept of a load.")
    texts = [getattr(event, name, "") for name in ("programme", "stated", "code", "phase", "title", "source")]
    if any(len(text) > SHORT for text in (*texts, *trays)):
        yield Refusal("text-too-long", f"One of its texts has more than {SHORT} characters.", "Shorten it.")
    if isinstance(event, PastAlarmImported) and not event.code:
        yield Refusal("code-missing", "An alarm needs its fault code.", "Give the code that the machine showed.")

"""What is known of a device besides what it observes: the numbers that are missing, and how far its clock is off.

A device numbers its observations. What lies between two numbers that were heard and was not heard itself is
missing, until it arrives or a person explains it. Which numbers are missing depends on which were heard and
never on the order in which they were.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from uuid import UUID

import msgspec

from incidents.rules.events import ClockCompared, MissingExplained, ObservationsMissed, Recorded, WordsRef
from incidents.rules.refusals import Refusal
from incidents.rules.vocabulary import SKEW

STEADY = timedelta(seconds=10)  # a clock that is off by no more than this differently is as it was
RUNS_NAMED = 5


class Run(msgspec.Struct, frozen=True):
    """Numbers that are missing, both included, and since when that is known."""

    first: int
    last: int
    at: datetime

    @property
    def count(self) -> int:
        return self.last - self.first + 1


class Clock(msgspec.Struct, frozen=True):
    """How far the sender's clock was ahead of ours when it was last found to be another; behind is below 0."""

    ahead_s: int
    at: datetime

    @property
    def is_skewed(self) -> bool:
        return abs(self.ahead_s) > SKEW.total_seconds()


class Heard(msgspec.Struct, frozen=True):
    """The lowest and the highest number that was heard of a device."""

    device: UUID
    lowest: int
    highest: int

    def with_number(self, number: int) -> Heard:
        return Heard(self.device, min(self.lowest, number), max(self.highest, number))


def with_heard(heard: tuple[Heard, ...], event: Recorded) -> tuple[Heard, ...]:
    """What was heard of each device in a stream, this event included."""
    number, device = event.sequence, event.actor.id
    if number is None:
        return heard
    for place, known in enumerate(heard):
        if known.device == device:
            return (*heard[:place], known.with_number(number), *heard[place + 1 :])
    return (*heard, Heard(device, number, number))


def came_late(heard: Iterable[Heard], event: Recorded) -> bool:
    """Does it tell a number that is not above all that were heard of its device before?"""
    number, device = event.sequence, event.actor.id
    return number is not None and any(known.device == device and number <= known.highest for known in heard)


def missed(heard: Heard | None, number: int) -> ObservationsMissed | None:
    """What is known to be missing now that this number was heard beside the others."""
    if heard is None:
        return None
    if number > heard.highest + 1:
        return ObservationsMissed(heard.highest + 1, number - 1)
    if number < heard.lowest - 1:
        return ObservationsMissed(number + 1, heard.lowest - 1)
    return None


def is_missing(missing: Iterable[Run], number: int) -> bool:
    return any(run.first <= number <= run.last for run in missing)


def overtakes(heard: Heard | None, missing: Iterable[Run], number: int | None) -> bool:
    """May an observation with this number have come before one that the device told earlier?"""
    if number is None:
        return False
    if heard is None or not heard.lowest <= number <= heard.highest + 1:
        return True
    return any(run.first < number for run in missing)


def without(missing: tuple[Run, ...], first: int, last: int) -> tuple[Run, ...]:
    """The runs less these numbers, both included."""
    return tuple(piece for run in missing for piece in _less(run, first, last))


def _less(run: Run, first: int, last: int) -> Iterator[Run]:
    if first > run.last or last < run.first:
        yield run
        return
    if run.first < first:
        yield Run(run.first, first - 1, run.at)
    if last < run.last:
        yield Run(last + 1, run.last, run.at)


def among(missing: tuple[Run, ...], added: Run) -> tuple[Run, ...]:
    return tuple(sorted((*missing, added), key=lambda run: run.first)) if added.count > 0 else missing


def listed(missing: tuple[Run, ...]) -> str:
    """The runs in a sentence: "17–19, 24"; of many, the first few."""
    named = [str(run.first) if run.count == 1 else f"{run.first}–{run.last}" for run in missing[:RUNS_NAMED]]
    return ", ".join(named) + (" and others" if len(missing) > RUNS_NAMED else "")


def release_refusal(missing: tuple[Run, ...], load: str, began_at: datetime) -> Refusal | None:
    """Why a load is not released while its machine's numbers have a gap that was noticed since it began, or None.

    What is missing may be an alarm of this very cycle. A gap noticed before tells nothing of it.
    """
    since = tuple(run for run in missing if run.at >= began_at)
    if not since:
        return None
    return Refusal(
        "observations-missing",
        f"{load} is not released: its machine told something that was not heard ({listed(since)}).",
        "Let its gateway send it again, or explain what is missing on the machine’s page.",
    )


def explain(
    name: str, missing: tuple[Run, ...], first: int, last: int, words: WordsRef
) -> MissingExplained | Refusal:
    """Say why numbers will not come: a counter that was set back, a gateway that lost its disk."""
    if without(missing, first, last) == missing:
        return Refusal(
            "number-not-missing", f"{name} owes no observation of these numbers.", "Choose one from its page."
        )
    return MissingExplained(first=first, last=last, words=words)


def compare(known: Clock | None, sent_at: datetime, now: datetime) -> ClockCompared | None:
    """What the moment of sending tells of the clock, where that is anything new."""
    ahead = sent_at - now
    before = timedelta(seconds=known.ahead_s) if known else timedelta()
    if abs(ahead - before) <= STEADY:
        return None
    return ClockCompared(sent_at=sent_at, ahead_s=round(ahead.total_seconds()))

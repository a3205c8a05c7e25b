"""Ten events for each of many loads, several loads on their way at once: a log to rebuild from."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import count, zip_longest
from typing import NamedTuple
from uuid import UUID

from incidents.identity.ids import named
from incidents.management.benches.contest import FACILITY, START
from incidents.rules import programmes
from incidents.rules.events import (
    AlarmAcknowledged,
    AlarmCleared,
    AlarmRaised,
    AnyEvent,
    CycleAborted,
    CycleFinished,
    CycleResumed,
    CycleStarted,
    Finding,
    HoldPlaced,
    LoadAssembled,
    LoadPlaced,
    LoadReleased,
    LoadReviewed,
    ProgrammePublished,
    Signature,
    Stream,
    WordsRef,
)

AT_ONCE = 8  # loads under way
ABORTED = 7  # one load in so many ends in an abort
LATE = 20  # one load in so many has a machine that reports in another order than things happened
ALDER, INES = named(FACILITY, "Alder"), named(FACILITY, "Ines")
PROGRAMME = programmes.in_force(
    ProgrammePublished(
        "Instruments", 1, tuple(programmes.STARTING_PHASES), 2700, 600, tuple(programmes.STARTING_CRITERIA)
    )
)
FINDINGS = tuple(Finding(each.code, each.kind, each.title, "met") for each in PROGRAMME.criteria)


class Told(NamedTuple):
    """An event on its way into the log; `sequence` is the machine's counter where the machine told it."""

    stream: Stream
    event: AnyEvent
    at: datetime
    sequence: int | None


def many(events: int) -> Iterator[Told]:
    """So many events, the stories of `AT_ONCE` loads in turns."""
    left, numbers = events, count(1)
    while left > 0:
        stories = [_story(next(numbers)) for _ in range(AT_ONCE)]
        for told in zip_longest(*stories):
            here = [each for each in told if each is not None][:left]
            left -= len(here)
            yield from here


def _story(number: int) -> Iterator[Told]:
    load = named(FACILITY, f"load {number}")
    start = START + timedelta(minutes=10 * number)
    counter = 10 * number
    for minute, event in enumerate(_aborted(load, number) if number % ABORTED == 0 else _released(load, number)):
        told_by_machine = isinstance(event, CycleStarted | AlarmRaised | AlarmCleared | CycleFinished)
        late = number % LATE == 0 and isinstance(event, AlarmRaised)
        sequence = counter + (9 if late else minute) if told_by_machine else None
        yield Told(Stream("load", load), event, start + timedelta(minutes=minute), sequence)


def _stopped(load: UUID, number: int) -> Iterator[AnyEvent]:
    trays = tuple(named(FACILITY, f"tray {(3 * number + n) % 2000}") for n in range(3))
    yield LoadAssembled(f"2026-{number:05d}", number, trays, ALDER, "Alder", "1")
    yield CycleStarted(ALDER, "Alder", "1", "Instruments", PROGRAMME, 1, "transcribed", number)
    alarm = named(load, "alarm")
    yield AlarmRaised(alarm, "W01", "wash", "Water did not come in", "medium", True, "technician", True, ALDER, "1")
    yield AlarmAcknowledged(alarm)
    yield AlarmCleared("W01", chamber="1")


def _released(load: UUID, number: int) -> Iterator[AnyEvent]:
    yield from _stopped(load, number)
    yield CycleResumed(named(load, "alarm"), "wash", 120)
    yield CycleFinished(number, "1")
    yield LoadPlaced("clean-side", f"shelf {number % 40}")
    yield LoadReviewed("transcribed", True, FINDINGS)
    signature = Signature(INES, "I sign this load", named(load, "signing"), START, (), ("technician",))
    yield LoadReleased("packing", signature, 1, 0)


def _aborted(load: UUID, number: int) -> Iterator[AnyEvent]:
    yield from _stopped(load, number)
    yield CycleAborted("fault", named(load, "alarm"))
    yield CycleFinished(number, "1", complete=False)
    yield LoadPlaced("quarantine", f"shelf {number % 4}")
    yield HoldPlaced(named(load, "hold"), WordsRef(f"{number:064x}"))
    yield LoadPlaced("dirty-side")

"""How long it took until an alarm was seen, until it was resolved, and until a broken load was run again.

One stream tells of its own alarms; whatever has no end yet is waited for still. Times are those that were claimed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from typing import Literal, NamedTuple
from uuid import UUID

from incidents.rules.alarms import same_code
from incidents.rules.events import (
    AlarmAcknowledged,
    AlarmCleared,
    AlarmRaised,
    CycleAborted,
    CycleFinished,
    CycleResumed,
    LoadReleased,
    LoadReprocessed,
    Recorded,
    RerunLinked,
)
from incidents.rules.loads import in_device_order

Clock = Literal["acknowledge", "resolve", "re-run"]
CLOCKS: tuple[Clock, ...] = ("acknowledge", "resolve", "re-run")
FEWEST_PEOPLE = 5  # what fewer people did is theirs, and nobody else's to see


class Wait(NamedTuple):
    """A clock that began; `ended_at` and `by` are None while it runs, `by` also where no person ended it."""

    clock: Clock
    fault: str
    title: str
    begun_at: datetime
    ended_at: datetime | None = None
    by: UUID | None = None

    def ended(self, event: Recorded) -> Wait:
        by = event.actor.id if event.actor.kind == "person" else None
        return self._replace(ended_at=max(event.occurred_at, self.begun_at), by=by)


def waits(events: Sequence[Recorded]) -> list[Wait]:
    """Every clock that a load's or a machine's own stream began, in that order."""
    seen: dict[UUID, Wait] = {}
    solved: dict[UUID, Wait] = {}
    rerun: Wait | None = None
    for event in in_device_order(events):
        match event.data:
            case AlarmRaised() as data if data.alarm not in seen:
                begun = ("acknowledge", data.code, data.title, event.occurred_at)
                seen[data.alarm] = Wait(*begun)  # type: ignore[arg-type]
                solved[data.alarm] = seen[data.alarm]._replace(clock="resolve")
            case AlarmAcknowledged() as data:
                _end(seen, [data.alarm], event)
            case AlarmCleared() as data:
                by_code = (alarm for alarm, wait in solved.items() if same_code(wait.fault, data.code))
                _end(solved, [data.alarm] if data.alarm else by_code, event)
            case CycleResumed() | CycleAborted() | LoadReleased() | LoadReprocessed():
                _end(solved, solved, event)
            case RerunLinked() if rerun is not None and rerun.ended_at is None:
                rerun = rerun.ended(event)
            case _:
                pass
        if rerun is None and _broke(event):
            last = list(seen.values())[-1] if seen else None
            rerun = Wait("re-run", last.fault if last else "", last.title if last else "", event.occurred_at)
    return [*seen.values(), *solved.values(), *([rerun] if rerun else [])]


def _broke(event: Recorded) -> bool:
    return isinstance(event.data, CycleAborted) or (
        isinstance(event.data, CycleFinished) and not event.data.complete
    )


def _end(waits: dict[UUID, Wait], alarms: Iterable[UUID], event: Recorded) -> None:
    """Only the first end counts."""
    for alarm in list(alarms):
        wait = waits.get(alarm)
        if wait is not None and wait.ended_at is None:
            waits[alarm] = wait.ended(event)


class Answered(NamedTuple):
    """A wait with its machine's name and the shift in which it began."""

    wait: Wait
    machine: str
    shift: str


GROUPS: dict[str, Callable[[Answered], str]] = {
    "all": lambda each: "All together",
    "fault": lambda each: f"{each.wait.title} ({each.wait.fault})" if each.wait.fault else "No fault known",
    "machine": lambda each: each.machine or "No machine known",
    "shift": lambda each: each.shift or "No shift known",
}


def grouped(answered: Sequence[Answered]) -> Iterator[tuple[str, str, dict[Clock, list[Wait]]]]:
    """(by what, its name, its waits by clock), by name and never by how long it took."""
    for by, name_of in GROUPS.items():
        found: dict[str, dict[Clock, list[Wait]]] = {}
        for each in answered:
            found.setdefault(name_of(each), {clock: [] for clock in CLOCKS})[each.wait.clock].append(each.wait)
        for name in sorted(found):
            yield by, name, found[name]


def shown(waits: Sequence[Wait]) -> bool:
    """May it be shown? Only what at least five people did tells of no one of them."""
    return len({wait.by for wait in waits} - {None}) >= FEWEST_PEOPLE

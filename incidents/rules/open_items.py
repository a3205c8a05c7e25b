"""Anything that needs someone, derived from the state of one load or one machine."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from uuid import UUID

import msgspec

from incidents.rules.alarms import Alarm
from incidents.rules.downtime import Downtime, gaps, listed
from incidents.rules.events import Priority
from incidents.rules.loads import Load
from incidents.rules.machines import Machine
from incidents.rules.release import Hold, disposition, holds, under_recall


class OpenItem(msgspec.Struct, frozen=True):
    """`key` is stable while the item is open; `since` is when its need began."""

    key: str
    kind: str
    priority: Priority
    title: str
    since: datetime
    alarm: UUID | None = None


def of_load(load: Load) -> Iterator[OpenItem]:
    yield from of_alarms(load.name, load.alarms)
    item = _of_the_load_itself(load)
    if item is not None:
        yield item
    yield from _of_the_unloading(load)


def _of_the_unloading(load: Load) -> Iterator[OpenItem]:
    waiting = [rejection for rejection in load.rejections if load.fate_of(rejection.tray) == "rejected"]
    if waiting and not load.reruns and (load.release is not None or load.stage == "finished"):
        title = f"Run {_trays(len(waiting))} of {load.name} again: rejected at the unloading."
        yield OpenItem("rejected", "rerun-due", "medium", title, waiting[0].at)
    if load.was_on_clean_side and not load.contamination_recorded:
        pinned = [hold for hold in holds(load) if not hold.liftable]
        if pinned and not load.reprocessed:
            title = f"{load.name} stood on the clean side unproven: record what it touched."
            since = _earliest(tuple(pinned)) or load.ended_at or load.started_at
            if since is not None:
                yield OpenItem("contamination", "contamination-due", "high", title, since)


def _trays(count: int) -> str:
    return "1 tray" if count == 1 else f"{count} trays"


def of_machine(machine: Machine) -> Iterator[OpenItem]:
    yield from of_alarms(machine.name, machine.alarms)
    for block in machine.blocks:
        which = f", chamber {block.chamber}" if block.chamber else ""
        title = f"{machine.name}{which} is blocked: {block.reason}."
        yield OpenItem(f"blocked:{block.chamber}", "machine-blocked", "medium", title, block.at)
    for stray in machine.strays:
        yield OpenItem(f"stray:{stray.event_id}", "cycle-without-load", "medium", f"{stray.sentence}.", stray.at)


def of_downtime(downtime: Downtime) -> Iterator[OpenItem]:
    """Form numbers that are missing below one that came back: one item, since the first was missed."""
    missing = gaps(downtime)
    if missing:
        which = "A downtime form is" if len(missing) == 1 else f"{len(missing)} downtime forms are"
        title = f"{which} missing: {listed([number for number, _ in missing])}."
        yield OpenItem("forms-missing", "forms-missing", "medium", title, min(since for _, since in missing))


def of_alarms(name: str, alarms: tuple[Alarm, ...]) -> Iterator[OpenItem]:
    for alarm in alarms:
        if alarm.acknowledged_at is None:
            title = f"{name}: {_lowered(alarm.title)}, in {alarm.phase}. Nobody has seen it."
            yield OpenItem(f"alarm:{alarm.id}", "alarm", alarm.priority, title, alarm.raised_at, alarm.id)


def _lowered(title: str) -> str:
    return title[:1].lower() + title[1:]


def _of_the_load_itself(load: Load) -> OpenItem | None:
    since = load.ended_at or load.started_at or load.assembled_at
    if since is None:
        return None
    if under_recall(load):
        since = _first_after_release(load) or since
        left = " left on paper: it" if load.left_on_paper and load.release is None else ""
        return OpenItem("recall", "recall", "high", f"{load.name}{left} is under recall review.", since)
    if load.reprocessed or load.release is not None:
        return None
    if load.stage in ("aborted", "incomplete") and not load.reruns:
        return OpenItem("rerun", "rerun-due", "high", f"Run {load.name} again. It is held.", since)
    if load.overdue_since is not None and load.stage in ("running", "stopped"):
        title = f"{load.name}: the outcome is unknown."
        return OpenItem("outcome", "outcome-unknown", "high", title, load.overdue_since)
    if load.stage == "stopped":
        if all(alarm.acknowledged_at for alarm in load.alarms):
            return OpenItem(
                "decide",
                "decision-due",
                "high",
                f"{load.name} stopped. {'Abort it.' if load.stops else 'Resume or abort.'}",
                _stopped_since(load) or since,
            )
        return None
    standing = holds(load)
    if standing:
        title = f"{load.name} is held. {standing[0].sentence}"
        return OpenItem("held", "held", "medium", title, _earliest(standing) or since)
    if disposition(load) == "awaiting review":
        todo = "Release" if load.review else "Review"
        return OpenItem("review", "review-due", "medium", f"{todo} {load.name}.", since)
    return None


def _earliest(standing: tuple[Hold, ...]) -> datetime | None:
    """When the first of these holds arrived: a later one does not make the need younger."""
    return min((hold.at for hold in standing if hold.at), default=None)


def _first_after_release(load: Load) -> datetime | None:
    """When a released load came to need someone: with the first hold that arrived since."""
    if load.release is None:
        return _earliest(holds(load))
    since = load.release.at
    return min((hold.at for hold in holds(load) if hold.at and hold.at > since), default=since)


def _stopped_since(load: Load) -> datetime | None:
    """When the machine stopped: the first alarm that halted it and is not answered."""
    halting = (alarm.raised_at for alarm in load.alarms if alarm.halts and not alarm.decided)
    return min(halting, default=None)

"""Anything that needs someone, derived from the state of one stream."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules.alarms import Alarm
from incidents.rules.catalogue import Catalogue
from incidents.rules.devices import listed as listed_runs
from incidents.rules.downtime import Downtime, gaps, listed
from incidents.rules.editions import Programme
from incidents.rules.events import Priority, WordsRef
from incidents.rules.facility import Facility
from incidents.rules.holds import Hold, disposition, holds, under_recall
from incidents.rules.ladders import Policy
from incidents.rules.loads import Load
from incidents.rules.machines import Machine
from incidents.rules.messages import CHANNEL_WORDS, Undelivered


class OpenItem(msgspec.Struct, frozen=True):
    """`key` is stable while the item is open; `since` is when its need began.

    `taken_by` is the person who saw it, decided it or put it there; None while nobody has. `words` are what was
    said of it, where the need is somebody's word.
    """

    key: str
    kind: str
    priority: Priority
    title: str
    since: datetime
    alarm: UUID | None = None
    taken_by: UUID | None = None
    words: WordsRef | None = None


def of_load(load: Load) -> Iterator[OpenItem]:
    yield from of_alarms(load.name, load.alarms)
    yield from _of_unresolved(load.name, _still_asked_of(load))
    yield from _of_missing_readings(load)
    item = _of_the_load_itself(load)
    if item is not None:
        yield item
    yield from _of_first_signatures(load)
    yield from _of_the_unloading(load)


def _of_first_signatures(load: Load) -> Iterator[OpenItem]:
    """What one of two people has signed waits for the other, or for both where the load changed since."""
    standing = {hold.key for hold in holds(load)}
    firsts = [first for first in load.first_signatures if first.key in standing]
    if not firsts:
        return
    if any(not first.void for first in firsts):
        title = f"{load.name}: a second signature is missing to lift a hold."
    else:
        title = f"{load.name}: a first signature no longer counts, for {firsts[0].void}. Sign anew."
    yield OpenItem("second-signature", "second-signature", "medium", title, min(first.at for first in firsts))


def _of_the_unloading(load: Load) -> Iterator[OpenItem]:
    waiting = [rejection for rejection in load.rejections if load.fate_of(rejection.tray) == "rejected"]
    if waiting and not load.reruns and (load.release is not None or load.stage == "finished"):
        title = f"Run {_trays(len(waiting))} of {load.name} again: rejected at the unloading."
        yield OpenItem("rejected", "rerun-due", "medium", title, waiting[0].at)
    if load.on_clean_side_at and not load.contamination_recorded:
        pinned = [hold for hold in holds(load) if not hold.liftable]
        if pinned and not load.reprocessed:
            title = f"{load.name} stood on the clean side unproven: record what it touched."
            since = max(load.on_clean_side_at, _earliest(tuple(pinned)) or load.on_clean_side_at)
            yield OpenItem("contamination", "contamination-due", "high", title, since)


def _trays(count: int) -> str:
    return "1 tray" if count == 1 else f"{count} trays"


def of_machine(machine: Machine) -> Iterator[OpenItem]:
    yield from of_alarms(machine.name, machine.alarms)
    yield from _of_unresolved(machine.name, machine.alarms)
    for block in machine.blocks:
        which = f", chamber {block.chamber}" if block.chamber else ""
        title = f"{machine.name}{which} is blocked: {block.reason}."
        yield OpenItem(f"blocked:{block.chamber}", "machine-blocked", "medium", title, block.at, taken_by=block.by)
    yield from _of_exposures(machine)
    if machine.missing:
        yield _of_missing(machine)
    if machine.silent_since is not None:
        title = f"{machine.name}: nothing was heard of its device since {machine.silent_since:%Y-%m-%d %H:%M} UTC."
        yield OpenItem("device-silent", "device-silent", "medium", title, machine.silent_since)
    if machine.clock is not None and machine.clock.is_skewed:
        way = "ahead of" if machine.clock.ahead_s > 0 else "behind"
        off = _span(abs(machine.clock.ahead_s))
        title = f"The clock that {machine.name} is reported by is {off} {way} the clock here."
        yield OpenItem("clock", "clock-skewed", "medium", title, machine.clock.at)
    for stray in machine.strays:
        yield OpenItem(f"stray:{stray.event_id}", "cycle-without-load", "medium", f"{stray.sentence}.", stray.at)


EXPOSED = {
    "splash": "somebody was splashed",
    "burn": "somebody was burnt",
    "sharps": "somebody was hurt by a sharp",
    "near-miss": "somebody was nearly hurt",
}


def _of_exposures(machine: Machine) -> Iterator[OpenItem]:
    """Each waits for whoever answers for the shift. Who was hurt stands on the machine's page, not on a board."""
    for told in machine.exposed:
        title = f"{machine.name}: {EXPOSED[told.kind]}. A supervisor takes it on."
        priority: Priority = "low" if told.kind == "near-miss" else "high"
        yield OpenItem(f"exposure:{told.event_id}", "exposure", priority, title, told.at, words=told.words)


def _of_missing(machine: Machine) -> OpenItem:
    """Numbers of the device that were not heard: one item, since the first was missed."""
    count = sum(run.count for run in machine.missing)
    which = "1 observation is" if count == 1 else f"{count} observations are"
    title = f"{machine.name}: {which} missing: {listed_runs(machine.missing)}."
    since = min(run.at for run in machine.missing)
    return OpenItem("observations-missing", "observations-missing", "medium", title, since)


def _span(seconds: int) -> str:
    return f"{seconds // 60} min" if seconds < 7200 else f"{seconds // 3600} h"


def of_facility(facility: Facility) -> Iterator[OpenItem]:
    """A restored backup, until somebody looked for what it lost: one item, since the first."""
    waiting = facility.unsettled
    if waiting:
        yield OpenItem("log-restored", "log-restored", "high", waiting[0].sentence, waiting[0].at)


def of_message(message: Undelivered) -> Iterator[OpenItem]:
    """A message that could not be delivered, until somebody answered for it. It names nobody."""
    told = message.told
    if message.waits and told is not None and message.at is not None:
        by = CHANNEL_WORDS.get(told.channel, told.channel)
        title = f"A message by {by} did not arrive: {told.subject}"
        yield OpenItem("undelivered", "message-dead", told.priority, title, message.at)


def of_catalogue(catalogue: Catalogue) -> Iterator[OpenItem]:
    """The newest edition fell: what it said binds nobody until a second person publishes it."""
    newest = catalogue.editions[-1] if catalogue.editions else None
    if newest is not None and newest.fallen_at is not None:
        stands = f"Edition {catalogue.edition} is" if catalogue.edition else "No edition is"
        title = f"Catalogue edition {newest.told.edition} fell: no two authorised people. {stands} in force."
        yield OpenItem("catalogue-fallen", "catalogue-fallen", "high", title, newest.fallen_at)


def draft_title(name: str) -> str:
    return f"A draft of programme “{name}” waits for a second person."


def of_programme(programme: Programme) -> Iterator[OpenItem]:
    """A draft, until somebody else approves it; an edition that fell, until the next."""
    newest = programme.editions[-1] if programme.editions else None
    if newest is not None and newest.fallen_at is not None:
        edition = newest.told.edition
        title = f"Programme “{programme.name}”, edition {edition} fell: no two authorised people. See its loads."
        yield OpenItem("programme-fallen", "programme-fallen", "high", title, newest.fallen_at)
    if programme.draft is not None:
        title = draft_title(programme.draft.told.name)
        yield OpenItem("draft", "programme-draft", "low", title, programme.draft.at, taken_by=programme.draft.by)


def of_ladders(policy: Policy) -> Iterator[OpenItem]:
    """A draft, until somebody else approves it."""
    if policy.draft is not None:
        title = "A draft of the escalation policy waits for a second person."
        yield OpenItem("draft", "escalation-draft", "low", title, policy.draft.at, taken_by=policy.draft.by)


def of_downtime(downtime: Downtime) -> Iterator[OpenItem]:
    """Form numbers that are missing below one that came back: one item, since the first was missed."""
    missing = gaps(downtime)
    if missing:
        which = "A downtime form is" if len(missing) == 1 else f"{len(missing)} downtime forms are"
        title = f"{which} missing: {listed([number for number, _ in missing])}."
        yield OpenItem("forms-missing", "forms-missing", "medium", title, min(since for _, since in missing))


def of_alarms(name: str, alarms: tuple[Alarm, ...]) -> Iterator[OpenItem]:
    for alarm in alarms:
        if alarm.state == "shelved":
            title = f"{name}: {_lowered(alarm.title)} is put aside until {alarm.shelved_until:%H:%M} UTC."
            yield OpenItem(f"shelved:{alarm.id}", "alarm-shelved", "low", title, alarm.raised_at, alarm.id)
        elif alarm.acknowledged_at is None:
            title = f"{name}: {_lowered(alarm.title)}, in {alarm.phase}. Nobody has seen it."
            yield OpenItem(f"alarm:{alarm.id}", "alarm", alarm.priority, title, alarm.raised_at, alarm.id)


def _still_asked_of(load: Load) -> tuple[Alarm, ...]:
    """A load’s alarms that a decision about the load does not answer for: its release, on paper too, its
    reprocessing, or the one about a stopped cycle, which is an open item of its own.
    """
    if load.release is not None or load.left_on_paper is not None or load.reprocessed:
        return ()
    return tuple(alarm for alarm in load.alarms if not (alarm.halts and load.stage == "stopped"))


def _of_unresolved(name: str, alarms: tuple[Alarm, ...]) -> Iterator[OpenItem]:
    """Alarms that somebody saw and that stand: until the condition clears, or somebody decides about the cycle."""
    for alarm in alarms:
        if alarm.state == "acknowledged" and alarm.acknowledged_at is not None:
            title = f"{name}: {_lowered(alarm.title)}, in {alarm.phase}. Seen, not resolved."
            since, seen_by = alarm.acknowledged_at, alarm.acknowledged_by
            key, kind = f"unresolved:{alarm.id}", "alarm-unresolved"
            yield OpenItem(key, kind, alarm.priority, title, since, alarm.id, seen_by)


NO_READINGS = "record-missing:readings"  # the key of the hold that says so


def _of_missing_readings(load: Load) -> Iterator[OpenItem]:
    """A cycle that is judged by its readings has ended, and nobody gave any."""
    if load.stage != "finished" or load.ended_at is None or load.release is not None or load.reprocessed:
        return
    if any(hold.key == NO_READINGS for hold in holds(load)):
        title = f"{load.name} ended without its readings. Give its record, or two people read the machine’s strip."
        yield OpenItem("readings", "readings-missing", "medium", title, load.ended_at)


def _lowered(title: str) -> str:
    return title[:1].lower() + title[1:]


def _of_the_load_itself(load: Load) -> OpenItem | None:
    since = load.ended_at or load.started_at or load.assembled_at
    if since is None:
        return None
    if under_recall(load):
        since = _first_after_release(load) or since
        left = " left on paper: it" if load.left_on_paper and load.release is None else ""
        title = f"{load.name}{left} is under recall review."
        return _with_its_reason(load, OpenItem("recall", "recall", "high", title, since))
    if load.reprocessed or load.release is not None:
        return None
    if load.stage in ("aborted", "incomplete") and not load.reruns:
        title = f"Run {load.name} again. It is held."
        return OpenItem("rerun", "rerun-due", "high", title, since, taken_by=_who_saw(load))
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
                taken_by=_who_saw(load),
            )
        return None
    standing = tuple(hold for hold in holds(load) if load.stage != "finished" or hold.key != NO_READINGS)
    if standing:
        title = f"{load.name} is held. {standing[0].sentence}"
        by = _who_held(load, standing)
        item = OpenItem("held", "held", "medium", title, _earliest(standing) or since, taken_by=by)
        return replace(item, words=standing[0].words)
    if disposition(load) == "awaiting review":
        todo = "Release" if load.review else "Review"
        taken_by = load.review.by if load.review else None
        return OpenItem("review", "review-due", "medium", f"{todo} {load.name}.", since, taken_by=taken_by)
    return None


def _who_saw(load: Load) -> UUID | None:
    """Who acknowledged the newest alarm of the load."""
    seen = [alarm for alarm in load.alarms if alarm.acknowledged_at is not None]
    return max(seen, key=lambda alarm: alarm.acknowledged_at or alarm.raised_at).acknowledged_by if seen else None


def _who_held(load: Load, standing: tuple[Hold, ...]) -> UUID | None:
    """Who placed the gravest hold by hand, or stated what it rests on; nobody where no person did."""
    gravest = standing[0]
    placed = {f"manual:{hold.id}": hold.by for hold in load.placed_holds}
    if gravest.key in placed:
        return placed[gravest.key]
    return load.review.by if load.review and gravest.source == "review" else _who_saw(load)


def _with_its_reason(load: Load, recall: OpenItem) -> OpenItem:
    """Who held the load after it had left, and why; nobody where no person did."""
    standing = {hold.key for hold in holds(load)}
    placed = [hold for hold in load.placed_holds if f"manual:{hold.id}" in standing and hold.at >= recall.since]
    return replace(recall, taken_by=placed[0].by, words=placed[0].words) if placed else recall


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

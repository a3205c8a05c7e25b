"""What each event does to a load. Every step takes any state and gives one: what does not fit is `unexpected`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from msgspec.structs import replace

from incidents.rules import alarms
from incidents.rules.events import (
    AlarmAcknowledged,
    AlarmCleared,
    AlarmRaised,
    AlarmShelved,
    AlarmUnshelved,
    CycleAborted,
    CycleFinished,
    CycleResumed,
    CycleStarted,
    Event,
    Finding,
    HoldLifted,
    HoldPlaced,
    LiftSigned,
    LiftWithdrawn,
    LoadAssembled,
    LoadPlaced,
    LoadReleased,
    LoadReopened,
    LoadReprocessed,
    LoadReviewed,
    OutcomeOverdue,
    Recorded,
    RerunLinked,
)
from incidents.rules.load_state import (
    ENDED,
    FirstSignature,
    Lift,
    Load,
    PlacedHold,
    Release,
    Review,
    Unexpected,
)
from incidents.rules.vocabulary import SKEW


def unexpected(load: Load, event: Recorded, sentence: str) -> Load:
    """Keep what does not fit, with a sentence; it holds the load until someone named has looked."""
    if any(known.event_id == event.event_id for known in load.unexpected):
        return load
    return replace(load, unexpected=(*load.unexpected, Unexpected(event.event_id, sentence, event.occurred_at)))


def counted(load: Load, machine_cycle: int | None) -> Load:
    """The first report that names the machine's counter says which cycle this is."""
    return replace(load, machine_cycle=machine_cycle) if load.machine_cycle is None else load


def _assembled(load: Load, event: Recorded, data: LoadAssembled) -> Load:
    if load.stage != "none":
        return unexpected(load, event, "It was assembled a second time.")
    return replace(
        load,
        stage="assembled",
        number=data.number,
        ordinal=data.ordinal,
        trays=data.trays,
        machine=data.machine,
        machine_name=data.machine_name,
        chamber=data.chamber,
        rerun_of=data.rerun_of,
        rack=data.rack,
        assembled_at=event.occurred_at,
        assembled_position=event.position if load.stands_before is None else load.stands_before - 1,
    )


def _started(load: Load, event: Recorded, data: CycleStarted) -> Load:
    if load.stage not in ("none", "assembled"):
        return _started_again(load, event, data)
    begun = replace(
        load,
        stage="running",
        machine=data.machine,
        machine_name=data.machine_name,
        chamber=data.chamber,
        machine_cycle=data.machine_cycle,
        programme_name=data.programme_name,
        programme=data.programme,
        catalogue_edition=data.catalogue_edition,
        basis=data.basis,
        started_at=event.occurred_at,
        place="chamber",
        spot="",
    )
    if load.stage == "none":
        begun = unexpected(begun, event, "A cycle started before the load was assembled.")
    if data.blocked:
        begun = unexpected(begun, event, f"It started in a machine that is blocked: {data.blocked}.")
    if data.not_taken:
        begun = unexpected(begun, event, f"It started though {data.machine_name} does not take {data.not_taken}.")
    if data.programme is None:
        begun = unexpected(
            begun, event, f"Programme “{data.programme_name}” was not in force here when the cycle started."
        )
    return begun


def _started_again(load: Load, event: Recorded, data: CycleStarted) -> Load:
    """The same start told by a person and by the machine is one start; anything else does not fit."""
    same_cycle = None in (load.machine_cycle, data.machine_cycle) or load.machine_cycle == data.machine_cycle
    if data.machine != load.machine or data.chamber != load.chamber or not same_cycle:
        return unexpected(load, event, "Another start was reported for this load.")
    if data.programme_name != load.programme_name:
        return unexpected(load, event, f"The machine reports programme “{data.programme_name}”.")
    return counted(load, data.machine_cycle)


def _alarm_raised(load: Load, event: Recorded, data: AlarmRaised) -> Load:
    after = replace(counted(load, data.machine_cycle), alarms=alarms.raised(load.alarms, event, data))
    if not data.known:
        after = unexpected(after, event, f"Fault code {data.code} is not in the fault catalogue.")
    if load.stage == "running":
        return replace(after, stage="stopped") if data.halts else after
    if load.stage in ("none", "assembled"):
        return unexpected(after, event, "An alarm was reported before the cycle started.")
    if load.stage == "finished":
        return unexpected(after, event, "An alarm was reported after the cycle had ended.")
    return after


def _alarm_acknowledged(load: Load, event: Recorded, data: AlarmAcknowledged) -> Load:
    if alarms.find(load, data.alarm) is None:
        return unexpected(load, event, "An alarm was acknowledged that this load does not have.")
    return replace(load, alarms=alarms.acknowledged(load.alarms, event, data))


def _alarm_shelved(load: Load, event: Recorded, data: AlarmShelved) -> Load:
    return replace(load, alarms=alarms.shelved(load.alarms, event, data))


def _alarm_unshelved(load: Load, event: Recorded, data: AlarmUnshelved) -> Load:
    return replace(load, alarms=alarms.unshelved(load.alarms, data))


def _alarm_cleared(load: Load, event: Recorded, data: AlarmCleared) -> Load:
    return replace(counted(load, data.machine_cycle), alarms=alarms.cleared(load.alarms, event, data))


def _resumed(load: Load, event: Recorded, data: CycleResumed) -> Load:
    if load.stage != "stopped":
        return unexpected(load, event, "A resume was recorded though the cycle was not stopped.")
    after = replace(load, stage="running", resumes=(*load.resumes, data), alarms=alarms.decided(load.alarms))
    beyond = alarms.against_programme(load, event.occurred_at)
    return unexpected(after, event, f"It was resumed against its programme: {beyond}.") if beyond else after


def _aborted(load: Load, event: Recorded, data: CycleAborted) -> Load:
    after = replace(load, alarms=alarms.decided(load.alarms))
    if load.stage not in ("running", "stopped"):
        return unexpected(after, event, "An abort was recorded though no cycle was running.")
    return replace(after, stage="aborted", ended_at=event.occurred_at)


def _finished(load: Load, event: Recorded, data: CycleFinished) -> Load:
    if load.stage in ENDED:
        return _finished_again(load, event, data)
    if load.started_at is not None and load.started_at - event.occurred_at > SKEW:
        return unexpected(load, event, "An end was reported with a time before this cycle started.")
    known = load.machine_cycle
    told = data.machine_cycle
    after = replace(
        load,
        stage="finished" if data.complete else "incomplete",
        ended_at=event.occurred_at,
        machine_cycle=told if known is None else known,
    )
    if load.stage in ("none", "assembled"):
        return unexpected(replace(after, stage="incomplete"), event, "An end was reported without a start.")
    if None not in (known, told) and known != told:
        after = unexpected(after, event, f"The end of cycle {told} was recorded, and this load is cycle {known}.")
    if load.stops:
        after = replace(after, stage="incomplete", interrupted="somebody stopped it")
    if load.stage == "stopped":
        sentence = "The cycle went on to its end after a stop, and nobody recorded a resume."
        beyond = alarms.against_programme(load, None)
        sentence += f" It was not allowed: {beyond}." if beyond else ""
        after = unexpected(after, event, sentence)
    return after


def _finished_again(load: Load, event: Recorded, data: CycleFinished) -> Load:
    if load.stage == "finished" and not data.complete:
        return unexpected(
            replace(load, stage="incomplete"), event, "The machine reports that the cycle was not complete."
        )
    if load.stage in ("aborted", "incomplete") and data.complete:
        return unexpected(load, event, "The machine reports a complete cycle though it was aborted.")
    return load


def _overdue(load: Load, event: Recorded, data: OutcomeOverdue) -> Load:
    return replace(load, overdue_since=data.due_at)


def _placed(load: Load, event: Recorded, data: LoadPlaced) -> Load:
    clean_at = load.on_clean_side_at or (event.occurred_at if data.place == "clean-side" else None)
    after = replace(load, place=data.place, spot=data.spot, placed_by=event.event_id, on_clean_side_at=clean_at)
    if data.place == "clean-side" and load.stage != "finished":
        return unexpected(after, event, "It stands on the clean side though its cycle is not complete.")
    return after


def _reviewed(load: Load, event: Recorded, data: LoadReviewed) -> Load:
    told = (data.record_seen, data.findings, data.basis, data.readings)
    one = Review(event.event_id, event.actor.id, event.occurred_at, *told)
    review = one
    if load.review is not None and load.review.record_seen:
        # A second reading never takes back what the first one found.
        review = replace(review, record_seen=True, findings=worst_of(load.review.findings, data.findings))
    after = replace(load, review=review, reviews=(*load.reviews, one))
    if load.stage != "finished":
        return unexpected(after, event, "A review was recorded though no complete cycle had ended.")
    return after


_GRAVITY = {"met": 0, "not-proven": 1, "not-met": 2}


def worst_of(first: tuple[Finding, ...], second: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Criterion by criterion, the graver of two verdicts."""
    gravest = {finding.criterion: finding for finding in first}
    for finding in second:
        known = gravest.get(finding.criterion)
        if known is None or _GRAVITY[finding.verdict] > _GRAVITY[known.verdict]:
            gravest[finding.criterion] = finding
    return tuple(gravest.values())


def _hold_placed(load: Load, event: Recorded, data: HoldPlaced) -> Load:
    placed = PlacedHold(data.hold, event.actor.id, event.occurred_at, data.words, event.event_id)
    return replace(load, placed_holds=(*load.placed_holds, placed))


def _lift_signed(load: Load, event: Recorded, data: LiftSigned) -> Load:
    first = FirstSignature(event.event_id, data.hold, data.code, data.words, data.signature, event.occurred_at)
    return replace(load, first_signatures=(*_without(load, data.hold), first))


def _lift_withdrawn(load: Load, event: Recorded, data: LiftWithdrawn) -> Load:
    return replace(load, first_signatures=_without(load, data.hold))


def _without(load: Load, key: str) -> tuple[FirstSignature, ...]:
    return tuple(first for first in load.first_signatures if first.key != key)


def _hold_lifted(load: Load, event: Recorded, data: HoldLifted) -> Load:
    earlier = {first.signature.signing: first.event_id for first in load.first_signatures}
    people = tuple(signature.person for signature in data.signatures)
    lift = Lift(
        event_id=event.event_id,
        key=data.hold,
        code=data.code,
        by=people,
        signed_as=people,
        signed_in=tuple(earlier.get(signature.signing, event.event_id) for signature in data.signatures),
        roles=tuple(signature.roles for signature in data.signatures),
        at=event.occurred_at,
    )
    return replace(load, lifts=(*load.lifts, lift), first_signatures=_without(load, data.hold))


def void_first_signatures(load: Load, event: Recorded) -> Load:
    """A first signature binds the load as it was: whatever else happens to the load since takes its worth."""
    if isinstance(event.data, LiftSigned | LiftWithdrawn | HoldLifted):
        return load
    firsts = tuple(
        first if first.void else replace(first, void="the load changed since") for first in load.first_signatures
    )
    return replace(load, first_signatures=firsts)


def _released(load: Load, event: Recorded, data: LoadReleased) -> Load:
    released = Release(event.event_id, data.purpose, data.signature.person, event.occurred_at, event.position)
    after = replace(load, release=released)
    if load.stage != "finished" or load.review is None or not load.review.record_seen:
        return unexpected(after, event, "A release was recorded though no record of a complete cycle was reviewed.")
    return after


def _rerun_linked(load: Load, event: Recorded, data: RerunLinked) -> Load:
    return replace(load, reruns=(*load.reruns, data.load))


def _reprocessed(load: Load, event: Recorded, data: LoadReprocessed) -> Load:
    return replace(load, reprocessed=True)


def _reopened(load: Load, event: Recorded, data: LoadReopened) -> Load:
    return replace(load, reprocessed=False)


Steps = dict[type[Event], Callable[[Load, Recorded, Any], Load]]
STEPS: Steps = {
    LoadAssembled: _assembled,
    CycleStarted: _started,
    AlarmRaised: _alarm_raised,
    AlarmAcknowledged: _alarm_acknowledged,
    AlarmCleared: _alarm_cleared,
    AlarmShelved: _alarm_shelved,
    AlarmUnshelved: _alarm_unshelved,
    CycleResumed: _resumed,
    CycleAborted: _aborted,
    CycleFinished: _finished,
    OutcomeOverdue: _overdue,
    LoadPlaced: _placed,
    LoadReviewed: _reviewed,
    HoldPlaced: _hold_placed,
    HoldLifted: _hold_lifted,
    LiftSigned: _lift_signed,
    LiftWithdrawn: _lift_withdrawn,
    LoadReleased: _released,
    RerunLinked: _rerun_linked,
    LoadReprocessed: _reprocessed,
    LoadReopened: _reopened,
}

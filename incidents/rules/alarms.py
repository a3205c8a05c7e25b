"""The life of an alarm, and what may be done about it.

States follow IEC 62682: acknowledging means *seen*, never *solved*; a cleared condition says nothing about
the load. What may be resumed is the fault catalogue's to say, and these rules may only be stricter.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Protocol
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules.events import (
    AlarmAcknowledged,
    AlarmCleared,
    AlarmRaised,
    AlarmShelved,
    AlarmUnshelved,
    AttributionCorrected,
    CycleAborted,
    CycleResumed,
    Fault,
    Priority,
    ProgrammeInForce,
    Recorded,
    Resume,
    WordsRef,
)
from incidents.rules.refusals import Refusal

RESUMES_PER_CYCLE = 1
ABORT_REASONS = {
    "fault": "The fault does not permit a resume",
    "item-in-the-way": "An item was in the way",
    "part-damaged": "A part is stiff, blocked or damaged",
    "wrong-load": "The load or programme was wrong",
    "cant-tell": "The cause is not known",
}
UNKNOWN_FAULT_INSTRUCTION = "Leave the door shut and read the machine’s display. Call engineering."
UNKNOWN_FAULT_CAUTION = "The fault is not in the catalogue: expect heat, chemicals, sharps and a contaminated load."


class Alarm(msgspec.Struct, frozen=True):
    id: UUID
    code: str
    title: str
    phase: str
    priority: Priority
    known: bool
    resume: Resume
    halts: bool
    raised_at: datetime
    acknowledged_at: datetime | None = None
    acknowledged_by: UUID | None = None
    acknowledged_in: UUID | None = None
    cleared_at: datetime | None = None
    decided: bool = False
    shelved_until: datetime | None = None
    shelved_by: UUID | None = None

    @property
    def state(self) -> str:
        """The IEC 62682 state: unacknowledged, acknowledged, returned-unacknowledged, shelved or normal."""
        if self.shelved_until is not None and not self.decided:
            return "shelved"
        if self.acknowledged_at is None:
            return "returned-unacknowledged" if self.cleared_at else "unacknowledged"
        return "normal" if self.cleared_at or self.decided else "acknowledged"


class HasAlarms(Protocol):
    """A load, or a machine that alarmed without one."""

    @property
    def alarms(self) -> tuple[Alarm, ...]: ...
    @property
    def name(self) -> str: ...


class Stoppable(HasAlarms, Protocol):
    @property
    def stage(self) -> str: ...
    @property
    def resumes(self) -> Collection[object]: ...
    @property
    def stops(self) -> Collection[str]: ...
    @property
    def programme(self) -> ProgrammeInForce | None: ...


# --- folding ------------------------------------------------------------------------------------------


def raised(alarms: tuple[Alarm, ...], event: Recorded, data: AlarmRaised) -> tuple[Alarm, ...]:
    """Add the alarm once; the same alarm told twice is one alarm."""
    if any(alarm.id == data.alarm for alarm in alarms):
        return alarms
    return (
        *alarms,
        Alarm(
            id=data.alarm,
            code=data.code,
            title=data.title,
            phase=data.phase,
            priority=data.priority,
            known=data.known,
            resume=data.resume,
            halts=data.halts,
            raised_at=event.occurred_at,
        ),
    )


def acknowledged(alarms: tuple[Alarm, ...], event: Recorded, data: AlarmAcknowledged) -> tuple[Alarm, ...]:
    """Only the first acknowledgement counts."""
    return tuple(
        replace(
            alarm,
            acknowledged_at=event.occurred_at,
            acknowledged_by=event.actor.id,
            acknowledged_in=event.event_id,
        )
        if alarm.id == data.alarm and alarm.acknowledged_at is None
        else alarm
        for alarm in alarms
    )


def reattributed(alarms: tuple[Alarm, ...], data: AttributionCorrected) -> tuple[Alarm, ...]:
    """Whoever saw an alarm in another's session has it."""
    return tuple(
        replace(alarm, acknowledged_by=data.person) if alarm.acknowledged_in == data.event else alarm
        for alarm in alarms
    )


def cleared(alarms: tuple[Alarm, ...], event: Recorded, data: AlarmCleared) -> tuple[Alarm, ...]:
    """Clear the named alarm, or the code's where a machine tells no more than the code."""
    return tuple(
        replace(alarm, cleared_at=event.occurred_at)
        if alarm.cleared_at is None
        and (alarm.id == data.alarm or (data.alarm is None and same_code(alarm.code, data.code)))
        else alarm
        for alarm in alarms
    )


def shelved(alarms: tuple[Alarm, ...], event: Recorded, data: AlarmShelved) -> tuple[Alarm, ...]:
    return tuple(
        replace(alarm, shelved_until=data.until, shelved_by=event.actor.id) if alarm.id == data.alarm else alarm
        for alarm in alarms
    )


def unshelved(alarms: tuple[Alarm, ...], data: AlarmUnshelved) -> tuple[Alarm, ...]:
    """Back in the state that its condition implies."""
    return tuple(
        replace(alarm, shelved_until=None, shelved_by=None) if alarm.id == data.alarm else alarm for alarm in alarms
    )


def decided(alarms: tuple[Alarm, ...]) -> tuple[Alarm, ...]:
    """A resume or an abort answers every alarm that stood."""
    return tuple(replace(alarm, decided=True) for alarm in alarms)


# --- deciding -----------------------------------------------------------------------------------------


def find(holder: HasAlarms, alarm_id: UUID) -> Alarm | None:
    return next((alarm for alarm in holder.alarms if alarm.id == alarm_id), None)


def same_code(one: str, other: str) -> bool:
    """Codes compare without case: a shift key makes no other fault."""
    return one.casefold() == other.casefold()


def catalogue_entry(faults: Collection[Fault], code: str) -> Fault | None:
    """The fault of this code; where an old edition tells two apart by case alone, the one written just so."""
    exact = (fault for fault in faults if fault.code == code)
    return next(exact, None) or next((fault for fault in faults if same_code(fault.code, code)), None)


def ask_about_unknown(code: str) -> Refusal:
    """A code that a person typed is asked about once more; a device's is recorded as it comes."""
    return Refusal(
        "fault-not-in-catalogue",
        f"“{code}” is not in the catalogue: record it all the same? Nothing was written.",
        "Read the code on the machine again. Recorded so, it counts as high, and nobody resumes after it.",
    )


def no_such_alarm(holder: HasAlarms) -> Refusal:
    return Refusal("alarm-unknown", f"{holder.name} has no such alarm.", "Open the load’s page and look again.")


def acknowledge(holder: HasAlarms, alarm_id: UUID) -> AlarmAcknowledged | Refusal:
    """Seen, by a person. Nothing else follows from it."""
    alarm = find(holder, alarm_id)
    if alarm is None:
        return no_such_alarm(holder)
    if alarm.acknowledged_at is not None:
        return Refusal(
            "already-acknowledged",
            f"This alarm was seen already, at {alarm.acknowledged_at:%H:%M:%S} UTC.",
            "Go on with the decision: resume or abort.",
        )
    return AlarmAcknowledged(alarm=alarm_id)


def chattering_with(holder: HasAlarms, alarm_id: UUID) -> tuple[Alarm, ...]:
    """The same fault in the same phase, raised again and unseen like this alarm: whoever sees one sees them all."""
    alarm = find(holder, alarm_id)
    unseen = (other for other in holder.alarms if other.acknowledged_at is None and other.id != alarm_id)
    return tuple(
        other for other in unseen if alarm and same_code(other.code, alarm.code) and other.phase == alarm.phase
    )


def standing_with(load: HasAlarms, alarm: Alarm) -> tuple[Alarm, ...]:
    """The other alarms that stopped the cycle and are not decided: each must allow a resume too."""
    return tuple(other for other in load.alarms if other.halts and not other.decided and other.id != alarm.id)


def resume_refusal(
    load: Stoppable, alarm: Alarm, roles: Collection[str], at: datetime | None = None
) -> Refusal | None:
    """Why this person may not resume after this alarm and those that stand with it, or None where they may.

    With `at`, the halt until then is held against the longest that the programme allows.
    """
    alarms = (alarm, *standing_with(load, alarm))
    refusals = (_refusal_after(load, each, roles) or _refusal_of_programme(load, each, at) for each in alarms)
    return next((refusal for refusal in refusals if refusal is not None), None)


def _refusal_of_programme(load: Stoppable, alarm: Alarm, at: datetime | None) -> Refusal | None:
    """What the programme in force at the start allows less than the catalogue: the stricter wins."""
    beyond = _beyond_programme(load, alarm, at)
    if beyond is None:
        return None
    return Refusal(beyond[0], f"Resume is not permitted: {beyond[1]}.", "Abort and run it again.")


def _beyond_programme(load: Stoppable, alarm: Alarm, at: datetime | None) -> tuple[str, str] | None:
    """(code, why) where the programme doesn't allow that the cycle goes on after this alarm."""
    told = load.programme.resuming if load.programme else None
    if told is None:
        return None
    if alarm.phase in told.protected:
        return "phase-protected", f"the programme protects its phase {alarm.phase}"
    if told.longest_halt_s is not None and at is not None:
        halt_s = int((at - alarm.raised_at).total_seconds())
        if halt_s > told.longest_halt_s:
            return (
                "halt-too-long",
                f"the cycle stood for {halt_s} s, the programme allows {told.longest_halt_s} s",
            )
    return None


def against_programme(load: Stoppable, at: datetime | None) -> str | None:
    """Why a cycle that did go on, at this moment if it is known, went on against its programme; or None."""
    told = load.programme.resuming if load.programme else None
    if told is not None and len(load.resumes) >= told.most:
        return f"the programme allows {told.most} resume{'' if told.most == 1 else 's'} in a cycle"
    stood = (alarm for alarm in load.alarms if alarm.halts and not alarm.decided)
    beyond = (_beyond_programme(load, alarm, at) for alarm in stood)
    return next((each[1] for each in beyond if each is not None), None)


def _resumes_allowed(load: Stoppable) -> int:
    """How often this cycle may be resumed: as its programme says, or else once (common practice)."""
    told = load.programme.resuming if load.programme else None
    return told.most if told else RESUMES_PER_CYCLE


def _refusal_after(load: Stoppable, alarm: Alarm, roles: Collection[str]) -> Refusal | None:
    """Why nobody, or not this person, resumes after this one.

    Within the disinfection phase nobody resumes: time at temperature counts only within one uninterrupted
    phase (ISO 15883-1, 4.3.1: "continuously maintained").
    """
    again = "Abort and run it again."
    if load.stage != "stopped":
        return Refusal(
            "not-stopped", f"Resume is not possible: {load.name} is not stopped.", "Read the load’s page."
        )
    if load.stops:
        return Refusal("stopped-by-hand", "Resume is not permitted: somebody stopped the cycle.", again)
    if alarm.acknowledged_at is None:
        return Refusal(
            "alarm-unseen",
            f"Resume is not permitted: nobody has seen the alarm “{alarm.title}”.",
            "See it first.",
        )
    if not alarm.known:
        return Refusal(
            "fault-unknown", f"Resume is not permitted: fault {alarm.code} is not in the catalogue.", again
        )
    if alarm.phase == "disinfection":
        return Refusal(
            "phase-protected",
            "Resume is not permitted in disinfection: its time counts only without a break.",
            again,
        )
    if len(load.resumes) >= _resumes_allowed(load):
        if not load.resumes:
            return Refusal("never-resumed", "Resume is not permitted: the programme is never resumed.", again)
        times = "once" if len(load.resumes) == 1 else f"{len(load.resumes)} times"
        return Refusal("resumed-before", f"Resume is not permitted: this cycle was resumed {times} already.", again)
    if alarm.resume == "never":
        return Refusal(
            "resume-not-permitted",
            f"Resume is not permitted: the catalogue never allows it for “{alarm.title}” in {alarm.phase}.",
            again,
        )
    if alarm.resume == "supervisor" and "supervisor" not in roles:
        return Refusal(
            "supervisor-resumes",
            f"Only a supervisor may resume after “{alarm.title}” in {alarm.phase}.",
            "Ask the supervisor, or abort and run it again.",
        )
    return None


def resume(
    load: Stoppable, alarm_id: UUID, roles: Collection[str], occurred_at: datetime
) -> CycleResumed | Refusal:
    """Resume after this alarm; every other alarm that stopped the cycle must allow it too."""
    alarm = find(load, alarm_id)
    if alarm is None:
        return no_such_alarm(load)
    refusal = resume_refusal(load, alarm, roles, occurred_at)
    if refusal is not None:
        return refusal
    halt_s = max(0, int((occurred_at - alarm.raised_at).total_seconds()))
    return CycleResumed(alarm=alarm_id, phase=alarm.phase, halt_s=halt_s)


def abort(
    load: Stoppable, reason: str, alarm_id: UUID | None, words: WordsRef | None = None
) -> CycleAborted | Refusal:
    """End the cycle: the load stays held, and only a complete new cycle clears its items."""
    if reason not in ABORT_REASONS:
        return Refusal("reason-unknown", f"“{reason}” is not a reason for an abort.", "Choose one from the list.")
    if alarm_id is not None and find(load, alarm_id) is None:
        return no_such_alarm(load)
    if load.stage not in ("running", "stopped"):
        return Refusal(
            "cycle-not-running",
            f"{load.name} can’t be aborted: no cycle is running.",
            "Read the load’s page.",
        )
    return CycleAborted(reason=reason, alarm=alarm_id, words=words)

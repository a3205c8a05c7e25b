"""Alarms: reported, acknowledged, and answered by a resume or an abort."""

from __future__ import annotations

from uuid import UUID

from incidents.operations.deeds import Doing, decision, observation
from incidents.queries import facts
from incidents.rules import alarms, machines
from incidents.rules.events import AlarmCleared, AlarmRaised, MachineBlocked, Stream
from incidents.rules.loads import Load


@observation
def report_alarm(doing: Doing, *, load: UUID, code: str, phase: str) -> None:
    """A person at the machine reports its alarm; the cycle stands stopped."""
    found = doing.load(load)
    event = alarm_of(doing, found, found.catalogue_edition, code, phase, doing.new("alarm"))
    doing.record(Stream("load", load), event)
    block_after_repeats(doing, event)


@observation
def report_cleared(doing: Doing, *, load: UUID, alarm: UUID) -> None:
    """The condition is gone, says whoever looked. That says nothing about the load."""
    found = doing.load(load)
    told = alarms.find(found, alarm)
    if told is None:
        doing.record(Stream("load", load), alarms.no_such_alarm(found))
    else:
        doing.record(Stream("load", load), AlarmCleared(code=told.code, alarm=alarm))


@decision
def acknowledge_alarm(doing: Doing, *, stream: Stream, alarm: UUID) -> None:
    """Seen, not solved. `stream` is the load's, or the machine's where it alarmed without one."""
    holder = doing.load(stream.id) if stream.kind == "load" else doing.machine(stream.id)
    doing.record(stream, alarms.acknowledge(holder, alarm))


@decision
def resume_cycle(doing: Doing, *, load: UUID, alarm: UUID) -> None:
    """Record that the cycle was resumed, where catalogue, phase and role allow it."""
    found = doing.load(load)
    doing.record(Stream("load", load), alarms.resume(found, alarm, doing.by.roles, doing.occurred_at))


@decision
def abort_cycle(doing: Doing, *, load: UUID, reason: str, alarm: UUID | None = None, words: str = "") -> None:
    """Record that the cycle was aborted; the load is held."""
    found = doing.load(load)
    said = doing.words(words) if words else None
    doing.record(Stream("load", load), alarms.abort(found, reason, alarm, said))


def block_after_repeats(doing: Doing, event: AlarmRaised) -> None:
    """Block the machine when the same fault came up as often as the facility's policy allows."""
    if event.machine is None or not event.known:
        return
    policy = facts.policy(doing.facility)
    times = facts.same_fault(doing.facility, event.machine, event.code, policy.same_fault_cycles)
    machine = doing.machine(event.machine)
    if times >= policy.same_fault_blocks and machines.blocked(machine, "") is None:
        reason = f"“{event.title}” came up {times} times in {policy.same_fault_cycles} cycles"
        doing.conclude(Stream("machine", event.machine), MachineBlocked(reason=reason))


def alarm_of(
    doing: Doing,
    load: Load | None,
    edition: int,
    code: str,
    phase: str,
    alarm: UUID,
    *,
    text: str = "",
    halts: bool = True,
    machine: UUID | None = None,
    chamber: str = "",
    machine_cycle: int | None = None,
) -> AlarmRaised:
    """The alarm with what the catalogue in force at the cycle's start says of its code."""
    catalogue = facts.catalogue(doing.facility, edition or None)
    fault = alarms.catalogue_entry(catalogue.faults, code) if catalogue else None
    return AlarmRaised(
        alarm=alarm,
        code=code,
        phase=phase,
        title=fault.title if fault else text or f"Fault {code}",
        priority=fault.priority if fault else "high",
        known=fault is not None,
        resume=fault.resume.get(phase, "never") if fault else "never",
        halts=halts,
        machine=machine or (load.machine if load else None),
        chamber=chamber or (load.chamber if load else ""),
        machine_cycle=machine_cycle,
    )

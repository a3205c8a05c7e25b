"""Alarms: reported, acknowledged, and answered by a resume or an abort."""

from __future__ import annotations

from uuid import UUID

from incidents.operations.deeds import Doing, decision, observation, refuse
from incidents.queries import facts
from incidents.rules import alarms, machines
from incidents.rules.events import AlarmAcknowledged, AlarmCleared, AlarmRaised, MachineBlocked, Stream
from incidents.rules.loads import Load


@observation
def report_alarm(doing: Doing, *, load: UUID, code: str, phase: str) -> None:
    """A person at the machine reports its alarm; the cycle stands stopped."""
    found = doing.load(load)
    event = alarm_of(doing, found, found.catalogue_edition, code, phase, doing.new("alarm"))
    doing.record(Stream("load", load), event)
    block_after_repeats(doing, event, load)


@observation
def report_cleared(doing: Doing, *, alarm: UUID, load: UUID | None = None, machine: UUID | None = None) -> None:
    """The condition is gone, says whoever looked. That says nothing about the load.

    `machine` is given in the place of a load where it alarmed without one.
    """
    if (load is None) == (machine is None):
        raise refuse("alarm-of-what", "An alarm is a load’s or a machine’s.", "Name the one that has it.")
    stream = Stream("machine", machine) if machine else Stream("load", load)  # type: ignore[arg-type]
    found = doing.machine_as_seen(stream.id) if machine else doing.load(stream.id)
    told = alarms.find(found, alarm)
    doing.record(stream, AlarmCleared(code=told.code, alarm=alarm) if told else alarms.no_such_alarm(found))


@decision
def acknowledge_alarm(doing: Doing, *, stream: Stream, alarm: UUID) -> None:
    """Seen, not solved, with whatever the same fault raised in the same phase since.

    `stream` is the load's, or the machine's where it alarmed without one.
    """
    holder = doing.load(stream.id) if stream.kind == "load" else doing.machine_as_seen(stream.id)
    again = alarms.chattering_with(holder, alarm)
    doing.record(stream, alarms.acknowledge(holder, alarm))
    for each in again:
        doing.record(stream, AlarmAcknowledged(alarm=each.id))


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


def _with_fault(doing: Doing, machine: UUID, code: str, cycles: int, load: UUID | None) -> set[UUID]:
    """The machine's newest loads in which this fault came up; among many observations it is asked once."""
    memo, key = doing.log.memo, ("with-fault", machine, code)
    known: set[UUID] | None = memo.get(key)
    if known is None or not doing.log.of_many:
        doing.log.settle_rows()
        known = memo[key] = facts.with_fault(doing.facility, machine, code, cycles)
    elif load is not None and load in doing.fact(facts.newest_of, machine, cycles):
        known.add(load)
    return known


def block_after_repeats(doing: Doing, event: AlarmRaised, load: UUID | None, at: int | None = None) -> None:
    """Block the machine when the same fault came up as often as policy allows, or did at that size of the log."""
    if event.machine is None or not event.known:
        return
    machine = doing.machine(event.machine)
    if machines.blocked(machine, "") is not None:
        return
    policy = doing.fact(facts.policy) if at is None else facts.policy(doing.facility, at)
    times = len(_with_fault(doing, event.machine, event.code, policy.same_fault_cycles, load))
    if times >= policy.same_fault_blocks:
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
    """The alarm with what the catalogue in force at the cycle's start says of its code, spelt as it is there."""
    catalogue = doing.fact(facts.catalogue, edition or None)
    fault = alarms.catalogue_entry(catalogue.faults, code) if catalogue else None
    return AlarmRaised(
        alarm=alarm,
        code=fault.code if fault else code,
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

"""How open items climb: which steps are due at a moment, to whom, why, and when the next one is.

An item climbs the ladder that the policy in force has for its kind. Each rung is owed once for each of its repeats,
named (ladder, rung, repeat); what was taken is never owed again, and what a late sweep finds is owed all the same.
What stops a rung is its own: acknowledging ends the rungs that wait for that, and no other.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta, tzinfo
from typing import NamedTuple
from uuid import UUID

import msgspec

from incidents.rules.calendars import holidays_of, on_duty, quiet_until
from incidents.rules.escalation_events import (
    CalendarSet,
    EscalationApproved,
    Ladder,
    Quiet,
    Rota,
    Rung,
    ToWhom,
    Until,
)
from incidents.rules.events import Priority

FAULT_AGAIN = "fault-again"
KINDS = {
    "alarm": "An alarm nobody has seen",
    "alarm-unresolved": "An alarm seen, not resolved",
    FAULT_AGAIN: "The same fault again, soon after it was resolved",
    "decision-due": "A stopped load: resume or abort",
    "rerun-due": "An aborted load not run again",
    "outcome-unknown": "A load whose outcome is unknown",
    "review-due": "A load that awaits review or release",
    "held": "A held load",
    "second-signature": "A second signature that is missing",
    "recall": "A load under recall review",
    "contamination-due": "Contact with unproven items not recorded",
    "machine-blocked": "A machine blocked",
    "observations-missing": "Observations of a device missing",
    "clock-skewed": "A device’s clock that is off",
    "cycle-without-load": "A cycle without a load",
    "readings-missing": "Readings missing after a finished cycle",
    "device-silent": "A device that is silent",
    "test-due": "A routine test due or overdue",
    "forms-missing": "Downtime forms missing",
    "catalogue-fallen": "A catalogue edition that fell",
    "programme-fallen": "A programme edition that fell",
    "programme-draft": "A draft that waits for a second person",
    "escalation-draft": "A draft of this policy that waits",
    "log-restored": "A restored backup not settled",
    "clock-jumped": "The server’s clock was set",
    "message-dead": "A message that could not be delivered",
    "recall-item": "An item of a recall not accounted for",
    "report-due": "A reporting deadline",
}
UNTIL = {
    "acknowledged": "until somebody has seen it",
    "taken-over": "until somebody takes it over",
    "resolved": "until it is resolved",
}
SOONEST_REPEAT_S = 60


class Item(NamedTuple):
    """An open item as far as it climbs. What is resolved is no open item any more."""

    kind: str
    priority: Priority
    since: datetime
    acknowledged: bool = False
    owner: UUID | None = None
    again: bool = False

    def stopped(self, until: Until) -> bool:
        """Has what this rung waits for happened?"""
        if until == "acknowledged":
            return self.acknowledged or self.owner is not None
        return until == "taken-over" and self.owner is not None


class Key(NamedTuple):
    ladder: str
    rung: int
    repeat: int


class Step(NamedTuple):
    """A step that is owed: its key, its rung, and when it fell due."""

    key: Key
    rung: Rung
    due_at: datetime


class Outlook(NamedTuple):
    """What an item owes at a moment, by due moment, and what is to come of each rung unless something stops it."""

    due: list[Step]
    to_come: list[Step]

    @property
    def next(self) -> Step | None:
        return self.to_come[0] if self.to_come else None


class Times(msgspec.Struct, frozen=True):
    """The policy's clockwork: since when its edition is in force, the zone of the wall's clock, the holidays."""

    since: datetime
    zone: tzinfo
    holidays: frozenset[date] = frozenset()


def outlook(item: Item, policy: EscalationApproved, times: Times, taken: Collection[Key], now: datetime) -> Outlook:
    """Which steps are due now, and those to come. `taken` are the keys of steps that were taken before.

    A step is never due before its edition is in force, nor in a quiet time; of the repeats that fall due at one
    moment for that reason, only the last is owed.
    """
    due: list[Step] = []
    to_come: list[Step] = []
    last = _last_repeats(taken)
    for ladder, number, rung in _rungs(item, policy):
        for step in _owed(item, ladder, number, rung, policy, times, last.get((ladder, number), -1), now):
            (due if step.due_at <= now else to_come).append(step)
    return Outlook(sorted(due, key=_when), sorted(to_come, key=_when))


def _when(step: Step) -> tuple[datetime, Key]:
    return step.due_at, step.key


def _rungs(item: Item, policy: EscalationApproved) -> Iterator[tuple[str, int, Rung]]:
    kinds = [item.kind, *([FAULT_AGAIN] if item.again else [])]
    for kind in kinds:
        ladder = ladder_for(policy, kind, item.priority)
        for number, rung in enumerate(ladder.rungs if ladder else (), 1):
            if not item.stopped(rung.until):
                yield kind, number, rung


def ladder_for(policy: EscalationApproved, kind: str, priority: Priority) -> Ladder | None:
    """The ladder that names this priority goes before the one for all."""
    of_kind = [each for each in policy.ladders if each.kind == kind]
    named = (each for each in of_kind if priority in each.priorities)
    return next(named, None) or next((each for each in of_kind if not each.priorities), None)


def _last_repeats(taken: Collection[Key]) -> dict[tuple[str, int], int]:
    last: dict[tuple[str, int], int] = {}
    for key in taken:
        last[key[:2]] = max(key.repeat, last.get(key[:2], -1))
    return last


def _owed(
    item: Item,
    ladder: str,
    number: int,
    rung: Rung,
    policy: EscalationApproved,
    times: Times,
    last: int,
    now: datetime,
) -> Iterator[Step]:
    """The rung's repeats that are owed, and the first that is to come."""
    if last >= 0 and not rung.repeat_s:
        return
    first = item.since + timedelta(seconds=rung.after_s)
    repeat = max(last + 1, _repeat_in_force(first, rung, times.since))
    waiting: Step | None = None
    while True:
        raw = first + timedelta(seconds=repeat * rung.repeat_s)
        due_at = _let_through(max(raw, times.since), item.priority, policy.quiet, times)
        step = Step(Key(ladder, number, repeat), rung, due_at)
        if waiting is not None and waiting.due_at != due_at:
            yield waiting
        if raw > now or not rung.repeat_s:
            yield step
            return
        waiting, repeat = step, repeat + 1


def _repeat_in_force(first: datetime, rung: Rung, since: datetime) -> int:
    """The last repeat that fell due before the edition came into force, or the first of all."""
    if not rung.repeat_s or since <= first:
        return 0
    return int((since - first).total_seconds() // rung.repeat_s)


def _let_through(moment: datetime, priority: Priority, quiet: Sequence[Quiet], times: Times) -> datetime:
    for each in quiet:
        if each.priority == priority:
            moment = quiet_until(each, moment, times.zone, times.holidays)
    return moment


# --- to whom ------------------------------------------------------------------------------------------


class Told(NamedTuple):
    """Whom a step reaches, or which shared contact; `nobody_on` where none of those it names was on."""

    people: tuple[UUID, ...]
    nobody_on: bool
    contact: UUID | None = None


def whom(
    rung: Rung, calendar: CalendarSet | None, of_role: Mapping[str, Collection[UUID]], at: Times, now: datetime
) -> Told:
    """Who is told: those on now; where nobody is, whom the rung names for that; at last everybody it could mean."""
    if rung.to.kind == "contact":
        return Told((), nobody_on=False, contact=rung.to.contact)
    asked = [rung.to, *([rung.if_nobody] if rung.if_nobody else [])]
    for n, to in enumerate(asked):
        on = _on(to, calendar, of_role, at, now)
        if on:
            return Told(on, nobody_on=n > 0)
    everybody = (person for to in asked for person in _everybody(to, calendar, of_role))
    return Told(tuple(dict.fromkeys(everybody)), nobody_on=True)


def _on(
    to: ToWhom, calendar: CalendarSet | None, of_role: Mapping[str, Collection[UUID]], at: Times, now: datetime
) -> tuple[UUID, ...]:
    if to.kind == "rota":
        return _of_rotas([rota for rota in _rotas(calendar) if rota.name == to.name], at, now)
    if to.kind != "role":
        return _everybody(to, calendar, of_role)
    shifts = [rota for rota in _rotas(calendar) if rota.kind == "shift"]
    of_this = of_role.get(to.name, ())
    if not any(turn.person in of_this for rota in shifts for turn in rota.turns):
        return _everybody(to, calendar, of_role)  # no rota says when this role is on
    return tuple(person for person in _of_rotas(shifts, at, now) if person in of_this)


def _of_rotas(rotas: Sequence[Rota], at: Times, now: datetime) -> tuple[UUID, ...]:
    turns = (turn for rota in rotas for turn in on_duty(rota, now, at.zone, at.holidays))
    return tuple(dict.fromkeys(turn.person for turn in turns))


def _everybody(
    to: ToWhom, calendar: CalendarSet | None, of_role: Mapping[str, Collection[UUID]]
) -> tuple[UUID, ...]:
    if to.kind in ("person", "contact"):
        return (to.person,) if to.person else ()
    if to.kind == "role":
        return tuple(sorted(of_role.get(to.name, ())))
    turns = (turn.person for rota in _rotas(calendar) if rota.name == to.name for turn in rota.turns)
    return tuple(dict.fromkeys(turns))


def _rotas(calendar: CalendarSet | None) -> tuple[Rota, ...]:
    return calendar.rotas if calendar else ()


def times_of(since: datetime, zone: tzinfo, calendar: CalendarSet | None) -> Times:
    return Times(since, zone, holidays_of(calendar))


# --- why ----------------------------------------------------------------------------------------------


def why(kind: str, rung: Rung, repeat: int) -> str:
    """The sentence that a message and the timeline give: what stands, for how long, and what ends it."""
    what = KINDS.get(kind, kind)
    again = f", and again every {span(rung.repeat_s)}" if rung.repeat_s else ""
    nth = f" This is repeat {repeat}." if repeat else ""
    return f"{what}: after {span(rung.after_s)}{again}, {UNTIL[rung.until]}.{nth}"


def span(seconds: int) -> str:
    """ "at once", "90 s", "15 min", "2 h", "3 days"."""
    if not seconds:
        return "0 min"
    for size, name in ((86_400, "days"), (3600, "h"), (60, "min")):
        if seconds % size == 0 and seconds >= size * (2 if name == "days" else 1):
            return f"{seconds // size} {name}"
    return f"{seconds} s"

"""The policy by which open items climb, and the calendar that says who is on."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

from incidents.identity.rights import everybody
from incidents.operations.deeds import Doing, decision, refuse
from incidents.rules import ladders as rules
from incidents.rules import rotas as calendar_rules
from incidents.rules.escalation_events import CalendarSet, EscalationDrafted, Holiday, Ladder, Quiet, Rota, Swap
from incidents.rules.events import Stream
from incidents.rules.ladders import Policy
from incidents.rules.rotas import Calendar


@decision
def draft_escalation(
    doing: Doing,
    *,
    source: str,
    ladders: Sequence[Ladder],
    quiet: Sequence[Quiet] = (),
    again_within_cycles: int = 10,
    effective_at: datetime | None = None,
) -> None:
    """Draft the next edition of the escalation policy, whole. It binds nobody until a second person approves it.

    It is in force from `effective_at` or, where that is past or not given, from its approval.
    """
    state = _as_seen(doing)
    told = EscalationDrafted(
        edition_from=state.last_edition,
        source=source.strip(),
        ladders=tuple(ladders),
        quiet=tuple(quiet),
        again_within_cycles=again_within_cycles,
        effective_at=effective_at,
    )
    doing.record(_policy(doing), rules.draft(state, told, _rotas(doing)))


@decision
def approve_escalation(doing: Doing) -> None:
    """Approve the standing draft, as somebody else than its last author."""
    doing.record(_policy(doing), rules.approve(_as_seen(doing), doing.by.actor.id, _rotas(doing)))


@decision
def adopt_escalation(doing: Doing) -> None:
    """Put the starting values in force where no edition is yet. Every later edition needs two people."""
    doing.record(_policy(doing), rules.adopt(_as_seen(doing)))


@decision
def set_calendar(doing: Doing, *, holidays: Sequence[Holiday], rotas: Sequence[Rota]) -> None:
    """Set the public holidays and the rotas, whole."""
    told = CalendarSet(holidays=tuple(sorted(holidays, key=lambda each: each.day)), rotas=tuple(rotas))
    _refuse_stale(doing, _calendar(doing).version, "The calendar")
    state: Policy = doing.state(_policy(doing))
    newest = state.editions[-1].told.ladders if state.editions else ()
    named = [to.name for each in newest for rung in each.rungs for to in (rung.to, rung.if_nobody) if to]
    in_use = set(named) & {rota.name for rota in _standing_rotas(doing)}
    refusal = calendar_rules.calendar_refusal(told, everybody(doing.facility), in_use)
    doing.record(Stream("calendar", doing.facility), refusal or told)


@decision
def swap_turn(
    doing: Doing, *, rota: str, person: UUID, instead_of: UUID, starts_at: datetime, ends_at: datetime
) -> None:
    """Somebody takes another's turns on a rota between two moments."""
    swap = Swap(person=person, instead_of=instead_of, starts_at=starts_at, ends_at=ends_at)
    decided = calendar_rules.swap_turn(_calendar(doing), rota, swap, everybody(doing.facility))
    doing.record(Stream("calendar", doing.facility), decided)


def _policy(doing: Doing) -> Stream:
    return Stream("escalation", doing.facility)


def _calendar(doing: Doing) -> Calendar:
    state: Calendar = doing.state(Stream("calendar", doing.facility))
    return state


def _standing_rotas(doing: Doing) -> tuple[Rota, ...]:
    told = _calendar(doing).told
    return told.rotas if told else ()


def _rotas(doing: Doing) -> list[str]:
    return [rota.name for rota in _standing_rotas(doing)]


def _as_seen(doing: Doing) -> Policy:
    """The policy as it is now; refuses a stale screen, for a second person agrees to what was read."""
    state: Policy = doing.state(_policy(doing))
    _refuse_stale(doing, state.version, "The policy")
    return state


def _refuse_stale(doing: Doing, version: int, what: str) -> None:
    expected = doing.request.expected_version
    if expected is not None and expected != version:
        raise refuse(
            "stale",
            f"{what} changed since you looked. Nothing was written.",
            "Read what changed, then decide again.",
        )

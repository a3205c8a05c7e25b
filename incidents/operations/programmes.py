"""The next edition of a programme: one person drafts it whole, a second one approves it; and the end of one."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

from incidents.operations.deeds import Doing, decision, refuse
from incidents.queries import facts, judging
from incidents.rules import editions as rules
from incidents.rules.editions import Programme
from incidents.rules.events import Criterion, Phase, ProgrammeDrafted, ProgrammePublished, Stream
from incidents.rules.limits import Limits, Resuming, requirement_refusal


@decision
def draft_programme(
    doing: Doing,
    *,
    name: str,
    phases: Sequence[Phase],
    expected_s: int,
    grace_s: int,
    criteria: Sequence[Criterion],
    limits: Limits | None = None,
    resuming: Resuming | None = None,
    effective_at: datetime | None = None,
) -> None:
    """Draft the next edition of the programme of this name, or its first. It binds nobody until it is approved.

    It is effective from `effective_at` or, where that is past or not given, from its approval.
    """
    if not name.strip():
        raise refuse("programme-unnamed", "A programme needs a name.", "Give the name on the machine’s display.")
    programme = facts.programme_id(doing.facility, name.strip()) or doing.new("programme")
    state = _as_seen(doing, programme)
    told = ProgrammeDrafted(
        name=name.strip(),
        edition_from=state.last_edition,
        phases=tuple(phases),
        expected_s=expected_s,
        grace_s=grace_s,
        criteria=tuple(criteria),
        limits=limits,
        resuming=resuming,
        effective_at=effective_at,
    )
    doing.record(Stream("programme", programme), rules.draft(state, told))


@decision
def approve_programme(doing: Doing, *, programme: UUID) -> None:
    """Approve the standing draft, as somebody else than its last author. What misses its own aim is refused."""
    decided = rules.approve(_known(doing, programme), doing.by.actor.id)
    if isinstance(decided, ProgrammePublished) and decided.limits is not None:
        missed = requirement_refusal(decided.limits, judging.delivered_as_set(decided.limits))
        doing.record(Stream("programme", programme), missed or decided)
    else:
        doing.record(Stream("programme", programme), decided)


@decision
def withdraw_programme(doing: Doing, *, programme: UUID, words: str) -> None:
    """Nobody starts a cycle by it any more. Cycles that run, and old loads, keep it."""
    if not words.strip():
        raise refuse("reason-missing", "A withdrawal needs its reason.", "Say why, in a sentence.")
    doing.record(Stream("programme", programme), rules.withdraw(_known(doing, programme), doing.words(words)))


def _known(doing: Doing, programme: UUID) -> Programme:
    state = _as_seen(doing, programme)
    if not state.version:
        raise refuse("programme-not-here", "There is no such programme here.", "Choose one from Set-up.")
    return state


def _as_seen(doing: Doing, programme: UUID) -> Programme:
    """The programme as it is now; refuses a stale screen, for a second person agrees to what was read."""
    state: Programme = doing.state(Stream("programme", programme))
    expected = doing.request.expected_version
    if expected == 0 < state.version:
        raise refuse(
            "programme-here",
            f"“{state.name}” is here, or changed since you looked. Nothing was written.",
            "Draft its next edition on its own page.",
        )
    if expected is not None and expected != state.version:
        raise refuse(
            "stale",
            "The programme changed since you looked. Nothing was written.",
            "Read what changed, then decide again.",
        )
    return state

"""The policy by which open items climb, by edition: drafted by one person, approved by a second, in force."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules.authority import PEOPLES_ROLES
from incidents.rules.calendars import is_clock
from incidents.rules.escalation import KINDS, SOONEST_REPEAT_S, UNTIL, span
from incidents.rules.escalation_events import (
    EscalationApproved,
    EscalationDrafted,
    Ladder,
    Quiet,
    Rung,
    ToWhom,
)
from incidents.rules.events import Recorded
from incidents.rules.refusals import Refusal
from incidents.rules.starting_ladders import STARTING

LONGEST_S = 30 * 86_400
MOST_RUNGS, MOST_LADDERS = 12, 80
LONGEST_SOURCE = 400
CHANNELS = {"screen": "on screen", "email": "by e-mail", "webhook": "by webhook", "other": "by message or pager"}


class Draft(NamedTuple):
    told: EscalationDrafted
    by: UUID
    at: datetime


class Edition(NamedTuple):
    told: EscalationApproved
    by: UUID
    at: datetime
    drafted_by: UUID | None

    @property
    def effective_at(self) -> datetime:
        """Never before it was approved."""
        return max(self.told.effective_at or self.at, self.at)


class Policy(msgspec.Struct, frozen=True):
    id: UUID
    version: int = 0
    editions: tuple[Edition, ...] = ()
    draft: Draft | None = None

    @property
    def last_edition(self) -> int:
        return self.editions[-1].told.edition if self.editions else 0

    def in_force(self, moment: datetime) -> Edition | None:
        """The newest edition that is effective then; None before the first: then nothing climbs."""
        return next((each for each in reversed(self.editions) if each.effective_at <= moment), None)

    def next_change(self, moment: datetime) -> datetime | None:
        """When another edition comes into force by itself."""
        return min((each.effective_at for each in self.editions if each.effective_at > moment), default=None)


def fold(policy: UUID, events: Sequence[Recorded]) -> Policy:
    state = Policy(policy)
    for event in events:
        state = evolve(state, event)
    return state


def evolve(state: Policy, event: Recorded) -> Policy:
    """The next state. Total. A draft that says what the newest edition says is none: so a draft is dropped."""
    after = replace(state, version=event.version)
    match event.data:
        case EscalationDrafted() as data:
            same = bool(state.editions) and approval_of(data, state.last_edition) == state.editions[-1].told
            return replace(after, draft=None if same else Draft(data, event.actor.id, event.occurred_at))
        case EscalationApproved() as data:
            drafted_by = state.draft.by if state.draft else None
            edition = Edition(data, event.actor.id, event.recorded_at, drafted_by)
            return replace(after, editions=(*state.editions, edition), draft=None)
        case _:
            return after


def approval_of(draft: EscalationDrafted, edition: int) -> EscalationApproved:
    return EscalationApproved(
        edition=edition,
        source=draft.source,
        ladders=draft.ladders,
        quiet=draft.quiet,
        again_within_cycles=draft.again_within_cycles,
        effective_at=draft.effective_at,
    )


def draft(state: Policy, told: EscalationDrafted, rotas: Collection[str]) -> EscalationDrafted | Refusal:
    """The whole next edition as it is meant to be, in place of the draft that stands."""
    refusal = refusal_of(told, rotas)
    if refusal is not None:
        return refusal
    stands = state.draft.told if state.draft else None
    if stands == told or (
        stands is None and state.editions and approval_of(told, state.last_edition) == state.editions[-1].told
    ):
        return Refusal("nothing-changed", "The draft would say what stands already.", "Change something first.")
    return told


def approve(state: Policy, person: UUID, rotas: Collection[str]) -> EscalationApproved | Refusal:
    """Put the draft in force. Whoever drafted it last can't be the second person."""
    if state.draft is None:
        return Refusal("no-draft", "No draft of the escalation policy stands.", "Draft its next edition first.")
    if state.draft.by == person:
        return Refusal("same-person-twice", "You can’t sign twice.", "A second person must agree.")
    return refusal_of(state.draft.told, rotas) or approval_of(state.draft.told, state.last_edition + 1)


def adopt(state: Policy) -> EscalationApproved | Refusal:
    """Put the starting values in force, unchanged, where nothing is yet: for that one person is enough."""
    if state.editions:
        return Refusal(
            "in-force-already", "An edition of the escalation policy stands already.", "Draft its next edition."
        )
    return approval_of(STARTING, 1)


# --- what can't be ------------------------------------------------------------------------------------


def refusal_of(told: EscalationDrafted, rotas: Collection[str]) -> Refusal | None:
    """Why these can't be the ladders of a facility with these rotas, or None."""
    if not 0 < len(told.source.strip()) <= LONGEST_SOURCE:
        return Refusal(
            "source-missing", "The policy needs the source it goes by.", "Name the document and its date."
        )
    if len(told.ladders) > MOST_LADDERS:
        return Refusal("ladders-too-many", f"At most {MOST_LADDERS} ladders are kept.", "Take some together.")
    if not any(each.kind == "alarm" for each in told.ladders):
        return Refusal("alarm-alone", "An alarm that nobody has seen needs a ladder.", "Add one for it.")
    if not 1 <= told.again_within_cycles <= 10_000:
        said = "The same fault comes again within 1 to 10 000 cycles."
        return Refusal("number-out-of-range", said, "Correct the number.")
    seen: set[tuple[str, str]] = set()
    for ladder in told.ladders:
        refusal = _refusal_of_ladder(ladder, rotas)
        if refusal is not None:
            return refusal
        for priority in ladder.priorities or ("all",):
            if (ladder.kind, priority) in seen:
                said = f"Two ladders are for “{KINDS[ladder.kind]}”, {priority}."
                return Refusal("ladder-twice", said, "Keep one of them.")
            seen.add((ladder.kind, priority))
    return next((found for quiet in told.quiet if (found := _refusal_of_quiet(quiet))), None)


def _refusal_of_ladder(ladder: Ladder, rotas: Collection[str]) -> Refusal | None:
    if ladder.kind not in KINDS:
        return Refusal("kind-unknown", f"“{ladder.kind[:40]}” is no kind of open item.", "Choose one of the list.")
    where = f"“{KINDS[ladder.kind]}”"
    if not 1 <= len(ladder.rungs) <= MOST_RUNGS:
        return Refusal("rungs", f"{where} has 1 to {MOST_RUNGS} steps.", "Add or leave out some.")
    for number, rung in enumerate(ladder.rungs, 1):
        said = _wrong_with(rung, rotas)
        if said:
            return Refusal("rung-wrong", f"{where}, step {number}: {said}.", "Correct it.")
    return None


def _wrong_with(rung: Rung, rotas: Collection[str]) -> str:
    if not 0 <= rung.after_s <= LONGEST_S:
        return f"it comes after 0 min to {span(LONGEST_S)}"
    if rung.repeat_s and not SOONEST_REPEAT_S <= rung.repeat_s <= LONGEST_S:
        return f"it comes again every {span(SOONEST_REPEAT_S)} to {span(LONGEST_S)}, or once"
    for to in (rung.to, rung.if_nobody):
        if to is None:
            continue
        if to.kind == "role" and to.name not in PEOPLES_ROLES:
            return f"“{to.name[:40]}” is no role"
        if to.kind == "rota" and to.name not in rotas:
            return f"there is no rota “{to.name[:40]}”"
        if (to.kind == "person" and to.person is None) or (to.kind == "contact" and to.contact is None):
            return "it names nobody"
    if rung.if_nobody is not None and "contact" in (rung.to.kind, rung.if_nobody.kind):
        return "a shared contact is always there; it needs a step of its own"
    if rung.to.kind == "contact" and rung.channel == "screen":
        return "a shared contact isn’t told on screen"
    return ""


def _refusal_of_quiet(quiet: Quiet) -> Refusal | None:
    if quiet.priority == "high":
        return Refusal("high-quiet", "An item of high priority never waits.", "Leave its quiet hours out.")
    if not (is_clock(quiet.starts) and is_clock(quiet.ends)):
        return Refusal("quiet-unreadable", "Quiet hours begin and end at a time of day.", "Write them as 22:00.")
    return None


# --- in words -----------------------------------------------------------------------------------------


class Change(NamedTuple):
    """One line that differs; empty where one of both says nothing of it."""

    what: str
    before: str
    after: str


def rung_in_words(rung: Rung, name: dict[UUID, str]) -> str:
    again = f", again every {span(rung.repeat_s)}" if rung.repeat_s else ""
    instead = f"; if nobody is on: {to_in_words(rung.if_nobody, name)}" if rung.if_nobody else ""
    told = f"{to_in_words(rung.to, name)} {CHANNELS[rung.channel]}"
    return f"After {span(rung.after_s)}: {told}{again}, {UNTIL[rung.until]}{instead}"


def to_in_words(to: ToWhom, name: dict[UUID, str]) -> str:
    if to.kind == "person":
        return name.get(to.person, "someone who left") if to.person else "nobody"
    if to.kind == "contact":
        return name.get(to.contact, "a contact that is gone") if to.contact else "nobody"
    return f"whoever is on “{to.name}”" if to.kind == "rota" else to.name.replace("-", " ")


def in_words(told: EscalationApproved | EscalationDrafted, name: dict[UUID, str]) -> dict[str, str]:
    """What an edition says, line by line."""
    said = {"Source": told.source}
    if told.effective_at is not None:
        said["In force from"] = f"{told.effective_at:%Y-%m-%d %H:%M} UTC"
    said["The same fault comes again within"] = f"{told.again_within_cycles} cycles"
    for ladder in told.ladders:
        which = f" ({', '.join(ladder.priorities)})" if ladder.priorities else ""
        for number, rung in enumerate(ladder.rungs, 1):
            said[f"{KINDS[ladder.kind]}{which}, step {number}"] = rung_in_words(rung, name)
    for quiet in told.quiet:
        holidays = ", and public holidays" if quiet.holidays else ""
        said[f"Quiet hours, {quiet.priority}"] = f"{quiet.starts} to {quiet.ends}{holidays}"
    return said


def compare(
    before: EscalationApproved | None, after: EscalationApproved | EscalationDrafted, name: dict[UUID, str]
) -> list[Change]:
    """What differs, in words, in the order in which an edition is told."""
    old, new = in_words(before, name) if before else {}, in_words(after, name)
    every = dict.fromkeys((*new, *old))
    return [Change(what, old.get(what, ""), new.get(what, "")) for what in every if old.get(what) != new.get(what)]

"""A programme through its editions: drafted by one person, approved by a second, effective, withdrawn."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

import msgspec
from msgspec.structs import asdict, replace

from incidents.rules.events import (
    AttributionCorrected,
    ProgrammeDrafted,
    ProgrammePublished,
    ProgrammeWithdrawn,
    Recorded,
    WordsRef,
)
from incidents.rules.programme_words import described
from incidents.rules.programmes import programme_refusal
from incidents.rules.refusals import Refusal


class Draft(msgspec.Struct, frozen=True):
    """A whole next edition, as its last author left it."""

    told: ProgrammeDrafted
    by: UUID
    at: datetime
    event_id: UUID


class Edition(msgspec.Struct, frozen=True):
    """An edition with its two people, as every correction of their attribution left them.

    One that was published at the founding has no drafter. `fallen_at` is when it turned out that they were one, or
    not authorised: it is in force no more, and never comes back.
    """

    told: ProgrammePublished
    by: UUID
    at: datetime
    event_id: UUID
    drafted_by: UUID | None = None
    drafted_in: UUID | None = None
    fallen_at: datetime | None = None

    @property
    def effective_at(self) -> datetime:
        """Never before it was approved."""
        return max(self.told.effective_at or self.at, self.at)


class Programme(msgspec.Struct, frozen=True):
    id: UUID
    version: int = 0
    editions: tuple[Edition, ...] = ()
    draft: Draft | None = None
    withdrawn_at: datetime | None = None
    attributions: tuple[tuple[UUID, UUID], ...] = ()

    @property
    def newest(self) -> ProgrammePublished | None:
        """The newest edition that did not fall."""
        return next((each.told for each in reversed(self.editions) if each.fallen_at is None), None)

    def done_by(self, event: UUID, recorded: UUID) -> UUID:
        """Who did an event, after every correction of its attribution."""
        return dict(self.attributions).get(event, recorded)

    @property
    def name(self) -> str:
        if self.editions:
            return self.editions[-1].told.name
        return self.draft.told.name if self.draft else ""

    @property
    def last_edition(self) -> int:
        """The number of the newest edition, also of one that fell: no number is given twice."""
        return self.editions[-1].told.edition if self.editions else 0

    def in_force(self, moment: datetime) -> ProgrammePublished | None:
        """The newest edition that is effective then; None of a programme that is withdrawn."""
        if self.withdrawn_at is not None:
            return None
        standing = (each for each in reversed(self.editions) if each.fallen_at is None)
        return next((each.told for each in standing if each.effective_at <= moment), None)


def fold(programme: UUID, events: Sequence[Recorded]) -> Programme:
    state = Programme(programme)
    for event in events:
        state = evolve(state, event)
    return state


def evolve(state: Programme, event: Recorded) -> Programme:
    """The next state. Total. A draft that says what the newest edition says is none: so a draft is dropped."""
    after = replace(state, version=event.version)
    match event.data:
        case ProgrammeDrafted() as data:
            same = state.withdrawn_at is None and state.newest is not None and _says_the_same(data, state.newest)
            draft = Draft(data, event.actor.id, event.occurred_at, event.event_id)
            return replace(after, draft=None if same else draft)
        case ProgrammePublished() as data:
            drafted = (state.draft.by, state.draft.event_id) if state.draft else (None, None)
            edition = Edition(data, event.actor.id, event.recorded_at, event.event_id, *drafted)
            return replace(after, editions=(*state.editions, edition), draft=None, withdrawn_at=None)
        case AttributionCorrected() as data:
            return _attribution_corrected(after, event, data)
        case ProgrammeWithdrawn():
            return replace(after, draft=None, withdrawn_at=event.recorded_at)
        case _:
            return after


def _attribution_corrected(state: Programme, event: Recorded, data: AttributionCorrected) -> Programme:
    """Both people are asked about again. What falls stands as a draft again, where none does, for somebody else."""
    editions = tuple(_reattributed(edition, event, data) for edition in state.editions)
    draft = state.draft
    if draft is not None and draft.event_id == data.event:
        draft = replace(draft, by=data.person) if data.authorised else None
    now = editions[-1] if editions else None
    if draft is None and now is not None and now != state.editions[-1] and now.fallen_at is not None:
        author = now.drafted_by or now.by
        draft = Draft(_draft_of(now.told), author, event.occurred_at, now.drafted_in or now.event_id)
    attributions = (*state.attributions, (data.event, data.person))
    return replace(state, editions=editions, draft=draft, attributions=attributions)


def _reattributed(edition: Edition, event: Recorded, data: AttributionCorrected) -> Edition:
    if edition.fallen_at is not None or data.event not in (edition.event_id, edition.drafted_in):
        return edition
    approved = data.event == edition.event_id
    by = data.person if approved else edition.by
    drafted_by = edition.drafted_by if approved else data.person
    falls = drafted_by == by or not data.authorised
    return replace(edition, by=by, drafted_by=drafted_by, fallen_at=event.occurred_at if falls else None)


def _draft_of(told: ProgrammePublished) -> ProgrammeDrafted:
    said = asdict(told)
    return ProgrammeDrafted(edition_from=said.pop("edition"), **said)


def _says_the_same(draft: ProgrammeDrafted, newest: ProgrammePublished) -> bool:
    return publication_of(draft, newest.edition) == newest


def publication_of(draft: ProgrammeDrafted, edition: int) -> ProgrammePublished:
    told = asdict(draft)
    told.pop("edition_from")
    return ProgrammePublished(edition=edition, **told)


def draft(state: Programme, told: ProgrammeDrafted) -> ProgrammeDrafted | Refusal:
    """The whole next edition as it is meant to be, in place of the draft that stands."""
    if state.draft is not None and state.draft.told == told:
        return Refusal("nothing-changed", "The draft would say what stands already.", "Change something first.")
    no_draft = state.draft is None and state.newest is not None and state.withdrawn_at is None
    if no_draft and state.newest is not None and _says_the_same(told, state.newest):
        return Refusal("nothing-changed", "The draft would say what is in force.", "Change something first.")
    return programme_refusal(publication_of(told, state.last_edition + 1)) or told


def approve(state: Programme, person: UUID) -> ProgrammePublished | Refusal:
    """Put the draft in force. Whoever drafted it last can't be the second person."""
    if state.draft is None:
        return Refusal("no-draft", "No draft of this programme stands.", "Draft its next edition first.")
    if state.draft.by == person:
        return Refusal("same-person-twice", "You can’t sign twice.", "A second person must agree.")
    publication = publication_of(state.draft.told, state.last_edition + 1)
    return programme_refusal(publication) or publication


def withdraw(state: Programme, words: WordsRef) -> ProgrammeWithdrawn | Refusal:
    """From now on nobody starts a cycle by it; cycles that run keep it."""
    if not state.editions or state.withdrawn_at is not None:
        return Refusal("not-in-force", "This programme is not in force.", "Read its page.")
    return ProgrammeWithdrawn(words=words)


class Change(NamedTuple):
    """One line that differs; empty where one of both says nothing of it."""

    what: str
    before: str
    after: str


def compare(before: ProgrammePublished | None, after: ProgrammePublished | ProgrammeDrafted) -> list[Change]:
    """What differs, in words, in the order in which a programme is told."""
    old, new = described(before) if before else {}, described(after)
    named = dict.fromkeys((*new, *old))
    return [
        Change(what, old.get(what, ""), new.get(what, ""))
        for what in named
        if old.get(what, "") != new.get(what, "")
    ]

"""Who looks after an open item: taken over, or handed on with a note. Nothing of the item follows from it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import NamedTuple
from uuid import UUID

import msgspec

from incidents.rules.events import ItemHandedOn, ItemTaken, Recorded, Stream, WordsRef
from incidents.rules.refusals import Refusal


class Item(NamedTuple):
    """An open item by what names it. One that opens again under the same key is another one."""

    about: Stream
    key: str
    since: datetime

    @property
    def named(self) -> str:
        """What its own streams are named from, within `about`."""
        return f"{self.key} since {self.since.astimezone(UTC).isoformat()}"


class Care(msgspec.Struct, frozen=True):
    """`person` looks after it since `at`; `by` handed it to them, with `words`, unless they took it themselves."""

    id: UUID
    version: int = 0
    item: Item | None = None
    person: UUID | None = None
    at: datetime | None = None
    by: UUID | None = None
    words: WordsRef | None = None


def fold(care: UUID, events: Sequence[Recorded]) -> Care:
    state = Care(care)
    for event in events:
        state = evolve(state, event)
    return state


def evolve(state: Care, event: Recorded) -> Care:
    """The next state. Total: what doesn't concern it leaves it as it is."""
    match event.data:
        case ItemTaken() as data:
            return Care(state.id, event.version, _item(data), event.actor.id, event.recorded_at)
        case ItemHandedOn() as data:
            by = event.actor.id
            return Care(state.id, event.version, _item(data), data.to, event.recorded_at, by, data.words)
        case _:
            return msgspec.structs.replace(state, version=event.version)


def _item(data: ItemTaken | ItemHandedOn) -> Item:
    return Item(Stream(data.about_kind, data.about), data.item, data.since)


def take(state: Care, item: Item, person: UUID) -> ItemTaken | Refusal:
    if state.person == person:
        return Refusal("yours-already", "You look after it already.", "Go on with it, or hand it on.")
    return ItemTaken(about_kind=item.about.kind, about=item.about.id, item=item.key, since=item.since)


def hand_on(state: Care, item: Item, to: UUID, words: WordsRef) -> ItemHandedOn | Refusal:
    """To somebody else, whoever has it now: a shift may end before its owner is back."""
    if state.person == to:
        return Refusal("theirs-already", "They look after it already.", "Choose somebody else.")
    kind, about = item.about
    return ItemHandedOn(about_kind=kind, about=about, item=item.key, since=item.since, to=to, words=words)

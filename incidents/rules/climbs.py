"""How far an open item has climbed: the last repeat taken of each rung."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules.escalation import Key
from incidents.rules.escalation_events import ItemEscalated
from incidents.rules.events import Recorded


class Climb(msgspec.Struct, frozen=True):
    """`taken` has the newest repeat of each rung."""

    id: UUID
    version: int = 0
    taken: tuple[Key, ...] = ()


def fold(climb: UUID, events: Sequence[Recorded]) -> Climb:
    state = Climb(climb)
    for event in events:
        state = evolve(state, event)
    return state


def evolve(state: Climb, event: Recorded) -> Climb:
    """The next state. Total."""
    after = replace(state, version=event.version)
    match event.data:
        case ItemEscalated() as data:
            key = Key(data.ladder, data.rung, data.repeat)
            others = tuple(each for each in state.taken if each[:2] != key[:2])
            return replace(after, taken=(*others, key))
        case _:
            return after

"""Load carriers as things of their own, with defects that keep them out of use."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules.events import RackBlocked, RackRegistered, RackReturned, Recorded, WordsRef
from incidents.rules.refusals import Refusal


class Rack(msgspec.Struct, frozen=True):
    id: UUID
    version: int = 0
    code: str = ""
    name: str = ""
    blocked: bool = False


def fold(rack_id: UUID, events: Sequence[Recorded]) -> Rack:
    rack = Rack(id=rack_id)
    for event in events:
        rack = evolve(rack, event)
    return rack


def evolve(rack: Rack, event: Recorded) -> Rack:
    """The next state. Total: what doesn't concern a rack leaves it as it is."""
    after = replace(rack, version=event.version)
    match event.data:
        case RackRegistered() as data:
            return replace(after, code=data.code, name=data.name)
        case RackBlocked():
            return replace(after, blocked=True)
        case RackReturned():
            return replace(after, blocked=False)
        case _:
            return after


def block(rack: Rack, words: WordsRef) -> RackBlocked | Refusal:
    if rack.blocked:
        return Refusal("blocked-already", f"Rack {rack.name} is blocked already.", "Read its line in Set-up.")
    return RackBlocked(words=words)


def bring_back(rack: Rack, words: WordsRef) -> RackReturned | Refusal:
    if not rack.blocked:
        return Refusal("not-blocked", f"Rack {rack.name} is not blocked.", "Read its line in Set-up.")
    return RackReturned(words=words)

"""A message that could not be delivered: open until somebody told its person another way, or had it sent again."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules.events import MessageSentAgain, MessageSettled, MessageUndelivered, Recorded, WordsRef
from incidents.rules.refusals import Refusal

CHANNEL_WORDS = {
    "screen": "the screens here",
    "email": "e-mail",
    "webhook": "signed webhook",
    "other": "text, pager or chat",
}


class Undelivered(msgspec.Struct, frozen=True):
    """`told` is what it was, while it waits for somebody; `at` is when it was given up."""

    id: UUID
    version: int = 0
    told: MessageUndelivered | None = None
    at: datetime | None = None
    waits: bool = False


def fold(message: UUID, events: Sequence[Recorded]) -> Undelivered:
    state = Undelivered(message)
    for event in events:
        state = evolve(state, event)
    return state


def evolve(state: Undelivered, event: Recorded) -> Undelivered:
    """The next state. Total: what doesn't concern it leaves it as it is."""
    after = replace(state, version=event.version)
    match event.data:
        case MessageUndelivered() as data:
            return replace(after, told=data, at=event.recorded_at, waits=True)
        case MessageSentAgain() | MessageSettled():
            return replace(after, waits=False)
        case _:
            return after


def send_again(state: Undelivered) -> MessageSentAgain | Refusal:
    return _not_waiting() if not state.waits else MessageSentAgain()


def settle(state: Undelivered, words: WordsRef) -> MessageSettled | Refusal:
    return _not_waiting() if not state.waits else MessageSettled(words=words)


def _not_waiting() -> Refusal:
    return Refusal("message-not-waiting", "This message waits for nobody.", "Read the list of messages again.")

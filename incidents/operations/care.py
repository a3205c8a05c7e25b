"""Who looks after what: taking over an open item, handing it on, and putting an alarm aside for a time."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from incidents.identity import people
from incidents.identity.ids import named
from incidents.operations.deeds import Doing, decision, refuse
from incidents.queries import care as told
from incidents.rules import care, shelving
from incidents.rules.care import Care, Item
from incidents.rules.events import Stream
from incidents.rules.loads import Load
from incidents.rules.machines import Machine


@decision
def take_item(doing: Doing, *, stream: Stream, item: str) -> None:
    """Take over an open item: it is mine from now on. `item` is its key, as in the list of open items."""
    found, state = _care(doing, stream, item)
    doing.record(Stream("care", state.id), care.take(state, found, doing.by.actor.id))


@decision
def hand_on_item(doing: Doing, *, stream: Stream, item: str, to: UUID, words: str) -> None:
    """Hand an open item on to somebody of this facility, with what they need to know."""
    if not words.strip():
        raise refuse("reason-missing", "Handing on needs a note.", "Say what they need to know.")
    if not people.belongs(doing.facility, to):
        raise refuse("person-unknown", "There is no such person here.", "Choose one from the list.")
    found, state = _care(doing, stream, item)
    decided = care.hand_on(state, found, to, doing.words(words.strip()))
    doing.record(Stream("care", state.id), decided)


def _care(doing: Doing, stream: Stream, item: str) -> tuple[Item, Care]:
    since = told.open_since(doing.facility, stream, item)
    if since is None:
        raise refuse("item-unknown", "This needs nobody any more.", "Read Now again.")
    found = Item(stream, item, since)
    state: Care = doing.state(Stream("care", named(stream.id, found.named)))
    return found, state


@decision
def shelve_alarm(doing: Doing, *, stream: Stream, alarm: UUID, until: datetime, words: str) -> None:
    """Put an alarm aside until then. It returns by itself, and what it holds stays held."""
    if not words.strip():
        raise refuse("reason-missing", "Putting an alarm aside needs a reason.", "Say why.")
    holder = _holder(doing, stream)
    decided = shelving.shelve(holder, alarm, until, doing.request.now, doing.words(words.strip()))
    doing.record(stream, decided)


@decision
def unshelve_alarm(doing: Doing, *, stream: Stream, alarm: UUID) -> None:
    """Take an alarm back before its time is over."""
    doing.record(stream, shelving.unshelve(_holder(doing, stream), alarm))


@decision
def note_unshelved(doing: Doing, *, stream: Stream, alarm: UUID) -> None:
    """An alarm whose time aside is over stands again."""
    holder = _holder(doing, stream)
    if not shelving.is_over(holder, alarm, doing.request.now):
        raise refuse("not-due", "Its time is not over.", "Nothing is to be done.")
    doing.record(stream, shelving.unshelve(holder, alarm))


def _holder(doing: Doing, stream: Stream) -> Load | Machine:
    return doing.load(stream.id) if stream.kind == "load" else doing.machine_as_seen(stream.id)

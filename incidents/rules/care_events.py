"""Who looks after an open item, and alarms that are put aside for a time."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec

from incidents.rules.load_events import Signature
from incidents.rules.vocabulary import Event, WordsRef


class ItemTaken(Event, frozen=True, tag="item-taken"):
    """Whoever did it looks after this open item from now on.

    The item is named by the stream that it is derived from, its key, and the moment since when it stands.
    """

    about_kind: str
    about: UUID
    item: str
    since: datetime


class ItemHandedOn(Event, frozen=True, tag="item-handed-on"):
    """Somebody else looks after it from now on; the words are what they need to know."""

    about_kind: str
    about: UUID
    item: str
    since: datetime
    to: UUID
    words: WordsRef


class AlarmShelved(Event, frozen=True, tag="alarm-shelved"):
    """Put aside until a moment, for a reason (IEC 62682: time-limited). It solves nothing and lifts nothing."""

    alarm: UUID
    until: datetime
    words: WordsRef


class AlarmUnshelved(Event, frozen=True, tag="alarm-unshelved"):
    """It stands again as its condition is: because its time was over, or because somebody took it back."""

    alarm: UUID


class HandedItem(msgspec.Struct, frozen=True, gc=False):
    """An open item by what names it."""

    about_kind: str
    about: UUID
    item: str
    since: datetime


class ShiftHandedOver(Event, frozen=True, tag="shift-handed-over"):
    """Both signed that they read this list when the log had this size; the words are what no log knows.

    `digest` (hex SHA-256) is what the whole list said.
    """

    size: int
    digest: str
    items: tuple[HandedItem, ...]
    outgoing: Signature
    incoming: Signature
    words: WordsRef | None

"""What is decided and done so that nobody is left alone with an open item: ladders, calendars, steps taken."""

from __future__ import annotations

from datetime import datetime
from typing import Literal
from uuid import UUID

import msgspec

from incidents.rules.vocabulary import Event, Priority

Until = Literal["acknowledged", "taken-over", "resolved"]
Channel = Literal["screen", "email", "webhook", "other"]


class ToWhom(msgspec.Struct, frozen=True):
    """Those of a role who are on shift, one person, whoever is on call, or a contact that is nobody's own.

    `name` is the role's or the rota's.
    """

    kind: Literal["role", "person", "rota", "contact"]
    name: str = ""
    person: UUID | None = None
    contact: UUID | None = None


class Rung(msgspec.Struct, frozen=True):
    """One step of a ladder: after how long, to whom, how, again how often, and what stops it.

    `repeat_s` of 0 means once. `if_nobody` is told where nobody of `to` is on; without it everybody of `to` is.
    """

    after_s: int
    to: ToWhom
    channel: Channel
    until: Until
    repeat_s: int = 0
    if_nobody: ToWhom | None = None


class Ladder(msgspec.Struct, frozen=True):
    """How open items of one kind climb, of these priorities or, where none is named, of all."""

    kind: str
    rungs: tuple[Rung, ...]
    priorities: tuple[Priority, ...] = ()


class Quiet(msgspec.Struct, frozen=True):
    """Items of this priority wait from `starts` to `ends` by the wall's clock, and through public holidays."""

    priority: Priority
    starts: str
    ends: str
    holidays: bool = False


class EscalationDrafted(Event, frozen=True, tag="escalation-drafted"):
    """A whole next edition, meant to follow `edition_from`; it binds nobody until a second person approves it."""

    edition_from: int
    source: str
    ladders: tuple[Ladder, ...]
    quiet: tuple[Quiet, ...] = ()
    again_within_cycles: int = 10
    effective_at: datetime | None = None


class EscalationApproved(Event, frozen=True, tag="escalation-approved"):
    """In force from `effective_at` or, where that is past or not given, from its approval on."""

    edition: int
    source: str
    ladders: tuple[Ladder, ...]
    quiet: tuple[Quiet, ...] = ()
    again_within_cycles: int = 10
    effective_at: datetime | None = None


class Holiday(msgspec.Struct, frozen=True):
    """A public holiday: a day (ISO 8601), and its name."""

    day: str
    name: str


class Turn(msgspec.Struct, frozen=True):
    """A person is on from `starts` to `ends` by the wall's clock, where it begins on one of these days of the week.

    Days are numbered as in ISO 8601: 1 is Monday, and a public holiday counts as 7, a Sunday. Where `ends` is not
    after `starts` it ends on the next day. Every so many weeks, counted from the ISO week `from_week` ("2026-W49").
    """

    person: UUID
    days: tuple[int, ...]
    starts: str
    ends: str
    every_weeks: int = 1
    from_week: str = ""


class Swap(msgspec.Struct, frozen=True):
    """Between these moments `person` is on wherever `instead_of` would be."""

    person: UUID
    instead_of: UUID
    starts_at: datetime
    ends_at: datetime


class Rota(msgspec.Struct, frozen=True):
    """Who is on when: of the shifts, or on call."""

    name: str
    kind: Literal["shift", "on-call"]
    turns: tuple[Turn, ...]
    swaps: tuple[Swap, ...] = ()


class CalendarSet(Event, frozen=True, tag="calendar-set"):
    """The facility's public holidays and rotas as they are from now on, whole."""

    holidays: tuple[Holiday, ...]
    rotas: tuple[Rota, ...]


class TurnSwapped(Event, frozen=True, tag="turn-swapped"):
    """Somebody takes another's turns on a rota between two moments."""

    rota: str
    swap: Swap


class ItemEscalated(Event, frozen=True, tag="item-escalated"):
    """An open item climbed a rung of its ladder: the one decision for this item, rung and repeat.

    The item is named by the stream that it is derived from, its key and the moment since when it stands. `to` are
    the people told; `nobody_on` says that nobody was on who should have been.
    """

    about_kind: str
    about: UUID
    item: str
    since: datetime
    ladder: str
    rung: int
    repeat: int
    due_at: datetime
    edition: int
    said: Rung
    to: tuple[UUID, ...]
    nobody_on: bool = False


class ClockJumped(Event, frozen=True, tag="clock-jumped"):
    """The server's clock was set while it ran: by so many seconds ahead of (or behind) the time that had passed."""

    ahead_s: int

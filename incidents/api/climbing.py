"""How open items climb: the escalation policy, the calendar, and one item’s timeline."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec

from incidents.api.door import Caller, Read
from incidents.api.told import tell
from incidents.queries import care, escalation, rotas
from incidents.rules.escalation_events import EscalationApproved, EscalationDrafted, Holiday, Rota
from incidents.rules.events import Stream


class EscalationTold(msgspec.Struct, frozen=True):
    """`version` is what a deed on the policy names as `expected_version`. Without one in force nothing climbs."""

    version: int
    in_force: EscalationApproved | None
    in_force_since: datetime | None
    draft: EscalationDrafted | None
    draft_by: UUID | None


class TheEscalation(Read):
    """The escalation policy in force, and the draft of its next edition while one stands."""

    tag, operation_id, summary = "department", "escalation", "The escalation policy"
    gives = EscalationTold

    def read(self, caller: Caller, asked: Any, **path: Any) -> EscalationTold:
        told = escalation.standing(caller.facility.id, caller.now)
        edition = told.in_force
        said, since = (edition.told, edition.effective_at) if edition else (None, None)
        return EscalationTold(told.version, said, since, told.draft, told.draft_by)


class OnDutyTold(msgspec.Struct, frozen=True):
    rota: str
    person: UUID
    start_at: datetime
    end_at: datetime


class CalendarTold(msgspec.Struct, frozen=True):
    """Holidays and rotas as `set_calendar` takes them; `version` is what it names as `expected_version`.

    `on_now` are those on at this moment, after swaps, and `on_next` whose turns begin next, within two weeks.
    """

    version: int
    holidays: tuple[Holiday, ...]
    rotas: tuple[Rota, ...]
    on_now: list[OnDutyTold]
    on_next: list[OnDutyTold]


class TheCalendar(Read):
    """Public holidays and rotas with their swaps, who is on now, and who is on next."""

    tag, operation_id, summary = "department", "calendar", "Rotas and public holidays"
    gives = CalendarTold

    def read(self, caller: Caller, asked: Any, **path: Any) -> CalendarTold:
        told = rotas.standing(caller.facility, caller.now)
        calendar = escalation.calendar_of(caller.facility.id).told
        holidays, every = (calendar.holidays, calendar.rotas) if calendar else ((), ())
        now = [tell(OnDutyTold, turn, rota=one.rota.name) for one in told.rotas for turn in one.now]
        comes = [tell(OnDutyTold, turn, rota=one.rota.name) for one in told.rotas for turn in one.next]
        return CalendarTold(told.version, holidays, every, now, comes)


class LineTold(msgspec.Struct, frozen=True):
    at: datetime
    sentence: str
    detail: str


class StepTold(msgspec.Struct, frozen=True):
    """A step that comes unless something stops it: `to` are the names of those who would be told if it were now."""

    at: datetime
    to: tuple[str, ...]
    channel: str
    why: str


class ItemTimeline(msgspec.Struct, frozen=True):
    """An open item: what was done and told about it, and what is planned. `over_at`: since when it needs nobody."""

    kind: str
    priority: str
    title: str
    since: datetime
    over_at: datetime | None
    looked_after_by: UUID | None
    lines: list[LineTold]
    planned: list[StepTold]


class OneOpenItem(Read):
    """One open item’s timeline: steps taken and planned, when, to whom and why, and what became of messages."""

    tag, operation_id, summary = "floor", "open_item", "An open item’s timeline"
    gives = ItemTimeline

    def read(self, caller: Caller, asked: Any, **path: Any) -> ItemTimeline | None:
        told = care.story(caller.facility.id, Stream(path["kind"], path["owner"]), path["item"])
        if told is None:
            return None
        planned = () if told.over_at else escalation.climb(caller.facility.id, told.row, caller.now).planned
        return tell(
            ItemTimeline,
            told.row,
            over_at=told.over_at,
            looked_after_by=told.owner.person if told.owner else None,
            lines=[tell(LineTold, line) for line in told.lines],
            planned=[tell(StepTold, step) for step in planned],
        )

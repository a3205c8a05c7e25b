"""Downtime forms: which are out, which came back, which are missed; and what a form asks for."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

import msgspec
from django.db.models import Max, Min, QuerySet

from incidents.identity.models import Membership
from incidents.projections.models import DowntimeFormRow, LoadRow, ProgrammeRow
from incidents.rules import downtime
from incidents.rules.downtime import Downtime, Form
from incidents.rules.events import ProgrammePublished
from incidents.rules.paper import label_of

PAGE = 50
MID_WAY = ("assembled", "running", "stopped")


class FormLine(NamedTuple):
    """A form as the list shows it; `missed_since` where a higher number came back and this one didn't."""

    number: int
    label: str
    state: str
    since: datetime
    missed_since: datetime | None
    load: UUID | None
    load_name: str
    issued: bool


class FormPage(NamedTuple):
    """`older` is the number that the next page lies below, or None at the end."""

    lines: tuple[FormLine, ...]
    older: int | None


def page(facility: UUID, below: int | None = None) -> FormPage:
    """Forms, newest number first, below a number."""
    rows = _rows(facility).order_by("-number")
    if below is not None:
        rows = rows.filter(number__lt=below)
    found = list(rows[: PAGE + 1])
    older = found[PAGE - 1].number if len(found) > PAGE else None
    return FormPage(tuple(_lines(facility, found[:PAGE])), older)


def missing(facility: UUID) -> list[FormLine]:
    """Forms that did not come back though a higher number did, newest number first."""
    numbers = [number for number, _ in _gaps(facility)]
    return _lines(facility, _rows(facility).filter(number__in=numbers).order_by("-number"))


def out(facility: UUID) -> tuple[int, int] | None:
    """The lowest and the highest number that is still out."""
    ends = _rows(facility).filter(state="issued").aggregate(first=Min("number"), last=Max("number"))
    return None if ends["first"] is None else (ends["first"], ends["last"])


def form(facility: UUID, number: int) -> FormLine | None:
    return next(iter(_lines(facility, _rows(facility).filter(number=number))), None)


def _rows(facility: UUID) -> QuerySet[DowntimeFormRow]:
    return DowntimeFormRow.objects.filter(facility_id=facility, known_to=None)


def _lines(facility: UUID, rows: Iterable[DowntimeFormRow]) -> list[FormLine]:
    found = list(rows)
    missed = dict(_gaps(facility))
    entered = [row.load for row in found if row.load]
    names = dict(LoadRow.objects.filter(facility_id=facility, owner__in=entered).values_list("owner", "name"))
    return [_line(row, missed.get(row.number), names) for row in found]


def _gaps(facility: UUID) -> tuple[tuple[int, datetime], ...]:
    """Only what lies at or above the lowest number that is out can tell of a gap."""
    ends = out(facility)
    if ends is None:
        return ()
    rows = _rows(facility).filter(number__gte=ends[0], state__in=("issued", "entered"))
    told = rows.values_list("number", "state", "since")
    forms = {number: Form(number, _state(state), since) for number, state, since in told}
    return downtime.gaps(Downtime(facility, forms=forms))


def _state(kept: Any) -> downtime.State:
    state: downtime.State = kept
    return state


def _line(row: DowntimeFormRow, missed_since: datetime | None, names: dict[UUID, str]) -> FormLine:
    return FormLine(
        row.number,
        label_of(row.number),
        row.state,
        row.since,
        missed_since,
        row.load,
        names.get(row.load, "") if row.load else "",
        row.issued,
    )


def to_print(facility: UUID, first: int, last: int) -> list[int]:
    """The numbers in this reach that are still out."""
    rows = DowntimeFormRow.objects.filter(
        facility_id=facility, known_to=None, state="issued", number__gte=first, number__lte=last
    )
    return list(rows.order_by("number").values_list("number", flat=True)[: downtime.ISSUED_AT_ONCE])


def recipes(facility: UUID) -> list[ProgrammePublished]:
    """The programmes that are in force, by name."""
    rows = ProgrammeRow.objects.filter(facility_id=facility, known_to=None).order_by("name")
    return [msgspec.json.decode(row.body, type=ProgrammePublished) for row in rows]


def people(facility: UUID) -> dict[UUID, str]:
    """Whoever's name may stand on a form."""
    members = Membership.objects.filter(facility_id=facility).select_related("person").order_by("person__name")
    return {each.person_id: each.person.name for each in members}


def unfinished(facility: UUID) -> list[LoadRow]:
    """Loads that a form may go on with."""
    return list(LoadRow.objects.filter(facility_id=facility, stage__in=MID_WAY).order_by("assembled_at"))

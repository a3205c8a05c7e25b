"""Downtime forms: which are out, which came back, which are missed; and what a form asks for."""

from __future__ import annotations

from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

import msgspec

from incidents.identity.models import Membership
from incidents.projections.models import DowntimeFormRow, LoadRow, ProgrammeRow
from incidents.rules import downtime
from incidents.rules.downtime import Downtime, Form
from incidents.rules.events import ProgrammePublished
from incidents.rules.paper import label_of

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


def forms(facility: UUID) -> list[FormLine]:
    """Every form, newest number first."""
    rows = list(DowntimeFormRow.objects.filter(facility_id=facility, known_to=None).order_by("-number"))
    missed = dict(downtime.gaps(_as_state(facility, rows)))
    entered = [row.load for row in rows if row.load]
    names = dict(LoadRow.objects.filter(facility_id=facility, owner__in=entered).values_list("owner", "name"))
    return [_line(row, missed.get(row.number), names) for row in rows]


def _as_state(facility: UUID, rows: list[DowntimeFormRow]) -> Downtime:
    known = {row.number: Form(row.number, _state(row.state), row.since, row.load, row.issued) for row in rows}
    return Downtime(facility, forms=known)


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


def form(facility: UUID, number: int) -> FormLine | None:
    return next((line for line in forms(facility) if line.number == number), None)


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

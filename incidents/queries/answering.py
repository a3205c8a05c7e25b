"""Time to acknowledge, to resolve and to run again, by fault, machine and shift; what still waits is counted in."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Q

from incidents.identity.models import Facility
from incidents.ledger.dialect import id_out
from incidents.ledger.reading import read_stream
from incidents.projections.models import AlarmRow, LoadRow, MachineRow
from incidents.queries import facts
from incidents.queries.floor import STANDING
from incidents.rules import answering, calendars
from incidents.rules.answering import CLOCKS, Answered, Wait
from incidents.rules.events import Stream

MOST = 1000  # streams looked at; of more, those of the newest alarms and broken loads


class Spread(NamedTuple):
    """Seconds within which half and nine in ten were served; None where too few were to say."""

    median_s: float | None
    p90_s: float | None
    served: int
    waiting: int


class Line(NamedTuple):
    """A group's three clocks; None where fewer than five people did it, or nothing was to be done."""

    by: str
    name: str
    acknowledge: Spread | None
    resolve: Spread | None
    rerun: Spread | None
    few: tuple[str, ...]


class Times(NamedTuple):
    """`cut` says that more alarms and broken loads fall into this time than were looked at."""

    since: datetime
    until: datetime
    lines: tuple[Line, ...]
    cut: bool


def times(facility: UUID, since: datetime, until: datetime) -> Times:
    """The clocks that began in this time; those that still run are censored at its end."""
    streams, cut = _streams(facility, since, until)
    zone = ZoneInfo(Facility.objects.values_list("time_zone", flat=True).get(id=facility))
    answered = list(_answered(facility, streams, since, until, zone))
    lines = tuple(
        _line(by, name, [waits[clock] for clock in CLOCKS], until)
        for by, name, waits in answering.grouped(answered)
    )
    return Times(since, until, lines, cut)


def _streams(facility: UUID, since: datetime, until: datetime) -> tuple[list[Stream], bool]:
    """Streams with an alarm of this time, and loads that broke in it."""
    alarms = AlarmRow.objects.filter(facility_id=facility, raised_at__range=(since, until), **STANDING)
    newest = alarms.order_by("-raised_at").values_list("owner_kind", "owner")[: MOST + 1]
    found = dict.fromkeys(Stream(kind, id_out(owner)) for kind, owner in newest)
    broken = LoadRow.objects.filter(facility_id=facility, stage__in=("aborted", "incomplete"))
    ended = broken.filter(Q(ended_at__range=(since, until))).order_by("-ended_at").values_list("owner", flat=True)
    found |= dict.fromkeys(Stream("load", id_out(owner)) for owner in ended[: MOST + 1])
    return list(found)[:MOST], len(newest) > MOST or len(found) > MOST


def _answered(
    facility: UUID, streams: Sequence[Stream], since: datetime, until: datetime, zone: ZoneInfo
) -> Iterator[Answered]:
    shifts = facts.policy(facility).shifts
    loads = LoadRow.objects.filter(facility_id=facility, owner__in=[each.id for each in streams])
    machines = {id_out(owner): name for owner, name in loads.values_list("owner", "machine_name")}
    rows = MachineRow.objects.filter(facility_id=facility, **STANDING).values_list("owner", "name")
    machines |= {id_out(owner): name for owner, name in rows}
    for stream in streams:
        for wait in answering.waits(read_stream(facility, stream)):
            if since <= wait.begun_at <= until:
                span = calendars.shift_at(shifts, wait.begun_at, zone)
                yield Answered(wait, machines.get(stream.id, ""), span.name if span else "")


def _line(by: str, name: str, clocks: Sequence[Sequence[Wait]], until: datetime) -> Line:
    told = [_spread(waits, until) if answering.shown(waits) else None for waits in clocks]
    few = [clock for clock, waits in zip(CLOCKS, clocks, strict=True) if waits and not answering.shown(waits)]
    return Line(by, name, told[0], told[1], told[2], tuple(few))


def _spread(waits: Sequence[Wait], until: datetime) -> Spread:
    from incidents.analysis import annunciation  # numpy: loaded where it is reckoned

    begun = [wait.begun_at.timestamp() for wait in waits]
    ended = [wait.ended_at.timestamp() if wait.ended_at else math.nan for wait in waits]
    found = annunciation.waited(begun, ended, until.timestamp())
    return Spread(_said(found.median), _said(found.p90), found.served, found.waiting)


def _said(seconds: float) -> float | None:
    return None if math.isnan(seconds) else round(seconds, 3)


def window(days: int, until: datetime) -> tuple[datetime, datetime]:
    return until - timedelta(days=days), until

"""Which alarms are one incident: what stands, by incident, and one incident whole."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple
from uuid import UUID

from django.db.models import Q

from incidents.identity.ids import named
from incidents.identity.models import Person
from incidents.ledger.dialect import id_out
from incidents.ledger.reading import read_stream, words_of
from incidents.projections.models import AlarmRow, IncidentRow, LoadRow, MachineRow, OpenItemRow
from incidents.queries import facts
from incidents.queries.floor import PRIORITIES, STANDING, Matter
from incidents.rules import incidents
from incidents.rules.events import Stream
from incidents.rules.incidents import PARTS, Anchor, Incident, Joins

KINDS = ("alarm", "alarm-unresolved")  # open items that are alarms: those of one incident are one
MOST = 2000  # alarms that are looked at together; beyond these each climbs for itself
NEAR = timedelta(days=14)  # how far from an alarm the others of its incident are looked for


class Group(NamedTuple):
    """An incident by its alarms, in the order in which they were raised."""

    incident: UUID
    alarms: tuple[Joins, ...]


def group_of(facility: UUID, alarm: UUID, within: timedelta) -> Group | None:
    """The incident that an alarm is in; None where there is no such alarm."""
    row = AlarmRow.objects.filter(facility_id=facility, alarm=alarm, **STANDING).first()
    if row is None:
        return None
    owner = id_out(row.owner)
    machine = _machines(facility, [row]).get(owner)
    near = (row.raised_at - NEAR, row.raised_at + NEAR)
    owners: set[UUID] = {owner}
    if machine is not None:
        years = (near[0].year, near[1].year)
        of_machine = LoadRow.objects.filter(facility_id=facility, machine=machine, year__range=years)
        began = Q(started_at__range=(near[0] - timedelta(days=1), near[1]))
        owners |= {machine, *map(id_out, of_machine.filter(began).values_list("owner", flat=True))}
    rows = list(AlarmRow.objects.filter(facility_id=facility, owner__in=owners, **STANDING))
    rows = [each for each in rows if near[0] <= each.raised_at <= near[1] or each.owner == row.owner]
    told = _anchors(facility, [each.alarm for each in rows])
    found = _joins(facility, rows)
    group = next(each for each in incidents.join(found, within, told) if any(one.alarm == alarm for one in each))
    anchor = next((told[each.alarm] for each in group if each.alarm in told), None)
    return Group(anchor.incident if anchor else named(group[0].alarm, "incident"), tuple(group))


def _machines(facility: UUID, rows: Iterable[AlarmRow]) -> dict[UUID, UUID]:
    """The machine of each owner of an alarm."""
    owners = {(row.owner_kind, id_out(row.owner)) for row in rows}
    loads = [owner for kind, owner in owners if kind == "load"]
    of_loads = LoadRow.objects.filter(facility_id=facility, owner__in=loads).exclude(machine=None)
    rows_of_loads = of_loads.values_list("owner", "machine")
    found = {id_out(owner): id_out(machine) for owner, machine in rows_of_loads if machine}
    return found | {owner: owner for kind, owner in owners if kind == "machine"}


def _joins(facility: UUID, rows: Sequence[AlarmRow]) -> list[Joins]:
    machines = _machines(facility, rows)
    return [
        Joins(
            id_out(row.alarm),
            id_out(row.owner) if row.owner_kind == "load" else None,
            machines.get(id_out(row.owner)),
            row.code,
            row.raised_at,
        )
        for row in rows
    ]


def _anchors(facility: UUID, alarms: Collection[UUID]) -> dict[UUID, Anchor]:
    rows = IncidentRow.objects.filter(facility_id=facility, alarm__in=alarms)
    return {id_out(row.alarm): Anchor(id_out(row.owner), row.verified_at) for row in rows}


# --- what stands --------------------------------------------------------------------------------------


class Lead(NamedTuple):
    """The alarm for which an incident's open items climb, and how many others do not."""

    alarm: UUID
    others: int


def leads(facility: UUID, kind: str, of: Sequence[tuple[UUID, datetime]], within: timedelta) -> dict[UUID, Lead]:
    """Of open items of this kind (alarm, since), the lead of each one's incident: the gravest, then the oldest."""
    if not of:
        return {}
    moments = [since for _, since in of]
    near = OpenItemRow.objects.filter(facility_id=facility, kind=kind, **STANDING)
    near = near.filter(since__range=(min(moments) - within, max(moments) + within)).order_by("since", "item")
    found = near.values_list("alarm", "priority")[:MOST]
    rank = {id_out(alarm): PRIORITIES[priority] for alarm, priority in found if alarm}
    led: dict[UUID, Lead] = {}
    for group in _grouped(facility, rank, within):
        first = min(group, key=lambda each: (rank[each.alarm], each.raised_at, each.alarm))
        led |= {each.alarm: Lead(first.alarm, len(group) - 1) for each in group}
    return led


def _grouped(facility: UUID, alarms: Collection[UUID], within: timedelta) -> list[list[Joins]]:
    rows: list[AlarmRow] = []
    asked = sorted(alarms)
    for first in range(0, len(asked), 500):
        these = asked[first : first + 500]
        rows += AlarmRow.objects.filter(facility_id=facility, alarm__in=these, **STANDING)
    return incidents.join(_joins(facility, rows), within, _anchors(facility, alarms))


def merged(facility: UUID, matters: Sequence[Matter], within: timedelta) -> list[Matter]:
    """The same open items, with one for each incident: the first, and how many alarms it stands for."""
    alarms = [matter.alarm for matter in matters if matter.kind in KINDS and matter.alarm is not None]
    if len(alarms) < 2:
        return list(matters)
    of_alarm = {each.alarm: group for group in _grouped(facility, alarms, within) for each in group}
    shown: set[int] = set()
    told = []
    for matter in sorted(matters, key=lambda each: each.kind == "alarm-unresolved"):  # what nobody saw goes first
        group = of_alarm.get(matter.alarm) if matter.kind in KINDS and matter.alarm else None
        if group is None or len(group) == 1:
            told.append(matter)
        elif id(group) not in shown:
            shown.add(id(group))
            told.append(matter._replace(title=f"{matter.title} {len(group)} alarms, one incident."))
    return sorted(told, key=lambda each: (PRIORITIES[each.priority], each.since))


# --- one incident -------------------------------------------------------------------------------------


class AlarmIn(NamedTuple):
    """An alarm of an incident, as its page tells it."""

    alarm: UUID
    owner_kind: str
    owner: UUID
    holder: str
    code: str
    title: str
    phase: str
    priority: str
    state: str
    raised_at: datetime


class PartTold(NamedTuple):
    part: str
    title: str
    words: str
    by: str
    at: datetime


class IncidentStory(NamedTuple):
    """An incident: its alarms, who looks into it, and what was told of it. `next_part` is what is told next."""

    id: UUID
    version: int
    alarms: tuple[AlarmIn, ...]
    owner: UUID | None
    owner_name: str
    owned_at: datetime | None
    parts: tuple[PartTold, ...]
    next_part: str | None


def story(facility: UUID, alarm: UUID) -> IncidentStory | None:
    """The incident that an alarm is in; None where there is no such alarm."""
    within = timedelta(minutes=facts.policy(facility).incident_min)
    found = group_of(facility, alarm, within)
    if found is None:
        return None
    state = incidents.fold(found.incident, read_stream(facility, Stream("incident", found.incident)))
    ids = [each.alarm for each in found.alarms]
    rows = list(AlarmRow.objects.filter(facility_id=facility, alarm__in=ids, **STANDING))
    holders = _holders(facility, {id_out(row.owner) for row in rows})
    return IncidentStory(
        state.id,
        state.version,
        tuple(_alarm_in(row, holders) for row in sorted(rows, key=lambda row: (row.raised_at, id_out(row.alarm)))),
        state.owner,
        _names([state.owner] if state.owner else []).get(state.owner, "somebody who left") if state.owner else "",
        state.owned_at,
        tuple(_parts(facility, state)),
        state.next_part,
    )


def _alarm_in(row: AlarmRow, holders: dict[UUID, str]) -> AlarmIn:
    about = (id_out(row.alarm), row.owner_kind, id_out(row.owner), holders.get(id_out(row.owner), ""))
    return AlarmIn(*about, row.code, row.title, row.phase, row.priority, row.state, row.raised_at)


def _holders(facility: UUID, owners: Collection[UUID]) -> dict[UUID, str]:
    loads = LoadRow.objects.filter(facility_id=facility, owner__in=owners).values_list("owner", "name")
    machines = MachineRow.objects.filter(facility_id=facility, owner__in=owners, **STANDING)
    return {id_out(owner): name for owner, name in (*loads, *machines.values_list("owner", "name"))}


def _parts(facility: UUID, state: Incident) -> list[PartTold]:
    said = [(part, getattr(state, part)) for part in PARTS if getattr(state, part) is not None]
    names = _names([each.by for _, each in said])
    texts = words_of(facility, {each.words.digest for _, each in said})
    return [
        PartTold(
            part,
            PARTS[part],
            texts.get(each.words.digest, "(emptied)"),
            names.get(each.by, "somebody who left"),
            each.at,
        )
        for part, each in said
    ]


def _names(people: Collection[UUID]) -> dict[UUID, str]:
    return dict(Person.objects.filter(id__in=people).values_list("id", "name"))


def under_way(facility: UUID, limit: int = 20) -> list[IncidentStory]:
    """Incidents of which something was told and that nobody has verified, the newest first."""
    rows = IncidentRow.objects.filter(facility_id=facility, verified_at=None).order_by("-told_at")[: limit * 10]
    firsts = {id_out(row.owner): id_out(row.alarm) for row in reversed(rows)}
    stories = (story(facility, alarm) for alarm in list(firsts.values())[-limit:])
    return sorted((each for each in stories if each), key=lambda each: each.alarms[-1].raised_at, reverse=True)

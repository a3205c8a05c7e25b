"""Now: what needs someone, the machines with their chambers, the loads that wait."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

import msgspec
from django.db.models import Q, QuerySet

from incidents.figures.models import Heartbeat
from incidents.ledger import reading
from incidents.ledger.dialect import id_out
from incidents.projections.models import AlarmRow, LoadRow, MachineRow, OpenItemRow, PassageRow, ProgrammeRow
from incidents.rules.events import ProgrammePublished

PRIORITIES = {"high": 0, "medium": 1, "low": 2}
STANDING = {"known_to__isnull": True}


class Matter(NamedTuple):
    """An open item as a row of Now."""

    kind: str
    priority: str
    title: str
    since: datetime
    owner_kind: str
    owner: UUID
    alarm: UUID | None


class Passage(NamedTuple):
    machine: str
    chamber: str
    stage: str
    load: UUID
    load_name: str


class PhaseShare(NamedTuple):
    code: str
    title: str
    share: float


class Chamber(NamedTuple):
    """One chamber of a machine with the load in it, if any."""

    machine: UUID
    machine_name: str
    machine_code: str
    chamber: str
    only_chamber: bool
    blocked: str | None
    load: LoadRow | None
    alarm: AlarmRow | None
    phases: tuple[PhaseShare, ...]


def overdue(now: datetime) -> Iterator[tuple[UUID, UUID, datetime]]:
    """Cycles past their expected end and grace, not yet noted: (facility, load, due at), oldest first."""
    for row in LoadRow.objects.filter(due_at__lte=now).order_by("due_at"):
        if row.due_at is not None:
            yield id_out(row.facility_id), id_out(row.owner), row.due_at


def known_at(before: int | None) -> Q:
    """Rows that stood when the log had this size; None: that stand now."""
    if before is None:
        return Q(known_to=None)
    return Q(known_from__lt=before) & (Q(known_to=None) | Q(known_to__gte=before))


def size_at(facility: UUID, moment: datetime) -> int:
    return reading.size_at(facility, moment)


def passages_at(facility: UUID, before: int) -> list[Passage]:
    """Loads that were in a chamber, or meant for one, when the log had this size."""
    rows = PassageRow.objects.filter(known_at(before), facility_id=facility).exclude(stage="ended")
    loads = {
        row.owner: row for row in LoadRow.objects.filter(facility_id=facility, owner__in=[r.owner for r in rows])
    }
    return sorted(
        Passage(loads[row.owner].machine_name, row.chamber, row.stage, row.owner, loads[row.owner].name)
        for row in rows
    )


def open_items(facility: UUID, before: int | None = None) -> list[Matter]:
    """Everything that needs someone, worst first, then oldest first; or what did at an earlier size."""
    rows = OpenItemRow.objects.filter(known_at(before), facility_id=facility)
    matters = [
        Matter(row.kind, row.priority, row.title, row.since, row.owner_kind, row.owner, row.alarm) for row in rows
    ]
    return sorted(matters, key=lambda matter: (PRIORITIES[matter.priority], matter.since))


def chambers(facility: UUID) -> list[Chamber]:
    """Every chamber by machine name, with its running, stopped or waiting load."""
    inside: dict[tuple[UUID, str], LoadRow] = {}
    stages = ("assembled", "running", "stopped")
    for load in LoadRow.objects.filter(facility_id=facility, stage__in=stages).order_by("assembled_at"):
        held = inside.get((load.machine, load.chamber)) if load.machine else None
        if load.machine and (held is None or held.stage == "assembled"):
            inside[load.machine, load.chamber] = load
    alarms = {
        row.owner: row for row in AlarmRow.objects.filter(facility_id=facility, **STANDING).exclude(state="normal")
    }
    shares = {
        row.name: phase_shares(row.body) for row in ProgrammeRow.objects.filter(facility_id=facility, **STANDING)
    }
    found = []
    for machine in MachineRow.objects.filter(facility_id=facility, **STANDING).order_by("name"):
        names = msgspec.json.decode(machine.chambers, type=tuple[str, ...])
        blocks = msgspec.json.decode(machine.blocked, type=dict[str, str])
        for name in names:
            load_row = inside.get((machine.owner, name))
            alarm = alarms.get(load_row.owner) if load_row else None
            phases = shares.get(load_row.programme, ()) if load_row else ()
            found.append(
                Chamber(
                    machine.owner,
                    machine.name,
                    machine.code,
                    name,
                    len(names) == 1,
                    blocks.get("", blocks.get(name)),
                    load_row,
                    alarm,
                    phases,
                )
            )
    return found


def phase_shares(body: str) -> tuple[PhaseShare, ...]:
    """A programme's phases with the share of the cycle that each is planned to take."""
    programme = msgspec.json.decode(body, type=ProgrammePublished)
    total = sum(phase.minutes for phase in programme.phases) or len(programme.phases)
    return tuple(
        PhaseShare(phase.code, phase.title, (phase.minutes or 1) / max(total, 1)) for phase in programme.phases
    )


def loads(facility: UUID, *, disposition: str = "", search: str = "", limit: int = 100) -> list[LoadRow]:
    """Loads, newest first; `search` finds a number or a name."""
    rows = LoadRow.objects.filter(facility_id=facility)
    if disposition == "under recall":
        rows = rows.filter(under_recall=True)
    elif disposition:
        rows = rows.filter(disposition=disposition)
    if search:
        rows = rows.filter(name__icontains=search) | rows.filter(number__icontains=search)
    return list(rows.order_by("-year", "-ordinal")[:limit])


def watch_at() -> datetime | None:
    """When the sweep last ran to its end."""
    beat = Heartbeat.objects.filter(name="sweep").first()
    return beat.at if beat else None


def counts(facility: UUID) -> dict[str, int]:
    """How many loads are in each disposition that someone has to think of."""
    rows = LoadRow.objects.filter(facility_id=facility)
    return {
        "held": rows.filter(disposition="quarantined").count(),
        "review": rows.filter(disposition="awaiting review").count(),
        "recall": rows.filter(under_recall=True).count(),
    }


def programme_names(facility: UUID) -> list[str]:
    rows = ProgrammeRow.objects.filter(facility_id=facility, **STANDING).order_by("name")
    return list(rows.values_list("name", flat=True))


def loads_of_machine(facility: UUID, machine: UUID, limit: int = 10) -> list[LoadRow]:
    """The machine's newest loads."""
    rows = LoadRow.objects.filter(facility_id=facility, machine=machine)
    return list(rows.order_by("-year", "-ordinal")[:limit])


def ready_for_release(facility: UUID) -> list[LoadRow]:
    """Loads that were reviewed with nothing standing against them, oldest first."""
    rows = LoadRow.objects.filter(facility_id=facility, disposition="awaiting review", reviewed=True)
    return list(rows.order_by("ended_at")[:200])


def log_sizes() -> dict[UUID, int]:
    """How long each facility's log is."""
    return reading.sizes()


def free_chambers(facility: UUID, machine: UUID | None, chamber: str) -> list[Chamber]:
    """Chambers that could take a load now: this one first where it is free, then the others by name."""
    free = [one for one in chambers(facility) if one.load is None and one.blocked is None]
    return sorted(free, key=lambda one: (one.machine, one.chamber) != (machine, chamber))


def unseen_alarm_of(facility: UUID, machine: UUID) -> AlarmRow | None:
    """The oldest alarm that nobody has seen, of this machine or of a load that went through it."""
    states = ("unacknowledged", "returned-unacknowledged")
    return _alarm_of(facility, machine, AlarmRow.objects.filter(state__in=states))


def undecided_alarm_of(facility: UUID, machine: UUID) -> AlarmRow | None:
    """The alarm behind a load that stands stopped in this machine: resume or abort."""
    stopped = LoadRow.objects.filter(facility_id=facility, machine=machine, stage="stopped").values("owner")
    return _alarm_of(facility, machine, AlarmRow.objects.filter(state="acknowledged", owner__in=stopped))


def _alarm_of(facility: UUID, machine: UUID, rows: QuerySet[AlarmRow]) -> AlarmRow | None:
    loads = LoadRow.objects.filter(facility_id=facility, machine=machine).values("owner")
    mine = rows.filter(Q(owner=machine) | Q(owner__in=loads), facility_id=facility, **STANDING)
    return mine.order_by("raised_at").first()

"""Now: what needs someone, the machines with their chambers, the loads that wait."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

import msgspec

from incidents.figures.models import Heartbeat
from incidents.ledger.dialect import id_out
from incidents.projections.models import AlarmRow, LoadRow, MachineRow, OpenItemRow, ProgrammeRow
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
    load: LoadRow | None
    alarm: AlarmRow | None
    phases: tuple[PhaseShare, ...]


def overdue(now: datetime) -> Iterator[tuple[UUID, UUID, datetime]]:
    """Cycles past their expected end and grace, not yet noted: (facility, load, due at), oldest first."""
    for row in LoadRow.objects.filter(due_at__lte=now).order_by("due_at"):
        if row.due_at is not None:
            yield id_out(row.facility_id), id_out(row.owner), row.due_at


def open_items(facility: UUID) -> list[Matter]:
    """Everything that needs someone, worst first, then oldest first."""
    rows = OpenItemRow.objects.filter(facility_id=facility, **STANDING)
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
        for name in names:
            load_row = inside.get((machine.owner, name))
            alarm = alarms.get(load_row.owner) if load_row else None
            phases = shares.get(load_row.programme, ()) if load_row else ()
            found.append(
                Chamber(machine.owner, machine.name, machine.code, name, len(names) == 1, load_row, alarm, phases)
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

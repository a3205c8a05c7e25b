"""Now: what needs someone, the machines with their chambers, the loads that wait."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

import msgspec
from django.db.models import Count

from incidents.figures.models import Heartbeat
from incidents.ledger import reading
from incidents.ledger.dialect import id_out
from incidents.ledger.reading import HeadRow
from incidents.projections.models import (
    AlarmRow,
    ContentRow,
    LoadRow,
    MachineRow,
    OpenItemRow,
    PassageRow,
    ProgrammeRow,
    RackRow,
    TrayRow,
)
from incidents.queries import facts
from incidents.queries.past import standing_at
from incidents.queries.whereabouts import left_inside, stands
from incidents.rules.events import ProgrammePublished
from incidents.rules.loads import Load
from incidents.rules.machines import Takes

PRIORITIES = {"high": 0, "medium": 1, "low": 2}
STANDING = {"known_to__isnull": True}
MID_WAY = ("assembled", "running", "stopped")


class Matter(NamedTuple):
    """An open item as a row of Now. `words` is the digest of what was said of it, or empty."""

    kind: str
    priority: str
    title: str
    since: datetime
    owner_kind: str
    owner: UUID
    alarm: UUID | None
    taken_by: UUID | None = None
    item: str = ""
    words: str = ""


class HeldLoad(NamedTuple):
    owner: UUID
    name: str
    place: str
    spot: str
    run_again_as: str = ""


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
    """One chamber of a machine with the load in it, if any.

    `last` names the load that was last in an empty one and of which no other place is recorded.
    """

    machine: UUID
    machine_name: str
    machine_code: str
    chamber: str
    only_chamber: bool
    blocked: str | None
    load: LoadRow | None
    alarm: AlarmRow | None
    phases: tuple[PhaseShare, ...]
    takes: Takes = Takes()
    last: str = ""
    left: LoadRow | None = None

    @property
    def key(self) -> str:
        """How a form names it."""
        return f"{self.machine}/{self.chamber}"

    @property
    def name(self) -> str:
        """How people call it."""
        return self.machine_name if self.only_chamber else f"{self.machine_name}, chamber {self.chamber}"


def overdue(now: datetime) -> Iterator[tuple[UUID, UUID, datetime]]:
    """Cycles past their expected end and grace, not yet noted: (facility, load, due at), oldest first."""
    for row in LoadRow.objects.filter(due_at__lte=now).order_by("due_at"):
        if row.due_at is not None:
            yield id_out(row.facility_id), id_out(row.owner), row.due_at


def size_at(facility: UUID, moment: datetime) -> int:
    return reading.size_at(facility, moment)


def passages_at(facility: UUID, before: int) -> list[Passage]:
    """Loads that were in a chamber, or meant for one, when the log had this size."""
    rows = standing_at(PassageRow.objects.filter(facility_id=facility, stage__in=MID_WAY), before)
    loads = {
        row.owner: row for row in LoadRow.objects.filter(facility_id=facility, owner__in=[r.owner for r in rows])
    }
    return sorted(
        Passage(loads[row.owner].machine_name, row.chamber, row.stage, row.owner, loads[row.owner].name)
        for row in rows
    )


def open_items(facility: UUID, before: int | None = None) -> list[Matter]:
    """Everything that needs someone, worst first, then oldest first; or what did at an earlier size."""
    rows = standing_at(OpenItemRow.objects.filter(facility_id=facility), before)
    rows = list(rows)
    matters = [matter_of(row) for row in rows]
    if before is None:
        rejected = rejected_trays(facility, [row.owner for row in rows if row.item == "rejected"])
        matters = [_with_labels(matter, rejected.get(matter.owner, [])) for matter in matters]
        matters = _with_reruns(facility, matters)
    return sorted(matters, key=lambda matter: (PRIORITIES[matter.priority], matter.since))


def matter_of(row: OpenItemRow) -> Matter:
    about = (row.owner_kind, row.owner, row.alarm, row.taken_by, row.item, row.words)
    return Matter(row.kind, row.priority, row.title, row.since, *about)


def _with_labels(matter: Matter, rejected: list[str]) -> Matter:
    """A load’s own events know its trays by id; whoever looks for them needs their labels."""
    count = "1 tray" if len(rejected) == 1 else f"{len(rejected)} trays"
    return matter._replace(title=matter.title.replace(f"Run {count} of ", f"Run {', '.join(rejected)} of ", 1))


def _with_reruns(facility: UUID, matters: list[Matter]) -> list[Matter]:
    """A held load whose trays are in another cycle by now says in which."""
    owners = [matter.owner for matter in matters if matter.kind == "held"]
    where = stands(facility, list(LoadRow.objects.filter(facility_id=facility, owner__in=owners)))
    told = []
    for matter in matters:
        found = where.get(matter.owner) if matter.kind == "held" else None
        more = f" It {found.sentence}." if found and found.later else ""
        told.append(matter._replace(title=matter.title + more))
    return told


def rejected_trays(facility: UUID, owners: list[UUID]) -> dict[UUID, list[str]]:
    """Of these loads, the labels of the trays that were rejected at the unloading and are still here."""
    if not owners:
        return {}
    rows = ContentRow.objects.filter(facility_id=facility, owner__in=owners, fate="rejected", **STANDING)
    of_load = list(rows.values_list("owner", "tray"))
    trays = TrayRow.objects.filter(facility_id=facility, tray__in=[tray for _, tray in of_load])
    labels = dict(trays.values_list("tray", "label"))
    found: dict[UUID, list[str]] = {}
    for owner, tray in of_load:
        found.setdefault(owner, []).append(labels.get(tray, "a tray"))
    return {owner: sorted(named) for owner, named in found.items()}


def machine_of_alarm(facility: UUID, kind: str, owner: UUID) -> tuple[UUID, str] | None:
    """The machine, with its name, at which an alarm of this load or machine is answered."""
    machine: UUID | None = owner
    if kind == "load":
        machine = (
            LoadRow.objects.filter(facility_id=facility, owner=owner).values_list("machine", flat=True).first()
        )
    if machine is None:
        return None
    named = MachineRow.objects.filter(facility_id=facility, owner=machine, **STANDING).values_list(
        "name", flat=True
    )
    name = named.first()
    return (id_out(machine), name) if name is not None else None


def held_loads(facility: UUID, limit: int = 200) -> list[HeldLoad]:
    """Loads that something stands against, oldest first, with where the trays of each are by now."""
    held = LoadRow.objects.filter(facility_id=facility, disposition="quarantined").order_by("year", "ordinal")
    rows = list(held[:limit])
    where = stands(facility, rows)
    return [
        HeldLoad(row.owner, row.name, where[row.owner].place, row.spot, where[row.owner].later_name) for row in rows
    ]


def chambers(facility: UUID) -> list[Chamber]:
    """Every chamber by machine name, with its running, stopped or waiting load."""
    inside: dict[tuple[UUID, str], LoadRow] = {}
    for load in LoadRow.objects.filter(facility_id=facility, stage__in=MID_WAY).order_by("assembled_at"):
        held = inside.get((load.machine, load.chamber)) if load.machine else None
        if load.machine and (held is None or held.stage == "assembled"):
            inside[load.machine, load.chamber] = load
    within = AlarmRow.objects.filter(facility_id=facility, owner__in=[load.owner for load in inside.values()])
    alarms = {row.owner: row for row in within.filter(**STANDING).exclude(state="normal")}
    shares = {
        row.name: phase_shares(row.body) for row in ProgrammeRow.objects.filter(facility_id=facility, **STANDING)
    }
    last = left_inside(facility)
    found = []
    for machine in MachineRow.objects.filter(facility_id=facility, **STANDING).order_by("name"):
        names = msgspec.json.decode(machine.chambers, type=tuple[str, ...])
        blocks = msgspec.json.decode(machine.blocked, type=dict[str, str])
        for name in names:
            load_row = inside.get((machine.owner, name))
            alarm = alarms.get(load_row.owner) if load_row else None
            phases = shares.get(load_row.programme, ()) if load_row else ()
            before = last.get((machine.owner, name)) if load_row is None else None
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
                    msgspec.json.decode(machine.takes, type=Takes),
                    before.name if before else "",
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


def programme_names(facility: UUID, machine: UUID | None = None) -> list[str]:
    """Every programme published here, or those that this machine takes."""
    rows = ProgrammeRow.objects.filter(facility_id=facility, **STANDING).order_by("name")
    row = MachineRow.objects.filter(facility_id=facility, owner=machine, **STANDING).first() if machine else None
    takes = msgspec.json.decode(row.takes, type=Takes) if row else Takes()
    return [name for name in rows.values_list("name", flat=True) if not takes.not_taken(name)]


def ready_for_release(facility: UUID) -> list[LoadRow]:
    """Loads that were reviewed with nothing standing against them, oldest first."""
    rows = LoadRow.objects.filter(facility_id=facility, disposition="awaiting review", reviewed=True)
    return list(rows.order_by("ended_at")[:200])


def item_counts() -> list[tuple[UUID, str, int]]:
    """How many open items stand, by facility and priority."""
    rows = OpenItemRow.objects.filter(**STANDING).values_list("facility_id", "priority")
    counted = rows.annotate(count=Count("*")).order_by("facility_id", "priority")
    return [(id_out(facility), priority, count) for facility, priority, count in counted]


def machine_of(facility: UUID, load: UUID) -> UUID | None:
    """The machine that this load is meant for or went through."""
    return LoadRow.objects.filter(facility_id=facility, owner=load).values_list("machine", flat=True).first()


def log_head(facility: UUID) -> HeadRow | None:
    """How long the facility’s log is, and the root that proves all of it."""
    return reading.head(facility)


def has_deed(facility: UUID, deed: UUID) -> bool:
    return reading.has_deed(facility, deed)


def log_sizes() -> dict[UUID, int]:
    """How long each facility's log is."""
    return reading.sizes()


def with_what_is_left(facility: UUID, found: Sequence[Chamber]) -> list[Chamber]:
    """The same chambers; where no load is mid-way in one, with the broken load that was not taken out of it yet."""
    rows = LoadRow.objects.filter(
        facility_id=facility, disposition="quarantined", place="chamber", stage__in=("aborted", "incomplete")
    )
    left = {(row.machine, row.chamber): row for row in rows.order_by("year", "ordinal") if _is_still_in(row)}
    return [one if one.load else one._replace(left=left.get((one.machine, one.chamber))) for one in found]


def _is_still_in(row: LoadRow) -> bool:
    """Nothing ran in its chamber since, and its trays went into no other load."""
    later = LoadRow.objects.filter(facility_id=row.facility_id, machine=row.machine, chamber=row.chamber)
    since = later.filter(year__gte=row.year, started_at__gt=row.started_at).exclude(owner=row.owner)
    return not since.exists() and not facts.later_loads(id_out(row.facility_id), id_out(row.owner))


class Fit(NamedTuple):
    """A chamber, and why it can't take a load now, or nothing."""

    chamber: Chamber
    why_not: str


def fits(facility: UUID, load: Load) -> list[Fit]:
    """Every chamber: those that could take this load's programme and rack now first, of these its own foremost."""
    rack = RackRow.objects.filter(facility_id=facility, owner=load.rack, **STANDING).first() if load.rack else None
    code, name = (rack.code, rack.name) if rack else ("", "")
    told = [Fit(one, _why_not(one, load.programme_name, code, name)) for one in chambers(facility)]
    own = (load.machine, load.chamber)
    return sorted(told, key=lambda fit: (bool(fit.why_not), (fit.chamber.machine, fit.chamber.chamber) != own))


def _why_not(one: Chamber, programme: str, rack: str, rack_name: str) -> str:
    missing = one.takes.not_taken(programme, rack, rack_name)
    if one.blocked is not None:
        return f"blocked, {one.blocked}"
    if missing:
        return f"does not take {missing}"
    return f"{one.load.name} is in it" if one.load else ""


def free_chambers(facility: UUID, load: Load) -> list[Chamber]:
    """Chambers that could take this load's programme and rack now: its own first, then the others by name."""
    return [fit.chamber for fit in fits(facility, load) if not fit.why_not]


def unseen_alarm_of(facility: UUID, machine: UUID) -> AlarmRow | None:
    """The oldest alarm that nobody has seen, of this machine or of a load that went through it."""
    states = ("unacknowledged", "returned-unacknowledged")
    rows = list(AlarmRow.objects.filter(facility_id=facility, state__in=states, **STANDING))
    loads = LoadRow.objects.filter(facility_id=facility, owner__in=[row.owner for row in rows], machine=machine)
    mine = {machine, *loads.values_list("owner", flat=True)}
    return min((row for row in rows if row.owner in mine), key=lambda row: row.raised_at, default=None)


def undecided_alarm_of(facility: UUID, machine: UUID) -> AlarmRow | None:
    """The alarm behind a load that stands stopped in this machine: resume or abort."""
    stopped = LoadRow.objects.filter(facility_id=facility, machine=machine, stage="stopped")
    owners = list(stopped.values_list("owner", flat=True))
    rows = AlarmRow.objects.filter(facility_id=facility, owner__in=owners, state="acknowledged", **STANDING)
    return rows.order_by("raised_at").first()

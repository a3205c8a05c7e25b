"""What each machine ran and which faults came up in it, from the log as it was at any length.

Rows of the read models say it, so that a chunk of machines is found without a walk through the log. Imported
history counts like the rest. Times are those that were claimed: the machine's own order.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from uuid import UUID

from django.db.models import Min, Q, QuerySet

from incidents.analysis import exposure
from incidents.analysis.exposure import Alarm, Cycle, Out, Watched
from incidents.ledger.dialect import id_out
from incidents.ledger.reading import read_stream
from incidents.projections.models import (
    AlarmRow,
    LoadRow,
    MachineRow,
    PassageRow,
    PastAlarmRow,
    PastLoadRow,
    PastRepairRow,
)
from incidents.rules.events import MachineBlocked, MachineReturned, Recorded, Stream

NEVER = float("inf")
BEGUN = ("running", "stopped", "ended")


def machines(facility: UUID, before: int) -> dict[UUID, str]:
    """The machines known when the log had this size, with their names then, in the order of their ids."""
    rows = MachineRow.objects.filter(_then(before), facility_id=facility)
    return dict(sorted((id_out(owner), name) for owner, name in rows.values_list("owner", "name")))


def of_machines(facility: UUID, chosen: Sequence[UUID], before: int, until: datetime) -> dict[UUID, Watched]:
    """Each machine's exposure and faults when the log had size `before`; what still ran then is cut at `until`."""
    cycles: dict[UUID, list[Cycle]] = defaultdict(list)
    alarms: dict[UUID, list[Alarm]] = defaultdict(list)
    outs: dict[UUID, list[Out]] = defaultdict(list)
    for machine, cycle in _cycles(facility, chosen, before, until):
        cycles[machine].append(cycle)
    for machine, alarm in _alarms(facility, chosen, before):
        alarms[machine].append(alarm)
    for machine, out in _past_repairs(facility, chosen, before):
        outs[machine].append(out)
    for machine in chosen:
        outs[machine] += _out_of_service(read_stream(facility, Stream("machine", machine), before))
    return {machine: exposure.watched(cycles[machine], alarms[machine], outs[machine]) for machine in chosen}


def _then(before: int) -> Q:
    """Rows that stood when the log had this size."""
    return Q(known_from__lt=before) & (Q(known_to=None) | Q(known_to__gte=before))


def _loads(facility: UUID, chosen: Sequence[UUID]) -> QuerySet[LoadRow]:
    return LoadRow.objects.filter(facility_id=facility, machine__in=chosen, started_at__isnull=False)


def _cycles(facility: UUID, chosen: Sequence[UUID], before: int, until: datetime) -> Iterator[tuple[UUID, Cycle]]:
    """A cycle whose end was not known by then ran on, but no longer than it was meant to."""
    loads = _loads(facility, chosen)
    passages = PassageRow.objects.filter(
        facility_id=facility, owner__in=loads.values("owner"), known_from__lt=before
    )
    known = dict(passages.filter(stage__in=BEGUN).values_list("owner").annotate(Min("known_from")))
    over = set(passages.filter(stage="ended").values_list("owner", flat=True))
    rows = loads.values_list("owner", "machine", "chamber", "started_at", "ended_at", "expected_end_at")
    for owner, machine, chamber, started_at, ended_at, expected_at in rows:
        if owner in known and machine is not None and started_at is not None:
            end = ended_at if owner in over and ended_at else min(expected_at or until, until)
            yield id_out(machine), Cycle(_seconds(started_at), _seconds(end), chamber)
    past = PastLoadRow.objects.filter(_then(before), facility_id=facility, machine__in=chosen)
    for machine, chamber, started_at, ended_at in past.values_list("machine", "chamber", "started_at", "ended_at"):
        yield id_out(machine), Cycle(_seconds(started_at), _seconds(ended_at or started_at), chamber)


def _alarms(facility: UUID, chosen: Sequence[UUID], before: int) -> Iterator[tuple[UUID, Alarm]]:
    """Each alarm once, with its load's machine and chamber, or the machine's own."""
    of_loads = {
        owner: (machine, chamber)
        for owner, machine, chamber in _loads(facility, chosen).values_list("owner", "machine", "chamber")
        if machine is not None
    }
    owners = Q(owner__in=_loads(facility, chosen).values("owner")) | Q(owner__in=chosen)
    rows = AlarmRow.objects.filter(owners, facility_id=facility, known_from__lt=before)
    for owner, _, raised_at, code in rows.values_list("owner", "alarm", "raised_at", "code").distinct():
        machine, chamber = of_loads.get(owner, (owner, ""))
        yield id_out(machine), Alarm(_seconds(raised_at), code, chamber)
    past = PastAlarmRow.objects.filter(_then(before), facility_id=facility, machine__in=chosen)
    for machine, chamber, raised_at, code in past.values_list("machine", "chamber", "raised_at", "code"):
        yield id_out(machine), Alarm(_seconds(raised_at), code, chamber)


def _past_repairs(facility: UUID, chosen: Sequence[UUID], before: int) -> Iterator[tuple[UUID, Out]]:
    """A repair of which nobody wrote down the end is a boundary at its beginning, and leaves nothing out."""
    past = PastRepairRow.objects.filter(_then(before), facility_id=facility, machine__in=chosen)
    for machine, chamber, out_at, back_at in past.values_list("machine", "chamber", "out_at", "back_at"):
        yield id_out(machine), Out(_seconds(out_at), _seconds(back_at or out_at), chamber, "Imported repair")


def _out_of_service(events: Sequence[Recorded]) -> list[Out]:
    """From each block to the return of the same chamber, or of the whole machine."""
    open_: dict[str, Out] = {}
    told = []
    for event in events:
        match event.data:
            case MachineBlocked() as data:
                open_.setdefault(data.chamber, Out(_seconds(event.occurred_at), NEVER, data.chamber, data.reason))
            case MachineReturned() as data if data.chamber in open_:
                told.append(open_.pop(data.chamber)._replace(back=_seconds(event.occurred_at)))
    return [*told, *open_.values()]


def _seconds(moment: datetime) -> float:
    return moment.astimezone(UTC).timestamp()

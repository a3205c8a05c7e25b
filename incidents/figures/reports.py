"""Reports of figures as they are kept: begun, filled chunk by chunk in any order, finished once, found, dropped."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from django.db import connection, transaction

from incidents.analysis.told_figures import Figures, Final, Fleet
from incidents.figures.models import FigureChunk, FigureReport, FigureRow
from incidents.identity.ids import named
from incidents.ledger.dialect import id_out, row_in

METHOD = "faults by machine"
VERSION = 2  # 1 had the greater p of two tests
KEPT_OF_DATES = 20  # reports of past days that somebody asked for

Row = tuple[UUID, str, str]  # machine, fault, JSON


def begin(
    facility: UUID, position: int, known_at: datetime, asked: str, chunks: Sequence[Sequence[UUID]], now: datetime
) -> FigureReport:
    """The report at this size of the log, begun now unless it was before. Two who begin it begin the same."""
    report = named(facility, f"figures {METHOD} {VERSION} {position}")
    with transaction.atomic():
        FigureReport.objects.bulk_create(
            [
                FigureReport(
                    id=report,
                    facility_id=facility,
                    position=position,
                    known_at=known_at,
                    method=METHOD,
                    version=VERSION,
                    asked=asked,
                    begun_at=now,
                )
            ],
            ignore_conflicts=True,
        )
        rows = [
            FigureChunk(report=report, number=number, machines=_json(machines))
            for number, machines in enumerate(chunks)
        ]
        FigureChunk.objects.bulk_create(rows, ignore_conflicts=True)
    return FigureReport.objects.get(id=report)


def find(report: UUID) -> FigureReport | None:
    """None where it was dropped meanwhile."""
    return FigureReport.objects.filter(id=report).first()


def undone(report: UUID) -> list[int]:
    """Numbers of the chunks that nobody has brought back."""
    rows = FigureChunk.objects.filter(report=report, done=False)
    return list(rows.order_by("number").values_list("number", flat=True))


def machines_of(report: UUID, number: int) -> list[UUID]:
    """The machines of a chunk that is to be reckoned; none where it is done or gone."""
    found = FigureChunk.objects.filter(report=report, number=number, done=False).values_list("machines", flat=True)
    return [machine for body in found for machine in msgspec.json.decode(body, type=list[UUID])]


def keep(report: UUID, number: int, rows: Sequence[Row]) -> bool:
    """A chunk's rows and that it is done, together; False where another was quicker: then nothing is written."""
    with transaction.atomic():
        if not FigureChunk.objects.filter(report=report, number=number, done=False).update(done=True):
            return False
        FigureRow.objects.bulk_create(
            [FigureRow(report=report, machine=machine, fault=fault, body=body) for machine, fault, body in rows],
            batch_size=500,
        )
    return True


def figures_of(report: FigureReport) -> dict[str, list[Figures]]:
    """Every machine's figures as they were kept, by its id; those of all machines are another shape."""
    told: dict[str, list[Figures]] = defaultdict(list)
    rows = FigureRow.objects.filter(report=report.id).exclude(machine=report.facility_id)
    for machine, body in rows.order_by("machine", "fault").values_list("machine", "body"):
        told[str(id_out(machine))].append(msgspec.json.decode(body, type=Figures))
    return told


def finish(
    report: FigureReport, finals: Mapping[tuple[str, str], Final], fleet: Mapping[str, Fleet], now: datetime
) -> bool:
    """What all rows say, and that the report is whole; False where another finished it: its row is the claim."""
    said = [row_in((_json(one), report.id, UUID(machine), fault)) for (machine, fault), one in finals.items()]
    together = [
        FigureRow(report=report.id, machine=report.facility_id, fault=fault, body=_json(one))
        for fault, one in fleet.items()
    ]
    with transaction.atomic():
        if not FigureReport.objects.filter(id=report.id, finished_at=None).update(finished_at=now):
            return False
        with connection.cursor() as cursor:
            cursor.executemany(_SAY, said)
        FigureRow.objects.bulk_create(together, batch_size=500)
    return True


def begun_again(report: UUID, now: datetime) -> None:
    """What did not come back is asked for once more, and has as long again."""
    FigureReport.objects.filter(id=report, finished_at=None).update(begun_at=now)


def _json(told: object) -> str:
    return msgspec.json.encode(told).decode()


_SAY = "UPDATE figure_row SET final = %s WHERE report = %s AND machine = %s AND fault = %s"


# --- looking ------------------------------------------------------------------------------------------


def newest(facility: UUID) -> FigureReport | None:
    """The newest whole report, of whichever version."""
    return (
        FigureReport.objects.filter(facility_id=facility, finished_at__isnull=False)
        .order_by("position", "version")
        .last()
    )


def at(facility: UUID, position: int) -> FigureReport | None:
    """The report at this size of the log, whole or not, of the newest version that there is of it."""
    return FigureReport.objects.filter(facility_id=facility, position=position).order_by("version").last()


def unfinished() -> list[FigureReport]:
    """Reports of today's method that are not whole, the longest begun first."""
    return list(FigureReport.objects.filter(method=METHOD, version=VERSION, finished_at=None).order_by("begun_at"))


def drop_older(facility: UUID) -> int:
    """Drop what the newest report replaces, and all but the newest of those that were asked for by date: any can
    be computed again. Returns how many."""
    last = newest(facility)
    if last is None:
        return 0
    here = FigureReport.objects.filter(facility_id=facility)
    by_date = here.filter(asked="date").order_by("-begun_at").values_list("id", flat=True)
    gone = list(here.exclude(asked="date").filter(position__lt=last.position).values_list("id", flat=True))
    gone += list(by_date[KEPT_OF_DATES:])
    with transaction.atomic():
        for rows in (FigureRow.objects.filter(report__in=gone), FigureChunk.objects.filter(report__in=gone)):
            rows.delete()
        FigureReport.objects.filter(id__in=gone).delete()
    return len(gone)

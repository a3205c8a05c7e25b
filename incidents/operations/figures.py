"""Figures of all machines from the log at one size: begun, reckoned in chunks, finished by whoever comes last.

Nothing here is an event: whatever is lost is computed again, to the last bit. A message that is lost delays only,
for `due` finds what was begun and not finished.

The statistics are imported where they are reckoned: SciPy takes longer to load than the rest of a process together.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import NamedTuple
from uuid import UUID

import msgspec

from incidents.figures import reports
from incidents.ledger import reading
from incidents.queries import facts, occurrences

CHUNK = 25  # machines
PATIENCE = timedelta(minutes=5)  # after which a chunk that did not come back is asked for again


class Asked(NamedTuple):
    """A report and the numbers of its chunks that somebody must reckon; with none left, it must be finished."""

    report: UUID
    chunks: list[int]


def begin(facility: UUID, now: datetime, *, asked: str, before: int | None = None) -> Asked | None:
    """Begin the report for the log as it is, or was at an earlier size. None where the log was empty then."""
    top = reading.head(facility)
    position = min(before if before is not None else 2**62, top.size) if top else 0
    if position < 1:
        return None
    (last,) = reading.read_at(facility, [position - 1])
    machines = list(occurrences.machines(facility, position))
    chunks = [machines[n : n + CHUNK] for n in range(0, len(machines), CHUNK)]
    report = reports.begin(facility, position, last.recorded_at, asked, chunks, now)
    return Asked(report.id, reports.undone(report.id))


def ask(facility: UUID, now: datetime, *, before: int) -> Asked | None:
    """Begin the report of an earlier size, for the next look of `due` to have it reckoned: needs no broker."""
    return begin(facility, now - PATIENCE, asked="date", before=before)


def due(now: datetime, every: int) -> list[Asked]:
    """What is to be reckoned: each log that grew by `every` events since its newest report, and what was begun
    long ago and did not come back."""
    late = reports.unfinished()
    under_way = {report.facility_id for report in late}
    asked = []
    for one in late:
        if one.begun_at <= now - PATIENCE:
            reports.begun_again(one.id, now)
            asked.append(Asked(one.id, reports.undone(one.id)))
    for facility, size in reading.sizes().items():
        last = reports.newest(facility)
        told = last.position if last is not None and last.version == reports.VERSION else 0
        if facility not in under_way and size >= told + (every if told else 1):
            begun = begin(facility, now, asked="events")
            asked += [begun] if begun else []
    return asked


def nightly(now: datetime) -> list[Asked]:
    """Every facility's log as it is."""
    return [begun for facility in reading.sizes() if (begun := begin(facility, now, asked="nightly"))]


def reckon(report_id: UUID, number: int, now: datetime) -> bool:
    """Reckon a chunk and, where it was the last, finish the report: True. Twice, or by two at once, it is once."""
    report = reports.find(report_id)
    if report is None:
        return False
    chosen = reports.machines_of(report_id, number)
    if chosen:
        rows = rows_of(report.facility_id, chosen, report.position, report.known_at)
        reports.keep(report_id, number, rows)
    return finish(report_id, now)


def rows_of(facility: UUID, chosen: Sequence[UUID], position: int, known_at: datetime) -> list[reports.Row]:
    """The rows of some machines; each row's bytes are the same in whichever company it is reckoned."""
    from incidents.analysis import machine_figures

    found = occurrences.of_machines(facility, chosen, position, known_at)
    within = facts.policy(facility, position).same_fault_cycles
    figures = machine_figures.reduced([found[machine] for machine in chosen], within=within)
    return [
        (machine, one.fault, msgspec.json.encode(one).decode())
        for machine, each in zip(chosen, figures, strict=True)
        for one in each
    ]


def finish(report_id: UUID, now: datetime) -> bool:
    """The final reduction, once all chunks are there. Looked at after the last commit, so that of two who end at
    once at least one sees the other's; both may reckon, one writes."""
    report = reports.find(report_id)
    if report is None or report.finished_at is not None or reports.undone(report_id):
        return False
    from incidents.analysis import verdicts

    told = verdicts.final(reports.figures_of(report))
    written = reports.finish(report, told.finals, told.fleet, now)
    if written:
        reports.drop_older(report.facility_id)
    return written


def compute(facility: UUID, now: datetime, *, before: int | None = None) -> UUID | None:
    """The whole report here and now, without a worker; None where the log was empty then."""
    begun = begin(facility, now, asked="date" if before is not None else "events", before=before)
    if begun is None:
        return None
    for number in begun.chunks:
        reckon(begun.report, number, now)
    finish(begun.report, now)
    return begun.report

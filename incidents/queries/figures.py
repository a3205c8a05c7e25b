"""A machine's figures as they were last computed, or at an earlier size of the log, and how old they are."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple
from uuid import UUID

import msgspec

from incidents.analysis.exposure import TOGETHER
from incidents.analysis.told_figures import FALLING, RISING, Figures, Final, Fleet, Watch
from incidents.figures import reports
from incidents.figures.models import FigureReport, FigureRow
from incidents.ledger import reading
from incidents.ledger.dialect import id_out
from incidents.queries import facts


class Told(NamedTuple):
    """One fault of the machine: its own figures, what all rows say of it, and the fault over all machines."""

    title: str
    own: Figures
    final: Final | None
    fleet: Fleet | None


class MachineFigures(NamedTuple):
    """`since` counts the entries that came after the figures; `outdated` says that an older method made them."""

    position: int
    known_at: datetime
    finished_at: datetime | None
    method: str
    version: int
    since: int
    outdated: bool
    watch: Watch
    together: Told
    faults: tuple[Told, ...]

    @property
    def rows(self) -> tuple[Told, ...]:
        return (self.together, *self.faults)


def of_machine(facility: UUID, machine: UUID, position: int | None = None) -> MachineFigures | None:
    """The newest figures, or those at this size of the log. None where none are whole, or it wasn't known then."""
    report = reports.newest(facility) if position is None else reports.at(facility, position)
    if report is None or report.finished_at is None:
        return None
    rows = FigureRow.objects.filter(report=report.id, machine__in=(machine, facility))
    found = list(rows.values_list("machine", "fault", "body", "final"))
    fleet = {
        fault: msgspec.json.decode(body, type=Fleet) for owner, fault, body, _ in found if id_out(owner) == facility
    }
    titles = _titles(facility)
    told = [_told(titles, fleet, *row[2:]) for row in found if id_out(row[0]) == machine]
    together = next((one for one in told if one.own.fault == TOGETHER), None)
    if together is None or together.own.watch is None:
        return None
    faults = sorted((one for one in told if one is not together), key=_worst_first)
    top = reading.head(facility)
    return MachineFigures(
        report.position,
        report.known_at,
        report.finished_at,
        report.method,
        report.version,
        (top.size if top else 0) - report.position,
        report.version != reports.VERSION,
        together.own.watch,
        together,
        tuple(faults),
    )


def begun(facility: UUID, position: int) -> bool:
    """Is a report at this size of the log being computed?"""
    report = reports.at(facility, position)
    return report is not None and report.finished_at is None


def machines_that_rise(facility: UUID) -> set[UUID]:
    """Machines of which the newest figures say that some fault comes faster."""
    report: FigureReport | None = reports.newest(facility)
    if report is None:
        return set()
    rows = FigureRow.objects.filter(report=report.id, final__contains=f'"verdict":"{RISING}"')
    return {id_out(machine) for machine in rows.values_list("machine", flat=True)}


def _told(titles: dict[str, str], fleet: dict[str, Fleet], body: str, final: str) -> Told:
    own = msgspec.json.decode(body, type=Figures)
    said = msgspec.json.decode(final, type=Final) if final else None
    title = titles.get(own.fault.casefold(), "Not in the catalogue")
    return Told("All faults together" if own.fault == TOGETHER else title, own, said, fleet.get(own.fault))


def _titles(facility: UUID) -> dict[str, str]:
    catalogue = facts.catalogue(facility)
    return {fault.code.casefold(): fault.title for fault in catalogue.faults} if catalogue else {}


def _worst_first(one: Told) -> tuple[int, int, str]:
    final = one.final
    weight = {RISING: 0, FALLING: 2}.get(final.verdict, 3) if final else 4
    return (1 if final and final.above and weight > 1 else weight, -one.own.count, one.own.fault)

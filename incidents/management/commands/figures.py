"""`manage.py figures`: compute every machine's figures here and now, of the log as it is or was at a moment."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from incidents.analysis.exposure import TOGETHER
from incidents.identity.models import Facility
from incidents.ledger import reading
from incidents.operations import figures
from incidents.queries import figures as looks
from incidents.queries import occurrences


class Command(BaseCommand):
    help = "Compute the figures of every machine without a worker; with --at of the log as it was then."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--facility", help="its short name in addresses; all of them unless told")
        parser.add_argument("--at", type=_moment, help="a moment in ISO 8601, UTC unless it says otherwise")

    def handle(self, *args: Any, facility: str | None, at: datetime | None, **options: Any) -> None:
        chosen = Facility.objects.filter(**({"slug": facility} if facility else {})).order_by("slug")
        if not chosen:
            raise CommandError(f"There is no facility “{facility}” here. Nothing was computed.")
        for here in chosen:
            self._compute(here, at)

    def _compute(self, here: Facility, at: datetime | None) -> None:
        before = reading.size_at(here.id, at) if at else None
        if figures.compute(here.id, timezone.now(), before=before) is None:
            self.stdout.write(f"{here.slug}: nothing was recorded yet.")
            return
        top = reading.head(here.id)
        size = before if before is not None else top.size if top else 0
        for machine, name in occurrences.machines(here.id, size).items():
            told = looks.of_machine(here.id, machine, size)
            for one in told.rows if told else ():
                verdict = one.final.verdict if one.final else "no cycle yet"
                fault = "all faults" if one.own.fault == TOGETHER else one.own.fault
                repaired = ", repaired" if one.final and one.final.repaired else ""
                counts = f"{one.own.count} in {one.own.cycles} cycles"
                self.stdout.write(f"{here.slug}: {name}, {fault}: {counts}, {verdict}{repaired}")


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise CommandError(f"“{text}” is no moment in ISO 8601. Nothing was computed.") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)

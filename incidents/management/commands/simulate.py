"""`manage.py simulate`: two invented departments with a history, written by the operations that everybody uses."""

import sys
import time
from argparse import ArgumentTypeError
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.utils import timezone

from incidents.identity.models import Facility
from incidents.ledger.reading import head
from incidents.operations.demonstration import RealDataHere
from incidents.simulation import cast, model
from incidents.simulation.writer import NOTHING, Written, write_history

DEFAULT_SEED, DEFAULT_DAYS, DEFAULT_MACHINES = 7, 30, 8


class Command(BaseCommand):
    help = "Write an invented history of two departments into a database that holds no other data."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--days", type=_whole(1, 400), default=DEFAULT_DAYS, help="1 to 400")
        parser.add_argument("--seed", type=_whole(0, 2**32), default=DEFAULT_SEED)
        parser.add_argument("--end", type=_end, default=None, help="last day (YYYY-MM-DD, UTC); else it ends now")
        least, most = cast.LEAST_MACHINES, cast.MOST_MACHINES
        machines = _whole(least, most)
        parser.add_argument(
            "--machines", type=machines, default=DEFAULT_MACHINES, help=f"{least} to {most}, in all"
        )

    def handle(self, *args: Any, days: int, seed: int, end: datetime | None, machines: int, **options: Any) -> None:
        now = timezone.now()
        end = end or now.replace(second=0, microsecond=0)
        if end > now:
            sys.exit("The history would end in the future. Give a day that is over.")
        if Facility.objects.exists():
            sys.exit(
                "This database holds data already. A history is written into an empty one: give another --data."
            )
        try:
            write(seed, end, days, machines, say=self.stdout.write)
        except RealDataHere:
            sys.exit("A real facility stands in this database. Nothing was written.")


def write(seed: int, end: datetime, days: int, machines: int, say: Callable[[str], Any]) -> Written:
    """Write both departments and say how fast; the caller made sure that nothing is there yet."""
    began = time.perf_counter()
    whole = NOTHING
    for department in model.departments(seed, end, days, machines):
        for _, written in write_history(department, seed, end):
            whole += written
        log = head(department.facility)
        assert log is not None
        say(f"{department.place.name}: {log.size} events, root {log.root.hex()}")
    took_s = time.perf_counter() - began
    deeds = whole.done + whole.refused
    say(
        f"{deeds} deeds in {took_s:.1f} s ({deeds / took_s:.0f} deeds/s), {whole.refused} of them refused by the"
        f" rules, {len(whole.odd)} otherwise than expected. Seed {seed}, {days} days to {end:%Y-%m-%d %H:%M} UTC."
    )
    return whole


def _whole(least: int, most: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if text.isascii() and text.isdigit() and least <= int(text) <= most:
            return int(text)
        raise ArgumentTypeError(f"a whole number from {least} to {most}")

    return read


def _end(text: str) -> datetime:
    """The moment at which that day is over."""
    try:
        return datetime.strptime(text, "%Y-%m-%d").replace(tzinfo=UTC) + timedelta(days=1)
    except ValueError:
        raise ArgumentTypeError("a date like 2026-10-31") from None

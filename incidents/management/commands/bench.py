"""Measure the production paths beside the driver alone, on a throwaway database of the kind in use."""

from argparse import ArgumentParser
from typing import Any

import msgspec
from django.core.management.base import BaseCommand

from incidents.management.benches import append, deed, rebuild
from incidents.management.benches.timing import Figure, rounded

COLUMNS = (
    ("name", 34),
    ("events_per_s", 14),
    ("p50_ms", 9),
    ("p99_ms", 9),
    ("raw_events_per_s", 18),
    ("ratio_to_raw", 14),
    ("ratio_to_bare_insert", 22),
    ("lock_ms", 9),
)


class Command(BaseCommand):
    help = "Time appends, a deed or a rebuild on a throwaway database, in turns with the same work by the driver."
    requires_system_checks = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("what", choices=("append", "deed", "rebuild"))
        parser.add_argument("--json", action="store_true", help="a list of objects instead of a table")
        parser.add_argument("--seconds", type=float, default=8.0, help="for each figure of append and deed")
        parser.add_argument("--clients", type=int, default=8, help="processes that append at once")
        parser.add_argument("--events", type=int, default=500_000, help="length of the log to rebuild from")

    def handle(self, *args: Any, **options: Any) -> None:
        figures = self._run(options)
        if options["json"]:
            self.stdout.write(msgspec.json.encode([rounded(figure) for figure in figures]).decode())
            return
        self.stdout.write(f"{figures[0].database}")
        self.stdout.write("".join(f"{name:<{width}}" for name, width in COLUMNS))
        for figure in figures:
            told = rounded(figure)
            self.stdout.write("".join(f"{told.get(name, '')!s:<{width}}" for name, width in COLUMNS))

    def _run(self, options: dict[str, Any]) -> list[Figure]:
        match options["what"]:
            case "append":
                return append.run(options["seconds"], options["clients"])
            case "deed":
                return deed.run(options["seconds"])
            case _:
                return rebuild.run(options["events"])

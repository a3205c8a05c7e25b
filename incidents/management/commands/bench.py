"""Measure the production paths beside the driver alone, on a throwaway database of the kind in use."""

from argparse import ArgumentParser
from collections.abc import Sequence
from typing import Any

import msgspec
from django.core.management.base import BaseCommand

from incidents.management.benches import (
    append,
    deed,
    figures,
    judging,
    over_http,
    pages,
    rebuild,
    studies,
    sweeping,
    watching,
)
from incidents.management.benches.timing import rounded

COLUMNS = (
    ("name", 48),
    ("study", 40),
    ("server", 8),
    ("clients", 9),
    ("per_s", 11),
    ("events_per_s", 14),
    ("p50_ms", 9),
    ("p99_ms", 9),
    ("cpu_ms", 9),
    ("cpu_p50_ms", 12),
    ("cpu_p99_ms", 12),
    ("raw_events_per_s", 18),
    ("ratio_to_raw", 14),
    ("ratio_to_bare_insert", 22),
    ("ratio_to_plain", 16),
    ("viewers", 9),
    ("percent_of_core", 17),
    ("lock_ms", 9),
    ("queries", 9),
    ("kilobytes", 11),
    ("seconds_per_1000_cycles", 25),
    ("times_the_plain_loop", 22),
    ("seconds", 10),
    ("workers", 9),
    ("case", 64),
    ("value", 10),
    ("error", 9),
    ("wanted", 9),
    ("runs", 8),
    ("times_the_library", 19),
)


class Command(BaseCommand):
    help = "Time appends, deeds, a rebuild, pages, the live stream, the API, judging records, figures, a sweep."
    requires_system_checks = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        kinds = ("append", "deed", "rebuild", "pages", "watching", "judge", "http", "figures", "studies", "sweep")
        parser.add_argument("what", choices=kinds)
        parser.add_argument("--json", action="store_true", help="a list of objects instead of a table")
        parser.add_argument(
            "--seconds", type=float, help="for each figure (8); watching: in which nothing happens (65)"
        )
        parser.add_argument("--clients", type=int, default=8, help="processes that append at once")
        parser.add_argument("--viewers", type=int, default=40, help="screens on the live stream")
        parser.add_argument("--events", type=int, help="length of the log (500000; watching: 20000)")
        parser.add_argument(
            "--cycles", type=int, default=1000, help="records of an hour that judge holds against a programme"
        )
        parser.add_argument("--machines", type=int, default=1000, help="whose figures are reckoned")
        parser.add_argument("--size", type=int, default=4000, help="histories for each share of the studies")
        parser.add_argument("--items", type=int, default=100_000, help="open items that a sweep passes over")
        parser.add_argument("--seeds", type=int, default=200, help="simulated months for the studies")
        parser.add_argument("--first-seed", type=int, default=1, help="of the first of these months")
        parser.add_argument("--times", type=int, default=200, help="how often each page or request is asked for")

    def handle(self, *args: Any, **options: Any) -> None:
        figures = self._run(options)
        if options["json"]:
            self.stdout.write(msgspec.json.encode([rounded(figure) for figure in figures]).decode())
            return
        self.stdout.write(getattr(figures[0], "database", "no database"))
        lines = [rounded(figure) for figure in figures]
        shown = [(name, width) for name, width in COLUMNS if any(name in told for told in lines)]
        self.stdout.write("".join(f"{name:<{width}}" for name, width in shown))
        for told in lines:
            self.stdout.write("".join(f"{told.get(name, '')!s:<{width}}" for name, width in shown))

    def _run(self, options: dict[str, Any]) -> Sequence[msgspec.Struct]:
        seconds, events = options["seconds"], options["events"]
        match options["what"]:
            case "append":
                return append.run(seconds or 8, options["clients"])
            case "deed":
                return deed.run(seconds or 8)
            case "judge":
                return judging.run(options["cycles"])
            case "figures":
                return figures.run(options["machines"])
            case "studies":
                return studies.run(options["size"], options["seeds"], options["first_seed"])
            case "sweep":
                return sweeping.run(options["items"])
            case "pages":
                return pages.run(events or 500_000, options["times"])
            case "http":
                return over_http.run(options["times"])
            case "watching":
                return watching.run(events or 20_000, options["viewers"], seconds or 65)
            case _:
                return rebuild.run(events or 500_000)

"""`manage.py drill`: real processes of our own, killed at random, and a count of what that cost."""

from argparse import ArgumentParser
from typing import Any

import msgspec
from django.core.management.base import BaseCommand

from incidents.management.drills import ledger
from incidents.management.drills.engine import NotHere


class Command(BaseCommand):
    help = "Drill the ledger in a folder of its own; exit 1 if anything was lost, doubled, or the control was not."
    requires_system_checks = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("what", choices=("ledger",))
        parser.add_argument("--acks", type=int, default=10_000, help="observations to get acknowledged")
        parser.add_argument("--kills", type=int, default=200, help="kill -9 at random meanwhile")
        parser.add_argument("--seed", type=int, default=1)
        parser.add_argument("--engine", choices=("sqlite", "postgresql"), default="sqlite")
        parser.add_argument("--json", action="store_true")

    def handle(self, *args: Any, **options: Any) -> None:
        if not 0 < options["kills"] < options["acks"]:
            self._leave("--kills must be at least 1 and less than --acks.")
        say = (lambda line: None) if options["json"] else lambda line: self.stderr.write(line)
        try:
            report = ledger.run(
                options["acks"],
                options["kills"],
                options["seed"],
                postgresql=options["engine"] == "postgresql",
                say=say,
            )
        except NotHere as missing:
            self._leave(str(missing))
        if options["json"]:
            self.stdout.write(msgspec.json.encode(report).decode())
        else:
            for name, value in msgspec.to_builtins(report).items():
                self.stdout.write(f"{name:<20}{value}")
        if report.lost or report.duplicated or not report.whole or not report.control_lost:
            raise SystemExit(1)

    def _leave(self, sentence: str) -> None:
        self.stderr.write(sentence)
        raise SystemExit(2)

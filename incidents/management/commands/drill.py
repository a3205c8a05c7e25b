"""`manage.py drill`: real processes of our own, killed at random, and a count of what that cost."""

from argparse import ArgumentParser
from typing import Any

import msgspec
from django.core.management.base import BaseCommand

from incidents.management.drills import escalation, ledger
from incidents.management.drills.engine import NotHere


class Command(BaseCommand):
    help = "Drill in a folder of its own; exit 1 if anything was lost or doubled, or the control lost nothing."
    requires_system_checks = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("what", choices=("ledger", "escalation"))
        parser.add_argument("--acks", type=int, default=10_000, help="ledger: observations to get acknowledged")
        parser.add_argument("--items", type=int, default=500, help="escalation: alarms that nobody sees")
        parser.add_argument("--kills", type=int, help="kill -9 at random meanwhile (ledger 200, escalation 100)")
        parser.add_argument("--seed", type=int, default=1)
        parser.add_argument("--engine", choices=("sqlite", "postgresql"), default="sqlite")
        parser.add_argument("--json", action="store_true")

    def handle(self, *args: Any, **options: Any) -> None:
        say = (lambda line: None) if options["json"] else lambda line: self.stderr.write(line)
        more = {"postgresql": options["engine"] == "postgresql", "say": say}
        kills, seed = options["kills"], options["seed"]
        report: ledger.Report | escalation.Report
        try:
            if options["what"] == "ledger":
                kills = 200 if kills is None else kills
                if not 0 < kills < options["acks"]:
                    self._leave("--kills must be at least 1 and less than --acks.")
                report = ledger.run(options["acks"], kills, seed, **more)
            else:
                kills = 100 if kills is None else kills
                if min(kills, options["items"]) < 1:
                    self._leave("--kills and --items must be at least 1.")
                report = escalation.run(options["items"], kills, seed, **more)
        except NotHere as missing:
            self._leave(str(missing))
        if options["json"]:
            self.stdout.write(msgspec.json.encode(report).decode())
        else:
            for name, value in msgspec.to_builtins(report).items():
                self.stdout.write(f"{name:<20}{value}")
        if not report.held:
            raise SystemExit(1)

    def _leave(self, sentence: str) -> None:
        self.stderr.write(sentence)
        raise SystemExit(2)

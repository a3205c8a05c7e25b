"""Make the read models anew from the log, or only say how many rows differ."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand
from tqdm import tqdm

from incidents.identity.models import Facility
from incidents.ledger.reading import head
from incidents.projections import rebuild


class Command(BaseCommand):
    help = "Fold every facility's log into its read models; with --check compare only, exit 1 on a difference."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--check", action="store_true", help="write nothing")
        parser.add_argument("--facility", default="", help="slug of one facility")

    def handle(self, *args: Any, **options: Any) -> None:
        slug = options["facility"]
        chosen = Facility.objects.filter(slug=slug) if slug else Facility.objects.all()
        if slug and not chosen:
            self.stderr.write(f"There is no facility “{slug}”. Its slug stands in its pages' address, after /f/.")
            raise SystemExit(2)
        work = rebuild.check if options["check"] else rebuild.rebuild
        events = differences = 0
        for facility in chosen.order_by("slug"):
            log = head(facility.id)
            with tqdm(total=log.size if log else 0, desc=facility.slug, unit=" events", disable=None) as bar:
                report = work(facility.id, bar.update)
            events += report.events
            differences += report.differences
        self.stdout.write(f"{events} events, {differences} differences")
        if options["check"] and differences:
            raise SystemExit(1)

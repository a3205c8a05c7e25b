"""`manage.py demonstrate`: act the future of a demonstration until asked to stop; `start --demo` runs it."""

import signal
import sys
import threading
from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from incidents.identity.models import Facility
from incidents.ledger.writing import LedgerBusy
from incidents.management import demo
from incidents.simulation import cast
from incidents.simulation.living import Living

LOOK_EVERY_S = 2.0


class Command(BaseCommand):
    help = "Go on acting in the demonstration's departments, in real time, until asked to stop."
    requires_system_checks = []

    def handle(self, *args: Any, **options: Any) -> None:
        asked = threading.Event()
        for request in (signal.SIGTERM, signal.SIGINT):
            signal.signal(request, lambda *_: asked.set())
        try:
            demo.require_kind(True)
        except demo.NotThisWay as refusal:
            sys.exit(str(refusal))
        places = {place.slug: place for place in cast.places(cast.MOST_MACHINES)}
        here = Facility.objects.filter(slug__in=places)
        departments = [Living(places[row.slug], row.id, demo.SEED) for row in here]
        while not asked.wait(LOOK_EVERY_S):
            for department in departments:
                try:
                    department.look(timezone.now())
                except LedgerBusy:
                    continue  # a visitor is quicker; it looks again in two seconds

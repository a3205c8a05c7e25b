"""Gauges for a Prometheus server: what waits, how old the watch is, how long an append takes.

They tell every facility's slug, so they are read with a token from the environment, or not at all.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterator

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.utils import timezone
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector

from incidents.identity.models import Facility
from incidents.ledger import witness, writing
from incidents.queries import floor

registry = CollectorRegistry()
APPEND = Histogram(
    "sluicegate_append_seconds",
    "From asking for a facility's lock to the commit, of what this process wrote.",
    registry=registry,
    buckets=(0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 3),
)
REQUEST = Histogram(
    "sluicegate_request_seconds",
    "Answers of this process, by route and kind of status.",
    ("route", "method", "status"),
    registry=registry,
    buckets=(0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 3),
)
writing.watch(APPEND.observe)


class Board(Collector):
    """Read from the database when asked."""

    def collect(self) -> Iterator[GaugeMetricFamily]:
        slugs = dict(Facility.objects.values_list("id", "slug"))
        items = GaugeMetricFamily(
            "sluicegate_open_items", "Things that need someone.", labels=("facility", "priority")
        )
        for facility, priority, count in floor.item_counts():
            items.add_metric([slugs.get(facility, "unknown"), priority], count)
        yield items
        logs = GaugeMetricFamily("sluicegate_log_events", "Events in the log.", labels=("facility",))
        for facility, size in floor.log_sizes().items():
            logs.add_metric([slugs.get(facility, "unknown")], size)
        yield logs
        swept = floor.watch_at()
        if swept is not None:
            age = (timezone.now() - swept).total_seconds()
            yield GaugeMetricFamily(
                "sluicegate_sweep_age_seconds", "Since the sweep last ran to its end.", value=age
            )
        doubts = len(witness.doubts())
        yield GaugeMetricFamily("sluicegate_logs_in_doubt", "Logs that are not those last noted.", value=doubts)


registry.register(Board())


def metrics(request: HttpRequest) -> HttpResponse:
    """Prometheus's text format; 404 without the token."""
    wanted = f"Bearer {settings.METRICS_TOKEN}".encode()
    given = request.headers.get("Authorization", "").encode()
    if not settings.METRICS_TOKEN or not secrets.compare_digest(given, wanted):
        raise Http404
    return HttpResponse(generate_latest(registry), content_type=CONTENT_TYPE_LATEST)

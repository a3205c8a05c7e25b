"""Every page that GET shows, asked for many times in a department with years behind it.

The pages come from the addresses themselves: a route that is neither visited here nor refuses GET ends the bench.
"""

from __future__ import annotations

import gc
import logging
import time
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from itertools import islice
from typing import Any, NamedTuple
from unittest import mock
from urllib.parse import urlencode
from uuid import UUID

import msgspec
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext, override_settings
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

from incidents.identity.ids import named
from incidents.identity.models import Competence, Facility, Membership, Person
from incidents.ledger import writing
from incidents.ledger.dialect import learn_lengths, on_postgresql
from incidents.ledger.writing import Deed, digest_of, open_ledger
from incidents.management.benches.arena import arena
from incidents.management.benches.contest import FACILITY
from incidents.management.benches.timing import percentile_ms
from incidents.management.benches.years import INES, PAST, PEOPLE, Years, machine_id, rack_id
from incidents.projections import rebuild as projections
from incidents.queries import floor
from incidents.rules.authority import COMPETENCES, ROLES
from incidents.rules.events import Actor, LoadPlaced

SLUG = "bench"
OPEN_ITEMS = 60
PER_DEED = 2_500  # events
LATE = 250  # one placing in so many is a late entry
API = "api/"  # its doors are no pages
STREAMS = ("live",)  # stays open; `bench watching` measures it
PANES = {"HX-Request": "true"}
METRICS_TOKEN = "bench"
LOAD_DEEDS: tuple[str, ...] = (
    "cleared",
    "stopped",
    "power",
    "door",
    "wrong-programme",
    "reject",
    "contamination",
    "send-tray",
)
LOAD_DEEDS += ("note", "correct", "attribution")
ANY: Mapping[str, Any] = {"slug": SLUG, "kind": "load", "name": "note", "number": 1, "token": "none"}


class Visit(NamedTuple):
    """One way of asking for a route: `what` tells it from the others."""

    what: str = ""
    named: Mapping[str, Any] = {}
    asked: Mapping[str, Any] = {}
    headers: Mapping[str, str] = {}
    answer: int = 0


class Figure(msgspec.Struct, frozen=True):
    """A page's times in ms, by the clock and of this process's own work, its statements, and its length in kB.

    On a machine that others use too only the process's own time says much; on PostgreSQL the server's is not in it.
    """

    name: str
    database: str
    p50_ms: float
    p99_ms: float
    cpu_p50_ms: float
    cpu_p99_ms: float
    queries: int
    kilobytes: float


def run(events: int, times: int) -> list[Figure]:
    """A figure for every page, each asked for so many times, in turns."""
    with arena(), override_settings(METRICS_TOKEN=METRICS_TOKEN):
        years = Years(events, timezone.now() - timedelta(hours=1))
        write(years)
        client = visitor()
        pages = [(name, visit) for name, visits in _visits(years).items() for visit in visits]
        logging.disable(logging.WARNING)  # what is refused on the way is meant to be
        everything_is_visited(client, {name for name, _ in pages})
        return _measured(client, pages, times)


# --- a department -------------------------------------------------------------------------------------


def write(years: Years) -> None:
    """By the ledger, then the read models at once."""
    facility = Facility.objects.create(id=FACILITY, slug=SLUG, name="Bench", time_zone="Europe/Amsterdam")
    today = timezone.now().date()
    for n, person in enumerate(PEOPLE):
        Person.objects.create(id=person, login=f"person-{n}", name=f"Person {n:02d}")
        roles = ROLES[:-1] if person == INES else ROLES[n % 3 : n % 3 + 1]
        Membership.objects.bulk_create(Membership(facility=facility, person_id=person, role=role) for role in roles)
    for kind in COMPETENCES:
        until = today + timedelta(days=300)
        Competence.objects.create(
            facility=facility, person_id=INES, kind=kind, valid_from=date(2020, 1, 1), valid_until=until
        )
    told = years.told()
    with mock.patch.object(writing, "_followers", []):
        first = True
        for number in range(0, years.events, PER_DEED):
            batch = list(islice(told, PER_DEED))
            if first:
                open_ledger(FACILITY, batch[0].at)
                first = False
            actor = Actor("person", PEOPLE[number // PER_DEED % len(PEOPLE)])
            deed = Deed(named(FACILITY, f"deed {number}"), "import", actor, digest_of("import", actor, {}))
            with writing.writing(FACILITY, batch[-1].at, deed) as log:
                for n, each in enumerate(batch, number):
                    late = n % LATE == 0 and isinstance(each.event, LoadPlaced)
                    at = batch[-1].at - timedelta(hours=1) if late else batch[-1].at
                    log.append(each.stream, each.event, occurred_at=at)
    projections.rebuild(FACILITY)
    learn_lengths()  # as the worker does
    if on_postgresql():
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")  # as autovacuum would have by now
    found = len(floor.open_items(FACILITY))
    if found != OPEN_ITEMS:
        raise RuntimeError(f"the department should have {OPEN_ITEMS} open items and has {found}")


def visitor() -> Client:
    """Somebody who may do everything, in a browser."""
    client = Client(SERVER_NAME="localhost")
    client.force_login(Person.objects.get(id=INES), backend="incidents.identity.backends.BadgeAndPin")
    return client


# --- what is visited ----------------------------------------------------------------------------------


def _visits(years: Years) -> dict[str, list[Visit]]:
    """Each route by name, with the ways of asking for it."""
    loads = {
        "released": years.released,
        "held": years.held,
        "under recall": years.recall,
        "long story": years.long,
        "stopped": years.unseen,
        "reviewed": years.reviewed,
    }
    of_loads = [Visit(what, {"load": load}) for what, load in loads.items()]
    reviewed, rack, machine = {"load": years.reviewed}, {"rack": rack_id(0)}, {"machine": machine_id(10)}
    hold = {"hold": f"manual:{named(years.held, 'hold')}"}
    position, moment = _half_way(years.events)
    when = {"when": f"{moment:%Y-%m-%dT%H:%M:%S}"}
    return {
        **_doors(),
        "now": [Visit(), Visit("panes", headers=PANES), Visit("as known at", asked=when)],
        "wall": [Visit(), Visit("panes", headers=PANES)],
        "last-known": [Visit()],
        "offline-worker": [Visit()],
        "scan": [Visit(what, asked={"code": code}) for what, code in _codes(years).items()],
        "loads": list(_searches()),
        "load": [
            *of_loads,
            Visit("long story, at a position", {"load": years.long}, {"at": position}),
            Visit("long story, at a time", {"load": years.long}, {"when": f"{timezone.now():%Y-%m-%dT%H:%M:%S}"}),
        ],
        "assemble": [Visit()],
        "drafts": [Visit(asked={"page": f"/f/{SLUG}/"})],
        "past-load": [Visit(named={"past": PAST})],
        "release-round": [Visit()],
        **{name: [Visit(named=reviewed)] for name in ("review", "readings", "release")},
        "hold-tag": [Visit(named={"load": years.held})],
        **{name: [Visit("refused", {"load": years.held}, answer=409)] for name in ("release-label", "record-page")},
        "lift": [Visit(named={"load": years.held}, asked=hold)],
        "what-if": [Visit("refused", reviewed, {"edition": "1"}, answer=409)],
        "withdraw-record": [Visit("refused", {"load": years.held}, answer=409)],
        # One signature lifts this hold: both answer with the load's page and say so.
        **{
            name: [Visit("refused", {"load": years.held}, hold, answer=409)]
            for name in ("lift-first", "lift-second")
        },
        "load-deed": [Visit(name, {"load": years.held, "name": name}) for name in LOAD_DEEDS],
        "alarm": [
            Visit("unseen", _of_alarm(years.unseen, years)),
            Visit("decide", _of_alarm(years.decide, years)),
            Visit(
                "of a machine", {"kind": "machine", "owner": machine_id(1), "alarm": named(machine_id(1), "alarm")}
            ),
        ],
        **{name: [Visit(named=machine)] for name in ("machine", "machine-figures", "limit-machine", "record-form")},
        "evidence": list(_evidence(years)),
        "downtime": [Visit()],
        "messages": [Visit()],
        "handover": [Visit()],
        "contacts": [Visit()],
        "times": [Visit()],
        "incident": [Visit(named={"alarm": named(years.unseen, "alarm")})],
        "open-item": [Visit(named={"kind": "load", "owner": years.held, "item": "held"})],
        "print-forms": [Visit("one form", asked={"first": 10**4, "last": 10**4})],
        "find-form": [Visit(asked={"number": 7})],
        "enter-form": [Visit("issued", {"number": 10**4}), Visit("entered", {"number": 1})],
        **{
            name: [Visit()]
            for name in ("catalogue", "catalogue-draft", "catalogue-compare", "catalogue-attribution")
        },
        **{
            name: [Visit(named={"programme": named(FACILITY, "programme 0")})]
            for name in ("programme", "programme-draft", "programme-compare", "programme-attribution")
        },
        "catalogue-fault": [Visit("new"), Visit("known", asked={"code": "F07"})],
        "racks": [Visit()],
        "rack": [Visit(named=rack)],
        "sets": [Visit(), Visit("find", asked={"find": "17"}), Visit("further", asked={"from": 50})],
        "set-up": [Visit(), Visit("find", asked={"find": "Person 1"})],
        "policy": [Visit()],
        "escalation": [Visit()],
        "escalation-draft": [Visit()],
        "rotas": [Visit()],
        "set-calendar": [Visit()],
        "set-rights": [Visit(named={"person": PEOPLE[1]})],
        **{name: [Visit()] for name in ("add-person", "add-machine", "add-programme", "add-set")},
    }


def _doors() -> dict[str, list[Visit]]:
    named = {name: [Visit()] for name in ("root", "livez", "readyz", "first-run", "sign-in", "tokens")}
    return named | {"metrics": [Visit(headers={"Authorization": f"Bearer {METRICS_TOKEN}"})]}


def _codes(years: Years) -> dict[str, str]:
    return {
        "machine": "M-Alder",
        "load": "Alder 1003",
        "number": "2026-000007",
        "tray": "T017-3",
        "past load": "alder 12",
        "nothing": "none",
    }


def _searches() -> Iterator[Visit]:
    yield Visit()
    for disposition in ("in process", "awaiting review", "quarantined", "released", "reprocessed", "under recall"):
        yield Visit(disposition, asked={"disposition": disposition})
    for search in ("Alder 10", "000042", "T017-3", "no such load"):
        yield Visit(f"search “{search}”", asked={"search": search})
        yield Visit(f"search “{search}” released", asked={"search": search, "disposition": "released"})


def _of_alarm(load: UUID, years: Years) -> dict[str, Any]:
    return {"kind": "load", "owner": load, "alarm": named(load, "alarm")}


def _half_way(events: int) -> tuple[int, datetime]:
    """A position and the moment at which the log had that size."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT recorded_at FROM ledger_event WHERE facility_id = %s AND position = %s",
            (FACILITY, events // 2),
        )
        (at,) = cursor.fetchone()
    moment = at if isinstance(at, datetime) else datetime.fromisoformat(at).replace(tzinfo=UTC)
    return events // 2, moment


def _evidence(years: Years) -> Iterator[Visit]:
    month = (timezone.now() - timedelta(days=30)).date().isoformat()
    _, moment = _half_way(years.events)
    asked: dict[str, dict[str, Any]] = {
        "": {},
        "half way": {"before": years.events // 2},
        "late entries": {"late": "yes"},
        "late entries of the month": {"late": "yes", "since": month},
        "corrections": {"type": "corrections"},
        "overrides": {"type": "overrides"},
        "overrides of the month": {"type": "overrides", "since": month},
        "one type, rare": {"type": "policy-set"},
        "one type, never": {"type": "power-lost"},
        "one type, common": {"type": "load-placed"},
        "one person": {"person": PEOPLE[7]},
        "nobody’s": {"person": FACILITY},
        "a person’s rare type": {"person": PEOPLE[7], "type": "hold-lifted"},
        "a kind": {"kind": "machine"},
        "loads": {"kind": "load"},
        "a kind that is short": {"kind": "policy"},
        "one stream": {"kind": "load", "stream": years.long},
        "a time": {"since": moment.date().isoformat(), "until": moment.date().isoformat()},
        "before everything": {"until": "2001-01-01"},
        "after everything": {"since": "2099-01-01"},
    }
    for what, each in asked.items():
        yield Visit(what, asked=each)


# --- that nothing is left out -------------------------------------------------------------------------


def everything_is_visited(client: Client, visited: set[str]) -> None:
    """Raises LookupError where a route is neither visited nor refuses GET."""
    for pattern in page_routes():
        name = str(pattern.name)
        if name in visited or name in STREAMS:
            continue
        url = reverse(name, kwargs={key: ANY.get(key, FACILITY) for key in _arguments(name)})
        if client.get(url).status_code != 405:
            raise LookupError(f"the page “{name}” is not among those that are measured: give it a visit")


def page_routes() -> Iterator[URLPattern]:
    """Every route but those of the API."""
    return _patterns(get_resolver().url_patterns)


def _arguments(name: str) -> tuple[str, ...]:
    """What this route's address is made of."""
    (possibility, *_) = get_resolver().reverse_dict.getlist(name)
    return tuple(possibility[0][0][1])


def _patterns(patterns: list[Any]) -> Iterator[URLPattern]:
    for pattern in patterns:
        if isinstance(pattern, URLResolver):
            if str(pattern.pattern).startswith(API):
                continue
            yield from _patterns(pattern.url_patterns)
        else:
            yield pattern


# --- measuring ----------------------------------------------------------------------------------------


def _measured(client: Client, pages: list[tuple[str, Visit]], times: int) -> list[Figure]:
    asks = [_Ask(client, name, visit) for name, visit in pages]
    for ask in asks:
        ask.first()
    gc.freeze()  # as the server does
    for _ in range(times):
        for ask in asks:
            ask.timed()
    return [ask.figure() for ask in asks]


class _Ask:
    """A page that is asked for again and again."""

    def __init__(self, client: Client, name: str, visit: Visit) -> None:
        self._client, self._visit = client, visit
        self.name = f"{name}, {visit.what}" if visit.what else name
        arguments = {"slug": SLUG, **visit.named}
        self._url = reverse(name, kwargs={key: arguments[key] for key in _arguments(name)})
        if visit.asked:
            self._url += "?" + urlencode(visit.asked)
        self._taken: list[float] = []
        self._worked: list[float] = []
        self._queries = self._bytes = 0

    def first(self) -> None:
        """Untimed: what the page is. Raises RuntimeError where there is none."""
        self._get()
        with CaptureQueriesContext(connection) as sent:
            answer = self._get()
        if answer.status_code not in (self._visit.answer or 200, 302):
            raise RuntimeError(f"{self.name} ({self._url}) answered {answer.status_code}")
        self._queries, self._bytes = len(sent), len(answer.content)

    def timed(self) -> None:
        start, worked = time.perf_counter(), time.process_time()
        self._get()
        self._taken.append(time.perf_counter() - start)
        self._worked.append(time.process_time() - worked)

    def _get(self) -> Any:
        return self._client.get(self._url, headers=self._visit.headers)

    def figure(self) -> Figure:
        return Figure(
            self.name,
            connection.vendor,
            percentile_ms(self._taken, 50),
            percentile_ms(self._taken, 99),
            percentile_ms(self._worked, 50),
            percentile_ms(self._worked, 99),
            self._queries,
            self._bytes / 1000,
        )

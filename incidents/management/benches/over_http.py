"""Deeds, batches and pages over HTTP: the API beside a plain view, WSGI beside ASGI, on real server processes."""

from __future__ import annotations

import contextlib
import itertools
import json
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from email.utils import formatdate
from functools import partial
from typing import Any, NamedTuple
from uuid import UUID

import msgspec
from django.conf import settings
from django.db import connection
from django.utils import timezone

from incidents.identity.ids import new_id
from incidents.identity.models import AccessToken, Facility, Membership, Person
from incidents.ledger.writing import open_ledger
from incidents.management.benches import pages
from incidents.management.benches.arena import arena
from incidents.management.benches.contest import FACILITY, START
from incidents.management.benches.deed import SLICE, SOMEONE, Waiting, furnish, make_loads
from incidents.management.benches.serving import Line, Server, served
from incidents.management.benches.timing import Act, Way, percentile_ms, ratio
from incidents.management.benches.years import INES, Years

SLUG = pages.SLUG
API, PLAIN = f"/api/v1/f/{SLUG}/deeds", f"/plain/{SLUG}"
BATCH = 100  # observations
TOLD = ("cycle-started", "alarm-raised", "alarm-cleared", "cycle-finished")
YEARS = 1_000  # events
CLIENTS = (1, 4)


class Figure(msgspec.Struct, frozen=True, omit_defaults=True):
    """What one server does: acts or observations a second, and a request's times in ms as its client has them.

    `cpu_ms` is the server's own work for a request. `ratio_to_plain` is 1 where the API is as fast as the view.
    """

    name: str
    database: str
    server: str
    clients: int
    per_s: float
    p50_ms: float
    p99_ms: float
    cpu_ms: float
    ratio_to_plain: float | None = None


def run(times: int) -> list[Figure]:
    """About `times` requests of each kind, in turns with what they are compared with."""
    slices = max(1, times // SLICE)
    with arena():
        token = _department()
        loads = [_loads(each) for each in range(2 * slices)]
        machines = [each.machine for slice_ in loads for each in slice_][: max(2, times // 4)]
        tokens = {machine: _token(role="device", machine=machine) for machine in machines}
        with served("asgi") as server, contextlib.closing(Line(server.port)) as line:
            found = [*_deeds(server, line, token, loads), _batches(server, line, tokens)]
    with arena():
        return [*found, *_servers(times)]


# --- a deed, and a batch ------------------------------------------------------------------------------


class Deed(NamedTuple):
    """A deed's name, what it says of a load, and whether the API asks for the machine's code besides."""

    name: str
    body: Callable[[Waiting], dict[str, Any]]
    coded: bool = False


def _noted(waiting: Waiting) -> dict[str, Any]:
    return {"load": waiting.load, "words": "The door seal was wiped."}


def _seen(waiting: Waiting) -> dict[str, Any]:
    return {"stream": {"kind": "load", "id": waiting.load}, "alarm": waiting.alarm}


DEEDS = (Deed("add_note", _noted), Deed("acknowledge_alarm", _seen, coded=True))


def _department() -> str:
    """A facility without a past; the secret of a technician's token."""
    facility = Facility.objects.create(id=FACILITY, slug=SLUG, name="Bench")
    person = Person.objects.create(id=SOMEONE.actor.id, login="ines", name="Ines")
    Membership.objects.create(facility=facility, person=person, role="technician")
    open_ledger(FACILITY, START)
    furnish()
    return _token(role="technician")


def _token(**bound: Any) -> str:
    """Its secret."""
    person = Person.objects.get(id=SOMEONE.actor.id)
    _, secret = AccessToken.objects.create(user=person, facility_id=FACILITY, **bound)
    return str(secret)


def _loads(number: int) -> list[Waiting]:
    found: list[Waiting] = []
    make_loads(number, found)
    return found


def _deeds(server: Server, line: Line, token: str, loads: Sequence[list[Waiting]]) -> Iterator[Figure]:
    """One slice of loads by the API, the next by the plain view."""
    for deed in DEEDS:
        api, plain = Counted(server), Counted(server)
        for ours, theirs in zip(loads[::2], loads[1::2], strict=True):
            coded = [deed.body(each) | ({"machine_code": each.code} if deed.coded else {}) for each in ours]
            api.slice([_post(line, f"{API}/{deed.name}/", token, body) for body in coded])
            plain.slice([_post(line, f"{PLAIN}/{deed.name}/", token, deed.body(each)) for each in theirs])
        for name, counted, beside in (("API", api, plain), ("plain view", plain, None)):
            yield counted.figure(f"{deed.name}, {name}", beside)


def _post(line: Line, path: str, token: str, body: Mapping[str, Any]) -> Act:
    """Ready to be sent: making the body is no part of what is timed."""
    told = json.dumps({"deed_id": new_id()} | dict(body), default=str).encode()
    headers = {"Authorization": f"Token {token}", "Content-Type": "application/json"}
    return partial(line.ask, "POST", path, told, headers)


def _batches(server: Server, line: Line, token_of: Mapping[UUID, str]) -> Figure:
    """A batch for each of many machines, of cycles that nobody assembled."""
    counted = Counted(server)
    for machine, token in token_of.items():
        body = json.dumps([_observation(machine, n) for n in range(BATCH)]).encode()
        kind = "application/cloudevents-batch+json"
        headers = {"Authorization": f"Token {token}", "Content-Type": kind, "Date": formatdate(usegmt=True)}
        counted.slice([partial(_all_recorded, line, body, headers)])
    return counted.figure(f"device batches of {BATCH}", None, BATCH)


def _all_recorded(line: Line, body: bytes, headers: Mapping[str, str]) -> None:
    told = line.ask("POST", f"/api/v1/f/{SLUG}/observations/batch/", body, headers)
    if told.count(b'"status":201') != BATCH:
        raise RuntimeError(f"the bench's batch was not taken whole: {told[:300]!r}")


def _observation(machine: UUID, n: int) -> dict[str, Any]:
    at = timezone.now() - timedelta(minutes=BATCH - n)
    return {
        "specversion": "1.0",
        "type": TOLD[n % len(TOLD)],
        "source": f"gateway/{machine}",
        "id": str(n),
        "time": at.isoformat(),
        "sequence": n,
        "data": {"chamber": "1", "machine_cycle": 100 + n // len(TOLD), "code": "W01", "phase": "wash"},
    }


class Counted(Way):
    """One client's acts, with what the server worked for them."""

    def __init__(self, server: Server) -> None:
        super().__init__()
        self._server, self._cpu_s = server, 0.0

    def slice(self, acts: Iterable[Act]) -> None:
        worked = self._server.cpu_s()
        super().slice(acts)
        self._cpu_s += self._server.cpu_s() - worked

    def figure(self, name: str, beside: Way | None, per_act: int = 1) -> Figure:
        return Figure(
            name=name,
            database=connection.vendor,
            server=self._server.kind,
            clients=1,
            per_s=self.per_s(per_act),
            p50_ms=percentile_ms(self.acts_s, 50),
            p99_ms=percentile_ms(self.acts_s, 99),
            cpu_ms=1000 * self._cpu_s / len(self.acts_s),
            ratio_to_plain=ratio(self, beside) if beside else None,
        )


# --- two servers --------------------------------------------------------------------------------------


class Look(NamedTuple):
    """A request that either server gets: a page with a session, or the API with a token."""

    name: str
    path: str
    headers: Mapping[str, str]
    body: Callable[[], bytes] | None = None

    def ask(self, line: Line) -> float:
        """How long it took, in seconds."""
        body = self.body() if self.body else None
        began = time.perf_counter()
        line.ask("POST" if body else "GET", self.path, body, self.headers)
        return time.perf_counter() - began


def _servers(times: int) -> Iterator[Figure]:
    """Pages and the API of a department with a past, from one client and from several."""
    years = Years(YEARS, timezone.now() - timedelta(hours=1))
    pages.write(years)
    looks = _looks(years)
    with served("asgi") as asgi, served("wsgi") as wsgi:
        for look, clients in itertools.product(looks, CLIENTS):
            tallies = [Tally(server) for server in (asgi, wsgi)]
            with ThreadPoolExecutor(clients) as hands:
                lines = [[Line(tally.server.port) for _ in range(clients)] for tally in tallies]
                for line in itertools.chain(*lines):
                    look.ask(line)  # untimed: connect, compile
                for _ in range(max(1, times // (SLICE * clients))):
                    for tally, its in zip(tallies, lines, strict=True):
                        tally.slice(hands, its, look)
                for line in itertools.chain(*lines):
                    line.close()
            for tally in tallies:
                yield tally.figure(look.name, clients)


def _looks(years: Years) -> list[Look]:
    person = Person.objects.get(id=INES)
    _, secret = AccessToken.objects.create(user=person, facility_id=FACILITY, role="technician")
    token = {"Authorization": f"Token {secret}"}
    name = settings.SESSION_COOKIE_NAME
    session = {"Cookie": f"{name}={pages.visitor().cookies[name].value}"}

    def note() -> bytes:
        told = {"deed_id": str(new_id()), "load": str(years.held), "words": "The door seal was wiped."}
        return json.dumps(told).encode()

    return [
        Look("page, now", f"/f/{SLUG}/", session),
        Look("page, a load", f"/f/{SLUG}/loads/{years.held}/", session),
        Look("API, now", f"/api/v1/f/{SLUG}/now/", token),
        Look("API, add_note", f"{API}/add_note/", token | {"Content-Type": "application/json"}, note),
    ]


class Tally:
    """What several clients at once got from one server, in slices."""

    def __init__(self, server: Server) -> None:
        self.server = server
        self._taken_s: list[float] = []
        self._span_s = self._cpu_s = 0.0

    def slice(self, hands: ThreadPoolExecutor, lines: Sequence[Line], look: Look) -> None:
        began, worked = time.perf_counter(), self.server.cpu_s()
        for taken in list(hands.map(partial(_some, look), lines)):
            self._taken_s += taken
        self._span_s += time.perf_counter() - began
        self._cpu_s += self.server.cpu_s() - worked

    def figure(self, name: str, clients: int) -> Figure:
        taken = self._taken_s
        return Figure(
            name=name,
            database=connection.vendor,
            server=self.server.kind,
            clients=clients,
            per_s=len(taken) / self._span_s,
            p50_ms=percentile_ms(taken, 50),
            p99_ms=percentile_ms(taken, 99),
            cpu_ms=1000 * self._cpu_s / len(taken),
        )


def _some(look: Look, line: Line) -> list[float]:
    return [look.ask(line) for _ in range(SLICE)]

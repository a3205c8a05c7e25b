"""What any page may meet: a database that is busy for too long, text that is none; and a line in the log."""

from __future__ import annotations

import logging
import re
import time
from collections.abc import Callable, Iterator
from typing import Any

import structlog
from django.conf import settings
from django.contrib.sessions.middleware import SessionMiddleware
from django.db import InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render

from incidents.identity.ids import new_id
from incidents.identity.models import Person
from incidents.ledger.writing import LedgerBusy, is_unavailable
from incidents.pages.gauges import REQUEST

logger = logging.getLogger("sluicegate.requests")
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")
_READABLE_ID = re.compile(r"[A-Za-z0-9._-]{8,64}", re.ASCII)


def unavailable(request: HttpRequest, error: Exception) -> HttpResponse:
    """503 with Retry-After; whoever sends the same deed again gets the same receipt."""
    if not isinstance(error, LedgerBusy):
        logger.warning("the database is not available: %s", error)
    response = render(request, "503.html", status=503)
    response["Retry-After"] = "2"
    return response


class Demonstration:
    """Every answer of a demonstration says that it is one, whoever reads it."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if settings.DEMO:
            response["Sluicegate-Demo"] = "everything here is invented"
        return response


class Told:
    """One line of the log for each request, by its route: never a query, a body, a name or a secret.

    The id is the proxy's, where it gives a readable one, and goes back with the answer.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get("X-Request-ID", "")
        known = given if _READABLE_ID.fullmatch(given) else str(new_id())
        began = time.perf_counter()
        with structlog.contextvars.bound_contextvars(request_id=known):
            response = self.get_response(request)
            took = time.perf_counter() - began
            route = request.resolver_match.view_name if request.resolver_match else ""
            method = request.method if request.method in METHODS else "other"
            logger.info("request", extra=_told(request, route, method, response.status_code, took))
        REQUEST.labels(route, method, f"{response.status_code // 100}xx").observe(took)
        response["X-Request-ID"] = known
        return response


def _told(request: HttpRequest, route: str, method: str, status: int, took: float) -> dict[str, Any]:
    person = getattr(request, "_cached_user", None)  # whoever was looked up; none is looked up for this
    who = str(person.id) if isinstance(person, Person) else ""
    return {"route": route, "method": method, "status": status, "ms": round(took * 1000, 1), "person": who}


class Busy:
    """Answers a lock that did not come in time, and a database that is gone or full."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """On a shared workstation the next person finds no page to go back to."""
        response = self.get_response(request)
        if response.headers.get("Content-Type", "").startswith("text/html"):
            response.headers.setdefault("Cache-Control", "no-store")
        return response

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        return unavailable(request, error) if is_unavailable(error) else None


class Readable:
    """Answers 400 to U+0000, which no text means and no database keeps, before anything reads it."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, *_: object) -> HttpResponse | None:
        if not request.path.startswith("/f/"):
            return None  # the device door reads its own body; the other pages' forms refuse it by the field
        asked = [request.path, *_words(request.GET), *_words(request.POST)]
        return render(request, "400.html", status=400) if any("\0" in text for text in asked) else None


def _words(query: QueryDict) -> Iterator[str]:
    for name, values in query.lists():
        yield name
        yield from (value for value in values if isinstance(value, str))


class Sessions(SessionMiddleware):
    """Django's, whose saving of the session may meet the same lock."""

    def process_response(self, request: HttpRequest, response: HttpResponse) -> HttpResponse:
        try:
            return super().process_response(request, response)
        except (OperationalError, InterfaceError) as error:
            return unavailable(request, error)

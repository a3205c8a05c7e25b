"""What any page may meet: a database that is busy for longer than a person should wait, and text that is none."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from django.contrib.sessions.middleware import SessionMiddleware
from django.db import OperationalError
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render

from incidents.ledger.writing import LedgerBusy, is_lock_wait


def busy(request: HttpRequest) -> HttpResponse:
    """503 with Retry-After; whoever sends the same deed again gets the same receipt."""
    response = render(request, "503.html", status=503)
    response["Retry-After"] = "2"
    return response


def is_busy(error: Exception) -> bool:
    return isinstance(error, LedgerBusy) or (isinstance(error, OperationalError) and is_lock_wait(error))


class Busy:
    """Answers a lock that did not come in time."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """On a shared workstation the next person finds no page to go back to."""
        response = self.get_response(request)
        if response.headers.get("Content-Type", "").startswith("text/html"):
            response.headers.setdefault("Cache-Control", "no-store")
        return response

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        return busy(request) if is_busy(error) else None


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
        except OperationalError as error:
            if is_busy(error):
                return busy(request)
            raise

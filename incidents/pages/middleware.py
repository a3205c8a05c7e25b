"""What any page may meet: a ledger, or its database, that is busy for longer than a person should wait."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib.sessions.middleware import SessionMiddleware
from django.db import OperationalError
from django.http import HttpRequest, HttpResponse
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
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        return busy(request) if is_busy(error) else None


class Sessions(SessionMiddleware):
    """Django's, whose saving of the session may meet the same lock."""

    def process_response(self, request: HttpRequest, response: HttpResponse) -> HttpResponse:
        try:
            return super().process_response(request, response)
        except OperationalError as error:
            if is_busy(error):
                return busy(request)
            raise

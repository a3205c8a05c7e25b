"""What any page may meet: a ledger that is busy for longer than a person should wait."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from incidents.ledger.writing import LedgerBusy


class Busy:
    """Answers 503 with Retry-After; the browser sends the same deed again and gets the same receipt."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        if not isinstance(error, LedgerBusy):
            return None
        response = render(request, "503.html", status=503)
        response["Retry-After"] = "2"
        return response

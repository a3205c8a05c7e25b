"""No body longer than the longest that any address takes: asked before anything keeps it, on disk or in memory.

Django spools a body before a view sees it, and holds only a declared length against its limit: a body that comes
in chunks, or as a file of a form, would have none.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from django.http import HttpRequest, HttpResponse

from incidents.analysis.readings import BYTES_MOST
from incidents.api.observations import BATCH_LIMIT_BYTES
from incidents.api.problems import too_large

Receive = Callable[[], Awaitable[Any]]
Send = Callable[[Any], Awaitable[None]]
Application = Callable[[Any, Receive, Send], Awaitable[None]]


class _TooLong(Exception):
    """More came than any address takes."""


RECORD_LIMIT_BYTES = BYTES_MOST + 64 * 1024  # a form's other fields and boundaries around the file
TAKES_RECORDS = "/readings/"


def limit_of(path: str, limit_bytes: int) -> int:
    """A record of readings is the one long thing that is sent, to addresses that end so."""
    return max(limit_bytes, RECORD_LIMIT_BYTES) if path.endswith(TAKES_RECORDS) else limit_bytes


def capped(application: Application, most_bytes: int = BATCH_LIMIT_BYTES) -> Application:
    """The application behind a door that answers 413 to a longer body."""

    async def at_the_door(scope: Any, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return await application(scope, receive, send)
        come, limit_bytes = 0, limit_of(scope.get("path", ""), most_bytes)

        async def counted() -> Any:
            nonlocal come
            message = await receive()
            come += len(message.get("body", b""))
            if come > limit_bytes:
                raise _TooLong
            return message

        try:
            if _declared(scope) > limit_bytes:
                raise _TooLong
            return await application(scope, counted, send)
        except _TooLong:
            return await _refuse(send, limit_bytes)

    return at_the_door


def _declared(scope: Any) -> int:
    told = dict(scope["headers"]).get(b"content-length", b"")
    return int(told) if told.isdigit() else 0


async def _refuse(send: Send, limit_bytes: int) -> None:
    """The connection is closed: what is left of the body is not read."""
    answer = too_large(limit_bytes)
    headers = [(name.lower().encode(), value.encode()) for name, value in answer.items()]
    length = (b"content-length", str(len(answer.content)).encode())
    await send(
        {"type": "http.response.start", "status": 413, "headers": [*headers, length, (b"connection", b"close")]}
    )
    await send({"type": "http.response.body", "body": answer.content})


class Capped:
    """No longer body than any address takes, also under a server that runs no ASGI.

    Of what is not declared, Django reads nothing: under WSGI a body without a length has none (PEP 3333).
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        told = request.META.get("CONTENT_LENGTH") or "0"
        most_bytes = limit_of(request.path, BATCH_LIMIT_BYTES)
        if told.isdecimal() and int(told) > most_bytes:
            return too_large(most_bytes)
        return self.get_response(request)

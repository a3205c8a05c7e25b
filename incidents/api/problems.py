"""Errors as RFC 9457 problem details, each with a `code` for programs and a `next_step` for people."""

from __future__ import annotations

import logging
from typing import Any

import msgspec
from django.db import OperationalError
from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.csrf import csrf_exempt
from rest_framework import exceptions

from incidents.ledger.writing import LedgerBusy, is_lock_wait, is_unavailable
from incidents.rules.refusals import Refusal

MEDIA_TYPE = "application/problem+json"
logger = logging.getLogger(__name__)
TITLES = {
    400: "Malformed",
    401: "Not signed in",
    403: "Not permitted",
    404: "Not found",
    405: "Method not allowed",
    409: "Refused",
    413: "Too large",
    415: "Unsupported media type",
    429: "Too many requests",
    503: "Busy",
}
# What each status means, told in the schema.
MEANINGS = {
    400: "The request can’t be read: a member is missing, unknown, or of another kind. Nothing was written.",
    401: "The token is missing, unknown, expired or revoked, or its person has lost the role that it names.",
    403: "The token’s role opens other doors, but not this one.",
    404: "Nothing of this name or id is here; what belongs to another facility answers the same.",
    405: "This address takes another method.",
    409: "Refused by the rules, decided on a stale version, or a deed id used before for something else.",
    413: "The body is larger than this address takes.",
    415: "The body must be JSON, or the kind of file that this address takes.",
    429: "More requests than the token may send in a minute, or too many wrong PINs. Retry-After says when.",
    503: "The facility’s ledger is busy. Nothing was written; send the same deed again after Retry-After.",
}
# Refusals of what can't be read or kept, and of things that this facility doesn't have.
MALFORMED = frozenset({"malformed", "text-too-long", "control-character", "record-unreadable"})
UNKNOWN = frozenset(
    {"load-unknown", "machine-unknown", "rack-unknown", "tray-unknown", "person-unknown", "programme-not-here"}
)


class Problem(msgspec.Struct, frozen=True):
    """A problem detail (RFC 9457, 3.1) of type about:blank (4.2.1)."""

    type: str
    title: str
    status: int
    detail: str
    code: str
    next_step: str


class Malformed(Exception):
    """The request can't be read; the sentence says what and where."""


def problem_of(status: int, code: str, detail: str, next_step: str) -> Problem:
    return Problem("about:blank", TITLES.get(status, "Error"), status, detail, code, next_step)


def problem(status: int, code: str, detail: str, next_step: str, **headers: str) -> HttpResponse:
    body = msgspec.json.encode(problem_of(status, code, detail, next_step))
    return HttpResponse(body, status=status, content_type=MEDIA_TYPE, headers=headers)


def status_of(refusal: Refusal) -> int:
    if refusal.code in MALFORMED:
        return 400
    return 404 if refusal.code in UNKNOWN else 409


def of_refusal(refusal: Refusal) -> HttpResponse:
    return problem(status_of(refusal), refusal.code, refusal.sentence, refusal.next_step)


def too_large(limit_bytes: int) -> HttpResponse:
    """A body that is longer than any address takes."""
    return problem(413, "too-large", f"More than {limit_bytes} bytes. Nothing was written.", "Send less at a time.")


def not_found() -> HttpResponse:
    return problem(404, "not-found", "There is nothing here.", "Check the address and the token.")


def malformed(error: Malformed) -> HttpResponse:
    return problem(400, "malformed", str(error), "Correct the request and send it again. Nothing was written.")


def on_exception(error: Exception, context: dict[str, Any]) -> HttpResponse | None:
    """What the framework raises, in the same shape as our own refusals. None lets it through."""
    if isinstance(error, Malformed):
        return malformed(error)
    if isinstance(error, Http404 | exceptions.NotFound):
        return not_found()
    if isinstance(error, LedgerBusy) or (isinstance(error, OperationalError) and is_lock_wait(error)):
        return problem(
            503, "busy", "The ledger is busy. Nothing was written.", "Send the same again.", **{"Retry-After": "2"}
        )
    if is_unavailable(error):
        logger.warning("the database is not available: %s", error)
        detail = "The database is gone or full. Whether this was written is not known."
        return problem(
            503, "unavailable", detail, "Send the same again: it is written once.", **{"Retry-After": "2"}
        )
    if isinstance(error, exceptions.NotAuthenticated | exceptions.AuthenticationFailed):
        return problem(
            401,
            "token",
            "The token is missing, unknown, expired or revoked.",
            "Send “Authorization: Token …”, or make a new token.",
            **{"WWW-Authenticate": "Token"},
        )
    if isinstance(error, exceptions.PermissionDenied):
        return problem(403, "role", str(error.detail), "Use a token of a role that may.")
    if isinstance(error, exceptions.Throttled):
        wait = str(max(1, int(getattr(error, "wait", None) or 60)))
        return problem(
            429, "rate", "More requests than this token may send in a minute.", "Wait.", **{"Retry-After": wait}
        )
    if isinstance(error, exceptions.MethodNotAllowed):
        return problem(405, "method", str(error.detail), "Use the method that the schema names.")
    if isinstance(error, exceptions.APIException):
        return problem(error.status_code, "request", str(error.detail), "Correct the request.")
    return None


@csrf_exempt
def nothing_here(request: HttpRequest, rest: str) -> HttpResponse:
    """Any other address below the API's."""
    return not_found()

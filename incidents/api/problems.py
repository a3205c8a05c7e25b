"""Errors as RFC 9457 problem details, each with a `code` for programs and a `next_step` for people."""

from __future__ import annotations

from typing import Any

from django.db import OperationalError
from django.http import Http404, JsonResponse
from rest_framework import exceptions

from incidents.ledger.writing import LedgerBusy, is_lock_wait
from incidents.rules.refusals import Refusal

TITLES = {
    400: "Malformed",
    401: "Not signed in",
    403: "Not permitted",
    404: "Not found",
    405: "Method not allowed",
    409: "Refused",
    413: "Too large",
    415: "Unsupported media type",
    503: "Busy",
}


def problem(status: int, code: str, detail: str, next_step: str, **headers: str) -> JsonResponse:
    """`application/problem+json` with type about:blank (RFC 9457, 4.2.1)."""
    body = {
        "type": "about:blank",
        "title": TITLES.get(status, "Error"),
        "status": status,
        "detail": detail,
        "code": code,
        "next_step": next_step,
    }
    return JsonResponse(body, status=status, content_type="application/problem+json", headers=headers)


def of_refusal(refusal: Refusal, status: int = 409) -> JsonResponse:
    return problem(status, refusal.code, refusal.sentence, refusal.next_step)


def on_exception(error: Exception, context: dict[str, Any]) -> JsonResponse | None:
    """What the framework raises, in the same shape as our own refusals. None lets it through."""
    if isinstance(error, Http404 | exceptions.NotFound):
        return problem(404, "not-found", "There is nothing here.", "Check the address and the token.")
    if isinstance(error, LedgerBusy) or (isinstance(error, OperationalError) and is_lock_wait(error)):
        return problem(
            503, "busy", "The ledger is busy. Nothing was written.", "Send the same again.", **{"Retry-After": "2"}
        )
    if isinstance(error, exceptions.NotAuthenticated | exceptions.AuthenticationFailed):
        answer = problem(
            401, "token", "The token is missing, unknown or revoked.", "Send “Authorization: Token …”."
        )
        answer["WWW-Authenticate"] = "Token"
        return answer
    if isinstance(error, exceptions.APIException):
        return problem(error.status_code, "request", str(error.detail), "Correct the request.")
    return None

"""What every door of the API has in common: who calls, from which facility, at what moment; and how it answers.

A token opens its own facility only: every other one answers 404, as what never existed.
"""

from __future__ import annotations

from datetime import datetime
from hashlib import sha256
from typing import Any, ClassVar, NamedTuple
from uuid import UUID

import msgspec
from django.http import Http404, HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.cache import get_conditional_response
from rest_framework.exceptions import PermissionDenied
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.request import Request as ApiRequest
from rest_framework.views import APIView

from incidents.api.members import read_body, read_query
from incidents.api.problems import of_refusal, on_exception, problem
from incidents.api.schema import FromTypes
from incidents.api.tokens import BoundToken, PerMinute
from incidents.identity.models import AccessToken, Facility
from incidents.identity.rights import competences, day_of
from incidents.ledger.canonical import INPUT_LIMIT_BYTES
from incidents.operations.deeds import Doer, Request
from incidents.rules.events import Actor
from incidents.rules.refusals import Refusal

ETAG_DIGITS = 32


class Caller(NamedTuple):
    """Who holds the token, in its facility, with the one role that it names."""

    request: HttpRequest
    facility: Facility
    token: AccessToken
    by: Doer
    now: datetime

    def asks(self, deed: UUID, occurred_at: datetime | None = None, expected_version: int | None = None) -> Request:
        return Request(
            deed=deed,
            facility=self.facility.id,
            by=self.by,
            now=self.now,
            occurred_at=occurred_at,
            expected_version=expected_version,
        )


class NoQuery(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """An address without parameters."""


class AlwaysJson(BaseContentNegotiation):
    """There is one form of answer, whatever a caller says that it accepts."""

    def select_parser(self, request: Any, parsers: Any) -> Any:
        return parsers[0] if parsers else None

    def select_renderer(self, request: Any, renderers: Any, format_suffix: Any = None) -> Any:
        return renderers[0], renderers[0].media_type


class Door(APIView):
    """`for_machines` says whether a machine's token opens it; people's tokens open all the others."""

    authentication_classes = [BoundToken]
    throttle_classes = [PerMinute]
    parser_classes: list[Any] = []
    content_negotiation_class = AlwaysJson
    http_method_names = ["get", "head", "post"]
    schema = FromTypes()
    for_machines: ClassVar[bool] = False
    caller: Caller

    # What the schema tells of it.
    operation_id: ClassVar[str] = ""
    tag: ClassVar[str] = ""
    summary: ClassVar[str] = ""
    asks: ClassVar[type[msgspec.Struct] | None] = NoQuery
    takes: ClassVar[Any] = None
    gives: ClassVar[Any] = None
    media_types: ClassVar[tuple[str, ...]] = ("application/json",)
    success: ClassVar[int] = 200
    example: ClassVar[Any] = None

    def get_exception_handler(self) -> Any:
        return on_exception

    def initial(self, request: ApiRequest, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        self.caller = self._caller(request, kwargs["slug"])
        method = (request.method or "").lower()
        answered = method in self.http_method_names and hasattr(self, method)  # else the method is what is wrong
        self.query: Any = self.asks and answered and read_query(dict(request._request.GET.lists()), self.asks)

    def _caller(self, request: ApiRequest, slug: str) -> Caller:
        token: Any = request.auth
        if token.facility.slug != slug:
            raise Http404
        if self.for_machines and token.machine is None:
            raise PermissionDenied("Only a machine reports here.")
        if not self.for_machines and (token.machine is not None or token.role == "device"):
            raise PermissionDenied("A machine’s token reports what it saw, and opens nothing else.")
        now = timezone.now()
        return Caller(request._request, token.facility, token, _doer(token, now), now)


def _doer(token: AccessToken, now: datetime) -> Doer:
    if token.machine is not None:
        return Doer(Actor("device", token.machine), (token.role,))
    able = competences(token.user_id, token.facility_id, day_of(now, token.facility.time_zone))
    return Doer(Actor("person", token.user_id), (token.role,), able)


class Read(Door):
    """GET, whole or “not modified” (RFC 9110, 13): `read` finds what the address names, or None."""

    def get(self, request: ApiRequest, slug: str, **path: Any) -> HttpResponse:
        found = self.read(self.caller, self.query, **path)
        if found is None:
            raise Http404
        body = msgspec.json.encode(found)
        tag = f'"{digest_of(body)}"'
        answer = HttpResponse(body, content_type="application/json")
        answer["ETag"] = tag
        answer["Cache-Control"] = "private, no-cache"
        conditional: HttpResponse | None = get_conditional_response(request._request, tag, response=answer)
        return conditional or answer

    def read(self, caller: Caller, asked: Any, **path: Any) -> Any:
        raise NotImplementedError


def digest_of(body: bytes) -> str:
    return sha256(body).hexdigest()[:ETAG_DIGITS]


class Act(Door):
    """POST one JSON object; `act` does it, and its refusal is a problem."""

    limit_bytes: ClassVar[int] = INPUT_LIMIT_BYTES
    success = 201

    def post(self, request: ApiRequest, slug: str, **path: Any) -> HttpResponse:
        wrong = wrong_body(request._request, self.limit_bytes, self.media_types)
        if wrong is not None:
            return wrong
        given = read_body(request._request.body, self.takes, self.limit_bytes)
        done = self.act(self.caller, given, **path)
        if isinstance(done, Refusal):
            return of_refusal(done)
        return HttpResponse(msgspec.json.encode(done), status=self.success, content_type="application/json")

    def act(self, caller: Caller, given: Any, **path: Any) -> Any:
        raise NotImplementedError


def wrong_body(request: HttpRequest, limit_bytes: int, kinds: tuple[str, ...] = ()) -> HttpResponse | None:
    """The problem of a body that is not even read, or None."""
    length = request.META.get("CONTENT_LENGTH") or "0"
    if not length.isdecimal() or int(length) > limit_bytes:
        return problem(413, "too-large", f"More than {limit_bytes} bytes.", "Send less at a time.")
    if kinds and request.content_type not in kinds:
        sent = (request.content_type or "nothing")[:80]
        return problem(
            415, "media-type", f"The body is said to be {sent}.", f"Send it as {kinds[0]}, with this Content-Type."
        )
    return None

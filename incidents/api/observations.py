"""The device door: one observation of one machine as a CloudEvent 1.0 in JSON.

`type` is the event's constant, `source` and `id` name it once and for all, `time` is the machine's own
clock, `sequence` its own counter. The same event sent twice is one event.
"""

from __future__ import annotations

import re
import unicodedata
from datetime import UTC, datetime
from typing import Any

import msgspec
from django.http import Http404, HttpResponse, JsonResponse
from django.utils import timezone
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.request import Request as ApiRequest
from rest_framework.views import APIView

from incidents.api.problems import of_refusal, on_exception, problem
from incidents.api.tokens import BoundToken
from incidents.identity.ids import named
from incidents.identity.models import AccessToken
from incidents.ledger.canonical import LARGEST_INTEGER, NotCanonical, decode_strict
from incidents.operations.deeds import Doer, Request
from incidents.operations.observations import KINDS, Told, observe
from incidents.rules.events import Actor
from incidents.rules.refusals import Refusal

LIMIT_BYTES = 64 * 1024
_RFC_3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?(Z|[+-]\d\d:\d\d)", re.IGNORECASE | re.ASCII)


class Malformed(Exception):
    """The request is no observation; the sentence says what and where."""


class Observed(msgspec.Struct, frozen=True):
    kind: str
    name: str
    occurred_at: datetime | None
    sequence: int | None
    told: Told


class AlwaysJson(BaseContentNegotiation):
    """There is one form of answer, whatever a gateway says that it accepts."""

    def select_parser(self, request: Any, parsers: Any) -> Any:
        return parsers[0] if parsers else None

    def select_renderer(self, request: Any, renderers: Any, format_suffix: Any = None) -> Any:
        return renderers[0], renderers[0].media_type


class Observations(APIView):
    """POST one CloudEvent; the answer is the ledger's receipt (201) or a problem."""

    authentication_classes = [BoundToken]
    parser_classes: list[Any] = []
    content_negotiation_class = AlwaysJson

    def get_exception_handler(self) -> Any:
        return on_exception

    def post(self, request: ApiRequest, slug: str) -> HttpResponse:
        token = request.auth
        if not isinstance(token, AccessToken) or token.facility.slug != slug or token.machine is None:
            raise Http404
        if int(request.META.get("CONTENT_LENGTH") or 0) > LIMIT_BYTES:
            return problem(413, "too-large", f"More than {LIMIT_BYTES} bytes.", "Send one observation at a time.")
        try:
            observed = read_event(request._request.body)
        except Malformed as error:
            return problem(
                400, "malformed", str(error), "Correct the event and send it again. Nothing was written."
            )
        asks = Request(
            deed=named(token.machine, observed.name),
            facility=token.facility_id,
            by=Doer(Actor("device", token.machine), (token.role,)),
            now=timezone.now(),
            occurred_at=observed.occurred_at,
            sequence=observed.sequence,
        )
        kind: Any = observed.kind
        outcome = observe(asks, machine=token.machine, kind=kind, told=observed.told)
        if isinstance(outcome, Refusal):
            malformed = outcome.code in ("text-too-long", "control-character")
            return of_refusal(outcome, 400 if malformed else 409)
        return JsonResponse(msgspec.to_builtins(outcome), status=201)


def read_event(body: bytes) -> Observed:
    """Read a CloudEvent (CloudEvents 1.0, JSON format). Raises Malformed."""
    try:
        event = decode_strict(body, LIMIT_BYTES)
    except NotCanonical as error:
        raise Malformed(str(error)) from None
    if not isinstance(event, dict):
        raise Malformed("The body must be one JSON object: a CloudEvent.")
    if event.get("specversion") != "1.0":
        raise Malformed('`specversion` must be "1.0".')
    kind = _text(event, "type")
    if kind not in KINDS:
        raise Malformed(f"`type` {kind[:40]!r} is not one of {', '.join(KINDS)}.")
    return Observed(
        kind=kind,
        name=f"{_source(event)} {_text(event, 'id')}",
        occurred_at=_moment(event["time"]) if event.get("time") is not None else None,
        sequence=_sequence(event.get("sequence")),
        told=_told(event.get("data")),
    )


def _text(event: dict[str, Any], name: str) -> str:
    value = event.get(name)
    if not isinstance(value, str) or not value or len(value) > 400:
        raise Malformed(f"`{name}` must be a text of 1 to 400 characters.")
    return value


def _source(event: dict[str, Any]) -> str:
    """A URI-reference (CloudEvents 1.0, `source`); without a blank in it, source and id name one event."""
    source = _text(event, "source")
    if any(sign.isspace() for sign in source):
        raise Malformed("`source` is a URI-reference and holds no blanks.")
    return source


def _moment(value: Any) -> datetime:
    """RFC 3339, with its offset; a leap second is taken as the second after it."""
    if not isinstance(value, str) or not _RFC_3339.fullmatch(value):
        raise Malformed("`time` must be RFC 3339 with an offset, as in 2026-11-24T10:45:02Z.")
    leap = value[17:19] == "60"
    text = (value[:17] + "59" + value[19:] if leap else value).upper().replace("Z", "+00:00")
    try:
        moment = datetime.fromisoformat(text).astimezone(UTC)
        return moment.replace(microsecond=999_999) if leap else moment
    except (ValueError, OverflowError):
        raise Malformed(f"`time` {value[:40]!r} is not a moment of the calendar.") from None


def _sequence(value: Any) -> int | None:
    """The device's counter: a whole number, or its digits as text (CloudEvents sequence extension)."""
    if value is None:
        return None
    number = int(value) if isinstance(value, str) and re.fullmatch(r"[0-9]{1,16}", value) else value
    if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number <= LARGEST_INTEGER:
        raise Malformed("`sequence` must be a whole number of 0 or more.")
    return number


def _told(data: Any) -> Told:
    if not isinstance(data, dict):
        raise Malformed("`data` must be an object with at least a `chamber`.")
    try:
        told = msgspec.convert({key: _composed(value) for key, value in data.items()}, Told)
    except msgspec.ValidationError as error:
        raise Malformed(f"`data`: {error}.") from None
    if told.machine_cycle is not None and not 0 <= told.machine_cycle <= LARGEST_INTEGER:
        raise Malformed("`data.machine_cycle` must be a whole number of 0 or more.")
    for name, limit in (("chamber", 40), ("programme", 80), ("code", 40), ("phase", 40), ("text", 200)):
        if len(getattr(told, name)) > limit:
            raise Malformed(f"`data.{name}` has more than {limit} characters.")
    return told


def _composed(value: Any) -> Any:
    return unicodedata.normalize("NFC", value) if isinstance(value, str) else value

"""The device door: what one machine observed, as CloudEvents 1.0, one by one or in batches.

The same event sent twice is one event. Where a request carries a `Date`, the sender's clock is compared with
ours. A batch has an address of its own, so that each address has answers of one shape.
"""

from __future__ import annotations

from datetime import datetime
from hashlib import sha256
from uuid import UUID

import msgspec
from django.http import HttpResponse
from rest_framework.request import Request as ApiRequest

from incidents.api.cloud_events import CloudEvent, read_batch, read_event, sending_moment
from incidents.api.door import Caller, Door, wrong_body
from incidents.api.problems import Malformed, Problem, of_refusal, problem, problem_of, status_of
from incidents.identity.ids import named
from incidents.ledger.writing import Receipt
from incidents.operations.deeds import Outcome
from incidents.operations.observations import Observed, hear
from incidents.rules.refusals import Refusal

LIMIT_BYTES = 64 * 1024
BATCH_LIMIT_BYTES = 1024 * 1024
BATCH_LIMIT = 1_000  # observations


class Answer(msgspec.Struct, frozen=True, omit_defaults=True):
    """What became of one observation of a batch: recorded (201) with its receipt, or a problem."""

    status: int
    receipt: Receipt | None = None
    problem: Problem | None = None


class DeviceDoor(Door):
    for_machines = True
    asks = None  # gateways hang things of their own on an address
    tag = "devices"


class Observations(DeviceDoor):
    """One observation of the token's own machine, as a CloudEvent 1.0.

    `source` and `id` name it once and for all: sent twice it is recorded once.
    """

    operation_id = "observe"
    summary = "Report an observation"
    takes = CloudEvent
    gives = Receipt
    success = 201
    media_types = ("application/cloudevents+json", "application/json")

    def post(self, request: ApiRequest, slug: str) -> HttpResponse:
        wrong = wrong_body(request._request, LIMIT_BYTES)
        if wrong is not None:
            return wrong
        observed = read_event(request._request.body, LIMIT_BYTES, self.caller.by.actor.id)
        (outcome,) = _heard(self.caller, [observed])
        if isinstance(outcome, Refusal):
            return of_refusal(outcome)
        return HttpResponse(msgspec.json.encode(outcome), status=201, content_type="application/json")


class ObservationBatch(DeviceDoor):
    """Many observations of the token's own machine, as a CloudEvents 1.0 batch, in one transaction.

    The answer has one entry for each, in order: recorded (201) with its receipt, or a problem. At most 1,000
    observations and 1 MiB.
    """

    operation_id = "observe_batch"
    summary = "Report a batch of observations"
    takes = list[CloudEvent]
    gives = list[Answer]
    media_types = ("application/cloudevents-batch+json", "application/json")

    def post(self, request: ApiRequest, slug: str) -> HttpResponse:
        wrong = wrong_body(request._request, BATCH_LIMIT_BYTES, self.media_types)
        body = b"" if wrong else request._request.read(BATCH_LIMIT_BYTES + 1)  # Django's own limit is lower
        if len(body) > BATCH_LIMIT_BYTES:
            wrong = problem(413, "too-large", f"More than {BATCH_LIMIT_BYTES} bytes.", "Send less at a time.")
        if wrong is not None:
            return wrong
        read = read_batch(body, BATCH_LIMIT_BYTES, self.caller.by.actor.id)
        if len(read) > BATCH_LIMIT:
            return problem(413, "too-large", f"More than {BATCH_LIMIT} observations.", "Send less at a time.")
        outcomes = iter(_heard(self.caller, [each for each in read if isinstance(each, Observed)]))
        answers = [_unread(each) if isinstance(each, Malformed) else _answer(next(outcomes)) for each in read]
        return HttpResponse(msgspec.json.encode(answers), content_type="application/json")


def _heard(caller: Caller, observed: list[Observed]) -> list[Outcome]:
    """Record them, and compare the sender's clock where the request says when it was sent."""
    machine = caller.by.actor.id
    sent_at = sending_moment(caller.request.headers.get("Date"))
    asks = caller.asks(_name_of_batch(machine, observed, sent_at))
    return hear(asks, machine=machine, observed=observed, sent_at=sent_at)


def _name_of_batch(machine: UUID, observed: list[Observed], sent_at: datetime | None) -> UUID:
    told = b"".join(each.deed.bytes for each in observed)
    return named(machine, f"sent {sent_at and sent_at.isoformat()} {sha256(told).hexdigest()}")


def _answer(outcome: Outcome) -> Answer:
    if isinstance(outcome, Receipt):
        return Answer(201, receipt=outcome)
    status = status_of(outcome)
    return Answer(status, problem=problem_of(status, outcome.code, outcome.sentence, outcome.next_step))


def _unread(error: Malformed) -> Answer:
    return Answer(400, problem=problem_of(400, "malformed", str(error), "Correct it and send it again."))

"""A machine's page: its state, its alarms and supplies, the numbers its counter owes, and its deeds."""

from __future__ import annotations

from datetime import date
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from incidents.operations import machines as deeds
from incidents.operations.deeds import Outcome
from incidents.pages.here import Here, Unreadable, in_facility, posted_uuid, posted_whole, said, sets_workstations
from incidents.pages.scanning import bind
from incidents.queries import counters, floor, machine_story
from incidents.rules.refusals import Refusal


@in_facility
def machine(here: Here, machine: UUID) -> HttpResponseBase:
    return machine_page(here, machine)


def machine_page(here: Here, machine_id: UUID, refusal: Refusal | None = None) -> HttpResponse:
    told = machine_story.story(here.facility.id, machine_id)
    if told is None:
        raise Http404
    return here.page(
        "machine.html",
        "now",
        status=409 if refusal else 200,
        story=told,
        machine=told.machine,
        refusal=refusal,
        gaps=counters.gaps(here.facility.id, machine_id),
        chambers=[one for one in floor.chambers(here.facility.id) if one.machine == machine_id],
        exposures=deeds.EXPOSURES.items(),
        recent=floor.loads_of_machine(here.facility.id, machine_id),
    )


def _done(here: Here, machine: UUID, outcome: Outcome, words: str) -> HttpResponse:
    if isinstance(outcome, Refusal):
        return machine_page(here, machine, outcome)
    messages.success(here.request, words)
    return redirect("machine", slug=here.facility.slug, machine=machine)


@require_POST
@in_facility
def block(here: Here, machine: UUID) -> HttpResponse:
    asks = here.asks(expecting=False)
    outcome = deeds.block_machine(
        asks, machine=machine, reason=said(here.request, "words"), chamber=said(here.request, "chamber")
    )
    return _done(here, machine, outcome, "It is blocked. No cycle starts in it.")


@require_POST
@sets_workstations
def bind_here(here: Here, machine: UUID) -> HttpResponse:
    """This workstation stands at this machine: its alarms are answered here without a scan."""
    if machine_story.machine(here.facility.id, machine) is None:
        raise Http404
    response = redirect("machine", slug=here.facility.slug, machine=machine)
    bind(response, machine)
    messages.success(here.request, "This workstation is bound to the machine.")
    return response


@require_POST
@in_facility
def bring_back(here: Here, machine: UUID) -> HttpResponse:
    asks = here.asks(expecting=False)
    outcome = deeds.return_machine(
        asks, machine=machine, words=said(here.request, "words"), chamber=said(here.request, "chamber")
    )
    return _done(here, machine, outcome, "It is back in service.")


@require_POST
@in_facility
def change_supply(here: Here, machine: UUID) -> HttpResponse:
    outcome = deeds.change_supply(
        here.asks(expecting=False),
        machine=machine,
        line=said(here.request, "line"),
        product=said(here.request, "product"),
        lot=said(here.request, "lot"),
        expires_on=_day(said(here.request, "expires_on")),
    )
    return _done(here, machine, outcome, "The change is recorded.")


def _day(text: str) -> str:
    """A posted day as the browser writes it, or nothing. Raises Unreadable."""
    try:
        return text and date.fromisoformat(text).isoformat()
    except ValueError:
        raise Unreadable("The day on which it expires can’t be read.") from None


@require_POST
@in_facility
def explain(here: Here, machine: UUID) -> HttpResponse:
    outcome = deeds.explain_cycle(
        here.asks(expecting=False),
        machine=machine,
        machine_cycle=posted_whole(here.request, "machine_cycle"),
        stray=posted_uuid(here.request, "stray"),
        words=said(here.request, "words"),
        load=posted_uuid(here.request, "load"),
        contents_confirmed=here.request.POST.get("contents_confirmed") == "yes",
    )
    return _done(here, machine, outcome, "The number is explained.")


@require_POST
@in_facility
def exposure(here: Here, machine: UUID) -> HttpResponse:
    kind: Any = said(here.request, "kind")
    outcome = deeds.record_exposure(
        here.asks(expecting=False), machine=machine, kind=kind, words=said(here.request, "words")
    )
    return _done(here, machine, outcome, "It is recorded. First aid and local reporting come first.")

"""A machine's page: its state, its alarms and supplies, the numbers its counter owes, and its deeds."""

from __future__ import annotations

from datetime import date
from itertools import accumulate
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST
from msgspec.structs import replace

from incidents.ledger.reading import words_of
from incidents.operations import machines as deeds
from incidents.operations.deeds import Outcome
from incidents.pages.here import (
    Here,
    Unreadable,
    in_facility,
    moment_of,
    position_of,
    posted_uuid,
    posted_whole,
    said,
    sets_workstations,
)
from incidents.pages.now import items_of, lane_of
from incidents.pages.scanning import bind
from incidents.pages.templatetags.sluicegate import words
from incidents.queries import counters, downtime, facts, floor, history, loads, machine_story
from incidents.queries.floor import Chamber
from incidents.rules import authority
from incidents.rules.events import Stream
from incidents.rules.machines import Machine
from incidents.rules.refusals import Refusal


@in_facility
def machine(here: Here, machine: UUID) -> HttpResponseBase:
    return machine_page(here, machine)


def machine_page(here: Here, machine_id: UUID, refusal: Refusal | None = None) -> HttpResponse:
    told = machine_story.story(here.facility.id, machine_id, position_of(here.request.GET.get("below", "")))
    if told is None:
        raise Http404
    people = downtime.people(here.facility.id)
    return here.page(
        "machine.html",
        "now",
        status=409 if refusal else 200,
        story=told,
        machine=told.machine,
        refusal=refusal,
        runs=counters.runs(here.facility.id, machine_id),
        numberless=[stray for stray in told.machine.strays if stray.machine_cycle is None],
        chambers=(chambers := _chambers(here, machine_id)),
        inside=[said for one in chambers if (said := _inside(here, one))],
        open_items=items_of(here, Stream("machine", machine_id)),
        exposures=deeds.EXPOSURES.items(),
        exposed=_exposed(here, told.machine, people),
        takes_on=authority.refusal("take_on_exposure", here.rights.roles, here.rights.competences) is None,
        people=people.items(),
        recent=loads.of_machine(here.facility.id, machine_id),
        past=history.of_machine(here.facility.id, machine_id),
    )


def _exposed(here: Here, machine: Machine, people: dict[UUID, str]) -> list[dict[str, Any]]:
    """Who was hurt, or nearly, and waits: in words, for the person who takes it on."""
    texts = words_of(here.facility.id, {one.words.digest for one in machine.exposed})
    return [
        {
            "id": one.event_id,
            "what": deeds.EXPOSURES[one.kind],
            "to": people.get(one.person, "") if one.person else "",
            "at": one.at,
            "words": texts.get(one.words.digest, ""),
        }
        for one in machine.exposed
    ]


def _chambers(here: Here, machine: UUID) -> list[Chamber]:
    mine = [one for one in floor.chambers(here.facility.id) if one.machine == machine]
    return floor.with_what_is_left(here.facility.id, mine)


def _inside(here: Here, chamber: Chamber) -> dict[str, Any] | None:
    """What runs or stands in a chamber: its load, the phase, what alarms; None where nothing does."""
    load = chamber.load or chamber.left
    if load is None:
        return None
    where = "" if chamber.only_chamber else f"in chamber {chamber.chamber}"
    said = {"load": load, "where": where, "alarm": chamber.alarm, "glyph": "process"}
    if chamber.left is not None:
        return said | {"words": "still stands", "detail": "Its cycle is broken. Record its place.", "glyph": "held"}
    lane = lane_of(here, chamber, None)
    phase = f" in {words(chamber.alarm.phase)}" if chamber.alarm else ""
    if load.stage == "assembled":
        return said | {"words": "waits", "detail": "Its cycle has not started.", "glyph": lane["glyph"]}
    if load.stage == "stopped":
        return said | {"words": f"stands still{phase}", "detail": "Resume or abort.", "glyph": lane["glyph"]}
    detail = f"{by_the_clock(chamber, lane['filled'])}{lane['detail']}"
    return said | {"words": "runs", "detail": f"{detail[:1].upper()}{detail[1:]}."}


def by_the_clock(chamber: Chamber, filled: float) -> str:
    """The phase that it should be in, by the plan alone; nothing once the plan is over."""
    ends = accumulate(phase.share for phase in chamber.phases)
    planned = next((phase for phase, end in zip(chamber.phases, ends, strict=True) if filled < end), None)
    return f"by the clock in {planned.title.lower()}, " if planned else ""


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
    if facts.machine(here.facility.id, machine) is None:
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
        through=posted_whole(here.request, "through"),
        stray=posted_uuid(here.request, "stray"),
        words=said(here.request, "words"),
        load=posted_uuid(here.request, "load"),
        contents_confirmed=here.request.POST.get("contents_confirmed") == "yes",
    )
    return _done(here, machine, outcome, "The number is explained.")


@require_POST
@in_facility
def explain_missing(here: Here, machine: UUID) -> HttpResponse:
    first, last = posted_whole(here.request, "first"), posted_whole(here.request, "last")
    if first is None or last is None:
        raise Unreadable("The numbers that are missing were not given.")
    outcome = deeds.explain_missing(
        here.asks(expecting=False), machine=machine, first=first, last=last, words=said(here.request, "words")
    )
    return _done(here, machine, outcome, "What is missing is explained.")


@require_POST
@in_facility
def exposure(here: Here, machine: UUID) -> HttpResponse:
    kind: Any = said(here.request, "kind")
    when = said(here.request, "happened_at")
    happened_at = moment_of(here, when) if when else None
    if when and happened_at is None:
        raise Unreadable("The moment when it happened can’t be read.", "Give a date and a time.")
    outcome = deeds.record_exposure(
        replace(here.asks(expecting=False), occurred_at=happened_at),
        machine=machine,
        kind=kind,
        words=said(here.request, "words"),
        person=posted_uuid(here.request, "person"),
    )
    words = "It is recorded, and waits for a supervisor. First aid and local reporting come first."
    return _done(here, machine, outcome, words)


@require_POST
@in_facility
def take_on(here: Here, machine: UUID) -> HttpResponse:
    told = posted_uuid(here.request, "exposure")
    if told is None:
        raise Unreadable("Which report was meant was not given.")
    outcome = deeds.take_on_exposure(here.asks(expecting=False), machine=machine, exposure=told)
    return _done(here, machine, outcome, "It is with you.")

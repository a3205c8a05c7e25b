"""Loads: the list, a load's page, and the deeds that its page offers."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_POST

from incidents.identity.ids import named
from incidents.operations import alarms, cycles, holds
from incidents.operations.deeds import Outcome
from incidents.pages.acts import acts_of
from incidents.pages.here import (
    Here,
    Unreadable,
    chosen,
    in_facility,
    moment_of,
    posted_uuid,
    posted_whole,
    said,
    said_shortly,
    uuid_of,
)
from incidents.pages.load_forms import offered
from incidents.pages.templatetags.sluicegate import count_words
from incidents.queries import floor, racks, search
from incidents.queries.story import Story, story
from incidents.rules.events import Place
from incidents.rules.refusals import Refusal

DISPOSITIONS = ("in process", "awaiting review", "quarantined", "released", "reprocessed", "under recall")
UNENDED = {"assembled": "has not started", "stopped": "stands still: resume or abort"}


@in_facility
def loads(here: Here) -> HttpResponseBase:
    """Loads, newest first, by disposition or by what is typed."""
    chosen = here.request.GET.get("disposition", "")
    wanted = here.request.GET.get("search", "").strip()[:80]
    if chosen not in DISPOSITIONS:
        chosen = ""
    rows = floor.loads(here.facility.id, disposition=chosen, search=wanted)
    return here.page(
        "loads.html",
        "loads",
        rows=rows,
        dispositions=DISPOSITIONS,
        chosen=chosen,
        search=wanted,
        looked_for=_looked_for(chosen, wanted),
    )


def _looked_for(chosen: str, wanted: str) -> str:
    by_words = f", with “{wanted}” in its number or name" if wanted else ""
    return f"Looked for loads of {f'the disposition {chosen}' if chosen else 'any disposition'}{by_words}."


@in_facility
def load(here: Here, load: UUID) -> HttpResponseBase:
    """A load's page; with `at` (a size of the log) or `when` (a moment) as it was known then, without acts."""
    asked = here.request.GET
    if asked.get("when"):
        moment = moment_of(here, asked["when"])
        if moment is None:
            raise Unreadable("The moment asked for can’t be read.", "Give a date and a time.")
        return _past(here, load, floor.size_at(here.facility.id, moment), moment)
    if asked.get("at"):
        at = asked["at"]
        if not (at.isascii() and at.isdigit() and len(at) < 16):
            raise Unreadable("The position asked for can’t be read.", "Give a whole number.")
        return _past(here, load, int(at), None)
    return load_page(here, load)


def _past(here: Here, load_id: UUID, before: int, when: datetime | None) -> HttpResponse:
    """The load as it was known. Its dashed frame says so, and it offers no act."""
    story_or_404(here, load_id)
    told = story(here.facility.id, load_id, before)
    if told is None:
        raise Unreadable("Nothing was known of this load then.", "Ask for a later moment.")
    return here.page(
        "load_past.html",
        "loads",
        story=told,
        load=told.load,
        headline=headline(told),
        when=when,
        size=before,
        earlier=told.entries[-1].position if len(told.entries) > 1 else None,
    )


def load_page(here: Here, load_id: UUID, refusal: Refusal | None = None) -> HttpResponse:
    """A load's page; after a refused deed it says what was refused and why (409)."""
    told = story_or_404(here, load_id)
    return here.page(
        "load.html",
        "loads",
        status=409 if refusal else 200,
        story=told,
        load=told.load,
        refusal=refusal,
        headline=headline(told),
        acts=acts_of(here, told),
        rerun_chambers=floor.free_chambers(here.facility.id, told.load.machine, told.load.chamber),
        more_deeds=offered(here, told),
        programmes=floor.programme_names(here.facility.id),
        racks=racks.to_choose(here.facility.id) if told.load.rack else [],
    )


def story_or_404(here: Here, load_id: UUID) -> Story:
    told = story(here.facility.id, load_id)
    if told is None:
        raise Http404
    return told


def headline(told: Story) -> dict[str, Any]:
    """The verdict of the page in a sentence, and what follows from it."""
    count = len(told.holds)
    holds = f"{count_words(count)!s} hold{'s stand' if count > 1 else ' stands'}"
    pinned = [board for board in told.holds if not board.liftable]
    words = told.disposition + (", under recall review" if told.under_recall else "")
    if told.under_recall and told.disposition == "reprocessed":
        lead = "Its trays were washed again since. What they were used for in between is still open."
    elif told.under_recall and told.load.left_on_paper and told.load.release is None:
        lead = "It left on paper though something stood against it: its trays may be in use. Find them first."
    elif told.under_recall:
        lead = "It was held after its release: its trays may be in use. Find them first."
    elif told.disposition == "reprocessed":
        lead = "Its trays went through a complete new cycle that was released. This load’s story has ended."
    elif pinned:
        lead = f"{holds} against a release. Nobody can lift “{pinned[0].sentence.rstrip('.')}”."
    elif count:
        lead = f"{holds} against a release."
    elif told.load.release:
        lead = f"It was released for {told.load.release.purpose}. Nothing stood against it then."
    elif told.disposition == "awaiting review" and told.load.review:
        lead = "Its record was read, and every criterion is met. A signature is missing."
    elif told.disposition == "awaiting review":
        lead = "Nothing is known against it. A person reads the record and signs."
    else:
        lead = f"Its cycle {UNENDED.get(told.load.stage, 'has not ended')}. Nothing is proven yet."
    glyph = "under recall" if told.under_recall else told.disposition
    return {"glyph": glyph, "words": words, "lead": lead, "slot": _empty_slot(told)}


def _empty_slot(told: Story) -> str:
    """What an empty slot says: it is no release."""
    if told.disposition == "released":
        return "The slot is empty: nothing stands against it."
    if told.disposition == "in process":
        return "Nothing is known against it yet, and nothing is proven."
    missing = "A signature is missing." if told.load.review else "A review and a signature are missing."
    return f"The slot is empty: nothing is known against it. {missing}"


def done(here: Here, load_id: UUID, outcome: Outcome, words: str) -> HttpResponse:
    """After a deed: back to the load's page with a word, or the page again with the refusal."""
    if isinstance(outcome, Refusal):
        return load_page(here, load_id, outcome)
    messages.success(here.request, words)
    return redirect("load", slug=here.facility.slug, load=load_id)


@in_facility
def assemble(here: Here) -> HttpResponseBase:
    """Choose a machine's chamber and the trays of one load."""
    refusal = None
    if here.request.method == "POST":
        machine, _, chamber = here.request.POST.get("chamber", "").partition("/")
        trays = [uuid_of(tray, "tray") for tray in here.request.POST.getlist("tray")]
        asks = here.asks(expecting=False)
        outcome = cycles.assemble_load(
            asks,
            machine=uuid_of(machine, "chamber"),
            chamber=chamber,
            trays=trays,
            rack=posted_uuid(here.request, "rack"),
        )
        if not isinstance(outcome, Refusal):
            messages.success(here.request, "The load is assembled. Start its cycle.")
            return redirect("load", slug=here.facility.slug, load=named(asks.deed, "load"))
        refusal = outcome
    return here.page(
        "assemble.html",
        "loads",
        status=409 if refusal else 200,
        refusal=refusal,
        chambers=floor.chambers(here.facility.id),
        trays=search.trays_with_whereabouts(here.facility.id),
        racks=racks.to_choose(here.facility.id),
        chosen_rack=here.request.POST.get("rack", ""),
        chosen_machine=here.request.GET.get("machine", ""),
        chosen_trays=here.request.POST.getlist("tray") or here.request.GET.getlist("tray"),
    )


@require_POST
@in_facility
def start(here: Here, load: UUID) -> HttpResponse:
    outcome = cycles.start_cycle(
        here.asks(),
        load=load,
        programme=said(here.request, "programme"),
        machine_cycle=posted_whole(here.request, "machine_cycle"),
    )
    return done(here, load, outcome, "The cycle is recorded as started.")


@require_POST
@in_facility
def report_end(here: Here, load: UUID) -> HttpResponse:
    outcome = cycles.report_end(
        here.asks(expecting=False),
        load=load,
        machine_cycle=posted_whole(here.request, "machine_cycle"),
        complete=chosen(here.request, "complete", ("yes", "no")) == "yes",
    )
    return done(here, load, outcome, "The end of the cycle is recorded.")


@require_POST
@in_facility
def report_alarm(here: Here, load: UUID) -> HttpResponse:
    asks = here.asks(expecting=False)
    outcome = alarms.report_alarm(
        asks, load=load, code=said_shortly(here.request, "code"), phase=said_shortly(here.request, "phase")
    )
    if isinstance(outcome, Refusal):
        return load_page(here, load, outcome)
    return redirect(reverse("alarm", args=[here.facility.slug, "load", load, named(asks.deed, "alarm")]))


@require_POST
@in_facility
def place(here: Here, load: UUID) -> HttpResponse:
    wanted: Any = here.request.POST.get("place", "")
    where: Place = wanted
    outcome = cycles.place_load(here.asks(), load=load, place=where, spot=said(here.request, "spot"))
    return done(here, load, outcome, "Its place is recorded.")


@require_POST
@in_facility
def rerun(here: Here, load: UUID) -> HttpResponse:
    asks = here.asks()
    machine, _, chamber = said(here.request, "where").partition("/")
    outcome = cycles.rerun_load(
        asks,
        load=load,
        programme=said(here.request, "programme"),
        machine=uuid_of(machine, "where") if machine else None,
        chamber=chamber,
        rack=posted_uuid(here.request, "rack"),
    )
    if isinstance(outcome, Refusal):
        return load_page(here, load, outcome)
    messages.success(here.request, "The re-run is recorded as a new load, linked to the one held.")
    return redirect("load", slug=here.facility.slug, load=named(asks.deed, "load"))


@require_POST
@in_facility
def hold(here: Here, load: UUID) -> HttpResponse:
    outcome = holds.hold_load(here.asks(expecting=False), load=load, words=said(here.request, "words"))
    return done(here, load, outcome, "The load is held.")

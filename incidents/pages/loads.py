"""Loads: the list, a load's page, and the deeds that its page offers."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from incidents.identity import drafts
from incidents.identity.ids import named
from incidents.operations import cycles, holds
from incidents.operations.deeds import Outcome
from incidents.pages.acts import acts_of
from incidents.pages.here import (
    Here,
    Unreadable,
    chosen,
    in_facility,
    moment_of,
    position_of,
    posted_uuid,
    posted_whole,
    said,
    uuid_of,
)
from incidents.pages.load_forms import offered
from incidents.pages.now import items_of
from incidents.pages.templatetags.sluicegate import clock, count_words
from incidents.queries import facts, floor, history, racks, search, whereabouts
from incidents.queries import loads as of_loads
from incidents.queries.story import Story, shown, story
from incidents.rules.events import Fault, Place, Stream
from incidents.rules.loads import Load
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
    page = of_loads.page(here.facility.id, disposition=chosen, search=wanted, before=_place(here))
    older = f"{page.older.year}-{page.older.ordinal}" if page.older else ""
    past = history.loads(here.facility.id, "" if chosen else wanted, _past_place(here))
    kept = {"disposition": chosen, "search": wanted, "before": older}
    return here.page(
        "loads.html",
        "loads",
        rows=page.rows,
        stands=whereabouts.stands(here.facility.id, page.rows),
        rejected=floor.rejected_trays(here.facility.id, [row.owner for row in page.rows]),
        unread=page.unread,
        older=older and urlencode({name: value for name, value in kept.items() if value}),
        later=bool(here.request.GET.get("before")),
        past=past,
        past_older=urlencode({"search": wanted, "past": _told(past.older)}) if past.older else "",
        dispositions=DISPOSITIONS,
        chosen=chosen,
        search=wanted,
        ready=len(floor.ready_for_release(here.facility.id)) if chosen == "awaiting review" else 0,
        looked_for=_looked_for(chosen, wanted),
    )


def _place(here: Here) -> of_loads.Place | None:
    """Where the list goes on, as its own link says it; anything else is its beginning."""
    year, _, ordinal = here.request.GET.get("before", "").partition("-")
    known = all(part.isascii() and part.isdigit() and len(part) < 9 for part in (year, ordinal))
    return of_loads.Place(int(year), int(ordinal)) if known else None


def _told(place: history.Place) -> str:
    return f"{place.started_at.isoformat()}_{place.owner.hex}"


def _past_place(here: Here) -> history.Place | None:
    """As `_place`, for imported history."""
    at, _, owner = here.request.GET.get("past", "").partition("_")
    try:
        started_at = datetime.fromisoformat(at)
        return history.Place(started_at.astimezone(UTC), UUID(owner)) if started_at.tzinfo else None
    except (ValueError, OverflowError):
        return None


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
    entries, older = shown(here.facility.id, told, position_of(here.request.GET.get("below", "")))
    return here.page(
        "load_past.html",
        "loads",
        story=told,
        entries=entries,
        older=older,
        load=told.load,
        headline=headline(told),
        when=when,
        size=before,
        place=whereabouts.recorded(here.facility.id, told.load),
        earlier=told.events[-1].position if len(told.events) > 1 else None,
    )


def load_page(here: Here, load_id: UUID, refusal: Refusal | None = None) -> HttpResponse:
    """A load's page; after a refused deed it says what was refused and why (409)."""
    told = story_or_404(here, load_id)
    entries, older = shown(here.facility.id, told, position_of(here.request.GET.get("below", "")))
    return here.page(
        "load.html",
        "loads",
        status=409 if refusal else 200,
        story=told,
        load=told.load,
        entries=entries,
        older=older,
        refusal=refusal,
        headline=headline(told),
        resumed=sum(each.halt_s for each in told.load.resumes),
        stand=whereabouts.stand(here.facility.id, load_id),
        early=_early(here, told.load),
        left_inside=_left_inside(here, told) if told.load.stage == "assembled" else "",
        acts=acts_of(here, told),
        open_items=items_of(here, Stream("load", load_id)),
        faults=faults_of(here, told) if told.load.stage in ("running", "stopped") else (),
        fits=floor.fits(here.facility.id, told.load),
        more_deeds=offered(here, told),
        programmes=floor.programme_names(
            here.facility.id, told.load.machine if told.load.stage == "assembled" else None
        ),
        racks=racks.choices(here.facility.id),
        rack=facts.rack(here.facility.id, told.load.rack) if told.load.rack else None,
    )


def refused_for_good(here: Here, load_id: UUID, refusal: Refusal) -> HttpResponse:
    """The load takes this no longer: its own page says why, and what was typed for it is forgotten."""
    form = here.request.POST.get("draft", "") or here.request.get_full_path()
    drafts.drop(here.person.id, here.facility.id, form)
    return load_page(here, load_id, refusal)


def _early(here: Here, load: Load) -> str:
    """What to heed where less than three quarters of the planned time have gone by; else nothing."""
    end, start = load.expected_end_at, load.started_at
    if end is None or start is None or end - here.now < (end - start) / 4:
        return ""
    at = clock(end, here.facility.time_zone)[:5]
    return f"Its programme is planned to run to {at}. Look at the machine’s display before you say that it ended."


def _left_inside(here: Here, told: Story) -> str:
    """The load that was last in this one’s chamber and has no other place recorded since."""
    inside = whereabouts.left_inside(here.facility.id)
    last = inside.get((told.load.machine, told.load.chamber)) if told.load.machine else None
    return last.name if last else ""


def faults_of(here: Here, told: Story) -> tuple[Fault, ...]:
    """The faults of the catalogue that this load's cycle goes by."""
    catalogue = facts.catalogue(here.facility.id, told.load.catalogue_edition or None)
    return catalogue.faults if catalogue else ()


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
        lead = f"It was released for {told.load.release.purpose}. Nothing stood against it then.{_without(told)}"
    elif told.disposition == "awaiting review" and told.load.review:
        lead = f"Its record was read, and every criterion is met. A signature is missing.{_without(told)}"
    elif told.disposition == "awaiting review":
        lead = f"Nothing is known against {_it(told)}. A person reads the record and signs.{_without(told)}"
    else:
        lead = f"Its cycle {UNENDED.get(told.load.stage, 'has not ended')}. Nothing is proven yet."
    glyph = "under recall" if told.under_recall else told.disposition
    return {"glyph": glyph, "words": words, "lead": lead, "slot": _empty_slot(told)}


def _empty_slot(told: Story) -> str:
    """What is said where no hold stands: it is no release."""
    if told.disposition == "released":
        return f"Nothing stands against {_it(told)}."
    if told.disposition == "in process":
        return "Nothing is known against it yet, and nothing is proven."
    missing = "A signature is missing." if told.load.review else "A review and a signature are missing."
    return f"Nothing is known against {_it(told)}. {missing}"


def _it(told: Story) -> str:
    """The load, or what of it goes on, so that a tray that was rejected is never taken for a part of it."""
    return told.subject if told.going else "it"


def _without(told: Story) -> str:
    """Which trays a release does not take, and why."""
    kept = [f"{tray.label}: {tray.became}" for tray in told.kept_back]
    return f" Not with it: {'; '.join(kept)}." if kept else ""


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
    chosen_trays = here.request.POST.getlist("tray") or here.request.GET.getlist("tray")
    find = here.request.GET.get("find", "").strip()[:80]
    choice = search.trays_to_choose(here.facility.id, find, _readable(chosen_trays))
    return here.page(
        "assemble.html",
        "loads",
        status=409 if refusal else 200,
        refusal=refusal,
        chambers=floor.with_what_is_left(here.facility.id, floor.chambers(here.facility.id)),
        trays=choice.trays,
        trays_of=choice.of,
        find=find,
        racks=racks.choices(here.facility.id),
        chosen_rack=here.request.POST.get("rack", ""),
        chosen_chamber=here.request.POST.get("chamber", ""),
        chosen_machine=here.request.GET.get("machine", ""),
        chosen_trays=chosen_trays,
    )


def _readable(ids: Sequence[str]) -> list[UUID]:
    """Those that are ids: a link may say anything."""
    found = []
    for text in ids:
        with suppress(ValueError):
            found.append(UUID(text))
    return found[:400]


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
    bare = said(here.request, "rack") == "none"
    outcome = cycles.rerun_load(
        asks,
        load=load,
        programme=said(here.request, "programme"),
        machine=uuid_of(machine, "where") if machine else None,
        chamber=chamber,
        rack=None if bare else posted_uuid(here.request, "rack"),
        without_rack=bare,
        machine_cycle=posted_whole(here.request, "machine_cycle"),
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

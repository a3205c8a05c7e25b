"""The fault catalogue: everyone reads it, one person drafts it fault by fault, a second compares and publishes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from incidents.identity.models import Person
from incidents.operations import catalogue as deeds
from incidents.operations.corrections import correct_catalogue_attribution
from incidents.operations.deeds import Outcome
from incidents.pages.fault_form import FaultForm
from incidents.pages.here import Here, Unreadable, in_facility, posted_uuid, said
from incidents.queries import catalogue as told
from incidents.queries.catalogue import Standing
from incidents.rules import authority
from incidents.rules.events import Fault
from incidents.rules.faults import CONSEQUENCES, TIMES, proposed_priority, resume_in_words
from incidents.rules.refusals import Refusal

CORRECTS = "correct_catalogue_attribution"


def _page(here: Here, template: str, standing: Standing, status: int = 200, **more: Any) -> HttpResponse:
    """A page of the catalogue, with what this person may do about it."""
    refusal = authority.refusal("draft_catalogue", here.rights.roles, here.rights.competences)
    nav = "set-up" if here.may_set_up else "now"
    return here.page(template, nav, status, standing=standing, may_not=refusal, **more)


def _row(fault: Fault) -> dict[str, Any]:
    proposed = proposed_priority(fault.consequence, fault.time_to_respond)
    return {"fault": fault, "proposed": proposed, "resume": resume_in_words(fault.resume)}


@in_facility
def read(here: Here) -> HttpResponseBase:
    standing = told.standing(here.facility.id)
    may_correct = authority.refusal(CORRECTS, here.rights.roles, here.rights.competences) is None
    rows = [_row(fault) for fault in standing.faults]
    return _page(here, "catalogue.html", standing, rows=rows, may_correct=may_correct)


@in_facility
def attribution(here: Here) -> HttpResponseBase:
    """A draft or a publication was somebody else's work: both people of an edition are asked about again."""
    refusal = None
    if here.request.method == "POST":
        event, person = posted_uuid(here.request, "event"), posted_uuid(here.request, "person")
        if event is None or person is None:
            raise Unreadable("It does not say what was done by whom.")
        outcome = correct_catalogue_attribution(
            here.asks(expecting=False), event=event, person=person, words=said(here.request, "words")
        )
        if not isinstance(outcome, Refusal):
            messages.success(here.request, "The attribution is corrected, and both people were asked about again.")
            return redirect("catalogue", slug=here.facility.slug)
        refusal = outcome
    return _page(
        here,
        "catalogue_attribution.html",
        told.standing(here.facility.id),
        409 if refusal else 200,
        work=told.work(here.facility.id),
        people=Person.objects.filter(membership__facility=here.facility).distinct().order_by("name"),
        refusal=refusal,
    )


@in_facility
def draft(here: Here) -> HttpResponseBase:
    return _draft_page(here)


def _draft_page(here: Here, refusal: Refusal | None = None) -> HttpResponse:
    standing = told.standing(here.facility.id)
    rows = [_row(each.fault) | {"kind": each.kind} for each in standing.differences]
    return _page(here, "catalogue_draft.html", standing, 409 if refusal else 200, rows=rows, refusal=refusal)


def _drafted(here: Here, outcome: Outcome, words: str) -> HttpResponse:
    if isinstance(outcome, Refusal):
        return _draft_page(here, outcome)
    messages.success(here.request, words)
    return redirect("catalogue-draft", slug=here.facility.slug)


@in_facility
def fault(here: Here) -> HttpResponseBase:
    """Add a fault to the draft, or change the one whose code the address names."""
    standing = told.standing(here.facility.id)
    code = here.request.GET.get("code")
    found = next((each for each in standing.next_faults if each.code == code), None)
    if code is not None and found is None:
        raise Http404
    posted = here.request.POST if here.request.method == "POST" else None
    form = FaultForm(posted, fault=found, phases=told.phases(here.facility.id))
    if form.is_valid():
        others = [each for each in standing.next_faults if each not in (found, form.said)]
        faults = sorted([*others, form.said], key=lambda each: each.code)  # sent twice, it is the same deed
        outcome = deeds.draft_catalogue(here.asks(), faults=faults)
        if not isinstance(outcome, Refusal):
            messages.success(here.request, f"Fault {form.said.code} stands in the draft.")
            return redirect("catalogue-draft", slug=here.facility.slug)
        form.add_error(None, f"{outcome.sentence} {outcome.next_step}")
    return _page(
        here,
        "catalogue_fault.html",
        standing,
        _status(form),
        form=form,
        fault=found,
        proposed=proposed_priority(found.consequence, found.time_to_respond) if found else "",
        times=TIMES,
        table=[(words, [proposed_priority(words, time) for time in TIMES]) for words in CONSEQUENCES],
    )


def _status(form: FaultForm) -> int:
    """409 where the rules refused a form that is whole in itself."""
    if not form.is_bound:
        return 200
    return 422 if set(form.errors) - {"__all__"} else 409


@require_POST
@in_facility
def remove(here: Here) -> HttpResponse:
    code = here.request.POST.get("code", "")
    kept = _without(told.standing(here.facility.id).next_faults, code)
    outcome = deeds.draft_catalogue(here.asks(), faults=kept)
    return _drafted(here, outcome, f"Fault {code} is taken out of the draft.")


def _without(faults: Sequence[Fault], code: str) -> list[Fault]:
    return [each for each in faults if each.code != code]


@require_POST
@in_facility
def drop(here: Here) -> HttpResponse:
    outcome = deeds.draft_catalogue(here.asks(), faults=told.standing(here.facility.id).faults)
    return _drafted(here, outcome, "The draft is dropped. The edition in force is untouched.")


@in_facility
def compare(here: Here) -> HttpResponseBase:
    return _compare_page(here)


def _compare_page(here: Here, refusal: Refusal | None = None) -> HttpResponse:
    standing = told.standing(here.facility.id)
    mine = standing.draft is not None and standing.draft.by == here.person.id
    rows = [{"difference": each, "resume": resume_in_words(each.fault.resume)} for each in standing.changed]
    return _page(
        here, "catalogue_compare.html", standing, 409 if refusal else 200, rows=rows, mine=mine, refusal=refusal
    )


@require_POST
@in_facility
def publish(here: Here) -> HttpResponse:
    outcome = deeds.publish_draft(here.asks())
    if isinstance(outcome, Refusal):
        return _compare_page(here, outcome)
    messages.success(here.request, "The edition is in force. Cycles that have started keep theirs.")
    return redirect("catalogue", slug=here.facility.slug)

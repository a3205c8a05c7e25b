"""A programme: everyone reads it, one person drafts its next edition, a second compares and approves."""

from __future__ import annotations

from datetime import UTC
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST
from msgspec.structs import replace

from incidents.identity.models import Person
from incidents.operations import programmes as deeds
from incidents.operations.corrections import correct_programme_attribution
from incidents.operations.deeds import Outcome
from incidents.pages.forms import Moment
from incidents.pages.here import Here, Unreadable, in_facility, posted_uuid, said
from incidents.pages.programme_limits import LimitedProgrammeForm, kept, typed
from incidents.pages.set_up import programme_of
from incidents.queries import facts
from incidents.queries import programmes as told
from incidents.queries.programmes import Standing
from incidents.rules import authority
from incidents.rules.refusals import Refusal

CORRECTS = "correct_programme_attribution"


class DraftForm(LimitedProgrammeForm):
    """The next edition of a programme whose name stays."""

    effective_at = Moment(
        label="In force from",
        required=False,
        help_text="By the clock here. Empty, or past when it is approved: from its approval on.",
    )

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.fields["name"].disabled = True


def _standing(here: Here, programme: UUID) -> Standing:
    found = told.standing(here.facility.id, programme, here.now)
    if found is None:
        raise Http404
    return found


def _page(here: Here, template: str, standing: Standing, status: int = 200, **more: Any) -> HttpResponse:
    """A page of a programme, with what this person may do about it."""
    may_not = authority.refusal("draft_programme", here.rights.roles, here.rights.competences)
    nav = "set-up" if here.may_set_up else "now"
    return here.page(template, nav, status, standing=standing, may_not=may_not, **more)


@in_facility
def read(here: Here, programme: UUID) -> HttpResponseBase:
    may_correct = authority.refusal(CORRECTS, here.rights.roles, here.rights.competences) is None
    return _page(here, "programme.html", _standing(here, programme), may_correct=may_correct)


@in_facility
def draft(here: Here, programme: UUID) -> HttpResponseBase:
    """The whole next edition in one form, filled with the draft that stands or else with the newest edition."""
    standing = _standing(here, programme)
    stands = standing.draft or standing.newest
    assert stands is not None
    initial = typed(stands) | {"effective_at": _local(here, stands.effective_at)}
    sent = here.request.POST if here.request.method == "POST" else None
    form = DraftForm(sent, initial=initial, requirements=facts.policy(here.facility.id).requirements)
    if form.is_valid():
        outcome = _drafted(here, form.cleaned_data, standing)
        if not isinstance(outcome, Refusal):
            messages.success(here.request, "The draft stands. It binds nobody until a second person approves it.")
            return redirect("programme-compare", slug=here.facility.slug, programme=programme)
        form.add_error(None, f"{outcome.sentence} {outcome.next_step}")
    status = 200 if not form.is_bound else 422 if set(form.errors) - {"__all__"} else 409
    return _page(here, "programme_draft.html", standing, status, form=form)


def _local(here: Here, moment: Any) -> str:
    return moment.astimezone(ZoneInfo(here.facility.time_zone)).strftime("%Y-%m-%dT%H:%M") if moment else ""


def _drafted(here: Here, given: dict[str, Any], standing: Standing) -> Outcome:
    stands = standing.draft or standing.newest
    asked = programme_of(given)
    if isinstance(asked, Refusal) or stands is None:
        return asked if isinstance(asked, Refusal) else Refusal("no-programme", "It is gone.", "Go to Set-up.")
    moment = given["effective_at"]
    try:
        effective_at = moment.replace(tzinfo=ZoneInfo(here.facility.time_zone)).astimezone(UTC) if moment else None
    except OverflowError:
        return Refusal(
            "moment", "“In force from” is beyond the calendar. Nothing was written.", "Give another day."
        )
    codes = {(each.kind, each.title): each.code for each in stands.criteria}
    asked["criteria"] = [
        replace(each, code=codes.get((each.kind, each.title), each.code)) for each in asked["criteria"]
    ]
    asked |= {"limits": kept(given["limits"], stands.limits), "effective_at": effective_at}
    return deeds.draft_programme(here.asks(), **asked)


@in_facility
def compare(here: Here, programme: UUID) -> HttpResponseBase:
    return _compare_page(here, programme)


def _compare_page(here: Here, programme: UUID, refusal: Refusal | None = None) -> HttpResponse:
    standing = _standing(here, programme)
    mine = standing.draft_by == here.person.id
    return _page(here, "programme_compare.html", standing, 409 if refusal else 200, mine=mine, refusal=refusal)


@require_POST
@in_facility
def approve(here: Here, programme: UUID) -> HttpResponse:
    outcome = deeds.approve_programme(here.asks(), programme=programme)
    if isinstance(outcome, Refusal):
        return _compare_page(here, programme, outcome)
    messages.success(here.request, "The edition is approved. Cycles that have started keep theirs.")
    return redirect("programme", slug=here.facility.slug, programme=programme)


@in_facility
def attribution(here: Here, programme: UUID) -> HttpResponseBase:
    """A draft or an approval was somebody else's work: both people of an edition are asked about again."""
    standing, refusal = _standing(here, programme), None
    if here.request.method == "POST":
        event, person = posted_uuid(here.request, "event"), posted_uuid(here.request, "person")
        if event is None or person is None:
            raise Unreadable("It does not say what was done by whom.")
        asks, words = here.asks(expecting=False), said(here.request, "words")
        outcome = correct_programme_attribution(asks, programme=programme, event=event, person=person, words=words)
        if not isinstance(outcome, Refusal):
            messages.success(here.request, "The attribution is corrected, and both people were asked about again.")
            return redirect("programme", slug=here.facility.slug, programme=programme)
        refusal = outcome
    return _page(
        here,
        "programme_attribution.html",
        standing,
        409 if refusal else 200,
        work=told.work(here.facility.id, programme),
        people=Person.objects.filter(membership__facility=here.facility).distinct().order_by("name"),
        refusal=refusal,
    )


@require_POST
@in_facility
def withdraw(here: Here, programme: UUID) -> HttpResponse:
    outcome = deeds.withdraw_programme(here.asks(), programme=programme, words=said(here.request, "words"))
    if isinstance(outcome, Refusal):
        return _page(here, "programme.html", _standing(here, programme), 409, refusal=outcome)
    messages.success(here.request, "The programme is withdrawn. Nobody starts a cycle by it any more.")
    return redirect("programme", slug=here.facility.slug, programme=programme)

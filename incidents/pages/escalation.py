"""The escalation policy: everyone reads it, one person drafts its next edition, a second compares and approves."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from incidents.operations import escalation as deeds
from incidents.operations.deeds import Outcome
from incidents.pages.forms import Moment
from incidents.pages.here import Here, in_facility
from incidents.pages.ladder_lines import (
    HELP,
    QUIET_HELP,
    LineUnreadable,
    ladders_of,
    lines_of,
    quiet_lines,
    quiet_of,
)
from incidents.queries import escalation as told
from incidents.queries.escalation import Standing
from incidents.rules import authority
from incidents.rules.ladders import LONGEST_SOURCE
from incidents.rules.refusals import Refusal
from incidents.rules.starting_ladders import STARTING

LONGEST_LINES = 40_000  # characters


class LaddersForm(forms.Form):
    """The next edition, whole."""

    source = forms.CharField(label="Source", max_length=LONGEST_SOURCE, help_text="The local rule, with its date.")
    steps = forms.CharField(
        label="Steps",
        max_length=LONGEST_LINES,
        widget=forms.Textarea(attrs={"rows": 24, "spellcheck": "false"}),
        help_text=HELP,
    )
    quiet = forms.CharField(
        label="Quiet hours",
        required=False,
        max_length=2_000,
        widget=forms.Textarea(attrs={"rows": 3, "spellcheck": "false"}),
        help_text=QUIET_HELP,
    )
    again = forms.IntegerField(
        label="The same fault comes again within so many cycles", min_value=1, max_value=10_000
    )
    effective_at = Moment(
        label="In force from",
        required=False,
        help_text="By the clock here. Empty, or past when it is approved: from its approval on.",
    )

    def clean_steps(self) -> Any:
        try:
            return ladders_of(self.cleaned_data["steps"])
        except LineUnreadable as flaw:
            raise forms.ValidationError(str(flaw)) from None

    def clean_quiet(self) -> Any:
        try:
            return quiet_of(self.cleaned_data["quiet"])
        except LineUnreadable as flaw:
            raise forms.ValidationError(str(flaw)) from None


def _page(here: Here, template: str, standing: Standing, status: int = 200, **more: Any) -> HttpResponse:
    may_not = authority.refusal("draft_escalation", here.rights.roles, here.rights.competences)
    mine = standing.draft_by == here.person.id
    nav = "set-up" if here.may_set_up else "now"
    return here.page(template, nav, status, standing=standing, may_not=may_not, mine=mine, **more)


@in_facility
def read(here: Here) -> HttpResponseBase:
    return _page(here, "escalation.html", told.standing(here.facility.id, here.now))


@in_facility
def draft(here: Here) -> HttpResponseBase:
    """The whole next edition in one form: the draft that stands, else what is in force, else starting values."""
    standing = told.standing(here.facility.id, here.now)
    stands = standing.draft or (standing.in_force.told if standing.in_force else STARTING)
    initial = {
        "source": stands.source,
        "steps": lines_of(stands.ladders),
        "quiet": quiet_lines(stands.quiet),
        "again": stands.again_within_cycles,
    }
    form = LaddersForm(here.request.POST if here.request.method == "POST" else None, initial=initial)
    if form.is_valid():
        outcome = _drafted(here, form.cleaned_data)
        if not isinstance(outcome, Refusal):
            messages.success(here.request, "The draft stands. It binds nobody until a second person approves it.")
            return redirect("escalation", slug=here.facility.slug)
        form.add_error(None, f"{outcome.sentence} {outcome.next_step}")
    status = 200 if not form.is_bound else 422 if set(form.errors) - {"__all__"} else 409
    return _page(here, "escalation_draft.html", standing, status, form=form)


def _drafted(here: Here, given: dict[str, Any]) -> Outcome:
    moment: datetime | None = given["effective_at"]
    try:
        at = moment.replace(tzinfo=ZoneInfo(here.facility.time_zone)).astimezone(UTC) if moment else None
    except OverflowError:
        return Refusal(
            "moment", "“In force from” is beyond the calendar. Nothing was written.", "Give another day."
        )
    return deeds.draft_escalation(
        here.asks(),
        source=given["source"],
        ladders=given["steps"],
        quiet=given["quiet"],
        again_within_cycles=given["again"],
        effective_at=at,
    )


@require_POST
@in_facility
def approve(here: Here) -> HttpResponse:
    return _answered(here, deeds.approve_escalation(here.asks()), "The edition is approved.")


@require_POST
@in_facility
def adopt(here: Here) -> HttpResponse:
    return _answered(here, deeds.adopt_escalation(here.asks()), "The starting values are in force.")


def _answered(here: Here, outcome: Outcome, sentence: str) -> HttpResponse:
    if isinstance(outcome, Refusal):
        standing = told.standing(here.facility.id, here.now)
        return _page(here, "escalation.html", standing, 409, refusal=outcome)
    messages.success(here.request, sentence)
    return redirect("escalation", slug=here.facility.slug)

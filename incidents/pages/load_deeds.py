"""A floor deed on a load: its form, and what came of it."""

from __future__ import annotations

import zoneinfo
from datetime import UTC, datetime
from uuid import UUID

from django import forms
from django.http import Http404, HttpResponseBase
from msgspec.structs import replace

from incidents.operations.deeds import Request
from incidents.pages.here import Here, Unreadable, in_facility
from incidents.pages.load_forms import DEEDS, Given, LoadDeed, WhenForm
from incidents.pages.loads import done, story_or_404
from incidents.queries.story import Story
from incidents.rules.refusals import Refusal

OUT = "It is recorded. It was taken out: record its place, where it stands now."


@in_facility
def deed(here: Here, load: UUID, name: str) -> HttpResponseBase:
    """A floor deed's form; sent and whole, it is done, or refused with its sentence (409)."""
    wanted = DEEDS.get(name)
    if wanted is None:
        raise Http404
    told = story_or_404(here, load)
    form = _form(here, told, wanted)
    refusal = None
    if here.request.method == "POST" and form.is_valid():
        asks = here.asks(expecting=False)
        outcome = wanted.run(late(asks, form.cleaned_data, here), load, form.cleaned_data)
        if not isinstance(outcome, Refusal):
            taken_out = form.cleaned_data.get("out") == "yes"
            return done(here, load, outcome, OUT if taken_out else "It is recorded.")
        refusal = outcome
    status = 409 if refusal else 422 if form.is_bound else 200
    return here.page(
        "load_deed.html",
        "loads",
        status=status,
        story=told,
        load=told.load,
        form=form,
        wanted=wanted,
        refusal=refusal,
    )


def _form(here: Here, told: Story, wanted: LoadDeed) -> forms.Form:
    form = WhenForm(here.request.POST if here.request.method == "POST" else None)
    form.fields = {**wanted.fields(here, told), **form.fields}
    return form


def late(asks: Request, given: Given, here: Here) -> Request:
    """The request with the moment that was claimed, read in the facility's time zone. Raises Unreadable."""
    claimed: datetime | None = given.get("happened_at")
    if claimed is None:
        return asks
    local = claimed.replace(tzinfo=zoneinfo.ZoneInfo(here.facility.time_zone))
    try:
        return replace(asks, occurred_at=local.astimezone(UTC))
    except OverflowError:
        raise Unreadable("The moment when it happened is in no calendar.") from None

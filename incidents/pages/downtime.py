"""Downtime forms: the list with its gaps; issued, printed, entered when they come back, voided when they won't."""

from __future__ import annotations

import re

from django.contrib import messages
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from incidents.operations import downtime as deeds
from incidents.pages.downtime_form import EntryForm
from incidents.pages.here import Here, Unreadable, in_facility, position_of, posted_whole, said
from incidents.queries import downtime
from incidents.rules import authority
from incidents.rules.downtime import LAST_NUMBER
from incidents.rules.paper import label_of
from incidents.rules.refusals import Refusal

NUMBER = re.compile(r"(?:d-?)?0*([0-9]{1,5})", re.IGNORECASE)


@in_facility
def forms(here: Here) -> HttpResponseBase:
    return _list(here)


def _list(here: Here, refusal: Refusal | None = None) -> HttpResponse:
    below = position_of(here.request.GET.get("below", ""))
    page = downtime.page(here.facility.id, below)
    missing = downtime.missing(here.facility.id)
    shown = {line.number for line in page.lines}
    also = [line for line in missing if line.number not in shown] if below is None else []
    return here.page(
        "downtime.html",
        "downtime",
        status=409 if refusal else 200,
        lines=[*page.lines, *also],
        older=page.older,
        missing=missing,
        out=(out := downtime.out(here.facility.id)),
        out_labels=[label_of(number) for number in out or ()],
        refusal=refusal,
        may_not_issue=_may_not(here, "issue_forms"),
        may_void=_may_not(here, "void_form") is None,
    )


def _may_not(here: Here, deed: str) -> Refusal | None:
    return authority.refusal(deed, here.rights.roles, here.rights.competences)


@require_POST
@in_facility
def issue(here: Here) -> HttpResponse:
    outcome = deeds.issue_forms(here.asks(expecting=False), count=posted_whole(here.request, "count") or 0)
    if isinstance(outcome, Refusal):
        return _list(here, outcome)
    messages.success(here.request, "The numbers are issued. Print them now, and keep them where people find them.")
    return redirect("downtime", slug=here.facility.slug)


@in_facility
def print_forms(here: Here) -> HttpResponseBase:
    """A PDF of the forms that are still out, from `first` to `last`."""
    from incidents.pages.downtime_print import printed  # as in hold_tag.py

    asked = here.request.GET
    first, last = (_number(asked.get(name, "")) for name in ("first", "last"))
    numbers = downtime.to_print(here.facility.id, first or 1, last or LAST_NUMBER)
    if not numbers:
        raise Unreadable("No such form is out.", "Issue forms first, or read the list.")
    response = HttpResponse(
        printed(here.facility.on_paper, numbers, EntryForm(here)), content_type="application/pdf"
    )
    name = f"downtime-{label_of(numbers[0])}-to-{label_of(numbers[-1])}.pdf"
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


@in_facility
def find(here: Here) -> HttpResponseBase:
    """From a number that was typed or scanned to the page on which that form is entered."""
    number = _number(here.request.GET.get("number", ""))
    if number is None:
        raise Unreadable("That is not a form’s number.", "Type it as it stands under the barcode: D-00017, or 17.")
    return redirect("enter-form", slug=here.facility.slug, number=number)


def _number(text: str) -> int | None:
    found = NUMBER.fullmatch(text.strip())
    return int(found[1]) or None if found else None


@in_facility
def enter(here: Here, number: int) -> HttpResponseBase:
    """One page for what stands on the form, in the order of the paper. Nothing of it is refused by a rule."""
    posted = here.request.method == "POST"
    form = EntryForm(here, here.request.POST if posted else None)
    refusal = None
    if posted and form.is_valid():
        outcome = deeds.enter_form(
            here.asks(expecting=False), number=number, paper=form.paper(), words=form.cleaned_data["words"]
        )
        if not isinstance(outcome, Refusal):
            return _entered(here, number)
        refusal = outcome
    return here.page(
        "downtime_enter.html",
        "downtime",
        status=409 if refusal else 422 if posted else 200,
        number=number,
        label=label_of(number),
        line=downtime.form(here.facility.id, number),
        form=form,
        refusal=refusal,
        may_not_enter=_may_not(here, "enter_form"),
    )


def _entered(here: Here, number: int) -> HttpResponse:
    messages.success(here.request, f"Form {label_of(number)} is entered, and its load was judged at once.")
    line = downtime.form(here.facility.id, number)
    if line is None or line.load is None:
        return redirect("downtime", slug=here.facility.slug)
    return redirect("load", slug=here.facility.slug, load=line.load)


@require_POST
@in_facility
def void(here: Here, number: int) -> HttpResponse:
    outcome = deeds.void_form(here.asks(expecting=False), number=number, words=said(here.request, "words"))
    if isinstance(outcome, Refusal):
        return _list(here, outcome)
    messages.success(here.request, f"Form {label_of(number)} is voided.")
    return redirect("downtime", slug=here.facility.slug)

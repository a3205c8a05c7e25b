"""What goes with a released load, its label, and what is filed of its cycle, its record on one page."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse, HttpResponseBase

from incidents.pages.here import Here, in_facility
from incidents.pages.loads import load_page, story_or_404
from incidents.rules.refusals import Refusal

NOT_RELEASED = Refusal(
    "not-released", "This load is not released, or is under recall: it gets no release label.", "Read its holds."
)
NO_RECORD = Refusal("record-missing", "No readings of this load are kept: there is none to print.", "Give one.")


@in_facility
def release_label(here: Here, load: UUID) -> HttpResponseBase:
    """The label of a released load, for a label printer; 409 where it is not released, or under recall."""
    told = story_or_404(here, load)
    if told.load.release is None or told.under_recall or told.disposition != "released":
        return load_page(here, load, NOT_RELEASED)
    from incidents.pages import papers_print  # as in hold_tag.py

    return _sent(papers_print.label(here, told), f"release-label-{told.load.number}")


@in_facility
def record_page(here: Here, load: UUID) -> HttpResponseBase:
    """One page: the curve, what was computed, the holds, who looked and who released; 409 without a record."""
    told = story_or_404(here, load)
    if not told.load.records:
        return load_page(here, load, NO_RECORD)
    from incidents.pages import papers_print

    return _sent(papers_print.record(here, told), f"record-{told.load.number}")


def _sent(document: bytes, name: str) -> HttpResponse:
    response = HttpResponse(document, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    response["Cache-Control"] = "no-store"
    return response

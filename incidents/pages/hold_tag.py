"""A load's hold tag, 100 × 60 mm: HELD first, then which load, where it stands, why, and what ends it.

Its Code 128 and its DataMatrix both carry the load's number, so that scanning the tag opens the load.
"""

from __future__ import annotations

from typing import NamedTuple
from uuid import UUID

from django.http import HttpResponse, HttpResponseBase

from incidents.pages.here import Here, in_facility
from incidents.pages.loads import load_page, story_or_404
from incidents.pages.templatetags.sluicegate import local
from incidents.queries import whereabouts
from incidents.queries.story import Story
from incidents.queries.whereabouts import Stand
from incidents.rules.refusals import Refusal

NOT_HELD = Refusal(
    "not-held", "Nothing stands against this load: it gets no hold tag.", "Hold it first, if it must not go on."
)


class Tag(NamedTuple):
    number: str
    name: str
    place: str
    why: str
    ends: str
    trays: int
    cycle_at: str
    position: int


def tag_of(told: Story, zone: str, stand: Stand) -> Tag | None:
    """What the tag says, with where its trays are by now; None where nothing stands against the load."""
    if not told.holds or told.disposition == "reprocessed":
        return None
    load, gravest = told.load, told.holds[0]
    pinned = not gravest.liftable
    more = len(told.holds) - 1
    ends = "A complete new cycle of its items is released. Nobody lifts this." if pinned else gravest.who
    if pinned and gravest.code in ("record-missing", "outcome-unknown", "alarm-unseen"):
        ends = "Evidence ends it, never a person."
    return Tag(
        number=load.number,
        name=load.name,
        place=f"{stand.words}: bring it to quarantine" if stand.place == "clean-side" else stand.words,
        why=gravest.sentence + (f" And {more} more." if more else ""),
        ends=ends,
        trays=len(load.trays),
        cycle_at=local(load.ended_at or load.started_at or load.assembled_at, zone)[:-3],
        position=told.events[-1].position,
    )


@in_facility
def hold_tag(here: Here, load: UUID) -> HttpResponseBase:
    """The tag as a PDF of its own size, for a label printer; 409 where the load is not held."""
    from incidents.pages.hold_tag_print import printed  # here, for ReportLab loads longer than all other pages

    told = story_or_404(here, load)
    tag = tag_of(told, here.facility.time_zone, whereabouts.stand(here.facility.id, load))
    if tag is None:
        return load_page(here, load, NOT_HELD)
    response = HttpResponse(printed(tag, here.facility.on_paper), content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="hold-tag-{tag.number}.pdf"'
    response["Cache-Control"] = "no-store"
    return response

"""The hand-over of a shift: one list, read together, signed by both."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import redirect

from incidents.identity.signing import sign
from incidents.operations.handover import hand_over_shift
from incidents.pages.deciding import signer_of
from incidents.pages.here import Here, in_facility, said
from incidents.pages.now import ALARM_GLYPHS, GLYPHS, url_of, url_of_item
from incidents.queries import floor
from incidents.queries import handover as query
from incidents.rules import handover as rules
from incidents.rules.events import SeenLoad
from incidents.rules.meanings import NOT_SIGNED
from incidents.rules.refusals import Refusal


@in_facility
def handover(here: Here) -> HttpResponseBase:
    """Read it; posted with two badges and PINs, it is handed over."""
    if here.request.method != "POST":
        return _page(here)
    signers = [signer_of(here, suffix) for suffix in ("", "-2")]
    digest = said(here.request, "digest")[:64]
    asks = here.asks(expecting=False)
    people = [each for each in signers if each is not None]
    if len(people) != 2:
        return _page(here, NOT_SIGNED)
    meaning = rules.meaning(query.standing(here.facility.id).things, digest)
    seen = [SeenLoad(here.facility.id, 0, digest)]
    signings = [sign(each, here.facility.id, asks.deed, meaning, seen, here.now).id for each in people]
    outcome = hand_over_shift(asks, seen=digest, signings=signings, words=said(here.request, "words"))
    if isinstance(outcome, Refusal):
        return _page(here, outcome)
    messages.success(here.request, f"{people[0].name} handed the shift over to {people[1].name}. Both signed.")
    return redirect("now", slug=here.facility.slug)


def _page(here: Here, refusal: Refusal | None = None) -> HttpResponse:
    told = query.standing(here.facility.id)
    return here.page(
        "handover.html",
        "now",
        409 if refusal else 200,
        told=told,
        groups=[(title, [_line(here, each) for each in things]) for title, things in told.groups],
        meaning=rules.meaning(told.things, told.digest),
        refusal=refusal,
    )


def _line(here: Here, each: query.Thing) -> dict[str, Any]:
    row = each.row
    return {
        "glyph": ALARM_GLYPHS[row.priority] if row.kind == "alarm" else GLYPHS.get(row.kind, "todo"),
        "title": row.title,
        "since": row.since,
        "owner": each.owner_name,
        "note": each.owner.note if each.owner else "",
        "url": url_of(here, floor.matter_of(row)),
        "care_url": url_of_item(here, each.item),
    }

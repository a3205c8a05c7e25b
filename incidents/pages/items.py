"""One open item: who looks after it, what was done and told about it, and taking it over, on, or aside."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from incidents.identity.models import Person
from incidents.operations import alarms as alarm_deeds
from incidents.operations import care as deeds
from incidents.operations.deeds import Outcome, Request
from incidents.pages.here import Here, Unreadable, chosen, in_facility, posted_uuid, said
from incidents.pages.now import ALARM_GLYPHS, GLYPHS, url_of
from incidents.queries import care, escalation, floor
from incidents.queries.listing import people_of
from incidents.rules import authority
from incidents.rules.events import Stream
from incidents.rules.refusals import Refusal

HOURS = {"1": "for an hour", "4": "for four hours", "8": "for eight hours"}


@in_facility
def item(here: Here, kind: str, owner: UUID, item: str) -> HttpResponseBase:
    return _page(here, Stream(kind, owner), item)


def _page(here: Here, stream: Stream, key: str, refusal: Refusal | None = None) -> HttpResponse:
    told = care.story(here.facility.id, stream, key)
    if told is None:
        raise Http404
    row = told.row
    is_alarm = row.kind == "alarm"
    people = people_of(here.facility.id).order_by("name")
    return here.page(
        "open_item.html",
        "now",
        status=409 if refusal else 200,
        told=told,
        climb=None if told.over_at else escalation.climb(here.facility.id, row, here.now),
        row=row,
        glyph_name=ALARM_GLYPHS[row.priority] if is_alarm else GLYPHS.get(row.kind, "todo"),
        entries=told.lines,
        owner_name=_name(told.owner.person) if told.owner else "",
        by_name=_name(told.owner.by) if told.owner and told.owner.by else "",
        seen_by=_name(row.taken_by) if row.taken_by and not told.owner else "",
        mine=told.owner is not None and told.owner.person == here.person.id,
        people=[person for person in people if told.owner is None or person.id != told.owner.person],
        url=url_of(here, floor.matter_of(row)),
        shelvable=is_alarm and row.priority != "high",
        hours=HOURS.items(),
        may_not_shelve=authority.refusal("shelve_alarm", here.rights.roles, here.rights.competences),
        refusal=refusal,
    )


def _name(person: UUID) -> str:
    return Person.objects.filter(id=person).values_list("name", flat=True).first() or "somebody who left"


@require_POST
@in_facility
def care_for(here: Here, kind: str, owner: UUID, item: str) -> HttpResponseBase:
    """Take it over, hand it on, put its alarm aside, or take that back."""
    act = chosen(here.request, "act", ACTS)
    stream = Stream(kind, owner)
    outcome = ACTS[act](here, here.asks(expecting=False), stream, item)
    if isinstance(outcome, Refusal):
        return _page(here, stream, item, outcome)
    messages.success(here.request, DONE[act])
    if act in ("take", "hand-on"):
        return redirect("open-item", slug=here.facility.slug, kind=kind, owner=owner, item=item)
    return redirect("now", slug=here.facility.slug)


def _take(here: Here, asks: Request, stream: Stream, item: str) -> Outcome:
    return deeds.take_item(asks, stream=stream, item=item)


def _hand_on(here: Here, asks: Request, stream: Stream, item: str) -> Outcome:
    to = posted_uuid(here.request, "to")
    if to is None:
        raise Unreadable("Nobody was chosen to hand it on to.")
    return deeds.hand_on_item(asks, stream=stream, item=item, to=to, words=said(here.request, "words"))


def _shelve(here: Here, asks: Request, stream: Stream, item: str) -> Outcome:
    until = here.now + timedelta(hours=int(chosen(here.request, "hours", HOURS)))
    words = said(here.request, "words")
    return deeds.shelve_alarm(asks, stream=stream, alarm=_alarm(here, stream, item), until=until, words=words)


def _unshelve(here: Here, asks: Request, stream: Stream, item: str) -> Outcome:
    return deeds.unshelve_alarm(asks, stream=stream, alarm=_alarm(here, stream, item))


def _cleared(here: Here, asks: Request, stream: Stream, item: str) -> Outcome:
    alarm = _alarm(here, stream, item)
    if stream.kind == "machine":
        return alarm_deeds.report_cleared(asks, machine=stream.id, alarm=alarm)
    return alarm_deeds.report_cleared(asks, load=stream.id, alarm=alarm)


def _alarm(here: Here, stream: Stream, item: str) -> UUID:
    told = care.story(here.facility.id, stream, item)
    if told is None or told.over_at or told.row.alarm is None:
        raise Unreadable("This is no alarm that stands.", "Read Now again.", status=409)
    return told.row.alarm


ACTS: dict[str, Callable[[Here, Request, Stream, str], Outcome]] = {
    "take": _take,
    "hand-on": _hand_on,
    "shelve": _shelve,
    "unshelve": _unshelve,
    "cleared": _cleared,
}
DONE = {
    "take": "You look after it from now on.",
    "hand-on": "It is handed on.",
    "shelve": "The alarm is put aside. It returns by itself.",
    "unshelve": "The alarm stands again.",
    "cleared": "The condition is gone. That says nothing about the load.",
}

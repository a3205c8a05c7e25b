"""An incident: the alarms that joined it, who looks into it, its cause, correction and verification."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect

from incidents.operations import incidents as deeds
from incidents.pages.here import Here, chosen, in_facility, said
from incidents.pages.now import ALARM_GLYPHS
from incidents.queries import joined
from incidents.rules import authority
from incidents.rules.incidents import PARTS
from incidents.rules.refusals import Refusal

ACTS = ("take", *PARTS)
ASKS = {
    "cause": ("Record the cause", "What was found, and how."),
    "correction": ("Record the correction", "What was done about it."),
    "verification": ("Record the verification", "How it was seen that this helped. It closes the incident."),
}


@in_facility
def incident(here: Here, alarm: UUID) -> HttpResponseBase:
    """The incident that this alarm is in; posted, somebody takes it on or tells what was found, done or seen."""
    if here.request.method != "POST":
        return _page(here, alarm)
    act = chosen(here.request, "act", ACTS)
    if joined.story(here.facility.id, alarm) is None:
        raise Http404
    asks = here.asks(expecting=False)
    if act == "take":
        outcome = deeds.take_incident(asks, alarm=alarm)
    else:
        outcome = deeds.tell_incident(asks, alarm=alarm, part=act, words=said(here.request, "words"))  # type: ignore[arg-type]
    if isinstance(outcome, Refusal):
        return _page(here, alarm, outcome)
    messages.success(here.request, "You look into it from now on." if act == "take" else f"{PARTS[act]} recorded.")  # type: ignore[index]
    return redirect("incident", slug=here.facility.slug, alarm=alarm)


def _page(here: Here, alarm: UUID, refusal: Refusal | None = None) -> HttpResponse:
    told = joined.story(here.facility.id, alarm)
    if told is None:
        raise Http404
    title, hint = ASKS[told.next_part] if told.next_part else ("", "")
    return here.page(
        "incident.html",
        "now",
        status=409 if refusal else 200,
        told=told,
        alarm=alarm,
        first=told.alarms[0],
        alarms=[(ALARM_GLYPHS[each.priority], each) for each in told.alarms],
        mine=told.owner == here.person.id,
        ask_title=title,
        ask_hint=hint,
        may_not=authority.refusal("tell_incident", here.rights.roles, here.rights.competences),
        refusal=refusal,
    )

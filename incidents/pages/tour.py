"""The tour of a demonstration: three cards on Now that lead to real pages, until they are closed."""

from __future__ import annotations

from typing import Any, NamedTuple
from urllib.parse import urlencode

from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_POST

from incidents.pages.here import Here, in_facility
from incidents.queries import floor, loads

CLOSED = "tour-closed"


class Card(NamedTuple):
    who: str
    sentence: str
    url: str
    act: str
    more_url: str
    more: str


def cards(here: Here) -> tuple[Card, ...]:
    """One for each of three people, each at what there is now; none outside a demonstration or once closed."""
    if not here.facility.demo or here.request.session.get(CLOSED):
        return ()
    return _technician(here), _infection_prevention(here), _engineering(here)


def _technician(here: Here) -> Card:
    unseen = [item for item in floor.open_items(here.facility.id) if item.kind == "alarm" and item.alarm]
    if unseen:
        first = unseen[0]
        url = _to(here, "alarm", kind=first.owner_kind, owner=first.owner, alarm=first.alarm)
        sentence, act = f"{first.title} Scan the machine, read what to do first, decide.", "Answer the alarm"
    else:
        url, act = _to(here, "assemble"), "Put a load together"
        sentence = "No alarm stands right now. Put a load together and watch its cycle; an alarm will come."
    return Card("Technician", sentence, url, act, _to(here, "wall"), "The wall view")


def _infection_prevention(here: Here) -> Card:
    recall = loads.newest(here.facility.id, disposition="under recall", limit=1)
    what = "under recall" if recall else "quarantined"
    url = f"{_to(here, 'loads')}?{urlencode({'disposition': what})}"
    sentence = (
        "A test failed after loads were released. See which are under recall, what holds them, and who may lift it."
        if recall
        else "See which loads are held, why, and who may lift it; and how each one’s story came about."
    )
    return Card(
        "Infection prevention", sentence, url, f"Loads {what}", _to(here, "evidence"), "Evidence of a month"
    )


def _engineering(here: Here) -> Card:
    lanes = floor.chambers(here.facility.id)
    worst = next((lane for lane in lanes if lane.blocked is not None), None)
    lane = worst or next(iter(sorted(lanes, key=lambda each: each.machine_name not in ("Birch", "Rowan"))))
    name = lane.machine_name
    sentence = f"One machine here gets worse from week to week. Read {name}’s faults, and what its figures say."
    page, figures = (_to(here, route, machine=lane.machine) for route in ("machine", "machine-figures"))
    return Card("Engineering", sentence, page, f"{name}’s page", figures, f"{name}’s figures")


def _to(here: Here, route: str, **named: Any) -> str:
    return reverse(route, kwargs={"slug": here.facility.slug, **named})


@require_POST
@in_facility
def close(here: Here) -> HttpResponse:
    """Close the cards for this session."""
    here.request.session[CLOSED] = True
    return redirect("now", slug=here.facility.slug)

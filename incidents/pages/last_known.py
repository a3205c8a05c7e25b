"""The last known state: a copy of Now without acts, which a browser keeps and shows when the server is gone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import render

from incidents.pages.here import Here, in_facility
from incidents.pages.now import board_of

WORKER = Path(__file__).parent / "static" / "sluicegate" / "js" / "worker.js"


@in_facility
def last_known(here: Here) -> HttpResponseBase:
    """What stands on Now, with nothing to press and nobody's name: a room's tablet shows it to whoever is there."""
    board = board_of(here)
    for part in ("matters", "lanes", "tiles"):
        board[part] = [_without_links(each) for each in board[part]]
    for place in board["held_places"]:
        place |= {"url": "", "loads": [_without_links(load) for load in place["loads"]]}
    context = {"facility": here.facility, "now": here.now, **board}
    response = render(here.request, "last_known.html", context)
    response["Cache-Control"] = "no-store"
    return response


def _without_links(shown: dict[str, Any]) -> dict[str, Any]:
    return shown | {"url": "", "load_url": "", "act": "", "main": False}


@in_facility
def worker(here: Here) -> HttpResponseBase:
    """The service worker, from an address inside the facility: that alone is what it may answer for."""
    response = HttpResponse(WORKER.read_text(), content_type="text/javascript")
    response["Cache-Control"] = "no-cache"
    return response

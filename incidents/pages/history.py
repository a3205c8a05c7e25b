"""A load of imported history: what an older record says, and that nobody here judged it."""

from __future__ import annotations

from uuid import UUID

from django.http import Http404, HttpResponseBase

from incidents.pages.here import Here, in_facility
from incidents.queries import history
from incidents.rules.history import DISPOSITION


@in_facility
def past_load(here: Here, past: UUID) -> HttpResponseBase:
    told = history.story(here.facility.id, past)
    if told is None:
        raise Http404
    return here.page("past_load.html", "loads", story=told, past=told.past, told=told.told, disposition=DISPOSITION)

"""Panes that ask for themselves again: drawn once for everybody, and not sent to whoever has them already.

Nothing on them depends on who looks, so what they are is known before they are drawn: how long the log is, in
which minute it is looked at, and whether the watch is late.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from django.http import HttpRequest, HttpResponse, HttpResponseNotModified

from incidents.identity.models import Facility
from incidents.pages.templatetags.sluicegate import clock
from incidents.queries import floor

LATE_S = 60  # `parts/watch.html` says so of an older beat


class Drawn(NamedTuple):
    tag: str
    body: bytes


_drawn: dict[tuple[UUID, str], Drawn] = {}  # the newest of each facility and kind; another process draws its own


def fresh_panes(
    request: HttpRequest, facility: Facility, now: datetime, kind: str, draw: Callable[[], HttpResponse]
) -> HttpResponse:
    """304 to whoever shows them as they are, else the panes; drawn again only where they changed."""
    tag = tag_of(facility.id, now, kind)
    if request.headers.get("If-None-Match") == tag:
        return _marked(HttpResponseNotModified(), tag, facility, now)
    known = _drawn.get((facility.id, kind))
    if known is None or known.tag != tag:
        known = _drawn[facility.id, kind] = Drawn(tag, draw().content)
    return _marked(HttpResponse(known.body), tag, facility, now)


def tag_of(facility: UUID, now: datetime, kind: str) -> str:
    """Read before anything is drawn: whatever is written meanwhile gets another tag, and is drawn again.

    A whole page says it of its panes, so that they are not asked for and swapped once more as it opens.
    """
    size = floor.log_sizes().get(facility, 0)
    beat = floor.watch_at()
    watch = "none" if beat is None else "late" if (now - beat).total_seconds() > LATE_S else "on-time"
    return f'"{kind}-{facility.hex}-{size}-{int(now.timestamp()) // 60}-{watch}"'


def _marked(response: HttpResponse, tag: str, facility: Facility, now: datetime) -> HttpResponse:
    response["ETag"] = tag
    response["Cache-Control"] = "no-store"
    response["X-Read-At"] = clock(now, facility.time_zone)
    return response

"""Evidence: the ledger itself, browsed; late entries, corrections and overrides of a month on one page."""

from __future__ import annotations

import zoneinfo
from datetime import UTC, datetime, timedelta
from uuid import UUID

from django.http import HttpResponseBase
from django.utils.http import urlencode

from incidents.identity.models import Membership
from incidents.ledger.browsing import Filter
from incidents.pages.here import Here, in_facility
from incidents.queries import evidence as query
from incidents.rules.events import TYPES

STREAM_KINDS = ("load", "machine", "programme", "catalogue", "set", "rack", "policy", "downtime", "facility")
# Overrides and corrections: what a reviewer of the month asks for first.
CORRECTIONS = ("corrected", "attribution-corrected")
OVERRIDES = ("hold-lifted", "cycle-resumed")


@in_facility
def evidence(here: Here) -> HttpResponseBase:
    """The ledger, newest first, narrowed by what is chosen."""
    asked = here.request.GET
    wanted = Filter(
        stream_kind=_one_of(asked.get("kind", ""), STREAM_KINDS),
        stream_id=_uuid(asked.get("stream", "")),
        types=_types(asked.get("type", "")),
        person=_uuid(asked.get("person", "")),
        since=_day(here, asked.get("since", "")),
        until=_day(here, asked.get("until", ""), after=1),
        late_only=asked.get("late") == "yes",
    )
    page = query.browse(here.facility.id, wanted, _position(asked.get("before", "")))
    kept = {name: str(value) for name, value in asked.items() if name != "before" and value}
    people = Membership.objects.filter(facility=here.facility).select_related("person").order_by("person__name")
    return here.page(
        "evidence.html",
        "evidence",
        shown=page,
        older=urlencode({**kept, "before": str(page.older)}) if page.older is not None else "",
        asked=asked,
        stream_kinds=STREAM_KINDS,
        types=sorted(TYPES),
        people={one.person_id: one.person.name for one in people}.items(),
        month_since=(here.now - timedelta(days=30)).date().isoformat(),
    )


def _types(text: str) -> tuple[str, ...] | None:
    if text == "corrections":
        return CORRECTIONS
    if text == "overrides":
        return OVERRIDES
    return (text,) if text in TYPES else None


def _one_of(text: str, known: tuple[str, ...]) -> str | None:
    return text if text in known else None


def _uuid(text: str) -> UUID | None:
    try:
        return UUID(text)
    except ValueError:
        return None


def _position(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 16 else None


def _day(here: Here, text: str, after: int = 0) -> datetime | None:
    """The beginning of that day in the facility's zone, or of a day after it."""
    try:
        day = datetime.fromisoformat(text[:10]) + timedelta(days=after)
        return day.replace(tzinfo=zoneinfo.ZoneInfo(here.facility.time_zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        return None

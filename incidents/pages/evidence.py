"""Evidence: the ledger itself, browsed; late entries, corrections and overrides of a month on one page."""

from __future__ import annotations

import zoneinfo
from datetime import UTC, datetime, timedelta
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponseBase
from django.shortcuts import redirect
from django.utils.http import urlencode
from django.views.decorators.http import require_POST

from incidents.identity.models import Membership
from incidents.ledger.browsing import KINDS, Filter
from incidents.operations.restoring import settle_restore
from incidents.pages.here import Here, in_facility, position_of, said_shortly
from incidents.queries import evidence as query
from incidents.rules import authority
from incidents.rules.events import TYPES
from incidents.rules.refusals import Refusal

# Overrides and corrections: what a reviewer of the month asks for first.
CORRECTIONS = ("corrected", "attribution-corrected")
OVERRIDES = ("hold-lifted", "cycle-resumed")


@in_facility
def evidence(here: Here) -> HttpResponseBase:
    """The ledger, newest first, narrowed by what is chosen."""
    return _page(here)


def _page(here: Here, refusal: Refusal | None = None) -> HttpResponseBase:
    asked = here.request.GET
    wanted = Filter(
        stream_kind=_one_of(asked.get("kind", ""), KINDS),
        stream_id=_uuid(asked.get("stream", "")),
        types=_types(asked.get("type", "")),
        person=_uuid(asked.get("person", "")),
        since=_day(here, asked.get("since", "")),
        until=_day(here, asked.get("until", ""), after=1),
        late_only=asked.get("late") == "yes",
        # An older record that was imported is no late entry of this department.
        not_kind="history" if asked.get("late") == "yes" else None,
    )
    page = query.browse(here.facility.id, wanted, position_of(asked.get("before", "")))
    kept = {name: str(value) for name, value in asked.items() if name != "before" and value}
    people = Membership.objects.filter(facility=here.facility).select_related("person").order_by("person__name")
    return here.page(
        "evidence.html",
        "evidence",
        409 if refusal else 200,
        refusal=refusal,
        shown=page,
        older=urlencode({**kept, "before": str(page.older)}) if page.older is not None else "",
        asked=asked,
        stream_kinds=KINDS,
        types=sorted(TYPES),
        people={one.person_id: one.person.name for one in people}.items(),
        month_since=(here.now - timedelta(days=30)).date().isoformat(),
        restorations=query.restorations(here.facility.id),
        may_not=authority.refusal("settle_restore", here.rights.roles, here.rights.competences),
    )


@require_POST
@in_facility
def settle(here: Here) -> HttpResponseBase:
    """What a restored backup had lost was looked for, and entered late as far as it was found."""
    outcome = settle_restore(here.asks(expecting=False), words=said_shortly(here.request, "words", 4_000))
    if isinstance(outcome, Refusal):
        return _page(here, outcome)
    messages.success(here.request, "The restore is settled. The holds it placed are lifted one by one.")
    return redirect("evidence", slug=here.facility.slug)


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


def _day(here: Here, text: str, after: int = 0) -> datetime | None:
    """The beginning of that day in the facility's zone, or of a day after it."""
    try:
        day = datetime.fromisoformat(text[:10]) + timedelta(days=after)
        return day.replace(tzinfo=zoneinfo.ZoneInfo(here.facility.time_zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        return None

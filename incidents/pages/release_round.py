"""The release round: conforming loads, each openable, and one signature over those that are chosen."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import redirect

from incidents.identity.signing import sign
from incidents.operations import holds
from incidents.pages.deciding import signer_of
from incidents.pages.here import Here, Unreadable, in_facility, uuid_of
from incidents.queries import floor, rounds
from incidents.rules import meanings
from incidents.rules.events import SeenLoad
from incidents.rules.meanings import NOT_SIGNED
from incidents.rules.refusals import Refusal


@in_facility
def release_round(here: Here) -> HttpResponseBase:
    """The list; posted with a signature, what is still as it was seen is released, the rest is named."""
    return _sign(here) if here.request.method == "POST" else _page(here)


def _page(here: Here, refusal: Refusal | None = None) -> HttpResponse:
    rows = floor.ready_for_release(here.facility.id)
    return here.page(
        "release_round.html",
        "loads",
        status=409 if refusal else 200,
        rows=rounds.seen_rows(here.facility.id, rows),
        awaited=rounds.second_signatures(here.facility.id),
        refusal=refusal,
    )


def _sign(here: Here) -> HttpResponse:
    signer = signer_of(here, "")
    if signer is None:
        return _page(here, NOT_SIGNED)
    seen = [_seen(text) for text in here.request.POST.getlist("load")]
    purpose: Any = here.request.POST.get("purpose", "")
    asks = here.asks(expecting=False)
    meaning = meanings.of_round(rounds.names_of(here.facility.id, [one.load for one in seen]), purpose)
    signing = sign(signer, here.facility.id, asks.deed, meaning, seen, here.now)
    loads = [one.load for one in seen]
    outcome = holds.release_round(asks, loads=loads, purpose=purpose, signings=[signing.id])
    if isinstance(outcome, Refusal):
        return _page(here, outcome)
    released, left = rounds.outcome_of(here.facility.id, asks.deed, loads)
    messages.success(here.request, f"Released for {purpose}: {', '.join(released)}.")
    for name in left:
        messages.warning(
            here.request, f"{name} changed since you looked, or something stands against it. It waits."
        )
    return redirect("release-round", slug=here.facility.slug)


def _seen(text: str) -> SeenLoad:
    """A chosen line as the page sent it: load, version and leaf, separated by slashes. Raises Unreadable."""
    load, _, rest = text.partition("/")
    version, _, leaf = rest.partition("/")
    if not (version.isascii() and version.isdigit() and len(version) < 10):
        raise Unreadable("A line of the release round can’t be read.", "Open the round again and choose.")
    return SeenLoad(uuid_of(load, "load"), int(version), leaf[:64])

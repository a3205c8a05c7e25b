"""Two people, one later: the first signature to lift a hold now, the second another time, or none."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django.http import HttpResponse, HttpResponseBase
from django.views.decorators.http import require_POST

from incidents.identity.signing import sign
from incidents.operations import holds
from incidents.operations.deeds import Outcome
from incidents.pages.deciding import seen_on, sign_page, signer_of
from incidents.pages.here import Here, in_facility, said
from incidents.pages.loads import done, refused_for_good, story_or_404
from incidents.queries.story import Board, Story
from incidents.rules import meanings
from incidents.rules.meanings import NOT_SIGNED
from incidents.rules.refusals import Refusal


@in_facility
def first(here: Here, load: UUID) -> HttpResponseBase:
    """Sign as the first of two; the load stays held."""
    told, key, board = _asked(here, load)
    if here.request.method == "POST":
        done_words = "Your signature is recorded. The load stays held until a second person has signed."
        return _sign(here, told, board, holds.sign_lift, key, "lift_first.html", done_words)
    if board is None or board.people < 2:
        sentence = "One signature lifts this hold." if board else f"{told.load.name} has no such hold."
        return refused_for_good(here, load, Refusal("one-signature-lifts", sentence, "Read the load’s page."))
    return sign_page(here, told, "lift_first.html", board=board)


@in_facility
def second(here: Here, load: UUID) -> HttpResponseBase:
    """Sign as the second, which lifts the hold; or have the first signature taken back."""
    told, key, board = _asked(here, load)
    if here.request.method == "POST":
        return _sign(
            here, told, board, holds.second_lift, key, "lift_second.html", "The hold is lifted by you both."
        )
    if board is None or board.first is None:
        return refused_for_good(
            here, load, Refusal("first-missing", "Nobody has signed first.", "Read the load’s page.")
        )
    return sign_page(here, told, "lift_second.html", board=board)


@require_POST
@in_facility
def withdraw(here: Here, load: UUID) -> HttpResponse:
    key = here.request.GET.get("hold", "")
    outcome = holds.withdraw_lift(here.asks(), load=load, hold=key, words=said(here.request, "words"))
    return done(here, load, outcome, "The first signature is taken back. The hold stands.")


def _asked(here: Here, load: UUID) -> tuple[Story, str, Board | None]:
    told = story_or_404(here, load)
    key = here.request.GET.get("hold", "")
    return told, key, next((board for board in told.holds if board.key == key), None)


def _sign(
    here: Here,
    told: Story,
    board: Board | None,
    deed: Callable[..., Outcome],
    key: str,
    template: str,
    done_words: str,
) -> HttpResponse:
    """The deed itself is asked before the load's state, so that one sent twice gets its old answer."""
    outcome: Any = NOT_SIGNED
    signer = signer_of(here, "")
    if signer is not None:
        asks = here.asks()
        meant = meanings.of_lift(deed.__name__, told.load.name, board.sentence if board else key)
        signing = sign(signer, here.facility.id, asks.deed, meant, seen_on(here, told), here.now)
        outcome = deed(asks, load=told.load.id, hold=key, words=said(here.request, "words"), signings=[signing.id])
    if not isinstance(outcome, Refusal):
        return done(here, told.load.id, outcome, done_words)
    if board is None or (template == "lift_second.html" and board.first is None):
        return refused_for_good(here, told.load.id, outcome)
    return sign_page(here, told, template, outcome, board=board)

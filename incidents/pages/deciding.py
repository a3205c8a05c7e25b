"""Review, release and lifting a hold: what is stated and signed at the end of a load's way."""

from __future__ import annotations

from typing import Any, cast
from uuid import UUID

from django.http import HttpRequest, HttpResponse, HttpResponseBase

from incidents.identity.models import Person
from incidents.identity.proving import by_badge
from incidents.identity.signing import sign
from incidents.operations import holds
from incidents.operations.deeds import Outcome
from incidents.pages.here import Here, chosen, in_facility, said, uuid_of
from incidents.pages.loads import done, refused_for_good, story_or_404
from incidents.queries import floor
from incidents.queries.rounds import unheard
from incidents.queries.story import Board, Story
from incidents.rules import meanings
from incidents.rules import release as rules
from incidents.rules.events import SeenLoad
from incidents.rules.load_state import KeptRecord
from incidents.rules.meanings import NOT_SIGNED
from incidents.rules.refusals import Refusal

VERDICT_WORDS = {"met": "Met", "not-met": "Not met", "not-proven": "Not proven"}


@in_facility
def review(here: Here, load: UUID) -> HttpResponseBase:
    """State each criterion as the machine's own record shows it."""
    told = story_or_404(here, load)
    refusal = None
    if here.request.method == "POST":
        outcome = holds.review_load(
            here.asks(),
            load=load,
            record_seen=chosen(here.request, "record", ("seen", "missing")) == "seen",
            verdicts=_verdicts(here.request),
            remark=said(here.request, "remark"),
        )
        if not isinstance(outcome, Refusal):
            return done(here, load, outcome, "The review is recorded.")
        refusal = outcome
    return here.page(
        "review.html",
        "loads",
        status=409 if refusal else 200,
        story=told,
        load=told.load,
        refusal=refusal,
        verdict_words=VERDICT_WORDS.items(),
    )


def _verdicts(request: HttpRequest) -> dict[str, Any]:
    """What was stated; what is not stated is not proven."""
    return {
        name.removeprefix("criterion-"): value
        for name, value in request.POST.items()
        if name.startswith("criterion-")
    }


@in_facility
def release(here: Here, load: UUID) -> HttpResponseBase:
    """Sign the release of a load that nothing stands against."""
    told = story_or_404(here, load)
    if here.request.method == "POST":
        return _release(here, told)
    refusal = rules.release_refusal(told.load) or unheard(here.facility.id, told.load)
    if refusal:
        return refused_for_good(here, load, refusal)
    others = sum(row.owner != load for row in floor.ready_for_release(here.facility.id))
    return sign_page(here, told, "release.html", others=others)


def _release(here: Here, told: Story) -> HttpResponse:
    """The deed itself is asked before the load's state, so that one sent twice gets its old answer."""
    signer = signer_of(here, "")
    if signer is None:
        return sign_page(here, told, "release.html", NOT_SIGNED)
    load, asks = told.load, here.asks()
    purpose: Any = here.request.POST.get("purpose", "")
    meaning = meanings.of_release(load.name, purpose, told.going)
    signing = sign(signer, here.facility.id, asks.deed, meaning, seen_on(here, told), here.now)
    outcome = holds.release_load(asks, load=load.id, purpose=purpose, signings=[signing.id])
    if not isinstance(outcome, Refusal):
        return done(here, load.id, outcome, f"{told.subject} {told.is_or_are} released for {purpose}.")
    if rules.release_refusal(load) is not None:
        return refused_for_good(here, load.id, outcome)
    return sign_page(here, told, "release.html", outcome)


@in_facility
def lift(here: Here, load: UUID) -> HttpResponseBase:
    """Lift one hold with a reason, signed by everyone whom the table names."""
    told = story_or_404(here, load)
    key = here.request.GET.get("hold", "")
    board = next((board for board in told.holds if board.key == key), None)
    if here.request.method == "POST":
        return _lift(here, told, key, board)
    if board is None or not board.liftable:
        sentence = f"Not possible: {board.sentence} {board.who}" if board else f"{told.load.name} has no such hold."
        return refused_for_good(here, load, Refusal("hold-not-liftable", sentence, "Read the load’s page."))
    return _lift_page(here, told, board)


def _lift(here: Here, told: Story, key: str, board: Board | None) -> HttpResponse:
    load = told.load
    signers = [signer_of(here, suffix) for suffix in ("", "-2") if f"badge{suffix}" in here.request.POST]
    if not signers or None in signers:
        return _lift_page(here, told, board, NOT_SIGNED) if board else refused_for_good(here, load.id, NOT_SIGNED)
    asks = here.asks()
    meaning = meanings.of_lift("lift_hold", load.name, board.sentence if board else key)
    seen = seen_on(here, told)
    signings = [sign(each, here.facility.id, asks.deed, meaning, seen, here.now).id for each in signers if each]
    outcome = holds.lift_hold(asks, load=load.id, hold=key, words=said(here.request, "words"), signings=signings)
    if not isinstance(outcome, Refusal):
        return done(here, load.id, outcome, "The hold is lifted.")
    if board is None or not board.liftable:
        return refused_for_good(here, load.id, outcome)
    return _lift_page(here, told, board, outcome)


def _lift_page(here: Here, told: Story, board: Board, refusal: Refusal | None = None) -> HttpResponse:
    return sign_page(here, told, "lift.html", refusal, board=board, people=board.people or 1)


@in_facility
def withdraw_record(here: Here, load: UUID) -> HttpResponseBase:
    """Say, as two people, that a record is not this load's."""
    told = story_or_404(here, load)
    named = here.request.GET.get("record", "")
    record = uuid_of(named, "record") if named else None
    kept = next((kept for kept in told.load.records if kept.event_id == record), None)
    if here.request.method == "POST" and record is not None:
        return _withdraw(here, told, record, kept)
    if kept is None:
        refusal = Refusal("record-unknown", f"{told.load.name} has no such record.", "Read its readings again.")
        return refused_for_good(here, load, refusal)
    return sign_page(here, told, "withdraw_record.html", record=kept)


def _withdraw(here: Here, told: Story, record: UUID, kept: KeptRecord | None) -> HttpResponse:
    """The deed itself is asked before the load's state, so that one sent twice gets its old answer."""
    load, outcome = told.load, cast(Outcome, NOT_SIGNED)
    signers = [signer_of(here, suffix) for suffix in ("", "-2")]
    if None not in signers:
        asks, seen = here.asks(), seen_on(here, told)
        meaning = meanings.of_withdrawal(load.name, kept.digest if kept else f"{record}")
        signings = [sign(each, here.facility.id, asks.deed, meaning, seen, here.now).id for each in signers if each]
        words = said(here.request, "words")
        outcome = holds.withdraw_record(asks, load=load.id, record=record, words=words, signings=signings)
    if not isinstance(outcome, Refusal):
        return done(here, load.id, outcome, "The record is withdrawn. What it proved is missing: the load is held.")
    if kept is None:
        return refused_for_good(here, load.id, outcome)
    return sign_page(here, told, "withdraw_record.html", outcome, record=kept)


def signer_of(here: Here, suffix: str) -> Person | None:
    """Whoever the badge and the PIN just given prove, all factors each time."""
    badge, pin = said(here.request, f"badge{suffix}"), here.request.POST.get(f"pin{suffix}", "")
    return by_badge(here.request, badge, pin)


def seen_on(here: Here, told: Story) -> list[SeenLoad]:
    """What stood on the signer's screen: the version and leaf that the form carried, not what stands now."""
    version = here.request.POST.get("version", "")
    leaf = here.request.POST.get("leaf", "")
    number = int(version) if version.isascii() and version.isdigit() and len(version) < 10 else 0
    return [SeenLoad(told.load.id, number, leaf[:64])]


def sign_page(here: Here, told: Story, template: str, refusal: Refusal | None = None, **more: Any) -> HttpResponse:
    return here.page(
        template, "loads", status=409 if refusal else 200, story=told, load=told.load, refusal=refusal, **more
    )

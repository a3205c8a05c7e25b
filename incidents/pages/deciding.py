"""Review, release and lifting a hold: what is stated and signed at the end of a load's way."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import HttpRequest, HttpResponse, HttpResponseBase

from incidents.identity.models import Person
from incidents.identity.signing import sign
from incidents.operations import holds
from incidents.pages.entry import known
from incidents.pages.here import Here, in_facility, said
from incidents.pages.loads import done, load_page, story_or_404
from incidents.queries.story import Story
from incidents.rules import release as rules
from incidents.rules.events import SeenLoad
from incidents.rules.refusals import Refusal

VERDICT_WORDS = {"met": "Met", "not-met": "Not met", "not-proven": "Not proven"}
NOT_SIGNED = Refusal(
    "signature-wrong", "Badge and PIN did not match. Nothing was written.", "Scan the badge again and type its PIN."
)


@in_facility
def review(here: Here, load: UUID) -> HttpResponseBase:
    """State each criterion as the machine's own record shows it."""
    told = story_or_404(here, load)
    refusal = None
    if here.request.method == "POST":
        outcome = holds.review_load(
            here.asks(),
            load=load,
            record_seen=here.request.POST.get("record") == "seen",
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
    """What was stated; a value that is no verdict says nothing, and what is not stated is not proven."""
    return {
        name.removeprefix("criterion-"): value
        for name, value in request.POST.items()
        if name.startswith("criterion-") and value in rules.VERDICTS
    }


@in_facility
def release(here: Here, load: UUID) -> HttpResponseBase:
    """Sign the release of a load that nothing stands against."""
    told = story_or_404(here, load)
    refusal = rules.release_refusal(told.load)
    if refusal is not None:
        return load_page(here, load, refusal)
    if here.request.method == "POST":
        purpose: Any = here.request.POST.get("purpose", "")
        meaning = f"I release {told.load.name} for {purpose}. I have reviewed its record."
        signer = _signer(here, "")
        if signer is None:
            return _sign_page(here, told, "release.html", NOT_SIGNED)
        outcome = _release(here, told, signer, purpose, meaning)
        if not isinstance(outcome, Refusal):
            return done(here, load, outcome, f"{told.load.name} is released for {purpose}.")
        return _sign_page(here, told, "release.html", outcome)
    return _sign_page(here, told, "release.html")


def _release(here: Here, told: Story, signer: Person, purpose: Any, meaning: str) -> Any:
    if signer.id != here.person.id:
        return Refusal(
            "other-person",
            "This badge is not yours. Nothing was written.",
            "Sign with your own badge, or change person.",
        )
    asks = here.asks()
    signing = sign(signer, here.facility.id, asks.deed, meaning[:240], _seen(here, told), here.now)
    return holds.release_load(asks, load=told.load.id, purpose=purpose, signings=[signing.id])


@in_facility
def lift(here: Here, load: UUID) -> HttpResponseBase:
    """Lift one hold with a reason, signed by everyone whom the table names."""
    told = story_or_404(here, load)
    key = here.request.GET.get("hold", "")
    board = next((board for board in told.holds if board.key == key), None)
    if board is None or not board.liftable:
        sentence = f"Not possible: {board.sentence} {board.who}" if board else f"{told.load.name} has no such hold."
        return load_page(here, load, Refusal("hold-not-liftable", sentence, "Read the load’s page."))
    people = len(rules.LIFTED_BY[board.code])
    if here.request.method == "POST":
        signers = [_signer(here, suffix) for suffix in ("", "-2")[:people]]
        if None in signers:
            return _sign_page(here, told, "lift.html", NOT_SIGNED, board=board, people=people)
        asks = here.asks()
        meaning = f"I lift this hold of {told.load.name}: {board.sentence}"[:240]
        signings = [
            sign(signer, here.facility.id, asks.deed, meaning, _seen(here, told), here.now).id
            for signer in signers
            if signer
        ]
        outcome = holds.lift_hold(asks, load=load, hold=key, words=said(here.request, "words"), signings=signings)
        if not isinstance(outcome, Refusal):
            return done(here, load, outcome, "The hold is lifted.")
        return _sign_page(here, told, "lift.html", outcome, board=board, people=people)
    return _sign_page(here, told, "lift.html", board=board, people=people)


def _signer(here: Here, suffix: str) -> Person | None:
    """Whoever the badge and the PIN just given prove, all factors each time."""
    given = {"badge": said(here.request, f"badge{suffix}"), "pin": here.request.POST.get(f"pin{suffix}", "")}
    return known(here.request, given, by_password=False)


def _seen(here: Here, told: Story) -> list[SeenLoad]:
    """What stood on the signer's screen: the version and leaf that the form carried, not what stands now."""
    version = here.request.POST.get("version", "")
    leaf = here.request.POST.get("leaf", "")
    number = int(version) if version.isascii() and version.isdigit() and len(version) < 10 else 0
    return [SeenLoad(told.load.id, number, leaf[:64])]


def _sign_page(here: Here, told: Story, template: str, refusal: Refusal | None = None, **more: Any) -> HttpResponse:
    return here.page(
        template, "loads", status=409 if refusal else 200, story=told, load=told.load, refusal=refusal, **more
    )

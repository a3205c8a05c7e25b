"""Hand the shift over: both read the same list and sign it, and whose items they were goes with it."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from incidents.identity import signing
from incidents.operations.deeds import Doing, decision, refuse
from incidents.queries import care as told
from incidents.rules import care, handover
from incidents.rules.care import Care
from incidents.rules.events import Signature, Stream

WITH_THE_SHIFT = "Handed over with the shift."


@decision
def hand_over_shift(doing: Doing, *, seen: str, signings: Sequence[UUID], words: str = "") -> None:
    """Hand over everything that is open, as the list on the screen said it (`seen` is its digest).

    The first signature is the outgoing person's, the second the incoming one's, who takes over their items.
    """
    signatures = [_signature(doing, each) for each in signings]
    said = doing.words(words.strip()) if words.strip() else None
    items = told.open_items(doing.facility)
    by = doing.by.actor.id
    decided = handover.hand_over(items, seen, signatures, by, doing.log.size, said)
    doing.record(Stream("handover", doing.facility), decided)
    _pass_on(doing, signatures[0].person, signatures[1].person)


def _pass_on(doing: Doing, outgoing: UUID, incoming: UUID) -> None:
    """What is with the outgoing person is with the incoming one from now on."""
    for item in told.looked_after_by(doing.facility, outgoing):
        stream = Stream("care", told.care_of(item))
        state: Care = doing.state(stream)
        doing.record(stream, care.hand_on(state, item, incoming, doing.words(WITH_THE_SHIFT)))


def _signature(doing: Doing, signing_id: UUID) -> Signature:
    used = signing.use(doing.facility, signing_id, doing.request.deed, doing.request.now)
    if used is None:
        raise refuse(
            "signature-void",
            "The signature is no longer good: it serves one act, within 60 seconds. Nothing was written.",
            "Sign again.",
        )
    return Signature(
        person=used.person,
        meaning=used.meaning,
        signing=signing_id,
        signed_at=used.signed_at,
        seen=used.seen,
        roles=used.roles,
    )

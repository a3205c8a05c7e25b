"""A shift handed over: what stands open, as both signed that they read it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from uuid import UUID

from incidents.rules.care import Item
from incidents.rules.events import HandedItem, ShiftHandedOver, Signature, WordsRef
from incidents.rules.refusals import Refusal

MOST = 1_000  # open items that one event names


def digest_of(items: Sequence[Item]) -> str:
    """What a list of open items says, as hex: the same items give the same digest in any order."""
    told = sorted(f"{item.about.kind} {item.about.id} {item.named}" for item in items)
    return hashlib.sha256("\n".join(told).encode()).hexdigest()


def meaning(count: int, digest: str) -> str:
    """What each of the two signs; the same sentence, for both read the same list."""
    things = "1 open item" if count == 1 else f"{count} open items"
    return f"We hand over and take over the shift with {things}, read together (list {digest[:12]})."


def hand_over(
    items: Sequence[Item], seen: str, signatures: Sequence[Signature], by: UUID, size: int, words: WordsRef | None
) -> ShiftHandedOver | Refusal:
    """`seen` is the digest of the list that stood on the screen; the first signature is the outgoing shift's."""
    if len(signatures) != 2:
        return Refusal("signature-missing", "A hand-over needs two signatures.", "Both sign with badge and PIN.")
    outgoing, incoming = signatures
    if outgoing.person == incoming.person:
        return Refusal("same-person", "You can’t sign twice. A second person must agree.", "Let them sign.")
    if by not in (outgoing.person, incoming.person):
        return Refusal("other-person", "Whoever sends it is one of the two.", "Sign in as one of them.")
    if not all(signature.roles for signature in signatures):
        return Refusal("role", "One of the two has no role here.", "Let somebody of this department sign.")
    digest = digest_of(items)
    if seen != digest:
        return Refusal("stale", "The list changed since you looked. Nothing was signed.", "Read it again together.")
    if any([one.leaf for one in signature.seen] != [digest] for signature in signatures):
        return Refusal("stale", "A signature is for another list.", "Read it again together, and both sign.")
    named = tuple(HandedItem(item.about.kind, item.about.id, item.key, item.since) for item in items[:MOST])
    return ShiftHandedOver(size=size, digest=digest, items=named, outgoing=outgoing, incoming=incoming, words=words)

"""What a signature says, in the first person: made here, never by whoever signs."""

from __future__ import annotations

from collections.abc import Sequence

from incidents.rules.refusals import Refusal

LONGEST = 240  # characters that a signature keeps
LABELS = 100  # of them, at most, for the labels of trays

NOT_SIGNED = Refusal(
    "signature-wrong", "Badge and PIN did not match. Nothing was written.", "Scan the badge again and type its PIN."
)


def of_release(name: str, purpose: str, going: Sequence[str] = ()) -> str:
    """`going` are the labels of the trays that go on, where some of the load do not."""
    return f"I release {some_of(name, going)} for {purpose}. I have reviewed its record."[:LONGEST]


def some_of(name: str, going: Sequence[str]) -> str:
    """The load, or those of its trays that go on: by label, as long as a sentence has room for them."""
    if not going:
        return name
    *others, last = going
    labels = f"{', '.join(others)} and {last}" if others else last
    if len(labels) > LABELS:
        labels = f"{len(going)} trays"
    return f"{labels} of {name}"


def of_round(names: Sequence[str], purpose: str) -> str:
    """The loads by name, as many as a signature has room for, and how many more; what it binds stands beside it.

    What moved since is not released under it, so it never says that all of them are.
    """
    for shown in range(len(names), -1, -1):
        more = len(names) - shown
        listed = ", ".join((*names[:shown], *([f"{more} more"] if more else [])))
        each = f"each of these {len(names)} loads that is as I saw it"
        meaning = f"I release {each} for {purpose}: {listed}. I have reviewed their records."
        if len(meaning) <= LONGEST:
            break
    return meaning[:LONGEST]


def of_withdrawal(name: str, digest: str) -> str:
    """`digest` names the record, or the event that kept it."""
    return f"I withdraw the record {digest[:12]} from {name}: it is not this load’s."


LIFTS = {
    "lift_hold": "I lift a hold of",
    "sign_lift": "I sign first to lift a hold of",
    "second_lift": "I sign second, and lift a hold of",
}


def of_lift(operation: str, name: str, hold: str) -> str:
    """`hold` is the sentence of the hold, or its key where it stands no more."""
    return f"{LIFTS[operation]} {name}: {hold}"[:LONGEST]

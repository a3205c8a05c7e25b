"""The next edition of the fault catalogue: one person drafts it whole, a second one puts it in force."""

from __future__ import annotations

from collections.abc import Sequence

from incidents.operations.deeds import Doing, decision, refuse
from incidents.rules import catalogue as rules
from incidents.rules.catalogue import Catalogue
from incidents.rules.events import Fault, Stream


@decision
def draft_catalogue(doing: Doing, *, faults: Sequence[Fault]) -> None:
    """Draft the next edition, in place of the draft that stands. What is in force already drops that draft."""
    doing.record(_stream(doing), rules.draft(_as_seen(doing), faults))


@decision
def publish_draft(doing: Doing) -> None:
    """Put the standing draft in force, by somebody else than its last author."""
    doing.record(_stream(doing), rules.publish(_as_seen(doing), doing.by.actor.id))


def _stream(doing: Doing) -> Stream:
    return Stream("catalogue", doing.facility)


def _as_seen(doing: Doing) -> Catalogue:
    """The catalogue as it is now; refuses a stale screen, for a second person agrees to what was read."""
    state: Catalogue = doing.state(_stream(doing))
    expected = doing.request.expected_version
    if expected is not None and expected != state.stands:
        raise refuse(
            "stale",
            "The catalogue’s draft changed since you looked. Nothing was written.",
            "Read what changed, then decide again.",
        )
    return state

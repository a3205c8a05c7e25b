"""What a downtime form says of a load."""

from __future__ import annotations

from uuid import UUID

from incidents.rules.vocabulary import Event, Purpose, WordsRef


class EnteredFromPaper(Event, frozen=True, tag="entered-from-paper"):
    """This load's story, or its end, was written on a downtime form. `claimed_by` is whose name stands on it.

    `doubts` are codes of what doesn't fit; `before`, if any, is the place of its trays' next load in their order.
    """

    form: int
    claimed_by: UUID | None = None
    doubts: tuple[str, ...] = ()
    before: int | None = None
    words: WordsRef | None = None


class LoadReleasedOnPaper(Event, frozen=True, tag="load-released-on-paper"):
    """It was released by hand. `against` names what stood against it when that was entered."""

    purpose: Purpose
    form: int
    claimed_by: UUID | None = None
    against: tuple[str, ...] = ()

"""Several deeds of one facility in one transaction: each has its own row and receipt, and none spoils another."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from uuid import UUID

from incidents.identity.ids import named
from incidents.ledger import writing
from incidents.ledger.writing import Deed, digest_of
from incidents.operations.deeds import Outcome
from incidents.rules.events import Actor


def in_one(
    facility: UUID, now: datetime, by: Actor, first: UUID, deeds: Sequence[Callable[[], Outcome]]
) -> list[Outcome]:
    """What came of each deed, in order; `first` is the first one's id. Raises LedgerBusy, with nothing written.

    The batch itself appends nothing and leaves no row: sent again, each deed answers for itself.
    """
    batch = named(first, "batch")
    with writing.writing(facility, now, Deed(batch, "batch", by, digest_of("batch", by, {}))):
        return [deed() for deed in deeds]

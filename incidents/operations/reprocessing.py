"""What a deed on one load means for older loads that its trays went through before."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple
from uuid import UUID

from incidents.ledger.writing import Log
from incidents.projections.live import state_of
from incidents.queries import facts
from incidents.rules import holds, reruns
from incidents.rules.events import LoadReopened, LoadReprocessed, Stream
from incidents.rules.loads import Load


class Fate(NamedTuple):
    """As much of a load as proves, or no longer proves, that an older one was reprocessed."""

    complete: bool
    disposition: str
    under_recall: bool


def fate(load: Load) -> Fate:
    return Fate(load.stage == "finished", holds.disposition(load), holds.under_recall(load))


def own_end(log: Log, load: UUID) -> LoadReprocessed | LoadReopened | None:
    """What follows for a load itself from trays that left it another way."""
    state: Load = state_of(log, Stream("load", load))
    return reruns.settle(state, facts.later_loads(log.facility, load)) if state.left else None


def consequences(log: Log, load: UUID) -> Iterator[tuple[UUID, LoadReprocessed | LoadReopened]]:
    """Older loads that end or open again now that this load's fate changed."""
    if not facts.went_before(log.facility, load):
        return
    log.settle_rows()
    for older in facts.earlier_loads(log.facility, load):
        log.settle_rows()
        state: Load = state_of(log, Stream("load", older))
        event = reruns.settle(state, facts.later_loads(log.facility, older))
        if event is not None:
            yield older, event

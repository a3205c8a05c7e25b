"""What happens to a cycle's record of readings: kept and judged, found to be another load's too, withdrawn."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec

from incidents.rules.load_events import Signature
from incidents.rules.vocabulary import CriterionKind, Event, Verdict, WordsRef


class ComputedFinding(msgspec.Struct, frozen=True):
    """One criterion as it was computed from the readings; `uncertainty` is empty where none applies."""

    criterion: str
    kind: CriterionKind
    required: str
    found: str
    uncertainty: str
    verdict: Verdict
    source: str


class CycleReadingsKept(Event, frozen=True, tag="cycle-readings-kept"):
    """A record of readings, judged once, by the programme in force when the cycle started.

    `digest` names the bytes as they came, `content` what they say whatever the file, `packed` the columns as they
    are stored (SHA-256, hex). `span_s` is a decimal in seconds. `shared_with` are loads that had the same record
    already; `method` is the edition of the computation.
    """

    digest: str
    content: str
    packed: str
    size_bytes: int
    rows: int
    signals: tuple[str, ...]
    span_s: str
    programme_name: str
    programme_edition: int
    method: int
    verdict: Verdict
    findings: tuple[ComputedFinding, ...]
    started_at: datetime | None = None
    shared_with: tuple[UUID, ...] = ()


class RecordShared(Event, frozen=True, tag="record-shared"):
    """The same record was kept for another load too: at most one of them is its own."""

    load: UUID
    content: str


class RecordWithdrawn(Event, frozen=True, tag="record-withdrawn"):
    """Two people say that a record is not this load's. `record` is the event that kept it; its bytes stay."""

    record: UUID
    words: WordsRef
    signatures: tuple[Signature, ...]

"""A cycle's readings as evidence: what was kept, what stands against a release by it, who must still read it.

On the *computed* basis the readings decide; where a machine only prints a strip, two people each read it by
themselves, and what they read differently is a hold. On the *transcribed* basis readings may only speak against a
release. Records are never chosen between: two of one cycle, or one of two loads, hold. Source: common practice
(independent second reading); ISO 15883-1, 4.3.1, for what the computation counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules.events import (
    ComputedFinding,
    CycleReadingsKept,
    LoadReviewed,
    Recorded,
    RecordShared,
    RecordWithdrawn,
    Verdict,
    WordsRef,
)
from incidents.rules.load_state import ENDED, KeptRecord, Load, Review, WithdrawnRecord
from incidents.rules.refusals import Refusal

METHOD = 1  # edition of the computation, raised whenever it may find otherwise
BEGINS_WITHIN = timedelta(minutes=15)  # of the cycle's start (common practice, from memory)
OF_ITS_TIME = "record-time"  # the one criterion that no edition sets
KIND_NAMES = {
    "disinfection": "Disinfection",
    "cleaning": "Cleaning",
    "rinse": "The final rinse",
    "drying": "Drying",
    "upper-band": "The upper limit of the band",
    "documentation": "The record",
}
VERDICT_WORDS = {"met": "met", "not-met": "not met", "not-proven": "not proven"}


class Told(msgspec.Struct, frozen=True):
    """A record as it was read from a file, before it is judged."""

    digest: str
    content: str
    packed: str
    size_bytes: int
    rows: int
    signals: tuple[str, ...]
    span_s: str
    started_at: datetime | None


# --- deciding -----------------------------------------------------------------------------------------


def keeping_refusal(load: Load, content: str) -> Refusal | None:
    """Why a record can't be kept for this load now, or None."""
    if load.stage in ("none", "assembled"):
        return Refusal("not-started", f"{load.name} has not started: it has no record yet.", "Choose its load.")
    if load.stage not in ENDED:
        return Refusal(
            "cycle-not-ended",
            f"The cycle of {load.name} has not ended: its record can’t be whole.",
            "Record its end first, then give the whole record.",
        )
    if any(record.content == content for record in load.records):
        return Refusal(
            "record-kept-already",
            f"{load.name} has this record already. Nothing was written.",
            "Read what it showed; the same readings are never judged twice.",
        )
    if any(gone.record.content == content for gone in load.withdrawn):
        return Refusal(
            "record-withdrawn",
            f"This record was withdrawn from {load.name} by two people. Nothing was written.",
            "Give the load’s own record.",
        )
    return None


def kept(
    load: Load, told: Told, verdict: Verdict, findings: Sequence[ComputedFinding], shared_with: Sequence[UUID]
) -> CycleReadingsKept:
    """The event of a record, with what its own clock says against it."""
    found = [*findings, *_of_its_time(load, told.started_at)]
    verdicts = {finding.verdict for finding in found} | {verdict}
    worst: Verdict = "not-met" if "not-met" in verdicts else "not-proven" if "not-proven" in verdicts else "met"
    return CycleReadingsKept(
        digest=told.digest,
        content=told.content,
        packed=told.packed,
        size_bytes=told.size_bytes,
        rows=told.rows,
        signals=told.signals,
        span_s=told.span_s,
        programme_name=load.programme_name,
        programme_edition=load.programme.edition if load.programme else 0,
        method=METHOD,
        verdict=worst,
        findings=tuple(found),
        started_at=told.started_at,
        shared_with=tuple(shared_with),
    )


def _of_its_time(load: Load, began: datetime | None) -> Iterator[ComputedFinding]:
    """A record that says when it began, by an offset, must have begun about when the cycle did."""
    if began is None or began.tzinfo is None or load.started_at is None:
        return
    apart = abs(began - load.started_at)
    minutes = int(BEGINS_WITHIN.total_seconds() // 60)
    yield ComputedFinding(
        OF_ITS_TIME,
        "documentation",
        f"begins within {minutes} min of the cycle’s start",
        f"begins {int(apart.total_seconds() // 60)} min {'before' if began < load.started_at else 'after'} it",
        "",
        "met" if apart <= BEGINS_WITHIN else "not-proven",
        "common practice",
    )


def review_readings(load: Load, remark: WordsRef | None) -> LoadReviewed | Refusal:
    """A named person has looked at the curve, the findings and the contents."""
    if load.stage != "finished":
        return Refusal(
            "cycle-not-ended", f"{load.name} can’t be reviewed: no complete cycle has ended.", "Wait for its end."
        )
    if load.release is not None:
        return Refusal(
            "already-released", f"{load.name} is released.", "Hold it, if something now speaks against it."
        )
    if load.basis != "computed":
        return Refusal(
            "basis-transcribed",
            f"{load.name} goes by what a person reads off the machine’s own record.",
            "State each criterion.",
        )
    if not load.records:
        return Refusal(
            "record-missing", f"No readings of {load.name} are kept.", "Give its record, or read its strip."
        )
    newest = load.records[-1].content
    if load.review is not None and load.review.readings == newest:
        return Refusal(
            "already-reviewed", f"{load.name} was reviewed already; what was found stands.", "Read its holds."
        )
    return LoadReviewed(basis="computed", record_seen=True, remark=remark, readings=newest)


def second_reading_refusal(load: Load, by: UUID) -> Refusal | None:
    """Why this person can't give the second reading of a strip, or None where they may."""
    readers = readers_of(load)
    if len(readers) != 1 or load.basis != "computed" or load.records:
        return Refusal(
            "already-reviewed", f"{load.name} was reviewed already; what was found stands.", "Read its holds."
        )
    if by in readers:
        return Refusal(
            "same-person-twice", "You have read this record already.", "A second person reads it by themselves."
        )
    return None


# --- folding ------------------------------------------------------------------------------------------


def folded(load: Load, event: Recorded, data: CycleReadingsKept) -> Load:
    record = KeptRecord(
        event.event_id,
        event.occurred_at,
        data.digest,
        data.content,
        data.packed,
        data.verdict,
        data.findings,
        data.shared_with,
    )
    return replace(load, records=(*load.records, record))


def shared(load: Load, event: Recorded, data: RecordShared) -> Load:
    return replace(load, shared_records=(*load.shared_records, (event.event_id, data.load, event.occurred_at)))


def withdrawn(load: Load, event: Recorded, data: RecordWithdrawn) -> Load:
    """What it found counts no more, and what it proved is missing. Reviews stand: they never take anything back."""
    record = next((record for record in load.records if record.event_id == data.record), None)
    if record is None:
        return load
    gone = WithdrawnRecord(
        event.event_id,
        record,
        event.occurred_at,
        data.words,
        tuple(signature.person for signature in data.signatures),
        tuple(signature.roles for signature in data.signatures),
        len(load.reviews),
    )
    others = tuple(each for each in load.records if each is not record)
    return replace(load, records=others, withdrawn=(*load.withdrawn, gone))


# --- what follows -------------------------------------------------------------------------------------


def readers_of(load: Load) -> dict[UUID, Review]:
    """Who has read the machine's own record, by whoever it was after every correction of attribution."""
    return {
        load.done_by(review.event_id, review.by): review
        for review in load.reviews
        if review.record_seen and review.basis == "transcribed"
    }


def evidence_withdrawn(load: Load) -> WithdrawnRecord | None:
    """The record whose withdrawal nothing has followed: no other record, nobody who read a strip since."""
    if not load.withdrawn or load.records:
        return None
    newest = load.withdrawn[-1]
    read_since = any(review.record_seen for review in load.reviews[newest.reviews :])
    return None if read_since else newest


def counting_findings(load: Load) -> Iterator[tuple[KeptRecord, ComputedFinding]]:
    """Findings that stand against a release: all but *met*; on the transcribed basis only *not met*."""
    against = ("not-met", "not-proven") if load.basis == "computed" else ("not-met",)
    for record in load.records:
        for finding in record.findings:
            if finding.verdict in against:
                yield record, finding


def differences(load: Load) -> Iterator[tuple[str, str, Verdict, Verdict]]:
    """Criteria that two readers of one strip state differently: code, title, and both verdicts."""
    if load.basis != "computed":
        return
    readings = list(readers_of(load).values())[:2]
    if len(readings) < 2:
        return
    second = {finding.criterion: finding.verdict for finding in readings[1].findings}
    for finding in readings[0].findings:
        other = second.get(finding.criterion, "not-proven")
        if other != finding.verdict:
            yield finding.criterion, finding.title, finding.verdict, other

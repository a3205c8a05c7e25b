"""A load as its events make it: the state that the steps change and the rules read."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Literal
from uuid import UUID

import msgspec

from incidents.rules.alarms import Alarm
from incidents.rules.devices import Heard
from incidents.rules.events import (
    ComputedFinding,
    CycleResumed,
    Finding,
    Place,
    ProgrammeInForce,
    Purpose,
    RejectReason,
    Signature,
    Verdict,
    Way,
    WordsRef,
)

Stage = Literal["none", "assembled", "running", "stopped", "finished", "aborted", "incomplete"]
ENDED: tuple[Stage, ...] = ("finished", "aborted", "incomplete")


class Unexpected(msgspec.Struct, frozen=True):
    """Something recorded that does not fit what was known; it holds the load until someone named has looked."""

    event_id: UUID
    sentence: str
    at: datetime


class Review(msgspec.Struct, frozen=True):
    event_id: UUID
    by: UUID
    at: datetime
    record_seen: bool
    findings: tuple[Finding, ...]
    basis: str = "transcribed"
    readings: str = ""


class KeptRecord(msgspec.Struct, frozen=True):
    """A record of readings as it was judged; `content` says whether two are the same, `packed` where it lies."""

    event_id: UUID
    at: datetime
    digest: str
    content: str
    packed: str
    verdict: Verdict
    findings: tuple[ComputedFinding, ...]
    shared_with: tuple[UUID, ...]


class WithdrawnRecord(msgspec.Struct, frozen=True):
    """A record that two people took off the load; `reviews` is how many reviews there were by then."""

    event_id: UUID
    record: KeptRecord
    at: datetime
    words: WordsRef
    by: tuple[UUID, ...]
    roles: tuple[tuple[str, ...], ...]
    reviews: int


class PlacedHold(msgspec.Struct, frozen=True):
    id: UUID
    by: UUID
    at: datetime
    words: WordsRef
    event_id: UUID


class FirstSignature(msgspec.Struct, frozen=True):
    """One of two people has signed to lift a hold. `void` says why that no longer counts, or is empty."""

    event_id: UUID
    key: str
    code: str
    words: WordsRef
    signature: Signature
    at: datetime
    void: str = ""


class Lift(msgspec.Struct, frozen=True):
    """`by` are the people as every correction of their attribution left them, `signed_as` as they signed.

    `signed_in` are the events that brought their signatures.
    """

    event_id: UUID
    key: str
    code: str
    by: tuple[UUID, ...]
    signed_as: tuple[UUID, ...]
    signed_in: tuple[UUID, ...]
    roles: tuple[tuple[str, ...], ...]
    at: datetime


class Rejection(msgspec.Struct, frozen=True):
    """A tray found wet, soiled or damaged at the unloading inspection."""

    tray: UUID
    reason: RejectReason
    rest_may_go_on: bool
    at: datetime


class LeftTray(msgspec.Struct, frozen=True):
    tray: UUID
    way: Way
    contaminated: bool


class Release(msgspec.Struct, frozen=True):
    event_id: UUID
    purpose: Purpose
    by: UUID
    at: datetime
    position: int


class Load(msgspec.Struct, frozen=True, dict=True):
    id: UUID
    version: int = 0
    stage: Stage = "none"
    number: str = ""
    ordinal: int = 0
    trays: tuple[UUID, ...] = ()
    rerun_of: UUID | None = None
    reruns: tuple[UUID, ...] = ()
    assembled_at: datetime | None = None
    assembled_position: int = 0
    rack: UUID | None = None
    machine: UUID | None = None
    machine_name: str = ""
    chamber: str = ""
    machine_cycle: int | None = None
    programme_name: str = ""
    programme: ProgrammeInForce | None = None
    catalogue_edition: int = 0
    basis: str = "transcribed"
    started_at: datetime | None = None
    ended_at: datetime | None = None
    alarms: tuple[Alarm, ...] = ()
    resumes: tuple[CycleResumed, ...] = ()
    stops: tuple[str, ...] = ()
    interrupted: str = ""
    overdue_since: datetime | None = None
    place: Place = "dirty-side"
    spot: str = ""
    placed_by: UUID | None = None
    on_clean_side_at: datetime | None = None
    contamination_recorded: bool = False
    rejections: tuple[Rejection, ...] = ()
    left: tuple[LeftTray, ...] = ()
    review: Review | None = None
    reviews: tuple[Review, ...] = ()
    records: tuple[KeptRecord, ...] = ()
    shared_records: tuple[tuple[UUID, UUID, datetime], ...] = ()
    withdrawn: tuple[WithdrawnRecord, ...] = ()
    placed_holds: tuple[PlacedHold, ...] = ()
    lifts: tuple[Lift, ...] = ()
    first_signatures: tuple[FirstSignature, ...] = ()
    attributions: tuple[tuple[UUID, UUID], ...] = ()
    unexpected: tuple[Unexpected, ...] = ()
    release: Release | None = None
    form: int | None = None
    stands_before: int | None = None
    left_on_paper: Release | None = None
    reprocessed: bool = False
    heard: tuple[Heard, ...] = ()

    @property
    def name(self) -> str:
        """What people call it: the machine and its counter once known, else the facility's number."""
        if self.machine_cycle is not None:
            return f"{self.machine_name} {self.machine_cycle}"
        return self.number or "This load"

    def done_by(self, event: UUID, recorded: UUID) -> UUID:
        """Who did an event, after every correction of its attribution."""
        return dict(self.attributions).get(event, recorded)

    def first_signature(self, key: str) -> FirstSignature | None:
        """The first of two signatures to lift this hold, also one that no longer counts."""
        return next((first for first in self.first_signatures if first.key == key), None)

    def fate_of(self, tray: UUID) -> str:
        """What became of a tray other than the rest of its load: "rejected", the way it left, or nothing."""
        for left in self.left:
            if left.tray == tray:
                return left.way
        return "rejected" if any(rejection.tray == tray for rejection in self.rejections) else ""

    @property
    def expected_end_at(self) -> datetime | None:
        if self.started_at is None or self.programme is None:
            return None
        return plus(self.started_at, self.programme.expected_s)

    @property
    def due_at(self) -> datetime | None:
        """When a cycle without an end becomes *outcome unknown*; an unknown programme has no expected end."""
        if self.expected_end_at is None or self.programme is None or self.stage not in ("running", "stopped"):
            return None
        return plus(self.expected_end_at, self.programme.grace_s)


def plus(moment: datetime, seconds: int) -> datetime:
    """A moment some seconds later; a claimed time at the end of the calendar stays there."""
    try:
        return moment + timedelta(seconds=seconds)
    except OverflowError:
        return datetime.max.replace(tzinfo=moment.tzinfo)

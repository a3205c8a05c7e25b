"""The vocabulary: everything that can happen, as frozen values with a constant type name.

A type name and a schema version never change once stored; a new shape gets a new version and an upcast
from the old one. Quantities carry their unit in the name, moments end in `_at`, people appear by id.
"""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec

from incidents.rules.department_events import (
    CatalogueDrafted,
    CataloguePublished,
    Criterion,
    CycleExplained,
    DowntimeFormEntered,
    DowntimeFormsIssued,
    DowntimeFormVoided,
    ExposureRecorded,
    FacilityOpened,
    Fault,
    MachineBlocked,
    MachineRegistered,
    MachineReturned,
    Phase,
    PolicySet,
    ProgrammePublished,
    RackBlocked,
    RackRegistered,
    RackReturned,
    SetRegistered,
    SupplyChanged,
    Tray,
)
from incidents.rules.load_events import (
    AlarmAcknowledged,
    AlarmCleared,
    AlarmRaised,
    AttributionCorrected,
    ContaminationRecorded,
    Corrected,
    CycleAborted,
    CycleFinished,
    CycleResumed,
    CycleStarted,
    CycleStopped,
    DoorOpened,
    Finding,
    HoldLifted,
    HoldPlaced,
    LoadAssembled,
    LoadPlaced,
    LoadReleased,
    LoadReopened,
    LoadReprocessed,
    LoadReviewed,
    NoteAdded,
    OutcomeOverdue,
    PowerLost,
    ProgrammeInForce,
    RerunLinked,
    SeenLoad,
    Signature,
    TrayLeft,
    TrayProof,
    TraysRejected,
    WrongProgrammeNoted,
)
from incidents.rules.paper_events import EnteredFromPaper, LoadReleasedOnPaper
from incidents.rules.vocabulary import (
    Actor,
    CriterionKind,
    Event,
    Exposure,
    Place,
    Priority,
    Purpose,
    RejectReason,
    Resume,
    Stream,
    Verdict,
    Way,
    WordsRef,
)

__all__ = [
    "OBSERVATIONS",
    "TYPES",
    "Actor",
    "AlarmAcknowledged",
    "AlarmCleared",
    "AlarmRaised",
    "AnyEvent",
    "AttributionCorrected",
    "CatalogueDrafted",
    "CataloguePublished",
    "ContaminationRecorded",
    "Corrected",
    "Criterion",
    "CriterionKind",
    "CycleAborted",
    "CycleExplained",
    "CycleFinished",
    "CycleResumed",
    "CycleStarted",
    "CycleStopped",
    "DoorOpened",
    "DowntimeFormEntered",
    "DowntimeFormVoided",
    "DowntimeFormsIssued",
    "EnteredFromPaper",
    "Event",
    "Exposure",
    "ExposureRecorded",
    "FacilityOpened",
    "Fault",
    "Finding",
    "HoldLifted",
    "HoldPlaced",
    "LoadAssembled",
    "LoadPlaced",
    "LoadReleased",
    "LoadReleasedOnPaper",
    "LoadReopened",
    "LoadReprocessed",
    "LoadReviewed",
    "MachineBlocked",
    "MachineRegistered",
    "MachineReturned",
    "NoteAdded",
    "OutcomeOverdue",
    "Phase",
    "Place",
    "PolicySet",
    "PowerLost",
    "Priority",
    "ProgrammeInForce",
    "ProgrammePublished",
    "Purpose",
    "RackBlocked",
    "RackRegistered",
    "RackReturned",
    "Recorded",
    "RejectReason",
    "RerunLinked",
    "Resume",
    "SeenLoad",
    "SetRegistered",
    "Signature",
    "Stream",
    "SupplyChanged",
    "Tray",
    "TrayLeft",
    "TrayProof",
    "TraysRejected",
    "Verdict",
    "Way",
    "WordsRef",
    "WrongProgrammeNoted",
]

AnyEvent = (
    FacilityOpened
    | MachineRegistered
    | ProgrammePublished
    | CataloguePublished
    | CatalogueDrafted
    | SetRegistered
    | PolicySet
    | MachineBlocked
    | MachineReturned
    | SupplyChanged
    | CycleExplained
    | ExposureRecorded
    | RackRegistered
    | RackBlocked
    | RackReturned
    | DowntimeFormsIssued
    | DowntimeFormEntered
    | DowntimeFormVoided
    | CycleStopped
    | PowerLost
    | DoorOpened
    | WrongProgrammeNoted
    | TraysRejected
    | ContaminationRecorded
    | TrayLeft
    | NoteAdded
    | Corrected
    | AttributionCorrected
    | LoadAssembled
    | CycleStarted
    | AlarmRaised
    | AlarmAcknowledged
    | AlarmCleared
    | CycleResumed
    | CycleAborted
    | CycleFinished
    | OutcomeOverdue
    | LoadPlaced
    | LoadReviewed
    | HoldPlaced
    | HoldLifted
    | LoadReleased
    | EnteredFromPaper
    | LoadReleasedOnPaper
    | RerunLinked
    | LoadReprocessed
    | LoadReopened
)
TYPES: dict[str, type[Event]] = {kind.__struct_config__.tag: kind for kind in AnyEvent.__args__}
OBSERVATIONS = frozenset({CycleStarted, AlarmRaised, AlarmCleared, CycleFinished, PowerLost, DoorOpened})


class Recorded(msgspec.Struct, frozen=True):
    """An event as it stands in the ledger: its whole envelope, and its position.

    `occurred_at` is claimed, `recorded_at` is the ledger's own and never falls with `position`.
    `sequence` is a device's own counter. `operation` is the deed that recorded it.
    """

    actor: Actor
    data: AnyEvent
    deed: UUID
    event_id: UUID = msgspec.field(name="event")
    facility: UUID
    occurred_at: datetime
    operation: str
    recorded_at: datetime
    schema: int
    sequence: int | None
    stream: Stream
    version: int
    position: int = -1

"""The vocabulary: everything that can happen, as frozen values with a constant type name.

A type name and a schema version never change once stored; a new shape gets a new version and an upcast
from the old one. Quantities carry their unit in the name, moments end in `_at`, people appear by id.
"""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec

from incidents.rules.care_events import (
    AlarmShelved,
    AlarmUnshelved,
    HandedItem,
    ItemHandedOn,
    ItemTaken,
    ShiftHandedOver,
)
from incidents.rules.department_events import (
    BasisSet,
    CatalogueDrafted,
    CataloguePublished,
    ColumnMeaning,
    CompetenceHeld,
    Criterion,
    CycleExplained,
    DowntimeFormEntered,
    DowntimeFormsIssued,
    DowntimeFormVoided,
    ExposureRecorded,
    ExposureTakenOn,
    FacilityOpened,
    Fault,
    LogRestored,
    MachineBlocked,
    MachineLimited,
    MachineRegistered,
    MachineReturned,
    Phase,
    PolicySet,
    ProbeReport,
    ProgrammeDrafted,
    ProgrammePublished,
    ProgrammeWithdrawn,
    RackBlocked,
    RackRegistered,
    RackReturned,
    RecordFormSet,
    RestorationSettled,
    RightsSet,
    SetRegistered,
    Shift,
    SupplyChanged,
    Tray,
)
from incidents.rules.device_events import (
    ClockCompared,
    DeviceFellSilent,
    MissingExplained,
    ObservationArrived,
    ObservationsMissed,
    SilenceEnded,
)
from incidents.rules.escalation_events import (
    CalendarSet,
    ClockJumped,
    EscalationApproved,
    EscalationDrafted,
    ItemEscalated,
    TurnSwapped,
)
from incidents.rules.history_events import PastAlarmImported, PastLoadImported, PastRepairImported
from incidents.rules.incident_events import IncidentTaken, IncidentTold, Part
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
    LiftSigned,
    LiftWithdrawn,
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
from incidents.rules.message_events import (
    ContactSet,
    ContactTested,
    MessageSentAgain,
    MessageSettled,
    MessageUndelivered,
)
from incidents.rules.paper_events import EnteredFromPaper, LoadReleasedOnPaper
from incidents.rules.readings_events import ComputedFinding, CycleReadingsKept, RecordShared, RecordWithdrawn
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
    "TYPES",
    "Actor",
    "AlarmAcknowledged",
    "AlarmCleared",
    "AlarmRaised",
    "AlarmShelved",
    "AlarmUnshelved",
    "AnyEvent",
    "AttributionCorrected",
    "BasisSet",
    "CalendarSet",
    "CatalogueDrafted",
    "CataloguePublished",
    "ClockCompared",
    "ClockJumped",
    "ColumnMeaning",
    "CompetenceHeld",
    "ComputedFinding",
    "ContactSet",
    "ContactTested",
    "ContaminationRecorded",
    "Corrected",
    "Criterion",
    "CriterionKind",
    "CycleAborted",
    "CycleExplained",
    "CycleFinished",
    "CycleReadingsKept",
    "CycleResumed",
    "CycleStarted",
    "CycleStopped",
    "DeviceFellSilent",
    "DoorOpened",
    "DowntimeFormEntered",
    "DowntimeFormVoided",
    "DowntimeFormsIssued",
    "EnteredFromPaper",
    "EscalationApproved",
    "EscalationDrafted",
    "Event",
    "Exposure",
    "ExposureRecorded",
    "ExposureTakenOn",
    "FacilityOpened",
    "Fault",
    "Finding",
    "HandedItem",
    "HoldLifted",
    "HoldPlaced",
    "IncidentTaken",
    "IncidentTold",
    "ItemEscalated",
    "ItemHandedOn",
    "ItemTaken",
    "LiftSigned",
    "LiftWithdrawn",
    "LoadAssembled",
    "LoadPlaced",
    "LoadReleased",
    "LoadReleasedOnPaper",
    "LoadReopened",
    "LoadReprocessed",
    "LoadReviewed",
    "LogRestored",
    "MachineBlocked",
    "MachineLimited",
    "MachineRegistered",
    "MachineReturned",
    "MessageSentAgain",
    "MessageSettled",
    "MessageUndelivered",
    "MissingExplained",
    "NoteAdded",
    "ObservationArrived",
    "ObservationsMissed",
    "OutcomeOverdue",
    "Part",
    "PastAlarmImported",
    "PastLoadImported",
    "PastRepairImported",
    "Phase",
    "Place",
    "PolicySet",
    "PowerLost",
    "Priority",
    "ProbeReport",
    "ProgrammeDrafted",
    "ProgrammeInForce",
    "ProgrammePublished",
    "ProgrammeWithdrawn",
    "Purpose",
    "RackBlocked",
    "RackRegistered",
    "RackReturned",
    "RecordFormSet",
    "RecordShared",
    "RecordWithdrawn",
    "Recorded",
    "RejectReason",
    "RerunLinked",
    "RestorationSettled",
    "Resume",
    "RightsSet",
    "SeenLoad",
    "SetRegistered",
    "Shift",
    "ShiftHandedOver",
    "Signature",
    "SilenceEnded",
    "Stream",
    "SupplyChanged",
    "Tray",
    "TrayLeft",
    "TrayProof",
    "TraysRejected",
    "TurnSwapped",
    "Verdict",
    "Way",
    "WordsRef",
    "WrongProgrammeNoted",
]

AnyEvent = (
    FacilityOpened
    | BasisSet
    | LogRestored
    | RestorationSettled
    | MachineRegistered
    | ProgrammePublished
    | ProgrammeDrafted
    | ProgrammeWithdrawn
    | CataloguePublished
    | CatalogueDrafted
    | SetRegistered
    | RightsSet
    | PolicySet
    | MachineBlocked
    | MachineLimited
    | MachineReturned
    | RecordFormSet
    | SupplyChanged
    | CycleExplained
    | ExposureRecorded
    | ExposureTakenOn
    | DeviceFellSilent
    | SilenceEnded
    | ObservationsMissed
    | ObservationArrived
    | MissingExplained
    | ClockCompared
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
    | CycleReadingsKept
    | RecordShared
    | RecordWithdrawn
    | LoadReviewed
    | HoldPlaced
    | HoldLifted
    | LiftSigned
    | LiftWithdrawn
    | LoadReleased
    | EnteredFromPaper
    | LoadReleasedOnPaper
    | PastLoadImported
    | PastAlarmImported
    | PastRepairImported
    | RerunLinked
    | LoadReprocessed
    | LoadReopened
    | ContactSet
    | ContactTested
    | MessageUndelivered
    | MessageSentAgain
    | MessageSettled
    | ShiftHandedOver
    | IncidentTaken
    | IncidentTold
    | ItemTaken
    | ItemHandedOn
    | AlarmShelved
    | AlarmUnshelved
    | EscalationDrafted
    | EscalationApproved
    | CalendarSet
    | TurnSwapped
    | ItemEscalated
    | ClockJumped
)
TYPES: dict[str, type[Event]] = {kind.__struct_config__.tag: kind for kind in AnyEvent.__args__}


class Recorded(msgspec.Struct, frozen=True, gc=False):
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

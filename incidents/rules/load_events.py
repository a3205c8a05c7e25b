"""What happens in a load's life."""

from __future__ import annotations

from datetime import datetime
from typing import Literal
from uuid import UUID

import msgspec

from incidents.rules.department_events import Criterion
from incidents.rules.limits import Resuming
from incidents.rules.vocabulary import (
    CriterionKind,
    Event,
    Place,
    Priority,
    Purpose,
    RejectReason,
    Resume,
    Verdict,
    Way,
    WordsRef,
)


class LoadAssembled(Event, frozen=True, tag="load-assembled"):
    """`number` is what people call it until the machine's counter is known; `machine` and `chamber` are meant."""

    number: str
    ordinal: int
    trays: tuple[UUID, ...]
    machine: UUID
    machine_name: str
    chamber: str
    rerun_of: UUID | None = None
    rack: UUID | None = None


class ProgrammeInForce(msgspec.Struct, frozen=True):
    """The programme as it stood when the cycle started, kept with the load so that old loads keep theirs."""

    name: str
    edition: int
    phases: tuple[str, ...]
    expected_s: int
    grace_s: int
    criteria: tuple[Criterion, ...]
    resuming: Resuming | None = None


class CycleStarted(Event, frozen=True, tag="cycle-started"):
    """`programme` is absent when the name that was reported is unknown here.

    `blocked` says why no cycle was to start there, `not_taken` what the machine does not take.
    """

    schema = 3

    machine: UUID
    machine_name: str
    chamber: str
    programme_name: str
    programme: ProgrammeInForce | None = None
    catalogue_edition: int = 0
    basis: Literal["transcribed", "computed"] = "transcribed"
    machine_cycle: int | None = None
    blocked: str = ""
    not_taken: str = ""


class AlarmRaised(Event, frozen=True, tag="alarm-raised"):
    """`known` says whether the catalogue in force had the code; an unknown one is high and never resumed."""

    alarm: UUID
    code: str
    phase: str
    title: str
    priority: Priority = "high"
    known: bool = False
    resume: Resume = "never"
    halts: bool = True
    machine: UUID | None = None
    chamber: str = ""
    machine_cycle: int | None = None


class AlarmAcknowledged(Event, frozen=True, tag="alarm-acknowledged"):
    alarm: UUID


class AlarmCleared(Event, frozen=True, tag="alarm-cleared"):
    """The condition is gone (IEC 62682: returned to normal); that says nothing about the load."""

    code: str
    alarm: UUID | None = None
    chamber: str = ""
    machine_cycle: int | None = None


class CycleResumed(Event, frozen=True, tag="cycle-resumed"):
    alarm: UUID
    phase: str
    halt_s: int


class CycleAborted(Event, frozen=True, tag="cycle-aborted"):
    reason: str
    alarm: UUID | None = None
    words: WordsRef | None = None


class CycleFinished(Event, frozen=True, tag="cycle-finished"):
    """The machine ended its run; its own verdict, where it prints one, proves nothing by itself."""

    machine_cycle: int | None = None
    chamber: str = ""
    complete: bool = True


class CycleStopped(Event, frozen=True, tag="cycle-stopped"):
    """Somebody stopped it without an alarm: by hand, or by the emergency stop. Only an abort follows."""

    how: Literal["by-hand", "emergency"]


class PowerLost(Event, frozen=True, tag="power-lost"):
    """The power failed in mid-cycle; such a cycle is never complete."""

    phase: str = ""
    machine_cycle: int | None = None
    chamber: str = ""


class DoorOpened(Event, frozen=True, tag="door-opened"):
    """The door was opened or its lock overridden; in mid-cycle that ends it."""

    forced: bool
    load_taken_out: bool = False
    phase: str = ""
    machine_cycle: int | None = None
    chamber: str = ""


class WrongProgrammeNoted(Event, frozen=True, tag="wrong-programme-noted"):
    """`meant` is the programme that should have run."""

    meant: str


class TraysRejected(Event, frozen=True, tag="trays-rejected"):
    """Found at the unloading inspection. Whether the rest may go on is the facility's policy of that moment."""

    trays: tuple[UUID, ...]
    reason: RejectReason
    rest_may_go_on: bool
    words: WordsRef | None = None


class ContaminationRecorded(Event, frozen=True, tag="contamination-recorded"):
    """Unproven items stood on the clean side: what they touched, what stood near, who cleaned."""

    surfaces: WordsRef
    loads_nearby: tuple[UUID, ...]
    cleaned_by: WordsRef


class TrayLeft(Event, frozen=True, tag="tray-left"):
    """A tray went another documented way than through a cycle."""

    tray: UUID
    way: Way
    contaminated: bool
    words: WordsRef


class NoteAdded(Event, frozen=True, tag="note-added"):
    words: WordsRef


class Corrected(Event, frozen=True, tag="corrected"):
    """A field of an earlier event of this stream, from its type's correctable list, was otherwise."""

    event: UUID
    field: str
    value: str
    words: WordsRef


class AttributionCorrected(Event, frozen=True, tag="attribution-corrected"):
    """An earlier event was done by somebody else, in another's session.

    `roles` are theirs; `authorised` says whether they could have done it on its day.
    """

    event: UUID
    was: UUID
    person: UUID
    roles: tuple[str, ...]
    authorised: bool
    words: WordsRef


class OutcomeOverdue(Event, frozen=True, tag="outcome-overdue"):
    """Expected end and grace have passed with no end recorded."""

    due_at: datetime


class LoadPlaced(Event, frozen=True, tag="load-placed"):
    place: Place
    spot: str = ""


class Finding(msgspec.Struct, frozen=True):
    criterion: str
    kind: CriterionKind
    title: str
    verdict: Verdict


class LoadReviewed(Event, frozen=True, tag="load-reviewed"):
    """A named person read the machine's own record and states each criterion, or looked at its readings.

    `readings` came with version 2: the content of the record that was looked at, on the basis *computed*.
    """

    schema = 2

    basis: Literal["transcribed", "computed"]
    record_seen: bool
    findings: tuple[Finding, ...] = ()
    remark: WordsRef | None = None
    readings: str = ""


class HoldPlaced(Event, frozen=True, tag="hold-placed"):
    hold: UUID
    words: WordsRef


class SeenLoad(msgspec.Struct, frozen=True):
    """What a signature binds: this load, at this version of its stream, ending in this leaf (hex)."""

    load: UUID
    version: int
    leaf: str


class Signature(msgspec.Struct, frozen=True):
    """Who signed, what it means in their words, and exactly what they had seen."""

    person: UUID
    meaning: str
    signing: UUID
    signed_at: datetime
    seen: tuple[SeenLoad, ...]
    roles: tuple[str, ...]


class HoldLifted(Event, frozen=True, tag="hold-lifted"):
    """`hold` is the key of the hold as the load's page lists it."""

    hold: str
    code: str
    words: WordsRef
    signatures: tuple[Signature, ...]


class LiftSigned(Event, frozen=True, tag="lift-signed"):
    """The first of two signatures that lift a hold. Until the second, on this very load, the hold stands."""

    hold: str
    code: str
    words: WordsRef
    signature: Signature


class LiftWithdrawn(Event, frozen=True, tag="lift-withdrawn"):
    """A first signature was taken back, or nobody will give the second; `signed` is the event that brought it."""

    hold: str
    signed: UUID
    words: WordsRef | None = None


class LoadReleased(Event, frozen=True, tag="load-released"):
    purpose: Purpose
    signature: Signature
    rules_edition: int
    policy_position: int
    lifted: tuple[str, ...] = ()


class RerunLinked(Event, frozen=True, tag="rerun-linked"):
    load: UUID


class TrayProof(msgspec.Struct, frozen=True):
    """Where the tray's own chain ends: the released load it went through, or the other way it went."""

    tray: UUID
    load: UUID
    way: str = ""


class LoadReprocessed(Event, frozen=True, tag="load-reprocessed"):
    """Every tray went through a complete load that was released and isn't under recall."""

    proofs: tuple[TrayProof, ...]


class LoadReopened(Event, frozen=True, tag="load-reopened"):
    """A proof fell: `tray` is no longer accounted for."""

    tray: UUID

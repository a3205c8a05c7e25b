"""The vocabulary: everything that can happen, as frozen values with a constant type name.

A type name and a schema version never change once stored; a new shape gets a new version and an upcast
from the old one. Quantities carry their unit in the name, moments end in `_at`, people appear by id.
"""

from __future__ import annotations

from datetime import datetime
from typing import ClassVar, Literal, NamedTuple
from uuid import UUID

import msgspec

Place = Literal["dirty-side", "chamber", "clean-side", "quarantine"]
Verdict = Literal["met", "not-met", "not-proven"]
CriterionKind = Literal["disinfection", "cleaning", "rinse", "drying", "upper-band", "documentation"]
Priority = Literal["high", "medium", "low"]
Resume = Literal["never", "supervisor", "technician"]
Purpose = Literal["packing", "use"]


class Stream(NamedTuple):
    """One thing's own story: a load, a machine, a programme, the fault catalogue, a set, the facility."""

    kind: str
    id: UUID


class Actor(msgspec.Struct, frozen=True):
    """Who did it: a person or a device by id, or the sweep (`system`)."""

    kind: Literal["person", "device", "system"]
    id: UUID


class Event(msgspec.Struct, frozen=True, tag_field="type"):
    """What happened. Subclasses are the vocabulary."""

    schema: ClassVar[int] = 1


class WordsRef(msgspec.Struct, frozen=True):
    """Free text by its salted digest (hex SHA-256); the text itself is kept where it can be emptied."""

    digest: str


# --- the department's own things ---------------------------------------------------------------------


class FacilityOpened(Event, frozen=True, tag="facility-opened"):
    basis: Literal["transcribed", "computed"]


class MachineRegistered(Event, frozen=True, tag="machine-registered"):
    name: str
    code: str
    chambers: tuple[str, ...]


class Phase(msgspec.Struct, frozen=True):
    code: str
    title: str
    minutes: int


class Criterion(msgspec.Struct, frozen=True):
    """Something to be read off the machine's own record, and what it bears on."""

    code: str
    title: str
    kind: CriterionKind


class ProgrammePublished(Event, frozen=True, tag="programme-published"):
    name: str
    edition: int
    phases: tuple[Phase, ...]
    expected_s: int
    grace_s: int
    criteria: tuple[Criterion, ...]


class Fault(msgspec.Struct, frozen=True):
    """One entry of the fault catalogue. A phase that `resume` doesn't name means never."""

    code: str
    title: str
    consequence: str
    time_to_respond: str
    priority: Priority
    why: str
    first_instruction: str
    caution: str
    resume: dict[str, Resume] = {}


class CataloguePublished(Event, frozen=True, tag="catalogue-published"):
    edition: int
    faults: tuple[Fault, ...]


class Tray(msgspec.Struct, frozen=True):
    id: UUID
    label: str


class SetRegistered(Event, frozen=True, tag="set-registered"):
    name: str
    owner: str
    trays: tuple[Tray, ...]


# --- a load's life ------------------------------------------------------------------------------------


class LoadAssembled(Event, frozen=True, tag="load-assembled"):
    """`number` is what people call it until the machine's counter is known; `machine` and `chamber` are meant."""

    number: str
    ordinal: int
    trays: tuple[UUID, ...]
    machine: UUID
    machine_name: str
    chamber: str
    rerun_of: UUID | None = None


class ProgrammeInForce(msgspec.Struct, frozen=True):
    """The programme as it stood when the cycle started, kept with the load so that old loads keep theirs."""

    name: str
    edition: int
    phases: tuple[str, ...]
    expected_s: int
    grace_s: int
    criteria: tuple[Criterion, ...]


class CycleStarted(Event, frozen=True, tag="cycle-started"):
    """`programme` is absent when the name that was reported is unknown here."""

    machine: UUID
    machine_name: str
    chamber: str
    programme_name: str
    programme: ProgrammeInForce | None = None
    catalogue_edition: int = 0
    basis: Literal["transcribed", "computed"] = "transcribed"
    machine_cycle: int | None = None


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
    """A named person read the machine's own record and states each criterion."""

    basis: Literal["transcribed"]
    record_seen: bool
    findings: tuple[Finding, ...] = ()
    remark: WordsRef | None = None


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


class LoadReleased(Event, frozen=True, tag="load-released"):
    purpose: Purpose
    signature: Signature
    rules_edition: int
    policy_position: int
    lifted: tuple[str, ...] = ()


class RerunLinked(Event, frozen=True, tag="rerun-linked"):
    load: UUID


class TrayProof(msgspec.Struct, frozen=True):
    tray: UUID
    load: UUID


class LoadReprocessed(Event, frozen=True, tag="load-reprocessed"):
    """Every tray went through a complete load that was released and isn't under recall."""

    proofs: tuple[TrayProof, ...]


class LoadReopened(Event, frozen=True, tag="load-reopened"):
    """A proof fell: `tray` is no longer accounted for."""

    tray: UUID


AnyEvent = (
    FacilityOpened
    | MachineRegistered
    | ProgrammePublished
    | CataloguePublished
    | SetRegistered
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
    | RerunLinked
    | LoadReprocessed
    | LoadReopened
)
TYPES: dict[str, type[Event]] = {kind.__struct_config__.tag: kind for kind in AnyEvent.__args__}
OBSERVATIONS = frozenset({CycleStarted, AlarmRaised, AlarmCleared, CycleFinished})


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

"""What happens to the department's own things: machines, programmes, the fault catalogue, sets, racks, policy."""

from __future__ import annotations

from datetime import datetime
from typing import ClassVar, Literal
from uuid import UUID

import msgspec

from incidents.rules.limits import Limits, Requirement, Resuming
from incidents.rules.vocabulary import (
    CriterionKind,
    Event,
    Exposure,
    Priority,
    RejectReason,
    Resume,
    WordsRef,
)


class FacilityOpened(Event, frozen=True, tag="facility-opened"):
    basis: Literal["transcribed", "computed"]


class BasisSet(Event, frozen=True, tag="basis-set"):
    """What the evidence rests on in cycles that start from here on; `source` is the local rule that says so."""

    basis: Literal["transcribed", "computed"]
    source: str


class LogRestored(Event, frozen=True, tag="log-restored"):
    """A backup took the log's place and somebody accepted that: entries noted outside may be missing."""

    noted_size: int
    noted_root: str
    size: int
    words: WordsRef


class RestorationSettled(Event, frozen=True, tag="restoration-settled"):
    """What was lost in a restore was looked for, and entered late as far as it was found."""

    words: WordsRef


class CompetenceHeld(msgspec.Struct, frozen=True):
    """What a person was found able to do, both days included (ISO 8601)."""

    kind: str
    valid_from: str
    valid_until: str


class RightsSet(Event, frozen=True, tag="rights-set"):
    """All that a person may be here from now on; without a role they are nobody here. The name stands elsewhere."""

    person: UUID
    roles: tuple[str, ...] = ()
    competences: tuple[CompetenceHeld, ...] = ()


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
    """`limits` came with version 2; without them no criterion is proven by calculation.

    `resuming` and `effective_at` came with version 3; without a moment it is in force from its publication on.
    """

    schema: ClassVar[int] = 3

    name: str
    edition: int
    phases: tuple[Phase, ...]
    expected_s: int
    grace_s: int
    criteria: tuple[Criterion, ...]
    limits: Limits | None = None
    resuming: Resuming | None = None
    effective_at: datetime | None = None


class ProgrammeDrafted(Event, frozen=True, tag="programme-drafted"):
    """A whole next edition, meant to follow `edition_from`; it binds nobody until a second person approves it."""

    name: str
    edition_from: int
    phases: tuple[Phase, ...]
    expected_s: int
    grace_s: int
    criteria: tuple[Criterion, ...]
    limits: Limits | None = None
    resuming: Resuming | None = None
    effective_at: datetime | None = None


class ProgrammeWithdrawn(Event, frozen=True, tag="programme-withdrawn"):
    """No cycle is started by it any more. Loads that went by it keep it."""

    words: WordsRef


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


class CatalogueDrafted(Event, frozen=True, tag="catalogue-drafted"):
    """A whole next edition, meant to follow `edition_from`; it binds nobody until a second person publishes it."""

    edition_from: int
    faults: tuple[Fault, ...]


class Tray(msgspec.Struct, frozen=True):
    id: UUID
    label: str


class SetRegistered(Event, frozen=True, tag="set-registered"):
    """`needed_by` is a date (ISO 8601) by which a loaner set goes back to its owner."""

    name: str
    owner: str
    trays: tuple[Tray, ...]
    loaner: bool = False
    needed_by: str = ""


class Shift(msgspec.Struct, frozen=True):
    """A shift begins at this time of the wall's clock ("06:00") and lasts until the next one begins."""

    starts: str
    name: str


# A starting point (common practice: three shifts of eight hours); a facility sets its own.
STARTING_SHIFTS = (Shift("06:00", "Early shift"), Shift("14:00", "Late shift"), Shift("22:00", "Night shift"))


class PolicySet(Event, frozen=True, tag="policy-set"):
    """What the facility decides where the trade leaves it open. `source` says where its values come from.

    `requirements` are what disinfection is asked for here, each with its own source; `two_people_lift` names codes
    of holds that one person may lift by the trade's table, and two must here. `silent_min` is how many minutes a
    device may be silent; 0 asks nothing. Within `incident_min` minutes the same fault of a machine is one incident.
    """

    schema: ClassVar[int] = 4

    edition: int
    source: str
    same_fault_blocks: int
    same_fault_cycles: int
    rest_may_go_on: tuple[RejectReason, ...]
    shifts: tuple[Shift, ...] = STARTING_SHIFTS
    requirements: tuple[Requirement, ...] = ()
    two_people_lift: tuple[str, ...] = ()
    silent_min: int = 1440
    incident_min: int = 60


class MachineBlocked(Event, frozen=True, tag="machine-blocked"):
    """No cycle starts in it; `chamber` is empty where the whole machine is blocked."""

    reason: str
    chamber: str = ""
    words: WordsRef | None = None


class MachineLimited(Event, frozen=True, tag="machine-limited"):
    """The only programmes, by name, and racks, by code, that it takes from now on; where none is named, all."""

    programmes: tuple[str, ...] = ()
    racks: tuple[str, ...] = ()


class MachineReturned(Event, frozen=True, tag="machine-returned"):
    """Back in service, by whoever answers for it."""

    words: WordsRef
    chamber: str = ""


class ColumnMeaning(msgspec.Struct, frozen=True):
    """A column of a machine's own export, and the signal with its unit that it means, as in docs/records.md."""

    column: str
    signal: str


class ProbeReport(msgspec.Struct, frozen=True):
    """The validation report that relates a recorded probe to the load."""

    signal: str
    report: str


class RecordFormSet(Event, frozen=True, tag="record-form-set"):
    """How a machine's own exports are read from here on; columns are named on the line `header_line`."""

    columns: tuple[ColumnMeaning, ...]
    header_line: int
    probes: tuple[ProbeReport, ...] = ()


class SupplyChanged(Event, frozen=True, tag="supply-changed"):
    """A chemical or another consumable was changed; `line` is what it feeds."""

    line: str
    product: str
    lot: str
    expires_on: str = ""


class CycleExplained(Event, frozen=True, tag="cycle-explained"):
    """Why the machine's counter has this number and no load here went through it. It proves nothing."""

    machine_cycle: int | None
    words: WordsRef
    load: UUID | None = None
    stray: UUID | None = None


class ExposureRecorded(Event, frozen=True, tag="exposure-recorded"):
    """A near miss, or somebody was splashed, burnt or hurt by a sharp. First aid and local reporting come first.

    `person` came with version 2: who it happened to, where they are known here; anybody else stands in the words.
    """

    schema = 2

    kind: Exposure
    words: WordsRef
    load: UUID | None = None
    person: UUID | None = None


class ExposureTakenOn(Event, frozen=True, tag="exposure-taken-on"):
    """Somebody who answers for the shift looks after whoever was hurt; `exposure` is the event that told of it."""

    exposure: UUID


class RackRegistered(Event, frozen=True, tag="rack-registered"):
    code: str
    name: str


class RackBlocked(Event, frozen=True, tag="rack-blocked"):
    words: WordsRef


class RackReturned(Event, frozen=True, tag="rack-returned"):
    words: WordsRef


class DowntimeFormsIssued(Event, frozen=True, tag="downtime-forms-issued"):
    """Forms with these numbers, both included, may be printed and written on while the server is gone."""

    first: int
    last: int


class DowntimeFormEntered(Event, frozen=True, tag="downtime-form-entered"):
    """A form came back and was entered as `load`; `claimed_by` is whose name stands on it."""

    number: int
    load: UUID
    claimed_by: UUID | None = None
    words: WordsRef | None = None


class DowntimeFormVoided(Event, frozen=True, tag="downtime-form-voided"):
    """A form that won't come back, and why."""

    number: int
    words: WordsRef

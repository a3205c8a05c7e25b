"""What happens to the department's own things: machines, programmes, the fault catalogue, sets, racks, policy."""

from __future__ import annotations

from typing import Literal
from uuid import UUID

import msgspec

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


class PolicySet(Event, frozen=True, tag="policy-set"):
    """What the facility decides where the trade leaves it open. `source` says where its values come from."""

    edition: int
    source: str
    same_fault_blocks: int
    same_fault_cycles: int
    rest_may_go_on: tuple[RejectReason, ...]


class MachineBlocked(Event, frozen=True, tag="machine-blocked"):
    """No cycle starts in it; `chamber` is empty where the whole machine is blocked."""

    reason: str
    chamber: str = ""
    words: WordsRef | None = None


class MachineReturned(Event, frozen=True, tag="machine-returned"):
    """Back in service, by whoever answers for it."""

    words: WordsRef
    chamber: str = ""


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
    """A near miss, or somebody was splashed, burnt or hurt by a sharp. First aid and local reporting come first."""

    kind: Exposure
    words: WordsRef
    load: UUID | None = None


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

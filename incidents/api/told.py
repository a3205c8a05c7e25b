"""What the API tells of things: the shapes of its answers."""

from __future__ import annotations

from datetime import datetime
from typing import Any, TypeVar
from uuid import UUID

import msgspec

from incidents.analysis.told_figures import Figures, Final, Fleet, Watch
from incidents.rules.events import (
    CompetenceHeld,
    ComputedFinding,
    Criterion,
    Fault,
    Finding,
    Phase,
    PolicySet,
    ProgrammeDrafted,
    ProgrammePublished,
)
from incidents.rules.limits import Limits

S = TypeVar("S", bound=msgspec.Struct)


def tell(kind: type[S], of: Any, **more: Any) -> S:
    """A value's attributes of the same names as this shape's; `more` are those that it calls otherwise."""
    return kind(**{name: getattr(of, name) for name in kind.__struct_fields__ if name not in more}, **more)


class LoadLine(msgspec.Struct, frozen=True):
    """A load as a list shows it. `version` is what a deed on it names as `expected_version`."""

    id: UUID
    version: int
    number: str
    name: str
    disposition: str
    under_recall: bool
    stage: str
    place: str
    spot: str
    machine: UUID | None
    machine_name: str
    chamber: str
    machine_cycle: int | None
    programme: str
    trays: int
    holds: list[str]
    reviewed: bool
    rerun_of: UUID | None
    form: int | None
    assembled_at: datetime | None
    started_at: datetime | None
    expected_end_at: datetime | None
    ended_at: datetime | None


class HoldTold(msgspec.Struct, frozen=True):
    """What stands against a release. `key` is what `lift_hold` names as `hold`."""

    key: str
    code: str
    sentence: str
    evidence: str
    who: str
    liftable: bool


class LiftTold(msgspec.Struct, frozen=True):
    sentence: str
    evidence: str
    who: str
    lifted: str


class EntryTold(msgspec.Struct, frozen=True):
    """What happened, in a sentence; the event itself stands at `position` of the ledger."""

    position: int
    event: UUID
    at: datetime
    sentence: str
    detail: str


class TrayInLoad(msgspec.Struct, frozen=True):
    id: UUID
    label: str
    set_name: str
    place_in_set: int
    set_size: int
    owner: str
    fate: str


class LoadLink(msgspec.Struct, frozen=True):
    id: UUID
    name: str
    disposition: str
    under_recall: bool


class AlarmTold(msgspec.Struct, frozen=True):
    """An alarm of a load, or of a machine without one. `state` is by IEC 62682."""

    id: UUID
    code: str
    title: str
    phase: str
    priority: str
    state: str
    known: bool
    resume: str
    halts: bool
    raised_at: datetime
    acknowledged_at: datetime | None
    acknowledged_by: UUID | None
    cleared_at: datetime | None
    decided: bool


class ReviewTold(msgspec.Struct, frozen=True):
    by: UUID
    at: datetime
    record_seen: bool
    findings: tuple[Finding, ...]


class RecordTold(msgspec.Struct, frozen=True):
    """A record of readings as it was judged when it was kept, by the programme of the cycle's start."""

    digest: str
    at: datetime
    verdict: str
    findings: tuple[ComputedFinding, ...]
    shared_with: tuple[UUID, ...]


class ReleaseTold(msgspec.Struct, frozen=True):
    purpose: str
    by: UUID
    at: datetime
    position: int


class LoadTold(msgspec.Struct, frozen=True):
    """A load as its own events make it, now or as it was known when the log had `size` events.

    A signature binds `version` and `leaf`.
    """

    id: UUID
    version: int
    leaf: str
    size: int
    number: str
    name: str
    disposition: str
    under_recall: bool
    stage: str
    place: str
    spot: str
    machine: UUID | None
    machine_name: str
    chamber: str
    machine_cycle: int | None
    programme: str
    criteria: tuple[Criterion, ...]
    catalogue_edition: int
    rack: UUID | None
    form: int | None
    assembled_at: datetime | None
    started_at: datetime | None
    expected_end_at: datetime | None
    due_at: datetime | None
    ended_at: datetime | None
    trays: list[TrayInLoad]
    holds: list[HoldTold]
    lifted: list[LiftTold]
    alarms: list[AlarmTold]
    basis: str
    records: list[RecordTold]
    review: ReviewTold | None
    release: ReleaseTold | None
    rerun_of: LoadLink | None
    reruns: list[LoadLink]
    entries: list[EntryTold]


class OpenItem(msgspec.Struct, frozen=True):
    """Something that needs someone. `owner_kind` and `owner` are its stream, `item` its key there."""

    kind: str
    priority: str
    title: str
    since: datetime
    owner_kind: str
    owner: UUID
    item: str
    alarm: UUID | None
    looked_after_by: UUID | None
    looked_after_since: datetime | None


class AlarmLine(msgspec.Struct, frozen=True):
    """`owner` is the load, or the machine that alarmed without one: with `owner_kind` the alarm's stream."""

    alarm: UUID
    owner_kind: str
    owner: UUID
    code: str
    title: str
    phase: str
    priority: str
    state: str
    raised_at: datetime


class AlarmOfIncident(msgspec.Struct, frozen=True):
    """`holder` is the name of the load or the machine that has the alarm."""

    alarm: UUID
    owner_kind: str
    owner: UUID
    holder: str
    code: str
    title: str
    phase: str
    priority: str
    state: str
    raised_at: datetime


class PartOfIncident(msgspec.Struct, frozen=True):
    """The cause, the correction or the verification."""

    part: str
    words: str
    by: str
    at: datetime


class IncidentTold(msgspec.Struct, frozen=True):
    """`owner` looks into it; `next_part` is what is told next, null once it was verified."""

    id: UUID
    version: int
    alarms: list[AlarmOfIncident]
    owner: UUID | None
    owned_at: datetime | None
    parts: list[PartOfIncident]
    next_part: str | None


class SpreadTold(msgspec.Struct, frozen=True):
    """Within which half and nine in ten were served; null where too few were to say."""

    median_s: float | None
    p90_s: float | None
    served: int
    waiting: int


class TimesLine(msgspec.Struct, frozen=True):
    """A group by `by` (all, fault, machine, shift). `few` names clocks that fewer than five people ended."""

    by: str
    name: str
    acknowledge: SpreadTold | None
    resolve: SpreadTold | None
    rerun: SpreadTold | None
    few: list[str]


class TimesTold(msgspec.Struct, frozen=True):
    """`cut`: there is more than was looked at; the newest were."""

    since: datetime
    until: datetime
    lines: list[TimesLine]
    cut: bool


class ChamberTold(msgspec.Struct, frozen=True):
    machine: UUID
    machine_name: str
    machine_code: str
    chamber: str
    blocked: str | None
    load: LoadLine | None
    alarm: AlarmLine | None


class Counts(msgspec.Struct, frozen=True):
    held: int
    review: int
    recall: int


class Now(msgspec.Struct, frozen=True):
    """The floor at a glance. `watch_at` is when the sweep last looked for what is overdue."""

    size: int
    watch_at: datetime | None
    counts: Counts
    chambers: list[ChamberTold]


class MachineLine(msgspec.Struct, frozen=True):
    """`blocked` gives the reason by chamber; under an empty name it is the whole machine."""

    id: UUID
    name: str
    code: str
    chambers: tuple[str, ...]
    blocked: dict[str, str]


class BlockTold(msgspec.Struct, frozen=True):
    chamber: str
    reason: str
    by: UUID
    at: datetime


class SupplyTold(msgspec.Struct, frozen=True):
    line: str
    product: str
    lot: str
    expires_on: str
    at: datetime


class GapTold(msgspec.Struct, frozen=True):
    """A number of the machine's counter that no load has; `stray` where the machine itself told of it."""

    machine_cycle: int
    stray: bool


class MachineTold(msgspec.Struct, frozen=True):
    id: UUID
    version: int
    name: str
    code: str
    chambers: tuple[str, ...]
    blocks: list[BlockTold]
    alarms: list[AlarmTold]
    supplies: list[SupplyTold]
    unexplained: list[GapTold]
    entries: list[EntryTold]


class FaultFigures(msgspec.Struct, frozen=True):
    """One fault of a machine: its own figures, what the whole report says of it, all machines, and the verdicts."""

    title: str
    own: Figures
    final: Final | None
    fleet: Fleet | None
    statements: list[str]


class FiguresTold(msgspec.Struct, frozen=True):
    """A machine's figures from the log's first `position` entries; null while there are none. `since` counts the
    entries that came after them; `outdated` says that an older version of the method made them. The first of
    `rows` has all faults together."""

    machine: UUID
    position: int | None = None
    known_at: datetime | None = None
    method: str = ""
    version: int = 0
    since: int = 0
    outdated: bool = False
    watch: Watch | None = None
    rows: list[FaultFigures] = []


class Draft(msgspec.Struct, frozen=True):
    by: UUID
    by_name: str
    at: datetime
    faults: tuple[Fault, ...]


class Catalogue(msgspec.Struct, frozen=True):
    """The fault catalogue in force; `version` is what a deed on it names as `expected_version`."""

    version: int
    edition: int
    faults: tuple[Fault, ...]
    draft: Draft | None


class ProgrammeTold(msgspec.Struct, frozen=True):
    id: UUID
    name: str
    edition: int
    phases: tuple[Phase, ...]
    expected_s: int
    grace_s: int
    criteria: tuple[Criterion, ...]
    limits: Limits | None = None


class TrayTold(msgspec.Struct, frozen=True):
    """`where` is the unfinished load that it is in, what became of it, or empty: it is available."""

    id: UUID
    label: str
    set: UUID
    set_name: str
    place_in_set: int
    set_size: int
    where: str
    load: UUID | None


class ChangeTold(msgspec.Struct, frozen=True):
    """One line that the draft changes, in words; empty where one of both says nothing of it."""

    what: str
    before: str
    after: str


class CalculationTold(msgspec.Struct, frozen=True):
    """Whether the draft or, without one, the newest edition meets its own requirement as it is set."""

    verdict: str
    sentence: str


class ProgrammeStanding(msgspec.Struct, frozen=True):
    """A programme with its editions, the newest first, and its draft. `version` is what a deed on it names."""

    id: UUID
    version: int
    name: str
    in_force: ProgrammePublished | None
    editions: list[ProgrammePublished]
    withdrawn_at: datetime | None
    draft: ProgrammeDrafted | None
    draft_by: UUID | None
    draft_at: datetime | None
    changes: list[ChangeTold]
    calculation: CalculationTold


class SetTold(msgspec.Struct, frozen=True):
    """A set is available only when all its trays are."""

    id: UUID
    name: str
    owner: str
    loaner: bool
    needed_by: str
    available: bool
    trays: list[TrayTold]


class RackLine(msgspec.Struct, frozen=True):
    id: UUID
    code: str
    name: str
    blocked: bool


class RackEntryTold(msgspec.Struct, frozen=True):
    position: int
    at: datetime
    sentence: str
    detail: str


class RackTold(msgspec.Struct, frozen=True):
    id: UUID
    code: str
    name: str
    blocked: bool
    entries: list[RackEntryTold]


class PolicyEdition(msgspec.Struct, frozen=True):
    policy: PolicySet
    set_at: datetime
    by: str


class Policy(msgspec.Struct, frozen=True):
    """What the facility decides; without editions the starting values count."""

    policy: PolicySet
    editions: list[PolicyEdition]


class FormTold(msgspec.Struct, frozen=True):
    number: int
    state: str
    issued: bool
    since: datetime
    load: UUID | None


class PersonTold(msgspec.Struct, frozen=True):
    """Events name people by id; their names stand here alone."""

    id: UUID
    name: str
    roles: list[str]
    competences: tuple[CompetenceHeld, ...]


class EventTold(msgspec.Struct, frozen=True):
    """An event as it was stored. `words` is the free text beside it, by its digest, unless it was emptied."""

    position: int
    leaf: str
    event: msgspec.Raw
    words: dict[str, str]


class Proven(msgspec.Struct, frozen=True):
    """An event's exact bytes and the way from them to the root of the log (RFC 9162, 2.1.3).

    leaf = SHA-256(0x00 ‖ body); `path` leads from it to the `root` of the first `size` events, in hex.
    """

    position: int
    body: str
    leaf: str
    size: int
    path: list[str]
    root: str


class Head(msgspec.Struct, frozen=True):
    """How long the log is and the root that proves all of it, in hex (RFC 9162, 2.1.1)."""

    facility: UUID
    size: int
    root: str
    recorded_at: datetime


class Consistency(msgspec.Struct, frozen=True):
    """That the first log is the beginning of the second (RFC 9162, 2.1.4): hashes in hex."""

    first: int
    first_root: str
    second: int
    second_root: str
    path: list[str]

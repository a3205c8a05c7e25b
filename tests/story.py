"""A load's story told without a database: events as they would stand in the ledger, and what they make.

`story(...)` numbers what happened, one a minute from six on a Monday morning; `load_of(...)` folds it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple
from uuid import UUID

from incidents.identity.ids import named
from incidents.rules import loads
from incidents.rules.events import (
    Actor,
    AlarmAcknowledged,
    AlarmRaised,
    AnyEvent,
    Criterion,
    CriterionKind,
    CycleAborted,
    CycleFinished,
    CycleResumed,
    CycleStarted,
    Finding,
    HoldLifted,
    HoldPlaced,
    LoadAssembled,
    LoadReleased,
    LoadReviewed,
    Phase,
    ProgrammeInForce,
    Recorded,
    Signature,
    Stream,
    Verdict,
    WordsRef,
)
from incidents.rules.loads import Load

MONDAY = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
DEPARTMENT = UUID("0e0e0e0e-0000-4000-8000-000000000001")


def id_of(name: str) -> UUID:
    """The id of someone or something in these stories, always the same."""
    return named(DEPARTMENT, name)


LOAD, ALDER, DEED = id_of("load"), id_of("Alder"), id_of("deed")
INES, SANNE, JOAN, BO = (id_of(name) for name in ("Ines", "Sanne", "Joan", "Bo"))
TRAY_1, TRAY_2 = id_of("tray 1"), id_of("tray 2")
ALARM = id_of("alarm")
LOAD_STREAM, ALDER_STREAM = Stream("load", LOAD), Stream("machine", ALDER)
WORDS = WordsRef("0" * 64)

PHASES = tuple(
    Phase(code, code.capitalize(), minutes)
    for code, minutes in [("pre-wash", 5), ("wash", 15), ("rinse", 10), ("disinfection", 10), ("drying", 20)]
)
# One criterion of each kind, as a department reads them off the printed record (common practice).
CRITERIA = (
    Criterion("a0", "A0 of at least 3000 at the recorded probe", "disinfection"),
    Criterion("dose", "Cleaner dosed as set", "cleaning"),
    Criterion("conductivity", "Last rinse below its limit", "rinse"),
    Criterion("dry", "Drying ran its full time", "drying"),
    Criterion("band", "Never above the band", "upper-band"),
    Criterion("paper", "Every line of the record is there", "documentation"),
)
CODE_OF: dict[str, str] = {criterion.kind: criterion.code for criterion in CRITERIA}
ALL_MET: dict[str, Verdict] = {criterion.code: "met" for criterion in CRITERIA}
PROGRAMME = ProgrammeInForce(
    "Instruments", 1, tuple(phase.code for phase in PHASES), expected_s=3600, grace_s=600, criteria=CRITERIA
)


class Happening(NamedTuple):
    """An event with what is not ordinary about it: who, claimed minute, device counter, minute it arrived."""

    data: AnyEvent
    by: UUID = INES
    minute: float | None = None
    sequence: int | None = None
    arrived: float | None = None


def by(person: UUID, data: AnyEvent, minute: float | None = None) -> Happening:
    return Happening(data, by=person, minute=minute)


def told(sequence: int, data: AnyEvent, minute: float | None = None, device: UUID = ALDER) -> Happening:
    """A device's own observation, under its own counter."""
    return Happening(data, by=device, minute=minute, sequence=sequence)


def story(*happened: AnyEvent | Happening, stream: Stream = LOAD_STREAM) -> list[Recorded]:
    """What happened, as the ledger would have it: one a minute, in this order."""
    return [_recorded(n, each, stream) for n, each in enumerate(happened, 1)]


def _recorded(n: int, each: AnyEvent | Happening, stream: Stream) -> Recorded:
    what = each if isinstance(each, Happening) else Happening(each)
    minute = n if what.minute is None else what.minute
    arrived = max(n, minute if what.arrived is None else what.arrived)
    return Recorded(
        actor=Actor("person" if what.sequence is None else "device", what.by),
        data=what.data,
        deed=named(DEED, str(n)),
        event_id=named(stream.id, f"event {n}"),
        facility=DEPARTMENT,
        occurred_at=MONDAY + timedelta(minutes=minute),
        operation="told",
        recorded_at=MONDAY + timedelta(minutes=arrived),
        schema=1,
        sequence=what.sequence,
        stream=stream,
        version=n,
        position=n - 1,
    )


def load_of(*happened: AnyEvent | Happening) -> Load:
    return loads.fold(LOAD, story(*happened))


# --- what happens to a load ---------------------------------------------------------------------------


def assembled(*trays: UUID, rerun_of: UUID | None = None) -> LoadAssembled:
    return LoadAssembled(
        number="2026-00001",
        ordinal=1,
        trays=trays or (TRAY_1, TRAY_2),
        machine=ALDER,
        machine_name="Alder",
        chamber="1",
        rerun_of=rerun_of,
    )


def started(cycle: int | None = None, programme: ProgrammeInForce | None = PROGRAMME, **more: Any) -> CycleStarted:
    name = programme.name if programme else "Unheard of"
    given: dict[str, Any] = {
        "machine": ALDER,
        "machine_name": "Alder",
        "chamber": "1",
        "programme_name": name,
    } | more
    return CycleStarted(**given, programme=programme, machine_cycle=cycle)


def alarm(code: str = "W02", phase: str = "wash", alarm: UUID = ALARM, **more: Any) -> AlarmRaised:
    given: dict[str, Any] = {"title": f"Fault {code}", "known": True, "machine": ALDER, "chamber": "1"} | more
    return AlarmRaised(alarm=alarm, code=code, phase=phase, **given)


def seen(alarm: UUID = ALARM) -> AlarmAcknowledged:
    return AlarmAcknowledged(alarm)


def resumed(phase: str = "wash", halt_s: int = 120) -> CycleResumed:
    return CycleResumed(ALARM, phase, halt_s)


def aborted(reason: str = "fault") -> CycleAborted:
    return CycleAborted(reason)


def finished(cycle: int | None = None, complete: bool = True) -> CycleFinished:
    return CycleFinished(machine_cycle=cycle, chamber="1", complete=complete)


def findings(**verdicts: Verdict) -> tuple[Finding, ...]:
    """One finding for each criterion, met unless said otherwise, by kind: `findings(upper_band="not-met")`."""
    said = {kind.replace("_", "-"): verdict for kind, verdict in verdicts.items()}
    return tuple(Finding(each.code, each.kind, each.title, said.get(each.kind, "met")) for each in CRITERIA)


def reviewed(record_seen: bool = True, **verdicts: Verdict) -> LoadReviewed:
    return LoadReviewed("transcribed", record_seen, findings(**verdicts) if record_seen else ())


def held(name: str = "hold") -> HoldPlaced:
    return HoldPlaced(id_of(name), WORDS)


def signature(person: UUID = INES, *roles: str) -> Signature:
    return Signature(person, "I sign this", named(person, "signing"), MONDAY, (), roles)


def lifted(key: str, *signatures: Signature) -> HoldLifted:
    return HoldLifted(key, key.partition(":")[0], WORDS, signatures)


def released(person: UUID = INES) -> LoadReleased:
    return LoadReleased("packing", signature(person), rules_edition=1, policy_position=0)


FINISHED: Sequence[AnyEvent] = (assembled(), started(), finished())
CONFORMING: Sequence[AnyEvent] = (*FINISHED, reviewed())
RELEASED: Sequence[AnyEvent] = (*CONFORMING, released())
STOPPED: Sequence[AnyEvent] = (assembled(), started(), alarm())
ABORTED: Sequence[AnyEvent] = (*STOPPED, seen(), aborted())
KINDS: Sequence[CriterionKind] = tuple(criterion.kind for criterion in CRITERIA)

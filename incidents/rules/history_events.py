"""What an older record says of loads, alarms and repairs: kept as it was said, judged by nobody here."""

from __future__ import annotations

from datetime import datetime
from typing import Literal
from uuid import UUID

from incidents.rules.vocabulary import Event, WordsRef

PastOutcome = Literal["complete", "not-complete", "unknown"]
Basis = Literal["imported"]


class PastLoadImported(Event, frozen=True, tag="past-load-imported"):
    """`stated` is the outcome in the record's own word, `outcome` what the import was told that it means.

    Trays stand by their labels alone, so that no tray here is anywhere because of it.
    """

    machine: UUID
    machine_name: str
    chamber: str
    programme: str
    outcome: PastOutcome
    stated: str
    source: str
    line: int
    machine_cycle: int | None = None
    ended_at: datetime | None = None
    trays: tuple[str, ...] = ()
    basis: Basis = "imported"


class PastAlarmImported(Event, frozen=True, tag="past-alarm-imported"):
    """`chamber` and `phase` are empty where the record doesn't say them."""

    machine: UUID
    machine_name: str
    code: str
    source: str
    line: int
    chamber: str = ""
    phase: str = ""
    title: str = ""
    machine_cycle: int | None = None
    acknowledged_at: datetime | None = None
    cleared_at: datetime | None = None
    basis: Basis = "imported"


class PastRepairImported(Event, frozen=True, tag="past-repair-imported"):
    """The machine, or one chamber of it, was out of service; without `back_at` nobody wrote down until when."""

    machine: UUID
    machine_name: str
    words: WordsRef
    source: str
    line: int
    chamber: str = ""
    back_at: datetime | None = None
    basis: Basis = "imported"

"""Which load a machine's report is about: by its counter, else by what is in its chamber.

Reports may come late, twice, and one before another. A report that may have overtaken its cycle's start (some
number below its own was not heard) is taken for one of the load that was meant for that chamber then.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import UTC, datetime
from uuid import UUID

import msgspec

from incidents.rules.vocabulary import SKEW

# A machine whose clock lost its battery counts from 1970, 2000 or the year 1.
NEVER_SET_BEFORE = datetime(2020, 1, 1, tzinfo=UTC)


class Passage(msgspec.Struct, frozen=True):
    """A load in a chamber, or meant for it; `since` is the position from which it has been so."""

    load: UUID
    chamber: str
    machine_cycle: int | None
    stage: str
    since: int
    assembled_at: datetime | None


class Report(msgspec.Struct, frozen=True):
    """What tells where a report belongs; `at` is when it happened, by our clock."""

    chamber: str
    machine_cycle: int | None
    starting: bool
    at: datetime
    overtakes: bool


def load_of(report: Report, passages: Iterable[Passage], without_load: Collection[int | None]) -> UUID | None:
    """The load that a report is about, or None.

    A report that names a cycle goes to the load that has this counter, or to one in the chamber whose counter
    nobody knows yet. A start, or what overtook it, goes to a load that was assembled for the chamber: of several
    to the first, and to the last assembled before it where reports come out of order. `without_load` are numbers
    of the counter that no load here has.
    """
    here = [passage for passage in passages if passage.chamber == report.chamber]
    number = report.machine_cycle
    if number is not None:
        named = [passage for passage in here if passage.machine_cycle == number]
        if named:
            return max(named, key=_since).load
    unnamed = [passage for passage in here if number is None or passage.machine_cycle is None]
    inside = [passage for passage in unnamed if passage.stage in ("running", "stopped")]
    if inside:
        return min(inside, key=_since).load
    elsewhere = number is not None and number in without_load
    if elsewhere or not (report.starting or (report.overtakes and number is not None)):
        return None
    meant = [each for each in unnamed if each.stage == "assembled" and _was_there(each, report)]
    if not meant:
        return None
    return (max if report.overtakes else min)(meant, key=_since).load


def _since(passage: Passage) -> int:
    return passage.since


def _was_there(passage: Passage, report: Report) -> bool:
    """A start without a number, or by a clock never set, has nothing else to go by than the load that waits."""
    if report.machine_cycle is None or passage.assembled_at is None or report.at < NEVER_SET_BEFORE:
        return True
    return passage.assembled_at - report.at <= SKEW

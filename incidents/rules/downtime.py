"""Numbered forms for when the server is gone: printed beforehand, filled in by hand, entered afterwards.

A form that comes back is never refused. A number that doesn't come back is a gap, and stays open until it is
entered or voided with a reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import pairwise
from typing import Literal
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules.events import (
    DowntimeFormEntered,
    DowntimeFormsIssued,
    DowntimeFormVoided,
    LoadReleasedOnPaper,
    Purpose,
    Recorded,
    WordsRef,
)
from incidents.rules.holds import holds
from incidents.rules.loads import Load
from incidents.rules.paper import label_of
from incidents.rules.refusals import Refusal
from incidents.rules.release import release_refusal

ISSUED_AT_ONCE = 200
LAST_NUMBER = 99_999


State = Literal["issued", "entered", "voided"]


class Form(msgspec.Struct, frozen=True):
    """`since` is when it came into this state; `load` the one that it was entered as."""

    number: int
    state: State
    since: datetime
    load: UUID | None = None
    issued: bool = True


class Downtime(msgspec.Struct, frozen=True):
    """The facility's forms by number."""

    id: UUID
    version: int = 0
    forms: dict[int, Form] = {}

    @property
    def highest(self) -> int:
        """The highest number that was issued, or that came back on a form."""
        return max(self.forms, default=0)


def fold(owner: UUID, events: Sequence[Recorded]) -> Downtime:
    downtime = Downtime(id=owner)
    for event in events:
        downtime = evolve(downtime, event)
    return downtime


def evolve(downtime: Downtime, event: Recorded) -> Downtime:
    """The next state. Total: what doesn't concern a form leaves them as they are."""
    after = replace(downtime, version=event.version)
    match event.data:
        case DowntimeFormsIssued() as data:
            return replace(after, forms=dict(_issued(event, data)) | downtime.forms)
        case DowntimeFormEntered() as data:
            return replace(after, forms=downtime.forms | {data.number: _entered(downtime, event, data)})
        case DowntimeFormVoided() as data:
            return replace(after, forms=downtime.forms | _voided(downtime, event, data))
        case _:
            return after


def _issued(event: Recorded, data: DowntimeFormsIssued) -> Iterator[tuple[int, Form]]:
    for number in range(data.first, min(data.last, data.first + ISSUED_AT_ONCE - 1) + 1):
        yield number, Form(number, "issued", event.occurred_at)


def _entered(downtime: Downtime, event: Recorded, data: DowntimeFormEntered) -> Form:
    """Entered a second time it stays what it was: the second load says so of itself."""
    known = downtime.forms.get(data.number)
    if known is not None and known.state == "entered":
        return known
    return Form(data.number, "entered", event.occurred_at, data.load, known is not None and known.issued)


def _voided(downtime: Downtime, event: Recorded, data: DowntimeFormVoided) -> dict[int, Form]:
    known = downtime.forms.get(data.number)
    if known is None or known.state != "issued":
        return {}
    return {data.number: replace(known, state="voided", since=event.occurred_at)}


# --- gaps ---------------------------------------------------------------------------------------------


def gaps(downtime: Downtime) -> tuple[tuple[int, datetime], ...]:
    """Issued numbers that are missing below one that came back, each with the moment since when it is missed."""
    found: list[tuple[int, datetime]] = []
    missed_since: datetime | None = None
    for number in sorted(downtime.forms, reverse=True):
        form = downtime.forms[number]
        if form.state == "entered":
            missed_since = min(missed_since or form.since, form.since)
        elif form.state == "issued" and missed_since is not None:
            found.append((number, missed_since))
    return tuple(reversed(found))


def listed(numbers: Sequence[int]) -> str:
    """Numbers in a sentence, runs of them drawn together: "D-00003, D-00005 to D-00009"."""
    if not numbers:
        return ""
    breaks = [n for n, (one, next_one) in enumerate(pairwise(numbers), 1) if next_one != one + 1]
    runs = [numbers[start:end] for start, end in zip([0, *breaks], [*breaks, len(numbers)], strict=True)]
    return ", ".join(
        label_of(run[0]) if len(run) == 1 else f"{label_of(run[0])} to {label_of(run[-1])}" for run in runs
    )


# --- deciding -----------------------------------------------------------------------------------------


def issue(downtime: Downtime, count: int) -> DowntimeFormsIssued | Refusal:
    """The next free numbers: above every one that was ever issued or came back, so none is given twice."""
    first = downtime.highest + 1
    if not 1 <= count <= ISSUED_AT_ONCE:
        return Refusal("count-odd", f"Forms are issued 1 to {ISSUED_AT_ONCE} at a time.", "Give another count.")
    if first + count - 1 > LAST_NUMBER:
        return Refusal("numbers-used-up", f"Only numbers up to {LAST_NUMBER} are printed.", "Issue fewer forms.")
    return DowntimeFormsIssued(first=first, last=first + count - 1)


def void(downtime: Downtime, number: int, words: WordsRef) -> DowntimeFormVoided | Refusal:
    """A form that won't come back: spoilt, lost, unused. What came back is never voided."""
    form = downtime.forms.get(number)
    if form is None:
        return Refusal("form-unknown", f"Form {label_of(number)} was never issued.", "Read the list of forms.")
    if form.state == "entered":
        return Refusal("form-entered", f"Form {label_of(number)} was entered already.", "Correct its load instead.")
    if form.state == "voided":
        return Refusal("form-voided", f"Form {label_of(number)} was voided already.", "Read the list of forms.")
    return DowntimeFormVoided(number=number, words=words)


def doubts_of_number(downtime: Downtime, number: int) -> Iterator[str]:
    """What is odd about a form's number; the form is entered nevertheless."""
    form = downtime.forms.get(number)
    if form is None:
        yield "form-not-issued"
    elif form.state == "entered":
        yield "form-entered-twice"
    elif form.state == "voided":
        yield "form-voided"


def release_on_paper(load: Load, purpose: Purpose, claimed_by: UUID | None, form: int) -> LoadReleasedOnPaper:
    """A release that was made by hand, weighed now. It is never refused; what stands against it goes with it."""
    against = tuple(hold.key for hold in holds(load))
    refusal = release_refusal(load)
    if refusal is not None and not against:
        against = (refusal.code,)
    return LoadReleasedOnPaper(purpose=purpose, claimed_by=claimed_by, form=form, against=against)

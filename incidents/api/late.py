"""Bulk late entry: what happened while nobody could enter it, told at last, in one transaction."""

from __future__ import annotations

import functools
import typing
from typing import Annotated, Any
from uuid import UUID

import msgspec
from msgspec import Meta

from incidents.api.deeds import OFFERED, Offered, do
from incidents.api.door import Act, Caller
from incidents.api.members import Moment
from incidents.api.problems import Problem, problem_of, status_of
from incidents.ledger.writing import Receipt
from incidents.operations.batches import in_one
from incidents.operations.deeds import Outcome
from incidents.rules.refusals import Refusal

AT_ONCE = 100


def entry_of(deed: Offered) -> type[msgspec.Struct]:
    """An observation as an entry: its members, its `operation`, and the time at which it happened."""
    fields: list[Any] = [("deed_id", UUID), ("occurred_at", Moment)]
    for field in msgspec.structs.fields(deed.members):
        if field.name in deed.own:
            fields.append((field.name, field.type) if field.required else (field.name, field.type, field.default))
    name = deed.members.__name__
    entry = msgspec.defstruct(
        f"Late{name}",
        fields,
        tag_field="operation",
        tag=deed.operation.name,
        frozen=True,
        kw_only=True,
        forbid_unknown_fields=True,
        module=__name__,
    )
    entry.__doc__ = deed.operation.asks.__doc__
    return entry


# Observations only: a decision is taken on what stands, not on what stood.
ENTRIES = {entry_of(deed): deed for deed in OFFERED.values() if deed.operation.observation}
Entry = typing.Union[tuple(ENTRIES)]  # type: ignore[valid-type]  # noqa: UP007


class LateEntries(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """In the order in which they are to be recorded; each has a deed id of its own."""

    entries: Annotated[tuple[Entry, ...], Meta(min_length=1, max_length=AT_ONCE)]  # type: ignore[valid-type]


class EntryResult(msgspec.Struct, frozen=True):
    """What came of one entry: its receipt, or the problem for which it was not recorded."""

    deed_id: UUID
    receipt: Receipt | None = None
    problem: Problem | None = None


class Results(msgspec.Struct, frozen=True):
    """One for each entry, in their order."""

    results: list[EntryResult]


class LateEntry(Act):
    """Observations of the past, each at its own claimed time, in one transaction. A refused one spoils no other."""

    tag, operation_id, summary = "deeds", "late_entries", "Late entries"
    takes, gives, success = LateEntries, Results, 200

    def act(self, caller: Caller, given: Any, **path: Any) -> Results:
        deeds = [functools.partial(do, caller, ENTRIES[type(entry)], entry) for entry in given.entries]
        first: UUID = given.entries[0].deed_id
        outcomes = in_one(caller.facility.id, caller.now, caller.by.actor, first, deeds)
        return Results([_result(entry, done) for entry, done in zip(given.entries, outcomes, strict=True)])


def _result(entry: Any, done: Outcome) -> EntryResult:
    if isinstance(done, Refusal):
        told = problem_of(status_of(done), done.code, done.sentence, done.next_step)
        return EntryResult(entry.deed_id, problem=told)
    return EntryResult(entry.deed_id, receipt=done)

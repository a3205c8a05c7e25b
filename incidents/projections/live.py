"""Moving the read models inside the deed that changes them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any, NamedTuple
from uuid import UUID

from incidents.ledger.dialect import insertion, row_in
from incidents.ledger.writing import Log
from incidents.projections.states import KINDS, Kind, next_state
from incidents.projections.tables import Key, Table, Values
from incidents.rules.events import Recorded, Stream


class Change(NamedTuple):
    """One row that ceases (`new` is None), appears (`old` is None) or becomes another."""

    table: Table
    key: Key
    old: Values | None
    new: Values | None


def changes(kind: Kind, before: Any, after: Any) -> Iterator[Change]:
    """What an event changed among the rows of its stream."""
    for table, rows, looks_at in kind.shown:
        if looks_at(before) == looks_at(after):
            continue
        old, new = rows(before), rows(after)
        if old == new:
            continue
        for key in old.keys() - new.keys():
            yield Change(table, key, old[key], None)
        for key, values in new.items():
            if old.get(key) != values:
                yield Change(table, key, old.get(key), values)


def state_of(log: Log, stream: Stream) -> Any:
    """The stream's state under the lock, folded once a deed."""
    known = log.memo.get(stream)
    if known is None:
        known = log.memo[stream] = KINDS[stream.kind].fold(stream.id, log.read(stream))
    return known


def apply(log: Log, stream: Stream, added: Sequence[Recorded]) -> None:
    """Follow the ledger: write what the added events change, within their transaction."""
    kind = KINDS[stream.kind]
    told = log.read(stream)
    start = len(told) - len(added)
    state = log.memo.get(stream)
    if state is None or state.version != start:
        state = kind.fold(stream.id, told[:start])
    for n, event in enumerate(added, 1):
        after = next_state(kind, state, told[: start + n], event)
        owner = (log.facility, stream.id)
        steps = [step for change in changes(kind, state, after) for step in _steps(change, owner, event.position)]
        log.hand.execute_together(steps)
        state = after
    log.memo[stream] = state


def _steps(change: Change, owner: tuple[UUID, UUID], position: int) -> Iterator[tuple[str, tuple[Any, ...]]]:
    """The statements that make a change, with their parameters."""
    table, key, old, new = change
    this = (*owner, *key)
    if table.temporal:
        if old is not None:
            yield _closing(table), (position, *this)
        if new is not None:
            yield insertion(table.name, table.columns), row_in((*this, position, None, *new))
    elif new is None:
        yield _removing(table), this
    elif old is None:
        yield insertion(table.name, table.columns), row_in((*this, *new))
    else:
        moved = tuple(column for column, was, now in zip(table.values, old, new, strict=True) if was != now)
        values = (now for was, now in zip(old, new, strict=True) if was != now)
        yield _moving(table, moved), row_in((*values, *this))


@cache
def _these(table: Table) -> str:
    return " AND ".join(f"{column} = %s" for column in ("facility_id", "owner", *table.key))


@cache
def _moving(table: Table, columns: tuple[str, ...]) -> str:
    named = ", ".join(f"{column} = %s" for column in columns)
    return f"UPDATE {table.name} SET {named} WHERE {_these(table)}"


@cache
def _closing(table: Table) -> str:
    return f"UPDATE {table.name} SET known_to = %s WHERE {_these(table)} AND known_to IS NULL"


@cache
def _removing(table: Table) -> str:
    return f"DELETE FROM {table.name} WHERE {_these(table)}"

"""Moving the read models inside the deed that changes them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any, NamedTuple
from uuid import UUID

from incidents.ledger.dialect import insertion, row_in
from incidents.ledger.writing import Log
from incidents.projections.states import KINDS, Shown, next_state
from incidents.projections.tables import Key, Table, Values
from incidents.rules.events import Recorded, Stream

Step = tuple[str, tuple[Any, ...]]  # a statement with its parameters


class Followed(NamedTuple):
    """A stream's events and its states under the lock: the one that the read models show, and each since."""

    told: list[Recorded]
    shown: Any
    since: list[Any]

    @property
    def newest(self) -> Any:
        return self.since[-1] if self.since else self.shown


def state_of(log: Log, stream: Stream) -> Any:
    """The stream's state under the lock, folded once a deed."""
    followed: Followed = log.memo.get(stream) or _followed(log, stream, log.settled(stream))
    newest = followed.newest
    told = followed.told
    while newest.version < len(told):
        n = newest.version + 1
        newest = next_state(KINDS[stream.kind], newest, told if n == len(told) else told[:n], told[n - 1])
        followed.since.append(newest)
    return newest


def apply(log: Log, stream: Stream, added: Sequence[Recorded]) -> None:
    """Follow the ledger: write what the added events change, within their transaction."""
    followed: Followed = log.memo.get(stream) or _followed(log, stream, added[0].version - 1)
    newest = state_of(log, stream)
    owner = (log.facility, stream.id)
    states = [followed.shown, *followed.since]
    steps = [step for each in KINDS[stream.kind].shown for step in _steps(each, owner, states, added)]
    log.hand.execute_together(steps)
    log.memo[stream] = Followed(followed.told, newest, [])


def _followed(log: Log, stream: Stream, shown: int) -> Followed:
    """Begin to follow a stream of which the read models show so many events."""
    told = log.read(stream)
    followed = log.memo[stream] = Followed(told, KINDS[stream.kind].fold(stream.id, told[:shown]), [])
    return followed


# --- rows ---------------------------------------------------------------------------------------------


def _steps(each: Shown, owner: tuple[UUID, UUID], states: list[Any], added: Sequence[Recorded]) -> Iterator[Step]:
    """What turns a table's rows of the first state into those of the last, with every row between."""
    if each.table.temporal:
        return _history(each, owner, states, added)
    return _replaced(each, owner, states[0], states[-1])


def _replaced(each: Shown, owner: tuple[UUID, UUID], before: Any, after: Any) -> Iterator[Step]:
    table, rows, looks_at = each
    if looks_at(before) == looks_at(after):
        return
    old, new = rows(before), rows(after)
    for key in old.keys() - new.keys():
        yield _removing(table), (*owner, *key)
    for key, values in new.items():
        was = old.get(key)
        if was is None:
            yield insertion(table.name, table.columns), row_in((*owner, *key, *values))
        elif was != values:
            yield _moved(table, (*owner, *key), was, values)


def _moved(table: Table, this: tuple[Any, ...], old: Values, new: Values) -> Step:
    columns = tuple(column for column, was, now in zip(table.values, old, new, strict=True) if was != now)
    values = (now for was, now in zip(old, new, strict=True) if was != now)
    return _moving(table, columns), row_in((*values, *this))


def _history(each: Shown, owner: tuple[UUID, UUID], states: list[Any], added: Sequence[Recorded]) -> Iterator[Step]:
    """A temporal table's rows: those that ceased are closed, those that came stand, or stood for a while."""
    table, rows, looks_at = each
    looked_at = looks_at(states[0])
    old = None
    began: dict[Key, int] = {}  # rows that came with these events
    ended: list[tuple[Key, int, int, Values]] = []
    for state, event in zip(states[1:], added, strict=True):
        seen = looks_at(state)
        if seen == looked_at:
            continue
        old = rows(states[0]) if old is None else old
        looked_at, new, position = seen, rows(state), event.position
        for key, values in old.items():
            if new.get(key) != values:
                since = began.pop(key, None)
                if since is None:
                    yield _closing(table), (position, *owner, *key)
                else:
                    ended.append((key, since, position, values))
        for key, values in new.items():
            if old.get(key) != values:
                began[key] = position
        old = new
    for key, since, until, values in ended:
        yield insertion(table.name, table.columns), row_in((*owner, *key, since, until, *values))
    for key, since in began.items():
        yield insertion(table.name, table.columns), row_in((*owner, *key, since, None, *(old or {})[key]))


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

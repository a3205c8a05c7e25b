"""Moving the read models inside the deed that changes them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from incidents.ledger.dialect import moment_in
from incidents.ledger.writing import Log
from incidents.projections.states import KINDS, next_state
from incidents.projections.tables import Key, Rows, Table, Values
from incidents.rules.events import Recorded, Stream


class Change(NamedTuple):
    """One row that ceases (`new` is None), appears (`old` is None) or becomes another."""

    table: Table
    key: Key
    old: Values | None
    new: Values | None


def changes(before: Rows, after: Rows) -> Iterator[Change]:
    """What an event changed among the rows of its stream."""
    for table in before.keys() | after.keys() if before.keys() != after.keys() else after:
        old, new = before.get(table, {}), after.get(table, {})
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
    rows = kind.rows(state) if start else {}
    for n, event in enumerate(added, 1):
        state = next_state(kind, state, told[: start + n], event)
        after = kind.rows(state)
        for change in changes(rows, after):
            _write(log, stream, change, event.position)
        rows = after
    log.memo[stream] = state


def _write(log: Log, stream: Stream, change: Change, position: int) -> None:
    table, key, old, new = change
    owner = (log.facility, stream.id, *key)
    if table.temporal:
        if old is not None:
            log.hand.execute(_closing(table), (position, *owner))
        if new is not None:
            log.hand.insert(table.name, table.columns, [(*owner, position, None, *plain(table, new))])
    elif new is None:
        log.hand.execute(_removing(table), owner)
    elif old is None:
        log.hand.insert(table.name, table.columns, [(*owner, *plain(table, new))])
    else:
        moved = [n for n, value in enumerate(new) if value != old[n]]
        kept = plain(table, new)
        named = ", ".join(f"{table.values[n]} = %s" for n in moved)
        log.hand.execute(
            f"UPDATE {table.name} SET {named} WHERE {_these(table)}", (*(kept[n] for n in moved), *owner)
        )


def plain(table: Table, values: Values) -> Values:
    """Values as the database keeps them."""
    if not table.moments:
        return values
    return tuple(
        moment_in(value) if n in table.moments and value is not None else value for n, value in enumerate(values)
    )


def _these(table: Table) -> str:
    return " AND ".join(f"{column} = %s" for column in ("facility_id", "owner", *table.key))


def _closing(table: Table) -> str:
    return f"UPDATE {table.name} SET known_to = %s WHERE {_these(table)} AND known_to IS NULL"


def _removing(table: Table) -> str:
    return f"DELETE FROM {table.name} WHERE {_these(table)}"

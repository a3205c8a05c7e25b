"""Old shapes of events made new: dict -> dict, one for each (type, old version), applied in turn.

Stored text never changes. An upcast adds what the new shape asks for from what the old one said; it never
drops what was said. The samples under `tests/samples/` keep every version that was ever written.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Data = dict[str, Any]


def _as_it_is(data: Data) -> Data:
    """The new shape only has more members, each absent before."""
    return data


def _policy_with_shifts(data: Data) -> Data:
    """Shifts came with version 2; before, the starting ones were meant."""
    shifts = (("06:00", "Early shift"), ("14:00", "Late shift"), ("22:00", "Night shift"))
    return data | {"shifts": [{"starts": starts, "name": name} for starts, name in shifts]}


UPCASTS: dict[tuple[str, int], Callable[[Data], Data]] = {
    ("cycle-started", 1): _as_it_is,
    ("load-reviewed", 1): _as_it_is,
    ("exposure-recorded", 1): _as_it_is,
    ("cycle-started", 2): _as_it_is,
    ("programme-published", 1): _as_it_is,
    ("programme-published", 2): _as_it_is,
    ("policy-set", 1): _policy_with_shifts,
    ("policy-set", 2): _as_it_is,
    ("policy-set", 3): _as_it_is,
}


class NoUpcast(Exception):
    """An event of a version that this release can't read: it was written by a newer one."""


def to_current(kind: str, schema: int, current: int, data: Data) -> Data:
    """Lift `data` from `schema` to `current`, a version at a time. Raises NoUpcast."""
    while schema < current:
        step = UPCASTS.get((kind, schema))
        if step is None:
            raise NoUpcast(f"{kind} version {schema} has no upcast to version {schema + 1}")
        data = step(data)
        schema += 1
    if schema > current:
        raise NoUpcast(f"{kind} version {schema} is newer than version {current}, the newest known here")
    return data

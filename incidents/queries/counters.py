"""The machine's own counter: numbers that no load here has, listed until somebody explained them."""

from __future__ import annotations

from typing import NamedTuple
from uuid import UUID

from incidents.projections.models import CounterRow, PassageRow

LIST_LIMIT = 200  # numbers; a counter that was reset would otherwise list thousands


class Gap(NamedTuple):
    """A number of the counter; `stray` where the machine reported it, else nobody did."""

    machine_cycle: int
    stray: bool


def is_owed(facility: UUID, machine: UUID, number: int) -> bool:
    """Is this number to be explained: a stray, or one below the highest known that nobody told of?"""
    of_loads, told = _known(facility, machine)
    if number in told:
        return not told[number] and number not in of_loads
    known = of_loads | set(told)
    return number not in known and min(known, default=0) < number < max(known, default=0)


def gaps(facility: UUID, machine: UUID) -> list[Gap]:
    """Numbers between the lowest and the highest known that no load went through and nobody explained."""
    of_loads, told = _known(facility, machine)
    known = of_loads | set(told)
    strays = {number for number, explained in told.items() if not explained}
    missing = [Gap(number, number in strays) for number in sorted(strays - of_loads)]
    for number in range(min(known, default=0) + 1, max(known, default=0)):
        if number not in known:
            missing.append(Gap(number, stray=False))
            if len(missing) >= LIST_LIMIT:
                break
    return sorted(missing)


def _known(facility: UUID, machine: UUID) -> tuple[set[int], dict[int, bool]]:
    """(numbers of loads, numbers without a load: explained or not)."""
    mine = {"facility_id": facility, "known_to": None}
    passed = PassageRow.objects.filter(machine=machine, **mine).exclude(machine_cycle=None)
    of_loads = {number for number in passed.values_list("machine_cycle", flat=True) if number is not None}
    return of_loads, dict(
        CounterRow.objects.filter(owner=machine, **mine).values_list("machine_cycle", "explained")
    )

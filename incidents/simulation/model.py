"""From a seed to what is done in two departments: pure, so that the same seed and moment give the same deeds."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any, NamedTuple
from uuid import UUID

from incidents.identity.ids import named
from incidents.simulation import cast, chance, routine
from incidents.simulation.cast import Place
from incidents.simulation.floor import Act, Floor, Lane, Machine

ROOT = UUID("5109ca7e-0000-8000-8000-000000000000")
DAY_ONE_HOUR = 5  # of the department's own clock: set up before the early shift
POLICY_SOURCE = "Invented for the demonstration, 2026"


class Department(NamedTuple):
    """One simulated department: whom to found, and everything that is done there, in order of time."""

    place: Place
    facility: UUID
    founded_at: datetime
    floor: Floor
    acts: Iterator[Act]


def departments(seed: int, end: datetime, days: int, machines: int) -> list[Department]:
    """Both departments with a history of so many days before `end`. The acts go on beyond it, without end."""
    return [_department(place, seed, n, end, days) for n, place in enumerate(cast.places(machines))]


def _department(place: Place, seed: int, number: int, end: datetime, days: int) -> Department:
    facility = named(ROOT, f"{place.slug} {seed} {end.isoformat()} {days}")
    floor = Floor(place, facility, seed, number, end - timedelta(days=days), days)
    local = floor.local.replace(hour=DAY_ONE_HOUR, minute=0, second=0, microsecond=0)
    floor.start = floor.clock = min(local.astimezone(floor.start.tzinfo), end - timedelta(hours=1))
    _found(floor, seed, number)
    routine.begin(floor)
    return Department(place, facility, floor.start, floor, floor.happenings())


def _found(floor: Floor, seed: int, number: int) -> None:
    """What the administrator sets up before the first load; engineering drafts the programmes."""
    ada = floor.somebody("administrator")
    floor.does(ada, "open_facility")
    floor.does(ada, "publish_catalogue", faults=cast.FAULTS)
    for recipe in cast.RECIPES.values():
        drafted = floor.does(
            floor.somebody("engineering"),
            "draft_programme",
            name=recipe.name,
            phases=recipe.phases,
            expected_s=60 * recipe.minutes,
            grace_s=600,
            criteria=tuple(recipe.criteria),
            limits=recipe.limits,
        )
        floor.does(ada, "approve_programme", programme=named(drafted.deed, "programme"))
    floor.does(
        ada,
        "set_policy",
        source=POLICY_SOURCE,
        same_fault_blocks=3,
        same_fault_cycles=60,
        rest_may_go_on=("wet",),
    )
    for washer in floor.place.washers:
        act = floor.does(ada, "register_machine", name=washer.name, code=washer.code, chambers=washer.chambers)
        machine = Machine(washer, named(act.deed, "machine"))
        for chamber in washer.chambers:
            ages = cast.ageing(washer.temper, floor.days).moments(
                chance.generator(seed, number, 1, len(floor.lanes))
            )
            floor.lanes.append(Lane(machine, chamber, ages))
    for n, name in enumerate(cast.RACKS, 1):
        act = floor.does(ada, "register_rack", code=f"R-{n:02d}", name=f"{name} {n}")
        floor.racks.append(named(act.deed, "rack"))
    for name, owner, size in floor.place.sets:
        _register(floor, name, owner, size)
    loan, owner, size = cast.LOANER
    back = floor.local.date() + timedelta(days=floor.days + 4)
    _register(floor, loan, owner, size, loaner=True, needed_by=back.isoformat())


def _register(floor: Floor, name: str, owner: str, size: int, **more: Any) -> None:
    labels = [f"{name} {n}" for n in range(1, size + 1)]
    act = floor.does(floor.somebody("administrator"), "register_set", name=name, owner=owner, labels=labels, **more)
    floor.trays.extend(named(act.deed, f"tray {n}") for n in range(1, size + 1))

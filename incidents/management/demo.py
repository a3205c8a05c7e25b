"""The demonstration that `start --demo` loads: which one it is, whether it is whole, and who may sign in to it."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple
from uuid import UUID

from incidents.identity.ids import named
from incidents.identity.models import Facility
from incidents.identity.rights import people_by_role
from incidents.operations import escalation
from incidents.operations.deeds import Doer, Request
from incidents.operations.demonstration import only_demonstrations
from incidents.rules.events import Actor
from incidents.simulation import cast, model
from incidents.simulation.writer import sign_ins, write_history

SEED, DAYS, MACHINES = 7, 30, 8
REAL_HERE = (
    "This data folder or database holds a real facility. A demonstration needs its own: give another --data."
)
DEMO_HERE = "This data folder or database holds a demonstration: start it with --demo, or give another --data."


class NotThisWay(Exception):
    """The data found are not of the kind that was asked for; the sentence says what to do."""


class Parameters(NamedTuple):
    """What a history follows from; kept in the folder, so that one that was cut short is taken up again."""

    seed: int
    end: datetime
    days: int
    machines: int


def require_kind(demo: bool) -> None:
    """Raises NotThisWay where real data would be shown as a demonstration, or the other way round."""
    if demo and Facility.objects.filter(demo=False).exists():
        raise NotThisWay(REAL_HERE)
    if not demo and Facility.objects.filter(demo=True).exists():
        raise NotThisWay(DEMO_HERE)


def load(folder: Path, now: datetime, say: Callable[[str], Any], days: int = DAYS) -> None:
    """Write the history that ends now; nothing where it is whole already, the rest where it was cut short."""
    kept = folder / "demo.json"
    told = json.loads(kept.read_text()) if kept.exists() else None
    if only_demonstrations() and (told is None or told["whole"]):
        return
    wanted = _read(told) if told and only_demonstrations() else Parameters(SEED, _minute(now), days, MACHINES)
    _keep(kept, wanted, whole=False)
    say(f"Loading {wanted.days} days of two invented departments.")
    for department in model.departments(*wanted):
        for _ in write_history(department, wanted.seed, wanted.end):
            pass
        _adopt_ladders(department.facility, wanted.end)
        say(f"{department.place.name} is there.")
    _keep(kept, wanted, whole=True)


def _adopt_ladders(facility: UUID, now: datetime) -> None:
    """From now on what nobody sees to climbs; in a history that is told at once nobody could have been told."""
    ada = people_by_role(facility)["administrator"][0]
    asked = Request(named(facility, "ladders"), facility, Doer(Actor("person", ada), ("administrator",)), now)
    escalation.adopt_escalation(asked)


def introduce(say: Callable[[str], Any]) -> None:
    """Who may sign in; all of them invented."""
    say("DEMO: everybody and everything in it is invented. Sign in with badge and PIN:")
    for place in cast.places(MACHINES):
        for one in sign_ins(place):
            say(f"  {place.name:<11} {one['role']:<21} {one['name']:<16} badge {one['badge']}  PIN {one['pin']}")


def _minute(now: datetime) -> datetime:
    return now.astimezone(UTC).replace(second=0, microsecond=0)


def _read(told: dict[str, Any]) -> Parameters:
    return Parameters(told["seed"], datetime.fromisoformat(told["end"]), told["days"], told["machines"])


def _keep(file: Path, wanted: Parameters, *, whole: bool) -> None:
    beside = file.with_suffix(".new")
    beside.write_text(json.dumps(wanted._asdict() | {"end": wanted.end.isoformat(), "whole": whole}))
    beside.rename(file)

"""A deed by the operations, read models included: acknowledging an alarm of a load that already has a story."""

from __future__ import annotations

import itertools
import time
from functools import partial
from typing import NamedTuple
from uuid import UUID

from incidents.identity.ids import named
from incidents.ledger.writing import Receipt, open_ledger
from incidents.management.benches.arena import arena
from incidents.management.benches.contest import FACILITY, START, at, contest
from incidents.management.benches.timing import Figure
from incidents.operations import alarms, cycles, setting_up
from incidents.operations.deeds import Doer, Outcome, Request
from incidents.rules.events import Actor, Stream
from incidents.rules.programmes import STARTING_CRITERIA, STARTING_FAULTS, STARTING_PHASES

SLICE = 10  # loads, each with one alarm to acknowledge
PROGRAMME = "Instruments"
ROLES = ("technician", "supervisor", "administrator")
SOMEONE = Doer(Actor("person", named(FACILITY, "Ines")), ROLES, ("release",))


class Waiting(NamedTuple):
    """An alarm that nobody has seen, on a load with six events, in a machine of its own."""

    load: UUID
    alarm: UUID
    machine: UUID
    code: str


def run(seconds: float) -> list[Figure]:
    """`seconds`, of which the untimed making of loads takes a part."""
    with arena():
        open_ledger(FACILITY, START)
        furnish()
        with contest() as match:
            end = time.perf_counter() + seconds
            rounds = itertools.count()
            while time.perf_counter() < end:
                waiting: list[Waiting] = []
                match.prepare(partial(make_loads, next(rounds), waiting))
                match.turn([partial(_acknowledge, each) for each in waiting])
            return [match.figure("deed, acknowledge an alarm")]


def _ask(what: str) -> Request:
    return Request(deed=named(FACILITY, what), facility=FACILITY, by=SOMEONE, now=at(1))


def _done(outcome: Outcome) -> None:
    if not isinstance(outcome, Receipt):
        raise RuntimeError(f"the bench was refused: {outcome.sentence}")


def furnish() -> None:
    """A facility whose machines may alarm as often as they like."""
    _done(setting_up.open_facility(_ask("open")))
    _done(setting_up.publish_catalogue(_ask("catalogue"), faults=STARTING_FAULTS))
    policy = {"source": "the bench", "same_fault_blocks": 100, "same_fault_cycles": 100, "rest_may_go_on": ()}
    _done(setting_up.set_policy(_ask("policy"), **policy))  # type: ignore[arg-type]
    recipe = {"phases": STARTING_PHASES, "criteria": STARTING_CRITERIA, "expected_s": 2700, "grace_s": 600}
    _done(setting_up.publish_programme(_ask("programme"), name=PROGRAMME, **recipe))  # type: ignore[arg-type]


def make_loads(round_number: int, into: list[Waiting]) -> None:
    """Loads of a tray each, every one in a machine of its own: a fault that comes back blocks its machine."""
    labels = [f"{round_number}.{n}" for n in range(SLICE)]
    _done(setting_up.register_set(_ask(f"set {round_number}"), name=f"Set {round_number}", owner="", labels=labels))
    for n, what in enumerate(labels, 1):
        into.append(_make_load(what, tray=named(named(FACILITY, f"set {round_number}"), f"tray {n}")))


def _make_load(what: str, tray: UUID) -> Waiting:
    """Assembled, started, stopped by an alarm that was seen and resumed, then stopped by another."""
    name = f"Alder {what}"
    _done(setting_up.register_machine(_ask(name), name=name, code=name, chambers=["1"]))
    machine = named(named(FACILITY, name), "machine")
    _done(cycles.assemble_load(_ask(f"{what} load"), machine=machine, chamber="1", trays=[tray]))
    load = named(named(FACILITY, f"{what} load"), "load")
    _done(cycles.start_cycle(_ask(f"{what} start"), load=load, programme=PROGRAMME))
    first = Waiting(load, _alarmed(what, load, "W01", "pre-wash"), machine, name)
    _acknowledge(first)
    _done(alarms.resume_cycle(_ask(f"{what} resume"), load=load, alarm=first.alarm))
    return first._replace(alarm=_alarmed(what, load, "A01", "drying"))


def _alarmed(what: str, load: UUID, code: str, phase: str) -> UUID:
    asked = _ask(f"{what} {code}")
    _done(alarms.report_alarm(asked, load=load, code=code, phase=phase))
    return named(asked.deed, "alarm")


def _acknowledge(waiting: Waiting) -> None:
    asked = _ask(f"{waiting.alarm} seen")
    _done(alarms.acknowledge_alarm(asked, stream=Stream("load", waiting.load), alarm=waiting.alarm))

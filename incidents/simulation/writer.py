"""Writes the model's deeds through the operations, one transaction for each day of a department."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable, Iterable, Iterator
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any, NamedTuple
from uuid import UUID

from incidents.identity.ids import named
from incidents.identity.rights import rights
from incidents.ledger.writing import Log, Receipt
from incidents.operations import (
    alarms,
    catalogue,
    cycles,
    demonstration,
    downtime,
    holds,
    inspection,
    interruptions,
    machines,
    observations,
    programmes,
    readings,
    setting_up,
    sweep,
)
from incidents.operations.deeds import Doer, Outcome, Request
from incidents.operations.demonstration import Founding, Invented
from incidents.operations.paper import Paper
from incidents.rules.events import Actor
from incidents.rules.refusals import Refusal
from incidents.simulation.cast import Place
from incidents.simulation.floor import SYSTEM, Act, person_id
from incidents.simulation.model import Department

ROOMS = (
    alarms,
    catalogue,
    cycles,
    downtime,
    holds,
    inspection,
    interruptions,
    machines,
    observations,
    programmes,
    readings,
    setting_up,
    sweep,
)
A_YEAR = timedelta(days=366)


class Odd(NamedTuple):
    """A deed that the model expected otherwise: a refusal out of turn, or a deed that should have been refused."""

    act: Act
    outcome: Outcome


class Written(NamedTuple):
    """What became of some deeds: how many were done, how many the rules refused as expected, and what was odd."""

    done: int
    refused: int
    odd: tuple[Odd, ...]

    def __add__(self, other: object) -> Written:
        assert isinstance(other, Written)
        return Written(self.done + other.done, self.refused + other.refused, self.odd + other.odd)


NOTHING = Written(0, 0, ())


class Writer:
    """The hand that does one department's deeds; `seed` names the salts of its free text."""

    def __init__(self, place: Place, facility: UUID, seed: int) -> None:
        self.place, self.facility = place, facility
        self.salts = hashlib.sha256(f"{facility} {seed}".encode()).digest()
        self._doers: dict[tuple[str, date], Doer] = {}
        self._machines: dict[str, UUID] = {}

    def found(self, acts: Iterable[Act], now: datetime) -> Written:
        """Found the facility, and do the first day's deeds in the same transaction."""
        with demonstration.founded(_founding(self.place, self.facility, now), now, self.salts) as log:
            return self._all(acts, log)

    def write(self, name: str, acts: Iterable[Act], now: datetime) -> Written:
        """Do these deeds in one transaction: all or none. Raises NotADemonstration, LedgerBusy."""
        todays = list(acts)
        with demonstration.kept_together(self.facility, name, now, self.salts) as log:
            log.expect([act.deed for act in todays])
            return NOTHING if any(log.knows(act.deed) for act in todays) else self._all(todays, log)

    def _all(self, acts: Iterable[Act], log: Log) -> Written:
        done = refused = 0
        odd = []
        for act in acts:
            outcome = self.do(act, log)
            if isinstance(outcome, Receipt):
                done += 1
            else:
                refused += 1
            if act.refused != ("" if isinstance(outcome, Receipt) else outcome.code) or _left_out(act, outcome):
                odd.append(Odd(act, outcome))
        return Written(done, refused, tuple(odd))

    def do(self, act: Act, log: Log | None = None) -> Outcome:
        """One deed, by the operation that a door would call."""
        request = Request(
            deed=act.deed,
            facility=self.facility,
            by=self._doer(act),
            now=act.at,
            occurred_at=act.occurred_at,
            sequence=act.sequence,
        )
        given = dict(act.given)
        if act.operation == "observe":
            given["told"] = observations.Told(**given["told"])
        if act.operation == "enter_form":
            given["paper"] = Paper(**given["paper"])
        if act.operation == "keep_readings":
            told = readings.receive(self.facility, io.BytesIO(given.pop("file")))
            if isinstance(told, Refusal):
                return told
            given = {"load": given["load"], "told": told}
        if act.operation == "register_machine":
            self._machines[given["code"]] = named(act.deed, "machine")
        if act.signers:
            given["signings"] = [self._signed(act, n, log) for n in range(len(act.signers))]
        return operation_named(act.operation)(request, **given)

    def _signed(self, act: Act, nth: int, log: Log | None) -> UUID:
        login, meaning = act.signers[nth]
        person = person_id(self.facility, login)
        return demonstration.sign_without_pin(self.facility, person, act.deed, meaning, act.sees, act.at, log, nth)

    def _doer(self, act: Act) -> Doer:
        """Who does it, with the rights that a door would find for them that day."""
        if act.by == SYSTEM:
            return Doer(Actor("system", self.facility), ())
        if act.operation in ("observe", "keep_readings"):
            return Doer(Actor("device", act.given["machine"]), ("device",))
        key = (act.by, act.at.date())
        if key not in self._doers:
            person = person_id(self.facility, act.by)
            found = rights(person, self.facility, act.at.date())
            self._doers[key] = Doer(Actor("person", person), found.roles, found.competences)
        return self._doers[key]


def _left_out(act: Act, outcome: Outcome) -> bool:
    """Did a release round leave loads out?"""
    rounds = act.operation == "release_round" and isinstance(outcome, Receipt)
    return rounds and isinstance(outcome, Receipt) and outcome.count < len(act.given["loads"])


def operation_named(name: str) -> Callable[..., Outcome]:
    found: Callable[..., Outcome] = next(getattr(room, name) for room in ROOMS if hasattr(room, name))
    return found


def _founding(place: Place, facility: UUID, now: datetime) -> Founding:
    people = [
        Invented(person_id(facility, one.login), one.login, one.name, one.role, one.badge, one.pin, one.releases)
        for one in place.people
    ]
    today = now.date()
    return Founding(facility, place.slug, place.name, place.time_zone, people, today - A_YEAR, today + 4 * A_YEAR)


def write_history(department: Department, seed: int, end: datetime) -> Iterator[tuple[date, Written]]:
    """Write a department's deeds before `end`, day by day; tells each day as soon as it is kept.

    Days that are kept already, because a writer before this one was cut short, are passed by.
    """
    writer = Writer(department.place, department.facility, seed)
    zone = department.floor.zone
    founded = demonstration.is_founded(department.facility)
    for day, acts in groupby(_before(department.acts, end), key=lambda act: act.at.astimezone(zone).date()):
        todays = list(acts)
        if founded:
            yield day, writer.write(f"day {day}", todays, todays[0].at)
        else:
            yield day, writer.found(todays, department.founded_at)
            founded = True


def _before(acts: Iterator[Act], end: datetime) -> Iterator[Act]:
    for act in acts:
        if act.at >= end:
            return
        yield act


def sign_ins(place: Place) -> list[dict[str, Any]]:
    """Who may sign in to a demonstration, with badge and PIN; all invented."""
    return [
        {"name": one.name, "role": one.role.replace("-", " "), "badge": one.badge, "pin": one.pin}
        for one in place.people
    ]

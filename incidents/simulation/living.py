"""How a demonstration goes on by itself: the ledger, the moment and the seed say who does what next.

Hardly anything is kept between two looks, so that it goes on after a stop, and with whatever a visitor did
meanwhile. Cycles take their real time; people are quicker than in life, and leave some alarms, reviews and re-runs
to the visitor.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any, NamedTuple
from uuid import UUID
from zoneinfo import ZoneInfo

from incidents.identity.ids import named, of_moment
from incidents.ledger.reading import read_stream
from incidents.ledger.writing import Receipt
from incidents.queries import counters, facts, floor, search
from incidents.queries import loads as of_loads
from incidents.queries.floor import Chamber
from incidents.rules import holds, loads
from incidents.rules.alarms import Alarm, resume_refusal
from incidents.rules.events import Stream
from incidents.rules.loads import Load
from incidents.simulation import cast, records
from incidents.simulation.cast import Place, Someone
from incidents.simulation.floor import Act
from incidents.simulation.loads import ALL_MET
from incidents.simulation.writer import Writer

FAILS = 0.3  # of the cycles: more than in life, so that a visitor meets an alarm
LEFT_S = 14 * 60.0  # how long what is left to the visitor waits
NEWEST = 40  # loads of a disposition that are looked at
QUICK = "Bowls"
REFUSED_FOR = timedelta(minutes=5)


class Pace(NamedTuple):
    """Seconds until somebody sees to it, about; and the share that is left to the visitor for a while."""

    seconds: float
    left: float = 0.0


PACES = {
    "assemble": Pace(30),
    "start": Pace(40),
    "see": Pace(70, left=0.5),
    "decide": Pace(80, left=0.4),
    "unload": Pace(60),
    "review": Pace(150, left=0.3),
    "round": Pace(120),
    "quarantine": Pace(90),
    "rerun": Pace(200, left=0.4),
    "return": Pace(420),
}


class Living:
    """One department that lives on."""

    def __init__(self, place: Place, facility: UUID, seed: int) -> None:
        self.place, self.facility = place, facility
        self.zone = ZoneInfo(place.time_zone)
        self.writer = Writer(place, facility, seed)
        self.washers = {washer.code: washer for washer in place.washers}
        self.quiet_until: dict[str, datetime] = {}
        self.shown: UUID | None = None
        self.free_since: dict[tuple[UUID, str], datetime] = {}

    def look(self, now: datetime) -> int:
        """Look around once and do what is due; how many deeds were done. Raises LedgerBusy."""
        done = 0
        for act in self._due(now):
            asked = f"{act.operation} {act.given.get('load')}"
            if self.quiet_until.get(asked, now) > now:
                continue
            outcome = self.writer.do(act)
            done += isinstance(outcome, Receipt)
            if not isinstance(outcome, Receipt):  # a visitor did otherwise; it is not asked every two seconds
                self.quiet_until[asked] = now + REFUSED_FOR
        return done

    # --- what is due ---

    def _due(self, now: datetime) -> Iterator[Act]:
        for chamber in floor.chambers(self.facility):
            yield from self._in_chamber(chamber, now)
        for disposition in ("awaiting review", "quarantined"):
            for row in of_loads.newest(self.facility, disposition=disposition, limit=NEWEST):
                yield from self._ended(self._load(row.owner), now)
        yield from self._round(now)

    def _in_chamber(self, chamber: Chamber, now: datetime) -> Iterator[Act]:
        where = (chamber.machine, chamber.chamber)
        load = self._load(chamber.load.owner) if chamber.load else None
        if load is not None:
            self.free_since.pop(where, None)
        if chamber.blocked is not None:
            yield from self._returned(chamber, now)
        elif load is None:
            if now >= self.free_since.setdefault(where, now) + self._pace("assemble", *where):
                yield from self._assembled(chamber, now)
        elif load.stage == "assembled":
            yield from self._started(chamber, load, now)
        elif load.stage == "running":
            yield from self._running(chamber, load, now)
        elif load.stage == "stopped":
            yield from self._stopped(load, now)

    def _returned(self, chamber: Chamber, now: datetime) -> Iterator[Act]:
        blocked = [item for item in floor.open_items(self.facility) if item.owner == chamber.machine]
        since = next((item.since for item in blocked if item.kind == "machine-blocked"), now)
        if now >= since + self._pace("return", chamber.machine, since):
            who = self.place.of_role("engineering")[0]
            words = "Looked at, ran empty without fault."
            yield self._act(who, "return_machine", now, machine=chamber.machine, words=words)

    def _assembled(self, chamber: Chamber, now: datetime) -> Iterator[Act]:
        ids = [tray.tray for tray in search.trays(self.facility)]
        free = [tray.id for tray in facts.trays(self.facility, ids) if tray.load is None and not tray.fate]
        if len(free) < 4:
            return
        start = int(self._roll(now, "trays") * (len(free) - 3))
        who, where = self._technician(now), chamber.machine
        trays = tuple(free[start : start + 4])
        yield self._act(who, "assemble_load", now, machine=where, chamber=chamber.chamber, trays=trays)

    def _started(self, chamber: Chamber, load: Load, now: datetime) -> Iterator[Act]:
        if load.assembled_at is None or now < load.assembled_at + self._pace("start", load.id):
            return
        name = QUICK if self._roll(load.id, "recipe") < 0.92 else "Instruments"
        cycle = counters.newest(self.facility, chamber.machine) + 1
        if self._reports(chamber):
            yield self._told(chamber, "cycle-started", now, machine_cycle=cycle, programme=name)
        else:
            who = self._technician(now)
            yield self._act(who, "start_cycle", now, load=load.id, programme=name, machine_cycle=cycle)

    def _running(self, chamber: Chamber, load: Load, now: datetime) -> Iterator[Act]:
        """It alarms on its way, once, or it ends; a re-run's number comes as soon as the machine tells it."""
        if load.started_at is None or load.programme is None:
            return
        length = timedelta(seconds=load.programme.expected_s)
        fails_at = load.started_at + length * (0.08 + 0.8 * self._roll(load.id, "when"))
        ends_at = (
            load.started_at + length + sum((timedelta(seconds=each.halt_s) for each in load.resumes), timedelta())
        )
        cycle = load.machine_cycle or counters.newest(self.facility, chamber.machine) + 1
        reports = self._reports(chamber)
        if load.machine_cycle is None and reports and now < ends_at:
            yield self._told(chamber, "cycle-started", now, machine_cycle=cycle, programme=load.programme_name)
        elif not load.alarms and now < ends_at and self._fails(load, fails_at, now):
            code, phase = self._fault(load, (now - load.started_at) / length)
            if reports:
                yield self._told(chamber, "alarm-raised", now, machine_cycle=cycle, code=code, phase=phase)
            else:
                yield self._act(self._technician(now), "report_alarm", now, load=load.id, code=code, phase=phase)
        elif now >= ends_at:
            late = ends_at if now - ends_at > timedelta(minutes=2) else None
            if reports:
                yield self._told(chamber, "cycle-finished", now, late, machine_cycle=cycle)
                yield from self._recorded(chamber, load, now)
            else:
                who = self._technician(now)
                yield self._act(who, "report_end", now, late, load=load.id, machine_cycle=cycle)

    def _recorded(self, chamber: Chamber, load: Load, now: datetime) -> Iterator[Act]:
        """The gateway gives the record of a cycle that ran through without an alarm."""
        recipe = cast.RECIPES.get(load.programme_name)
        if recipe is None or load.started_at is None or load.alarms:
            return
        plan = records.planned([(phase.code, 60 * phase.minutes) for phase in recipe.phases])
        file = records.record(named(load.id, "record"), load.started_at, plan)
        given = {"load": load.id, "file": file, "machine": chamber.machine}
        yield Act(named(load.id, "keep"), now, chamber.machine_code, "keep_readings", given)

    def _fails(self, load: Load, fails_at: datetime, now: datetime) -> bool:
        """The first cycle that is under way stops at once and is left to the visitor, who came to see an alarm."""
        if self.shown is None and load.started_at and now - load.started_at > timedelta(minutes=1):
            self.shown = load.id
            return True
        return self._roll(load.id, "fails") < FAILS and fails_at <= now

    def _fault(self, load: Load, share: float) -> tuple[str, str]:
        """What comes up at this share of the cycle, by the same table as in the history."""
        assert load.programme is not None
        recipe = cast.RECIPES.get(load.programme_name, cast.RECIPES["Instruments"])
        minutes = share * recipe.minutes
        phase = recipe.phases[-1].code
        for each in recipe.phases:
            minutes -= each.minutes
            if minutes < 0:
                phase = each.code
                break
        choices = [code for code, _ in cast.COMES_UP["steady"][phase] if code != "P01"]
        return choices[int(self._roll(load.id, "code") * len(choices))], phase

    def _stopped(self, load: Load, now: datetime) -> Iterator[Act]:
        standing = [alarm for alarm in load.alarms if alarm.halts and not alarm.decided]
        if not standing or load.stops:
            return
        alarm = standing[-1]
        who = self._technician(now)
        if self.shown == load.id and now < alarm.raised_at + timedelta(seconds=LEFT_S):
            return
        if alarm.acknowledged_at is None:
            if now >= alarm.raised_at + self._pace("see", alarm.id):
                yield self._act(who, "acknowledge_alarm", now, stream=Stream("load", load.id), alarm=alarm.id)
        elif now >= alarm.acknowledged_at + self._pace("decide", alarm.id):
            yield self._decided(load, alarm, who, now)

    def _decided(self, load: Load, alarm: Alarm, who: Someone, now: datetime) -> Act:
        if resume_refusal(load, alarm, ("technician",)) is None:
            return self._act(who, "resume_cycle", now, load=load.id, alarm=alarm.id)
        return self._act(who, "abort_cycle", now, load=load.id, reason="fault", alarm=alarm.id)

    def _ended(self, load: Load, now: datetime) -> Iterator[Act]:
        if load.ended_at is None or load.reruns or now - load.ended_at > timedelta(days=1):
            return
        who = self._technician(now)
        if load.stage == "finished":
            if load.place == "chamber" and now >= load.ended_at + self._pace("unload", load.id):
                yield self._act(who, "place_load", now, load=load.id, place="clean-side", spot="Bay 1")
            elif load.review is None and now >= load.ended_at + self._pace("review", load.id):
                verdicts = dict(ALL_MET)
                yield self._act(who, "review_load", now, load=load.id, record_seen=True, verdicts=verdicts)
        elif load.stage == "aborted" and not holds.under_recall(load):
            if load.place == "chamber" and now >= load.ended_at + self._pace("quarantine", load.id):
                yield self._act(who, "place_load", now, load=load.id, place="quarantine", spot="Shelf 1")
            elif now >= load.ended_at + self._pace("rerun", load.id):
                yield self._act(who, "rerun_load", now, load=load.id)

    def _round(self, now: datetime) -> Iterator[Act]:
        ready = [
            row
            for row in floor.ready_for_release(self.facility)
            if row.ended_at and now >= row.ended_at + 2 * self._pace("round", row.owner)
        ]
        if len(ready) < 2:
            return
        sees = tuple(row.owner for row in ready[:6])
        who = next(one for one in self._shift(now) if one.releases)
        meaning = f"I release these {len(sees)} loads for packing."
        act = self._act(who, "release_round", now, loads=sees, purpose="packing")
        yield act._replace(signers=((who.login, meaning),), sees=sees)

    # --- who, what and when ---

    def _act(
        self, who: Someone, operation: str, now: datetime, occurred_at: datetime | None = None, **given: Any
    ) -> Act:
        about = given.get("load") or given.get("machine") or given.get("alarm") or ""
        deed = of_moment(self.facility, f"{operation} {about}", now)
        return Act(deed, now, who.login, operation, given, occurred_at)

    def _told(
        self, chamber: Chamber, kind: str, now: datetime, occurred_at: datetime | None = None, **told: Any
    ) -> Act:
        heard = facts.heard(self.facility, chamber.machine)
        given = {"machine": chamber.machine, "kind": kind, "told": {"chamber": chamber.chamber, **told}}
        deed = of_moment(self.facility, f"{kind} {chamber.machine} {chamber.chamber}", now)
        sequence = heard.highest + 1 if heard else 1
        return Act(deed, now, chamber.machine_code, "observe", given, occurred_at, sequence)

    def _load(self, load: UUID) -> Load:
        return loads.fold(load, read_stream(self.facility, Stream("load", load)))

    def _reports(self, chamber: Chamber) -> bool:
        washer = self.washers.get(chamber.machine_code)
        return washer is not None and washer.gateway

    def _shift(self, now: datetime) -> list[Someone]:
        hour = now.astimezone(self.zone).hour
        shift = "early" if 6 <= hour < 14 else "late" if 14 <= hour < 22 else "night"
        return [one for one in self.place.people if one.shift == shift]

    def _technician(self, now: datetime) -> Someone:
        there = [one for one in self._shift(now) if one.role == "technician"]
        return there[int(self._roll(now, "who") * len(there))]

    def _roll(self, *about: Any) -> float:
        """A number from 0 to below 1, always the same for the same thing."""
        drawn = hashlib.sha256(self.writer.salts + repr(about).encode()).digest()[:6]
        return int.from_bytes(drawn) / 2**48

    def _pace(self, step: str, *about: Any) -> timedelta:
        pace = PACES[step]
        if self._roll(step, "left", *about) < pace.left:
            return timedelta(seconds=LEFT_S * (0.8 + 0.4 * self._roll(step, *about)))
        return timedelta(seconds=pace.seconds * (0.4 + 1.2 * self._roll(step, *about)))

"""The simulated floor: who works, what stands where, and the clockwork that lets everybody act in turn."""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple
from uuid import UUID
from zoneinfo import ZoneInfo

from incidents.identity.ids import named, of_moment
from incidents.rules.events import Fault
from incidents.rules.policies import STARTING_POLICY
from incidents.simulation import cast, chance
from incidents.simulation.cast import Place, Recipe, Someone, Washer

Story = Generator[float, None, None]  # yields how many minutes pass until it goes on
STORY_LAG = timedelta(milliseconds=137)  # no two deeds of a floor share a moment
SYSTEM = "system"


class Act(NamedTuple):
    """A deed as somebody does it: `by` is a login, a machine's code or SYSTEM; `at` is the server's clock.

    `signers` sign on the loads in `sees`, each with a meaning. `refused` is the code with which the rules are
    expected to refuse it; empty where it is expected to be done.
    """

    deed: UUID
    at: datetime
    by: str
    operation: str
    given: dict[str, Any]
    occurred_at: datetime | None = None
    sequence: int | None = None
    signers: tuple[tuple[str, str], ...] = ()
    sees: tuple[UUID, ...] = ()
    refused: str = ""


class Machine:
    """A machine as the floor knows it: its counter, its block, and the faults of its newest loads."""

    def __init__(self, washer: Washer, machine_id: UUID) -> None:
        self.washer, self.id = washer, machine_id
        self.counter, self.sequence = washer.first_cycle, 0
        self.blocked = False
        self.newest: deque[set[str]] = deque(maxlen=STARTING_POLICY.same_fault_cycles)

    def blocks_itself(self, codes: set[str], code: str) -> bool:
        """Has this fault come up so often that the starting policy blocks the machine? `codes` are the load's."""
        codes.add(code)
        times = sum(code in each for each in self.newest)
        return times >= STARTING_POLICY.same_fault_blocks and not self.blocked


class Lane:
    """One chamber; its age in hours of running, and the ages at which it fails."""

    def __init__(self, machine: Machine, chamber: str, ages: Iterator[float]) -> None:
        self.machine, self.chamber, self.ages = machine, chamber, ages
        self.run_h, self.fails_h = 0.0, next(ages)
        self.busy = False
        self.failed_h: list[float] = []

    @property
    def free(self) -> bool:
        return not self.busy and not self.machine.blocked


class Floor:
    """One department under simulation. Everything in it happens at `clock`, in the order of time."""

    def __init__(self, place: Place, facility: UUID, seed: int, number: int, start: datetime, days: float) -> None:
        self.place, self.facility = place, facility
        self.zone = ZoneInfo(place.time_zone)
        self.start = self.clock = start
        self.days = days
        self.end = start + timedelta(days=days)
        self.chance = chance.generator(seed, number)
        self.faults = {fault.code: fault for fault in cast.FAULTS}
        self.acts: list[Act] = []
        self.lanes: list[Lane] = []
        self.trays: deque[UUID] = deque()
        self.newest: dict[UUID, UUID] = {}
        self.racks: list[UUID] = []
        self.racks_out: set[UUID] = set()
        self.to_release: list[Any] = []
        self.released: deque[Any] = deque(maxlen=40)
        self.quiet: list[tuple[datetime, datetime]] = []
        self.forms: deque[int] = deque()
        self._waiting: list[tuple[datetime, int, Story]] = []
        self._told = self._begun = 0

    # --- the clockwork ---

    def begin(self, story: Story, after_min: float = 0.0) -> None:
        """Let a story go on beside the others."""
        self._begun += 1
        heapq.heappush(self._waiting, (self._later(after_min), self._begun, story))

    def _later(self, minutes: float) -> datetime:
        """The moment so many minutes on; while the tool is down nothing is done in it."""
        moment = self.clock + timedelta(minutes=max(minutes, 0.0)) + STORY_LAG
        for begins, ends in self.quiet:
            if begins <= moment < ends:
                return ends + (moment - begins) / 60
        return moment

    def happenings(self) -> Iterator[Act]:
        """What is done on this floor, in order of time, without end."""
        yield from self._taken()
        while self._waiting:
            self.clock, number, story = heapq.heappop(self._waiting)
            minutes = next(story, None)
            if minutes is not None:
                heapq.heappush(self._waiting, (self._later(minutes), number, story))
            yield from self._taken()

    def _taken(self) -> Iterator[Act]:
        done, self.acts = self.acts, []
        yield from done

    # --- doing ---

    def does(self, by: Someone | str, operation: str, *, refused: str = "", **given: Any) -> Act:
        """Somebody does a deed now; words that begin with an underscore are about the asking itself."""
        asking = {name[1:]: given.pop(name) for name in list(given) if name.startswith("_")}
        self._told += 1
        deed = asking.pop("deed", None) or of_moment(self.facility, f"deed {self._told}", self.clock)
        login = by if isinstance(by, str) else by.login
        act = Act(deed, self.clock, login, operation, given, refused=refused, **asking)
        self.acts.append(act)
        return act

    def reports(self, lane: Lane, kind: str, **told: Any) -> Act:
        """The machine's gateway reports something of this chamber."""
        machine = lane.machine
        machine.sequence += 1
        told = {"chamber": lane.chamber, **told}
        return self.does(
            machine.washer.code, "observe", machine=machine.id, kind=kind, told=told, _sequence=machine.sequence
        )

    # --- who is there ---

    @property
    def local(self) -> datetime:
        return self.clock.astimezone(self.zone)

    @property
    def shift(self) -> str:
        hour = self.local.hour
        return "early" if 6 <= hour < 14 else "late" if 14 <= hour < 22 else "night"

    def technician(self) -> Someone:
        """Somebody of the shift; there is always one."""
        found: Someone = self.one_of(self.place.of_role("technician", self.shift))
        return found

    def releaser(self) -> Someone:
        shift = self.shift
        found: Someone = self.one_of([one for one in self.place.people if one.releases and one.shift == shift])
        return found

    def supervisor(self) -> Someone | None:
        """At night there is none."""
        found = self.place.of_role("supervisor", self.shift)
        return found[0] if found else None

    def by_day(self, role: str) -> Someone | None:
        """Whoever works office hours on week days."""
        now = self.local
        there = now.weekday() < 5 and 8 <= now.hour < 16
        return self.place.of_role(role)[0] if there else None

    def somebody(self, role: str) -> Someone:
        return self.place.of_role(role)[0]

    # --- chance ---

    def one_of(self, choices: Sequence[Any]) -> Any:
        return choices[int(self.chance.integers(len(choices)))]

    def happens(self, share: float) -> bool:
        return float(self.chance.random()) < share

    def about(self, median: float, factor: float = 1.5) -> float:
        return chance.spread(self.chance, median, factor)

    def until(self, there: Callable[[], object], step_min: float = 11.0) -> Story:
        """Wait until something is so."""
        while not there():
            yield step_min

    def fault(self, code: str) -> Fault | None:
        return self.faults.get(code)

    def takes_rack(self) -> UUID | None:
        """A rack that is in no load whose cycle has not ended, or none where all are."""
        at = int(self.chance.integers(len(self.racks)))
        in_turn = self.racks[at:] + self.racks[:at]
        rack = next((each for each in in_turn if each not in self.racks_out), None)
        if rack is not None:
            self.racks_out.add(rack)
        return rack

    def recipe(self) -> Recipe:
        roll = float(self.chance.random())
        return cast.RECIPES["Instruments" if roll < 0.72 else "Delicate" if roll < 0.86 else "Bowls"]

    def at_local(self, day: int, hour: int, minute: int = 0) -> datetime:
        """A moment by the department's own clock, so many days after the start's date."""
        date = self.start.astimezone(self.zone).date() + timedelta(days=day)
        local = datetime(date.year, date.month, date.day, hour, minute, tzinfo=self.zone)
        return local.astimezone(UTC)

    def minutes_to(self, moment: datetime) -> float:
        return (moment - self.clock).total_seconds() / 60


def person_id(facility: UUID, login: str) -> UUID:
    return named(facility, f"person {login}")

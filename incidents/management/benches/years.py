"""A department that has worked for years: settled loads without end, long stories, and what is open now."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from itertools import count, cycle, islice
from typing import NamedTuple
from uuid import UUID

from msgspec.structs import replace

from incidents.identity.ids import named
from incidents.management.benches.contest import FACILITY
from incidents.management.benches.stories import FINDINGS, PROGRAMME
from incidents.rules import programmes
from incidents.rules.events import (
    AlarmAcknowledged,
    AlarmCleared,
    AlarmRaised,
    AnyEvent,
    CatalogueDrafted,
    CataloguePublished,
    CycleAborted,
    CycleExplained,
    CycleFinished,
    CycleResumed,
    CycleStarted,
    DowntimeFormEntered,
    DowntimeFormsIssued,
    DowntimeFormVoided,
    FacilityOpened,
    HoldLifted,
    HoldPlaced,
    LoadAssembled,
    LoadPlaced,
    LoadReleased,
    LoadReprocessed,
    LoadReviewed,
    MachineBlocked,
    MachineRegistered,
    MachineReturned,
    NoteAdded,
    OutcomeOverdue,
    PastLoadImported,
    PolicySet,
    ProgrammePublished,
    RackBlocked,
    RackRegistered,
    RackReturned,
    RerunLinked,
    SetRegistered,
    Signature,
    Stream,
    SupplyChanged,
    Tray,
    TrayProof,
    WordsRef,
)
from incidents.rules.policies import STARTING_POLICY

MACHINES = ("Alder", "Birch", "Cedar", "Elm", "Fir", "Hazel", "Holly", "Larch", "Maple", "Oak", "Pine", "Rowan")
PEOPLE = tuple(named(FACILITY, f"person {n}") for n in range(40))
INES = PEOPLE[0]
PAST = named(FACILITY, "past load")
SETS, TRAYS_OF_SET, TRAYS_OF_LOAD = 200, 8, 6
PROGRAMMES, FAULTS, RACKS, POLICIES = 8, 60, 30, 20
ABORTED = 10  # one settled load in so many was aborted and run again
APART = timedelta(minutes=10)  # a load every ten minutes
MACHINES_PER_LOAD, FORMS_PER_LOAD, PAST_PER_LOAD = 1 / 12, 1 / 400, 1 / 6  # six events of a machine, twelve forms
SHARE_OF_LONG_LOAD = 0.002  # of all events

Begin = Callable[[int, int], Iterator[AnyEvent]]


class Told(NamedTuple):
    """An event on its way into the log."""

    stream: Stream
    event: AnyEvent
    at: datetime


class Years:
    """So many events that end at `until`; afterwards the ids of what pages are asked about."""

    def __init__(self, events: int, until: datetime) -> None:
        self.events = events
        self.trays = [named(FACILITY, f"tray {n}") for n in range(SETS * TRAYS_OF_SET)]
        self._numbers = count(1)
        self._start = until - APART * (events // 9 + 200)
        self._counters = [count(1001) for _ in MACHINES]
        self.released = self.long = self.unseen = self.decide = FACILITY
        self.reviewed = self.held = self.recall = FACILITY

    def told(self) -> Iterator[Told]:
        """Everything, in the order in which it is recorded."""
        open_now = list(self._open_later())
        left = self.events - len(open_now)
        for group in self._settled():
            if len(group) > left:
                break
            left -= len(group)
            yield from group
        notes = Stream("load", self.long)
        yield from (Told(notes, NoteAdded(_words(self.long, f"last {n}")), self._start) for n in range(left))
        shift = self._at(next(self._numbers))
        yield from (each._replace(at=shift + timedelta(seconds=n)) for n, each in enumerate(open_now))

    def _settled(self) -> Iterator[list[Told]]:
        """Groups of events after each of which nothing is left open."""
        yield [Told(stream, event, self._start) for stream, event in self._founding()]
        yield list(self._long_load())
        beside = [cycle(self._machine_story(n)) for n in range(len(MACHINES))]
        of_machines, of_forms = round(1 / MACHINES_PER_LOAD), round(1 / FORMS_PER_LOAD)
        of_history = round(1 / PAST_PER_LOAD)
        forms = self._forms()
        for n in count(1):
            group = list(self._loads())
            at = group[-1].at
            if n % of_machines == 0:
                group += [Told(*each, at) for each in islice(beside[n // of_machines % len(MACHINES)], 6)]
            if n % of_history == 0:
                group.append(Told(Stream("history", named(FACILITY, f"past load {n}")), self._past(n), at))
            if n % of_forms == 0:
                group += [Told(Stream("downtime", FACILITY), event, at) for event in next(forms)]
            yield group
            # Of a group that there was room for.
            self.released = next(told.stream.id for told in group if isinstance(told.event, LoadReleased))

    def _at(self, number: int) -> datetime:
        return self._start + APART * number

    # --- the department -------------------------------------------------------------------------------

    def _founding(self) -> Iterator[tuple[Stream, AnyEvent]]:
        yield Stream("facility", FACILITY), FacilityOpened("transcribed")
        for n, name in enumerate(MACHINES):
            yield Stream("machine", machine_id(n)), MachineRegistered(name, f"M-{name}", ("1", "2"))
        yield Stream("history", PAST), self._past(0)
        for n in range(PROGRAMMES):
            name = PROGRAMME.name if n == 0 else f"Programme {n}"
            yield (
                Stream("programme", named(FACILITY, f"programme {n}")),
                ProgrammePublished(
                    name, 1, tuple(programmes.STARTING_PHASES), 2700, 600, tuple(programmes.STARTING_CRITERIA)
                ),
            )
        for n in range(RACKS):
            rack = Stream("rack", rack_id(n))
            yield rack, RackRegistered(f"R-{n:03d}", f"Rack {n}")
            yield rack, RackBlocked(_words(rack.id, "why"))
            if n % 3:
                yield rack, RackReturned(_words(rack.id, "back"))
        for n in range(SETS):
            trays = self.trays[n * TRAYS_OF_SET : (n + 1) * TRAYS_OF_SET]
            labels = tuple(Tray(tray, f"T{n:03d}-{k}") for k, tray in enumerate(trays, 1))
            yield Stream("set", named(FACILITY, f"set {n}")), SetRegistered(f"Set {n:03d}", "Theatre 4", labels)
        for n in range(1, POLICIES + 1):
            policy: PolicySet = replace(STARTING_POLICY, edition=n, source=f"Local procedure, edition {n}")
            yield Stream("policy", FACILITY), policy
        faults = tuple(
            replace(programmes.STARTING_FAULTS[n % len(programmes.STARTING_FAULTS)], code=f"F{n:02d}")
            for n in range(FAULTS)
        )
        yield Stream("catalogue", FACILITY), CataloguePublished(1, (*programmes.STARTING_FAULTS, *faults))
        changed = (replace(fault, title=f"{fault.title}, again") for fault in faults[:10])
        drafted = (*programmes.STARTING_FAULTS, *changed, *faults[10:])
        yield Stream("catalogue", FACILITY), CatalogueDrafted(1, drafted)

    def _machine_story(self, n: int) -> Iterator[tuple[Stream, AnyEvent]]:
        stream, name = Stream("machine", machine_id(n)), MACHINES[n]
        words = _words(stream.id, "words")
        alarm = named(stream.id, "alarm")
        yield stream, AlarmRaised(alarm, "W01", "wash", f"{name} waits", "low", machine=stream.id, chamber="1")
        yield stream, AlarmAcknowledged(alarm)
        yield stream, AlarmCleared("W01", alarm, "1")
        for line in ("detergent", "neutraliser", "rinse aid", "salt") * 3:
            yield stream, SupplyChanged(line, "Product A", "lot 17")
        yield stream, MachineBlocked("water hardness", words=words)
        yield stream, MachineReturned(words)

    def _past(self, n: int) -> AnyEvent:
        """A load of an older record."""
        machine = n % len(MACHINES)
        trays = tuple(f"T{n * k % SETS:03d}-{k}" for k in range(1, 7))
        return PastLoadImported(
            machine_id(machine),
            MACHINES[machine],
            "1",
            programme="Instruments",
            outcome="complete",
            stated="OK",
            source="records.csv",
            line=n + 2,
            machine_cycle=n,
            trays=trays,
        )

    def _forms(self) -> Iterator[list[AnyEvent]]:
        for first in count(1, 12):
            entered = [DowntimeFormEntered(number, load_id(number)) for number in range(first, first + 10)]
            voided = [DowntimeFormVoided(number, _words(FACILITY, "spoilt")) for number in (first + 10, first + 11)]
            yield [DowntimeFormsIssued(first, first + 11), *entered, *voided]

    # --- loads ----------------------------------------------------------------------------------------

    def _loads(self) -> Iterator[Told]:
        """The next load; one that is aborted with its re-run, after which it counts as reprocessed."""
        number = next(self._numbers)
        yield from self._story_of(number, self._aborted if number % ABORTED == 0 else self._released)
        if number % ABORTED == 0:
            again = next(self._numbers)
            yield from self._story_of(again, self._released)
            proofs = tuple(TrayProof(tray, load_id(again)) for tray in self._trays(number))
            yield Told(Stream("load", load_id(number)), LoadReprocessed(proofs), self._at(again + 1))

    def _story_of(self, number: int, events: Callable[[int], Iterator[AnyEvent]]) -> Iterator[Told]:
        for minute, event in enumerate(events(number)):
            yield Told(Stream("load", load_id(number)), event, self._at(number) + timedelta(minutes=minute))

    def _trays(self, number: int) -> tuple[UUID, ...]:
        first = TRAYS_OF_LOAD * (number - 1 if number % ABORTED == 1 and number > 1 else number)
        return tuple(self.trays[(first + n) % len(self.trays)] for n in range(TRAYS_OF_LOAD))

    def _begun(self, number: int, machine: int = -1) -> Iterator[AnyEvent]:
        n = number % len(MACHINES) if machine < 0 else machine
        rerun_of = load_id(number - 1) if number % ABORTED == 1 and number > 1 else None
        name = f"{self._start.year}-{number:06d}"
        trays = self._trays(number)
        rack = rack_id(number % RACKS)
        yield LoadAssembled(name, number, trays, machine_id(n), MACHINES[n], "1", rerun_of, rack)
        counter = next(self._counters[n])
        yield CycleStarted(machine_id(n), MACHINES[n], "1", PROGRAMME.name, PROGRAMME, 1, "transcribed", counter)

    def _stopped(self, number: int, machine: int = -1) -> Iterator[AnyEvent]:
        yield from self._begun(number, machine)
        n = number % len(MACHINES) if machine < 0 else machine
        yield AlarmRaised(
            alarm_id(number),
            "W01",
            "wash",
            "Water did not come in",
            "medium",
            True,
            "technician",
            True,
            machine_id(n),
            "1",
        )

    def _released(self, number: int) -> Iterator[AnyEvent]:
        load = load_id(number)
        if number % 3 == 0:
            yield from self._stopped(number)
            yield AlarmAcknowledged(alarm_id(number))
            yield AlarmCleared("W01", alarm_id(number), "1")
            yield CycleResumed(alarm_id(number), "wash", 120)
        else:
            yield from self._begun(number)
        yield CycleFinished(None, "1")
        yield LoadPlaced("clean-side", f"shelf {number % 40}")
        if number % 200 == 102:
            yield HoldPlaced(named(load, "hold"), _words(load, "hold"))
            signed = (_signature(load), _signature(load))
            yield HoldLifted(f"manual:{named(load, 'hold')}", "manual", _words(load, "lift"), signed)
        yield LoadReviewed("transcribed", True, FINDINGS)
        yield LoadReleased("packing", _signature(load), 1, 0)

    def _aborted(self, number: int) -> Iterator[AnyEvent]:
        yield from self._stopped(number)
        yield AlarmAcknowledged(alarm_id(number))
        yield CycleAborted("fault", alarm_id(number))
        yield CycleFinished(None, "1", complete=False)
        yield LoadPlaced("quarantine", f"shelf {number % 4}")
        yield RerunLinked(load_id(number + 1))

    def _long_load(self) -> Iterator[Told]:
        """A machine whose sensor chatters: one load with hundreds of events."""
        number = next(self._numbers)
        stream = Stream("load", load_id(number))
        self.long = stream.id
        events = list(self._released(number))
        notes = max(20, round(self.events * SHARE_OF_LONG_LOAD))
        told = [*events[:2], *(NoteAdded(_words(stream.id, f"note {n}")) for n in range(notes)), *events[2:]]
        for n, event in enumerate(told):
            yield Told(stream, event, self._at(number) + timedelta(seconds=n))

    # --- what is open ---------------------------------------------------------------------------------

    def _open_later(self) -> Iterator[Told]:
        """Sixty open items: alarms, decisions, reviews, releases, holds, recalls, blocks, strays, a form."""
        numbers = count(self.events)  # above every settled load's
        for machine in range(8):
            number = next(numbers)
            if machine < 5:
                self.unseen = load_id(number)
                yield from self._open(number, self._stopped, machine)
            else:
                self.decide = load_id(number)
                yield from self._open(number, self._stopped, machine, [AlarmAcknowledged(alarm_id(number))])
        yield from self._open(next(numbers), self._begun, 8, [OutcomeOverdue(self._start)])
        yield from self._open(next(numbers), self._begun, 9)
        for n in range(25):
            number = next(numbers)
            then: list[AnyEvent] = [CycleFinished(None, "1"), LoadPlaced("clean-side")]
            then += [LoadReviewed("transcribed", True, FINDINGS)] if n < 10 else []
            self.reviewed = load_id(number) if n < 10 else self.reviewed
            yield from self._open(number, self._begun, number % 12, then)
        for _ in range(14):
            number = next(numbers)
            self.held = load = load_id(number)
            then = [CycleFinished(None, "1"), HoldPlaced(named(load, "hold"), _words(load, "hold"))]
            yield from self._open(number, self._begun, number % 12, then)
        for _ in range(4):
            number = next(numbers)
            self.recall = load = load_id(number)
            settled = list(self._released(number))[2:]
            then = [*settled, HoldPlaced(named(load, "late hold"), _words(load, "late"))]
            yield from self._open(number, self._begun, number % 12, then)
        for _ in range(3):
            number = next(numbers)
            then = [CycleAborted("fault"), CycleFinished(None, "1", complete=False), LoadPlaced("dirty-side")]
            yield from self._open(number, self._begun, number % 12, then)
        for n in (10, 11):
            leaking = Stream("machine", machine_id(n))
            yield Told(leaking, MachineBlocked("a leak", chamber="2"), self._start)
            yield Told(leaking, CycleFinished(900 + n, "2"), self._start)
            yield Told(leaking, CycleExplained(901, _words(leaking.id, "tests")), self._start)
        first = 10**4
        downtime = Stream("downtime", FACILITY)
        yield Told(downtime, DowntimeFormsIssued(first, first + 9), self._start)
        yield Told(downtime, DowntimeFormEntered(first + 9, self.held), self._start)

    def _open(self, number: int, begin: Begin, machine: int, then: Sequence[AnyEvent] = ()) -> Iterator[Told]:
        for event in (*begin(number, machine), *then):
            yield Told(Stream("load", load_id(number)), event, self._start)


def machine_id(n: int) -> UUID:
    return named(FACILITY, f"machine {n}")


def rack_id(n: int) -> UUID:
    return named(FACILITY, f"rack {n}")


def load_id(number: int) -> UUID:
    return named(FACILITY, f"load {number}")


def alarm_id(number: int) -> UUID:
    return named(load_id(number), "alarm")


def _words(owner: UUID, what: str) -> WordsRef:
    return WordsRef(f"{named(owner, what).int:064x}")


def _signature(load: UUID) -> Signature:
    at = datetime.fromisoformat("2026-01-05T06:00:00+00:00")
    return Signature(INES, "I sign this load", named(load, "signing"), at, (), ("technician",))

"""Checking all files before anything is written: what each line would write, or what is wrong with it.

What was checked is what is written: every line that holds goes into a scratch file, so that neither a file that
changes meanwhile nor a long one does harm.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import IO, Any, NamedTuple
from uuid import UUID

import msgspec

from incidents.management.importing.columns import kind_of, places, values_of
from incidents.management.importing.mapping import KINDS, Kind, Mapping
from incidents.management.importing.problems import Flaw, Problem, excerpt
from incidents.management.importing.reading import Row, encoding_of, open_table
from incidents.operations import history
from incidents.operations.history import KNOWN, Said, SaidOfAlarm, SaidOfLoad, SaidOfMachine, SaidOfRepair
from incidents.queries import facts
from incidents.queries.facts import MachineFact
from incidents.rules.history import SHORT
from incidents.rules.refusals import Refusal

PROBLEMS_LISTED = 10_000
_SAID: dict[Kind, type[Any]] = {
    "machines": SaidOfMachine,
    "loads": SaidOfLoad,
    "alarms": SaidOfAlarm,
    "repairs": SaidOfRepair,
}
Progress = Callable[[int], object]


class Planned(NamedTuple):
    """A line that would be written."""

    kind: Kind
    file: str
    line: int
    said: Said


class Source(NamedTuple):
    path: Path
    name: str
    encoding: str
    kind: Kind


class Plan:
    """What an import would do. `lines` counts rows that say something, `refused` those that can't be taken."""

    def __init__(self) -> None:
        self.sources: list[Source] = []
        self.problems: list[Problem] = []
        self.more_problems = 0
        self.lines: Counter[str] = Counter()
        self.new: Counter[str] = Counter()
        self.known = self.repeated = self.refused = 0
        self.whole = True  # every file could be read to its end
        self._scratch: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115, closed with the plan
        self._encoder = msgspec.json.Encoder()

    def refuse(self, problems: Sequence[Problem]) -> None:
        self.refused += 1
        room = max(0, PROBLEMS_LISTED - len(self.problems))
        self.problems.extend(problems[:room])
        self.more_problems += len(problems[room:])

    def spoil(self, problem: Problem) -> None:
        """A whole file can't be read, or not to its end."""
        self.whole = False
        self.problems.append(problem)

    def add(self, planned: Planned) -> None:
        self.new[planned.kind] += 1
        self._scratch.write(self._encoder.encode(tuple(planned)) + b"\n")

    def written(self) -> Iterator[Planned]:
        """Every line that would be written, machines first."""
        self._scratch.seek(0)
        decoder = msgspec.json.Decoder(tuple[Kind, str, int, msgspec.Raw])
        for text in self._scratch:
            kind, file, line, said = decoder.decode(text)
            yield Planned(kind, file, line, msgspec.json.decode(said, type=_SAID[kind]))

    def close(self) -> None:
        self._scratch.close()


def check(facility: UUID, paths: Sequence[Path], mapping: Mapping, now: datetime, progress: Progress) -> Plan:
    """Read every file and weigh every line. Writes nothing. Raises OSError where a file can't be opened."""
    plan = Plan()
    for path in paths:
        name = path.name.encode("utf-8", "replace").decode()
        try:
            encoding = encoding_of(path, mapping)
            with _opened(path, encoding) as file:
                headings = open_table(path, file, mapping, lambda count: None).headings
            kind = kind_of(name, headings, mapping)
            places(kind, headings, mapping)
            plan.sources.append(Source(path, name, encoding, kind))
        except Flaw as flaw:
            plan.spoil(flaw.in_file(name))
    plan.sources.sort(key=lambda source: KINDS.index(source.kind))
    checker = _Checker(plan, facility, mapping, now)
    for source in plan.sources:
        checker.check(source, progress)
    return plan


def _opened(path: Path, encoding: str) -> IO[str]:
    """Bytes of another encoding become signs that no text has, so that their line can be named."""
    wide = encoding.startswith(("utf-16", "utf-32"))
    return path.open(encoding=encoding, errors="replace" if wide else "surrogateescape", newline="")


class _Checker:
    """Weighs line after line, knowing those before it."""

    def __init__(self, plan: Plan, facility: UUID, mapping: Mapping, now: datetime) -> None:
        self.plan, self.facility, self.mapping, self.now = plan, facility, mapping, now
        self.machines: dict[str, MachineFact] = {}
        self.registering: dict[UUID, tuple[str, int]] = {}
        self.seen: dict[UUID, tuple[str, int, bytes]] = {}
        for machine in facts.machines(facility):
            self._know(machine)

    def _know(self, machine: MachineFact) -> None:
        self.machines[machine.code] = self.machines[machine.name.lower()] = machine

    def check(self, source: Source, progress: Progress) -> None:
        with _opened(source.path, source.encoding) as file:
            try:
                table = open_table(source.path, file, self.mapping, progress)
                where = places(source.kind, table.headings, self.mapping)
                for row in table.rows:
                    self.plan.lines[source.kind] += 1
                    self._row(source, row, where)
            except Flaw as flaw:
                self.plan.spoil(flaw.in_file(source.name))

    def _row(self, source: Source, row: Row, where: Any) -> None:
        if isinstance(row.cells, Flaw):
            self.plan.refuse([row.cells.in_file(source.name, row.line)])
            return
        values = values_of(where, row.cells, source.name, row.line)
        if isinstance(values, list):
            self.plan.refuse(values)
            return
        try:
            self._weigh(source, row.line, values)
        except Flaw as flaw:
            self.plan.refuse([flaw.in_file(source.name, row.line)])

    def _weigh(self, source: Source, line: int, values: dict[str, Any]) -> None:
        if source.kind == "machines":
            self._weigh_machine(source, line, SaidOfMachine(values["name"], values["code"], values["chambers"]))
            return
        machine = self.machines.get(values["machine"]) or self.machines.get(values["machine"].lower())
        if machine is None:
            raise Flaw(
                "machine-unknown",
                f"No machine here has the code or the name {excerpt(values['machine'])}.",
                "Register it in Set-up, or import it with a file of machines.",
                column="machine",
            )
        if not values["chamber"] and len(machine.chambers) == 1:
            values["chamber"] = machine.chambers[0]
        said = _MAKE[source.kind](machine.id, values, source.name[-SHORT:], line)
        found = history.weigh(self.facility, said, machine, self.now)
        if isinstance(found, Refusal):
            self._turned_away(found)
        elif self._is_first(found.stream.id, said, source, line):
            self.plan.add(Planned(source.kind, source.name, line, said))

    def _weigh_machine(self, source: Source, line: int, said: SaidOfMachine) -> None:
        known = self.machines.get(said.code) or self.machines.get(said.name.lower())
        found = history.weigh_machine(self.facility, said, known)
        if isinstance(found, Refusal):
            if found.code == KNOWN and known is not None and known.id in self.registering:
                self.plan.repeated += 1
            else:
                self._turned_away(found)
            return
        new = history.machine_id(self.facility, said.code)
        self.registering[new] = (source.name, line)
        self._know(MachineFact(new, said.name, said.code, said.chambers, {}))
        self.plan.add(Planned("machines", source.name, line, said))

    def _turned_away(self, refusal: Refusal) -> None:
        if refusal.code != KNOWN:
            raise Flaw(refusal.code, refusal.sentence, refusal.next_step)
        self.plan.known += 1

    def _is_first(self, stream: UUID, said: Said, source: Source, line: int) -> bool:
        """Is this the first line to tell of it? Raises Flaw where an earlier line says otherwise."""
        bare = msgspec.structs.replace(said, source="", line=0)
        digest = hashlib.blake2b(msgspec.json.encode(bare), digest_size=16).digest()
        before = self.seen.setdefault(stream, (source.name, line, digest))
        if before[:2] == (source.name, line):
            return True
        if before[2] != digest:
            raise Flaw(
                "told-twice",
                f"Line {before[1]} of {before[0]} says otherwise of the same thing.",
                "Leave one of them out. If the machine’s counter began anew, leave the older counter empty.",
            )
        self.plan.repeated += 1
        return False


def _load(machine: UUID, values: dict[str, Any], source: str, line: int) -> SaidOfLoad:
    return SaidOfLoad(
        machine=machine,
        chamber=values["chamber"],
        started_at=values["start"],
        outcome=values["outcome"].outcome,
        source=source,
        line=line,
        programme=values["programme"],
        stated=values["outcome"].stated,
        machine_cycle=values["counter"],
        ended_at=values["end"],
        trays=values["trays"],
    )


def _alarm(machine: UUID, values: dict[str, Any], source: str, line: int) -> SaidOfAlarm:
    return SaidOfAlarm(
        machine=machine,
        code=values["code"],
        raised_at=values["raised"],
        source=source,
        line=line,
        chamber=values["chamber"],
        machine_cycle=values["counter"],
        phase=values["phase"],
        title=values["title"],
        acknowledged_at=values["acknowledged"],
        cleared_at=values["cleared"],
    )


def _repair(machine: UUID, values: dict[str, Any], source: str, line: int) -> SaidOfRepair:
    return SaidOfRepair(
        machine=machine,
        out_at=values["from"],
        words=values["words"],
        source=source,
        line=line,
        chamber=values["chamber"],
        back_at=values["until"],
    )


_MAKE: dict[Kind, Callable[[UUID, dict[str, Any], str, int], Any]] = {
    "loads": _load,
    "alarms": _alarm,
    "repairs": _repair,
}

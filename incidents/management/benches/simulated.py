"""What the pure model of a department does, as the log would tell it of each machine: no database, no clock."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from datetime import UTC, datetime
from uuid import UUID

from incidents.analysis import exposure
from incidents.analysis.exposure import Alarm, Cycle, Out, Watched
from incidents.identity.ids import named
from incidents.simulation.floor import Act
from incidents.simulation.model import Department

END = datetime(2026, 3, 31, 12, tzinfo=UTC)
Chamber = tuple[UUID, str]


def watched(department: Department, end: datetime = END) -> dict[str, Watched]:
    """Each machine by its name, from the deeds before `end`."""
    told = _Told()
    told.take(department.acts, end)
    names = {lane.machine.id: lane.machine.washer.name for lane in department.floor.lanes}
    return {name: exposure.watched(*told.of(machine, end)) for machine, name in names.items()}


class _Told:
    """Cycles, alarms and times out of service as they are reported."""

    def __init__(self) -> None:
        self.began: dict[Chamber, float] = {}
        self.cycles: dict[UUID, list[Cycle]] = defaultdict(list)
        self.alarms: dict[UUID, list[Alarm]] = defaultdict(list)
        self.outs: dict[UUID, list[Out]] = defaultdict(list)
        self.blocked: dict[UUID, float] = {}
        self.loads: dict[UUID, Chamber] = {}

    def of(self, machine: UUID, end: datetime) -> tuple[list[Cycle], list[Alarm], list[Out]]:
        still = [Cycle(at, end.timestamp(), one[1]) for one, at in self.began.items() if one[0] == machine]
        return [*self.cycles[machine], *still], self.alarms[machine], self.outs[machine]

    def take(self, acts: Iterable[Act], end: datetime) -> None:
        for act in acts:
            if act.at >= end:
                return
            self._take(act, (act.occurred_at or act.at).timestamp())

    def _take(self, act: Act, at: float) -> None:
        given = act.given
        match act.operation:
            case "assemble_load" | "rerun_load":
                self.loads[named(act.deed, "load")] = (given["machine"], given["chamber"])
            case "start_cycle":
                self.began[self.loads[given["load"]]] = at
            case "report_end" | "abort_cycle":
                self._ends(self.loads[given["load"]], at)
            case "report_alarm":
                machine, chamber = self.loads[given["load"]]
                self.alarms[machine].append(Alarm(at, given["code"], chamber))
            case "observe":
                self._observed(given["kind"], (given["machine"], given["told"]["chamber"]), given["told"], at)
            case "block_machine":
                self.blocked[given["machine"]] = at
            case "return_machine":
                self._returned(given["machine"], at)

    def _observed(self, kind: str, chamber: Chamber, told: dict[str, str], at: float) -> None:
        match kind:
            case "cycle-started":
                self.began[chamber] = at
            case "cycle-finished":
                self._ends(chamber, at)
            case "alarm-raised":
                self.alarms[chamber[0]].append(Alarm(at, told["code"], chamber[1]))

    def _ends(self, chamber: Chamber, at: float) -> None:
        began = self.began.pop(chamber, None)
        if began is not None:
            self.cycles[chamber[0]].append(Cycle(began, at, chamber[1]))

    def _returned(self, machine: UUID, at: float) -> None:
        """Unless a person had blocked it, policy did, at the moment of its newest fault."""
        out = self.blocked.pop(machine, None)
        if out is None and self.alarms[machine]:
            out = self.alarms[machine][-1].at
        if out is not None:
            self.outs[machine].append(Out(out, at))

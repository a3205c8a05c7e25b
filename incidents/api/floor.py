"""Now, loads, machines and alarms: what stands on the floor."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any
from uuid import UUID

import msgspec
from msgspec import Meta

from incidents.api.door import Caller, Read
from incidents.api.lists import Many, asked_of, page_of
from incidents.api.members import Moment, Whole
from incidents.api.problems import Malformed
from incidents.api.told import (
    AlarmLine,
    AlarmOfIncident,
    AlarmTold,
    BlockTold,
    ChamberTold,
    Counts,
    EntryTold,
    FaultFigures,
    FiguresTold,
    GapTold,
    HoldTold,
    IncidentTold,
    LiftTold,
    LoadLine,
    LoadLink,
    LoadTold,
    MachineLine,
    MachineTold,
    Now,
    OpenItem,
    PartOfIncident,
    RecordTold,
    ReleaseTold,
    ReviewTold,
    SpreadTold,
    SupplyTold,
    TimesLine,
    TimesTold,
    TrayInLoad,
    tell,
)
from incidents.ledger import reading
from incidents.queries import answering, care, counters, facts, figure_words, figures, floor, joined, machine_story
from incidents.queries import listing as lists
from incidents.queries.story import Story, entries_of, story


class TheFloor(Read):
    """The floor at a glance: every chamber with what is in it, and how many loads wait for a decision."""

    tag, operation_id, summary = "floor", "now", "Now"
    gives = Now

    def read(self, caller: Caller, asked: Any, **path: Any) -> Now:
        facility = caller.facility.id
        head = reading.head(facility)
        return Now(
            size=head.size if head else 0,
            watch_at=floor.watch_at(),
            counts=Counts(**floor.counts(facility)),
            chambers=[_chamber(each) for each in floor.chambers(facility)],
        )


def _chamber(each: floor.Chamber) -> ChamberTold:
    load = line_of(each.load) if each.load else None
    alarm = tell(AlarmLine, each.alarm) if each.alarm else None
    return tell(ChamberTold, each, load=load, alarm=alarm)


def line_of(row: Any) -> LoadLine:
    return tell(LoadLine, row, id=row.owner, holds=row.holds.split())


class OpenItems(Many):
    """Everything that needs someone, the worst first, then the oldest."""

    tag, operation_id, summary = "floor", "open_items", "Open items"
    listing, asks = lists.OPEN_ITEMS, asked_of("OpenItems", lists.OpenItems)
    gives = page_of("OpenItem", OpenItem)

    def lines(self, facility: UUID, rows: list[Any]) -> list[OpenItem]:
        owners = care.owners(facility, [care.item_of(row) for row in rows])
        found = [(row, owners.get(care.item_of(row))) for row in rows]
        return [
            tell(
                OpenItem,
                row,
                looked_after_by=owner.person if owner else None,
                looked_after_since=owner.at if owner else None,
            )
            for row, owner in found
        ]


class Alarms(Many):
    """Alarms, the newest first; those that are over included, unless `state` says otherwise."""

    tag, operation_id, summary = "floor", "alarms", "Alarms"
    listing, asks, gives = lists.ALARMS, asked_of("Alarms", lists.Alarms), page_of("Alarm", AlarmLine)

    def line(self, row: Any) -> AlarmLine:
        return tell(AlarmLine, row)


class OneIncident(Read):
    """The incident that an alarm is in: its alarms, who looks into it, its cause, correction and verification."""

    tag, operation_id, summary = "floor", "incident", "One incident"
    gives = IncidentTold

    def read(self, caller: Caller, asked: Any, **path: Any) -> IncidentTold | None:
        told = joined.story(caller.facility.id, path["alarm"])
        if told is None:
            return None
        alarms = [tell(AlarmOfIncident, each) for each in told.alarms]
        return tell(IncidentTold, told, alarms=alarms, parts=[tell(PartOfIncident, each) for each in told.parts])


class Days(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    days: Annotated[int, Meta(ge=1, le=90, description="Of the last so many days.")] = 30


class TimesToAnswer(Read):
    """Time to acknowledge, resolve and re-run, by fault, machine and shift; open ones are censored (Kaplan–Meier).

    A group of fewer than five people is null, and its clock is named in `few`.
    """

    tag, operation_id, summary = "floor", "times", "Times to answer"
    asks, gives = Days, TimesTold

    def read(self, caller: Caller, asked: Any, **path: Any) -> TimesTold:
        told = answering.times(caller.facility.id, *answering.window(asked.days, caller.now))
        return tell(TimesTold, told, lines=[_times_line(each) for each in told.lines])


def _times_line(line: answering.Line) -> TimesLine:
    spreads = {name: getattr(line, name) for name in ("acknowledge", "resolve", "rerun")}
    said = {name: tell(SpreadTold, spread) if spread else None for name, spread in spreads.items()}
    return tell(TimesLine, line, few=list(line.few), **said)


class Loads(Many):
    """Loads, the newest first."""

    tag, operation_id, summary = "loads", "loads", "Loads"
    listing, asks, gives = lists.LOADS, asked_of("Loads", lists.Loads), page_of("Load", LoadLine)

    def line(self, row: Any) -> LoadLine:
        return line_of(row)


class AsKnown(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    at: Annotated[Whole, Meta(description="As known when the log had so many events.")] | None = None
    when: Annotated[Moment, Meta(description="As known at this moment, by the ledger’s clock.")] | None = None


class OneLoad(Read):
    """A load with its trays, holds, alarms and story, now or as it was known."""

    tag, operation_id, summary = "loads", "load", "A load"
    asks, gives = AsKnown, LoadTold

    def read(self, caller: Caller, asked: Any, **path: Any) -> LoadTold | None:
        facility = caller.facility.id
        if asked.at is not None and asked.when is not None:
            raise Malformed("Give `at` or `when`, not both.")
        size = asked.at if asked.when is None else floor.size_at(facility, asked.when)
        told = story(facility, path["load"], size)
        if told is None:
            return None
        head = reading.head(facility)
        longest = head.size if head else 0
        return load_told(facility, told, longest if size is None else min(size, longest))


def load_told(facility: UUID, told: Story, size: int) -> LoadTold:
    load = told.load
    return tell(
        LoadTold,
        load,
        leaf=told.leaf,
        size=size,
        disposition=told.disposition,
        under_recall=told.under_recall,
        programme=load.programme_name,
        criteria=load.programme.criteria if load.programme else (),
        trays=[tell(TrayInLoad, each) for each in told.trays],
        holds=[tell(HoldTold, each) for each in told.holds],
        lifted=[tell(LiftTold, each) for each in told.lifted],
        alarms=[tell(AlarmTold, each) for each in load.alarms],
        records=[tell(RecordTold, each) for each in load.records],
        review=tell(ReviewTold, load.review) if load.review else None,
        release=tell(ReleaseTold, load.release) if load.release else None,
        rerun_of=tell(LoadLink, told.rerun_of) if told.rerun_of else None,
        reruns=[tell(LoadLink, each) for each in told.reruns],
        entries=[tell(EntryTold, each) for each in entries_of(facility, told, told.events)],
    )


class Machines(Many):
    """Machines, by name."""

    tag, operation_id, summary = "machines", "machines", "Machines"
    listing, asks, gives = lists.MACHINES, asked_of("Machines", lists.Machines), page_of("Machine", MachineLine)

    def line(self, row: Any) -> MachineLine:
        chambers = msgspec.json.decode(row.chambers, type=tuple[str, ...])
        blocked = msgspec.json.decode(row.blocked, type=dict[str, str])
        return tell(MachineLine, row, id=row.owner, chambers=chambers, blocked=blocked)


class OneMachine(Read):
    """A machine with what blocks it, its alarms without a load, its supplies, and its counter’s open numbers."""

    tag, operation_id, summary = "machines", "machine", "A machine"
    gives = MachineTold

    def read(self, caller: Caller, asked: Any, **path: Any) -> MachineTold | None:
        machine: UUID = path["machine"]
        told = machine_story.story(caller.facility.id, machine)
        if told is None:
            return None
        return tell(
            MachineTold,
            told.machine,
            blocks=[tell(BlockTold, each) for each in told.machine.blocks],
            alarms=[tell(AlarmTold, each) for each in told.machine.alarms],
            supplies=[tell(SupplyTold, each) for each in told.machine.supplies],
            unexplained=[tell(GapTold, each) for each in counters.gaps(caller.facility.id, machine)],
            entries=[tell(EntryTold, each) for each in told.entries],
        )


class FiguresAsked(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """`size` asks for the figures of the log when it had that size, where they were computed."""

    size: Whole | None = None


class OneMachinesFigures(Read):
    """How often each fault of a machine comes, whether faster, beside the other machines, and after a repair."""

    tag, operation_id, summary = "machines", "machine-figures", "A machine’s figures"
    asks, gives = FiguresAsked, FiguresTold

    def read(self, caller: Caller, asked: Any, **path: Any) -> FiguresTold | None:
        machine: UUID = path["machine"]
        if facts.machine(caller.facility.id, machine) is None:
            return None
        found = figures.of_machine(caller.facility.id, machine, asked.size)
        if found is None:
            return FiguresTold(machine)
        rows = [
            tell(FaultFigures, one, statements=[each.sentence for each in figure_words.statements(one, _utc)])
            for one in found.rows
        ]
        return tell(FiguresTold, found, machine=machine, rows=rows)


def _utc(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M} UTC"

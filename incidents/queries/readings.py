"""A load's record of readings as it is looked at: its curve drawn, its rows, its raw bytes."""

from __future__ import annotations

from typing import NamedTuple
from uuid import UUID

from incidents.analysis import packing
from incidents.analysis.criteria import Criteria
from incidents.analysis.cycle_plot import Alarm, Picture, draw
from incidents.analysis.findings import Finding
from incidents.analysis.readings import Record
from incidents.analysis.records import judge
from incidents.ledger import blobs
from incidents.queries import judging
from incidents.rules.events import ComputedFinding, Verdict
from incidents.rules.load_state import KeptRecord, Load
from incidents.rules.readings import OF_ITS_TIME

ALARMS_MOST = 12


class Otherwise(NamedTuple):
    """A kept record as another edition would have judged it. `changes` has the criteria that come out otherwise."""

    kept: KeptRecord
    verdict: Verdict
    findings: tuple[Finding, ...]

    @property
    def changes(self) -> list[tuple[ComputedFinding | None, Finding | None]]:
        """(as it was judged, as it would be), where the verdict differs or only one of both has the criterion."""
        before = {finding.criterion: finding for finding in self.kept.findings if finding.criterion != OF_ITS_TIME}
        after = {finding.criterion: finding for finding in self.findings}
        pairs = ((before.get(name), after.get(name)) for name in dict.fromkeys((*before, *after)))
        return [(was, now) for was, now in pairs if not (was and now and was.verdict == now.verdict)]


def record(facility: UUID, kept: KeptRecord) -> Record:
    """The columns as they were read. Raises LookupError where the bytes are not what their name says."""
    return packing.unpacked(blobs.get(facility, kept.packed))


def picture(facility: UUID, load: Load, kept: KeptRecord) -> Picture:
    """The curve against the edition in force at the start: drawn for the eye, its verdicts stand in the event."""
    told = record(facility, kept)
    return draw(told, criteria_of(facility, load), _alarms(load, told))


def what_if(facility: UUID, load: Load, edition: int) -> list[Otherwise] | None:
    """The load's records by another edition of its programme; None of one that isn't here. Nothing is written.

    Raises LookupError where a record's bytes can't be read back.
    """
    programme = judging.programme_at(facility, load.programme_name, edition)
    if programme is None:
        return None
    criteria = judging.criteria_of(programme)
    judged = ((kept, judge(record(facility, kept), criteria)) for kept in load.records)
    return [Otherwise(kept, judgement.verdict, judgement.findings) for kept, judgement in judged]


def criteria_of(facility: UUID, load: Load) -> Criteria:
    force = load.programme
    programme = judging.programme_at(facility, force.name, force.edition) if force else None
    return judging.criteria_of(programme) if programme else Criteria((), "no programme in force")


def _alarms(load: Load, told: Record) -> list[Alarm]:
    """Alarms of the load at the record's own seconds, by its date and time or else by the cycle's start."""
    dated = told.started_at if told.started_at and told.started_at.tzinfo else None
    begun = dated or load.started_at
    if begun is None:
        return []
    found = [
        Alarm((alarm.raised_at - begun).total_seconds(), f"{alarm.code} {alarm.title}")
        for alarm in load.alarms[:ALARMS_MOST]
    ]
    return [alarm for alarm in found if told.times[0] <= alarm.at_s <= told.times[-1]]

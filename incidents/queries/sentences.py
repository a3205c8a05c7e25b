"""What happened, in a sentence of the trade and the glyph that goes with it; one for each event of a load."""

from __future__ import annotations

from collections.abc import Mapping
from uuid import UUID

import msgspec

from incidents.rules import alarms
from incidents.rules.events import (
    AlarmAcknowledged,
    AlarmCleared,
    AlarmRaised,
    AttributionCorrected,
    ContaminationRecorded,
    Corrected,
    CycleAborted,
    CycleExplained,
    CycleFinished,
    CycleResumed,
    CycleStarted,
    CycleStopped,
    DoorOpened,
    EnteredFromPaper,
    ExposureRecorded,
    HoldLifted,
    HoldPlaced,
    LoadAssembled,
    LoadPlaced,
    LoadReleased,
    LoadReleasedOnPaper,
    LoadReopened,
    LoadReprocessed,
    LoadReviewed,
    MachineBlocked,
    MachineRegistered,
    MachineReturned,
    NoteAdded,
    OutcomeOverdue,
    PowerLost,
    Recorded,
    RerunLinked,
    SupplyChanged,
    TrayLeft,
    TraysRejected,
    WordsRef,
    WrongProgrammeNoted,
)
from incidents.rules.inspection import REJECT_REASONS, WAYS
from incidents.rules.interruptions import STOPS
from incidents.rules.paper import label_of

PRIORITY_GLYPHS = {"high": "hi", "medium": "med", "low": "lo"}


class Names(msgspec.Struct, frozen=True):
    """Who and what the ids in events stand for."""

    people: Mapping[UUID, str]
    words: Mapping[str, str]

    def person(self, person: UUID) -> str:
        return self.people.get(person, "Someone who left")

    def actor(self, event: Recorded) -> str:
        if event.actor.kind == "person":
            return self.person(event.actor.id)
        return "the machine" if event.actor.kind == "device" else "the watch"

    def said(self, ref: WordsRef | None) -> str:
        return self.words.get(ref.digest, "") if ref else ""


def sentence_of(event: Recorded, names: Names) -> tuple[str, str]:
    """(glyph, sentence) for an event of a load."""
    by = names.actor(event)
    match event.data:
        case LoadAssembled() as data:
            again = ", to run its items again" if data.rerun_of else ""
            return "loads", f"Assembled by {by} for {data.machine_name}: {_trays(len(data.trays))}{again}"
        case CycleStarted() as data:
            cycle = f", cycle {data.machine_cycle}" if data.machine_cycle is not None else ""
            edition = f", edition {data.programme.edition}" if data.programme else ", not known here"
            return "process", f"Started, programme {data.programme_name}{edition}{cycle}; told by {by}"
        case AlarmRaised() as data:
            glyph = PRIORITY_GLYPHS[data.priority]
            return glyph, f"Alarm in {data.phase}: {data.title} (fault {data.code}), raised by {by}"
        case AlarmAcknowledged():
            return "hi-ack", f"Seen by {by}"
        case AlarmCleared() as data:
            return "rtn", f"The condition of fault {data.code} cleared, told by {by}"
        case CycleResumed() as data:
            return "arrow", f"Resumed by {by} in {data.phase}, after a halt of {data.halt_s} s"
        case CycleAborted() as data:
            reason = alarms.ABORT_REASONS.get(data.reason, data.reason)
            return "held", f"Aborted by {by}: {reason[:1].lower()}{reason[1:]}"
        case CycleFinished() as data:
            ended = "Ended" if data.complete else "Ended before it was complete"
            cycle = f", cycle {data.machine_cycle}" if data.machine_cycle is not None else ""
            return "free", f"{ended}{cycle}; told by {by}"
        case CycleStopped() as data:
            return "hi", f"{STOPS[data.how].capitalize()}, told by {by}"
        case PowerLost() as data:
            return "hi", f"Power was lost{_in(data.phase)}, told by {by}"
        case DoorOpened() as data:
            how = "The door was forced" if data.forced else "The door was opened"
            out = "; the load was taken out" if data.load_taken_out else ""
            return "hi", f"{how}{_in(data.phase)}{out}, told by {by}"
        case WrongProgrammeNoted() as data:
            return "caution", f"Wrong programme noticed by {by}: {data.meant} was meant"
        case TraysRejected() as data:
            rest = "the rest may go on" if data.rest_may_go_on else "policy holds the rest"
            return "notmet", f"{_trays(len(data.trays))} found {REJECT_REASONS[data.reason]} by {by}; {rest}"
        case ContaminationRecorded() as data:
            said = names.said(data.surfaces)
            return "caution", f"Contamination recorded by {by}: {said}; cleaned by {names.said(data.cleaned_by)}"
        case TrayLeft() as data:
            tagged = ", tagged contaminated" if data.contaminated else ""
            return "arrow", f"A tray went {WAYS[data.way]}{tagged}, recorded by {by}"
        case NoteAdded():
            return "more", f"Note by {by}"
        case Corrected() as data:
            return "link", f"Corrected by {by}: {data.field.replace('_', ' ')} is {data.value}"
        case AttributionCorrected() as data:
            doubt = "" if data.authorised else ", who was not authorised for it"
            return "person", f"Attribution corrected by {by}: it was {names.person(data.person)}{doubt}"
        case ExposureRecorded() as data:
            return "caution", f"{data.kind.replace('-', ' ').capitalize()} recorded by {by}"
        case OutcomeOverdue():
            return "overdue", "No end was recorded by the time it was due: the outcome is unknown"
        case LoadPlaced() as data:
            spot = f", {data.spot}" if data.spot else ""
            return "scan", f"Placed by {by}: {data.place.replace('-', ' ')}{spot}"
        case LoadReviewed() as data:
            return _reviewed(data, by)
        case HoldPlaced():
            return "held", f"Held by {by}"
        case HoldLifted() as data:
            people = " and ".join(names.person(signature.person) for signature in data.signatures)
            return "eye", f"Hold lifted by {people}: {data.code.replace('-', ' ')}"
        case LoadReleased() as data:
            who = names.person(data.signature.person)
            return "released", f"Released for {data.purpose}, signed by {who}: “{data.signature.meaning}”"
        case EnteredFromPaper() as data:
            wrote = f", written by {names.person(data.claimed_by)}" if data.claimed_by else ""
            return "print", f"Entered by {by} from downtime form {label_of(data.form)}{wrote}"
        case LoadReleasedOnPaper() as data:
            return _released_on_paper(data, names)
        case RerunLinked():
            return "link", f"Run again by {by} as a new load"
        case LoadReprocessed() as data:
            return "reprocessed", f"Reprocessed: {_trays(len(data.proofs))} accounted for"
        case LoadReopened():
            return "recall", "Opened again: a tray is no longer accounted for"
        case _:
            return "more", "Something was recorded that belongs elsewhere"


def sentence_of_machine(event: Recorded, names: Names) -> tuple[str, str]:
    """(glyph, sentence) for an event of a machine's own stream."""
    by = names.actor(event)
    match event.data:
        case MachineRegistered() as data:
            return "loads", f"Registered by {by}: {data.name}, {data.code}"
        case MachineBlocked() as data:
            which = f"Chamber {data.chamber} blocked" if data.chamber else "Blocked"
            return "blocked", f"{which}: {data.reason} ({by})"
        case MachineReturned():
            return "free", f"Returned to service by {by}"
        case SupplyChanged() as data:
            expires = f", expires {data.expires_on}" if data.expires_on else ""
            return "checks", f"{data.line}: changed to {data.product}, lot {data.lot}{expires}, by {by}"
        case CycleExplained() as data:
            number = "A cycle" if data.machine_cycle is None else f"Cycle {data.machine_cycle}"
            return "link", f"{number} without a load explained by {by}"
        case ExposureRecorded() as data:
            return "caution", f"{data.kind.replace('-', ' ').capitalize()} recorded by {by}"
        case CycleStarted() as data:
            return "process", f"Started a cycle without a load, programme {data.programme_name}"
        case CycleFinished():
            return "free", "Ended a cycle without a load"
        case _:
            return sentence_of(event, names)


def _in(phase: str) -> str:
    return f" in {phase}" if phase else ""


def _reviewed(data: LoadReviewed, by: str) -> tuple[str, str]:
    if not data.record_seen:
        return "notproven", f"Reviewed by {by}: the record is missing"
    open_ones = [finding for finding in data.findings if finding.verdict != "met"]
    if not open_ones:
        return "met", f"Reviewed by {by}: all {len(data.findings)} criteria met"
    worst = "notmet" if any(finding.verdict == "not-met" for finding in open_ones) else "notproven"
    named = ", ".join(f"{finding.title.lower()} {finding.verdict.replace('-', ' ')}" for finding in open_ones)
    return worst, f"Reviewed by {by}: {named}"


def _released_on_paper(data: LoadReleasedOnPaper, names: Names) -> tuple[str, str]:
    who = names.person(data.claimed_by) if data.claimed_by else "nobody named"
    told = f"Released for {data.purpose} on paper by {who}, form {label_of(data.form)}"
    if data.against:
        return "recall", f"{told}; it left against what stood: it counts for no release"
    return "released", f"{told}; nothing stood against it"


def _trays(count: int) -> str:
    return "1 tray" if count == 1 else f"{count} trays"

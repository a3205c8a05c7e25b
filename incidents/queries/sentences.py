"""What happened, in a sentence of the trade and the glyph that goes with it; one for each event of a load."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from uuid import UUID

import msgspec

from incidents.rules import alarms, escalation
from incidents.rules.corrections import FIELD_WORDS
from incidents.rules.events import (
    AlarmAcknowledged,
    AlarmCleared,
    AlarmRaised,
    AlarmShelved,
    AlarmUnshelved,
    AttributionCorrected,
    CalendarSet,
    ClockCompared,
    ClockJumped,
    ContactSet,
    ContactTested,
    ContaminationRecorded,
    Corrected,
    CycleAborted,
    CycleExplained,
    CycleFinished,
    CycleReadingsKept,
    CycleResumed,
    CycleStarted,
    CycleStopped,
    DeviceFellSilent,
    DoorOpened,
    EnteredFromPaper,
    EscalationApproved,
    EscalationDrafted,
    ExposureRecorded,
    ExposureTakenOn,
    HoldLifted,
    HoldPlaced,
    IncidentTaken,
    IncidentTold,
    ItemEscalated,
    ItemHandedOn,
    ItemTaken,
    LiftSigned,
    LiftWithdrawn,
    LoadAssembled,
    LoadPlaced,
    LoadReleased,
    LoadReleasedOnPaper,
    LoadReopened,
    LoadReprocessed,
    LoadReviewed,
    MachineBlocked,
    MachineLimited,
    MachineRegistered,
    MachineReturned,
    MessageSentAgain,
    MessageSettled,
    MessageUndelivered,
    MissingExplained,
    NoteAdded,
    ObservationArrived,
    ObservationsMissed,
    OutcomeOverdue,
    PastAlarmImported,
    PastLoadImported,
    PastRepairImported,
    PowerLost,
    ProgrammeDrafted,
    ProgrammePublished,
    ProgrammeWithdrawn,
    Recorded,
    RecordFormSet,
    RecordShared,
    RecordWithdrawn,
    RerunLinked,
    RightsSet,
    ShiftHandedOver,
    SilenceEnded,
    SupplyChanged,
    TrayLeft,
    TraysRejected,
    TurnSwapped,
    WordsRef,
    WrongProgrammeNoted,
)
from incidents.rules.holds import hold_words
from incidents.rules.inspection import REJECT_REASONS, WAYS
from incidents.rules.interruptions import STOPS
from incidents.rules.messages import CHANNEL_WORDS
from incidents.rules.paper import label_of

PRIORITY_GLYPHS = {"high": "hi", "medium": "med", "low": "lo"}


class Names(msgspec.Struct, frozen=True):
    """Who and what the ids in events stand for."""

    people: Mapping[UUID, str]
    words: Mapping[str, str]
    trays: Mapping[UUID, str] = {}

    def person(self, person: UUID) -> str:
        return self.people.get(person, "Someone who left")

    def actor(self, event: Recorded) -> str:
        if event.actor.kind == "person":
            return self.person(event.actor.id)
        return "the machine" if event.actor.kind == "device" else "the watch"

    def labels(self, trays: Sequence[UUID]) -> str:
        """The trays by label, or how many they are where their labels were not asked for."""
        known = [self.trays[tray] for tray in trays if tray in self.trays]
        return ", ".join(known) if len(known) == len(trays) else _trays(len(trays))

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
            edition = f", edition {data.programme.edition}" if data.programme else ", not in force here then"
            return "process", f"Started, programme {data.programme_name}{edition}{cycle}; told by {by}"
        case AlarmRaised() as data:
            glyph = PRIORITY_GLYPHS[data.priority]
            return glyph, f"Alarm in {data.phase}: {data.title} (fault {data.code}), raised by {by}"
        case AlarmAcknowledged():
            return "hi-ack", f"Seen by {by}"
        case AlarmShelved() as data:
            return "clock", f"Put aside by {by} until {data.until:%H:%M} UTC"
        case AlarmUnshelved():
            return "rtn", f"Stands again, by {by}"
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
            return "notmet", f"{names.labels(data.trays)} found {REJECT_REASONS[data.reason]} by {by}; {rest}"
        case ContaminationRecorded() as data:
            said = names.said(data.surfaces)
            return "caution", f"Contamination recorded by {by}: {said}; cleaned by {names.said(data.cleaned_by)}"
        case TrayLeft() as data:
            tagged = ", tagged contaminated" if data.contaminated else ""
            which = names.trays.get(data.tray, "A tray")
            return "arrow", f"{which} went {WAYS[data.way]}{tagged}, recorded by {by}"
        case NoteAdded():
            return "more", f"Note by {by}"
        case Corrected() as data:
            return "link", f"Corrected by {by}: {FIELD_WORDS.get(data.field, data.field)} is {_value(data)}"
        case AttributionCorrected() as data:
            doubt = "" if data.authorised else ", who was not authorised for it"
            return "person", f"Attribution corrected by {by}: it was {names.person(data.person)}{doubt}"
        case ExposureRecorded() as data:
            to = f", to {names.person(data.person)}" if data.person else ""
            return "caution", f"{data.kind.replace('-', ' ').capitalize()}{to}, recorded by {by}"
        case ExposureTakenOn():
            return "eye", f"Whoever was hurt, or nearly, is looked after by {by}"
        case OutcomeOverdue():
            return "overdue", "No end was recorded by the time it was due: the outcome is unknown"
        case LoadPlaced() as data:
            spot = f", {data.spot}" if data.spot else ""
            return "scan", f"Placed by {by}: {data.place.replace('-', ' ')}{spot}"
        case CycleReadingsKept() as data:
            open_ = sum(finding.verdict != "met" for finding in data.findings)
            rest = "" if not open_ else f", {open_} of {len(data.findings)} findings not met or not proven"
            words = data.verdict.replace("-", " ")
            glyph = {"met": "met", "not-met": "notmet", "not-proven": "notproven"}[data.verdict]
            return glyph, f"Readings kept by {by}, {data.rows} rows: criteria {words} as computed{rest}"
        case RecordWithdrawn() as data:
            people = " and ".join(names.person(signature.person) for signature in data.signatures)
            return "notproven", f"Record withdrawn by {people}: it is not this load’s"
        case RecordShared():
            return "held", "The same record was given for another load too"
        case LoadReviewed() as data:
            return _reviewed(data, by)
        case HoldPlaced():
            return "held", f"Held by {by}"
        case HoldLifted() as data:
            people = " and ".join(names.person(signature.person) for signature in data.signatures)
            return "eye", f"Hold lifted by {people}: {hold_words(data.code)}"
        case LiftSigned() as data:
            who = names.person(data.signature.person)
            return "eye", f"First signature to lift a hold by {who}: {hold_words(data.code)}; it still stands"
        case LiftWithdrawn():
            return "held", f"First signature taken back by {by}: the hold stands"
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
        case MachineLimited() as data:
            programmes = ", ".join(data.programmes) or "every programme"
            return "checks", f"It takes {programmes}; racks: {', '.join(data.racks) or 'all'} ({by})"
        case RecordFormSet() as data:
            named = f"{len(data.columns)} columns named" if data.columns else "columns as they are"
            related = f", {len(data.probes)} probes related to the load" if data.probes else ""
            return "checks", f"Its records are read so from here on: {named}{related} ({by})"
        case MachineReturned():
            return "free", f"Returned to service by {by}"
        case SupplyChanged() as data:
            expires = f", expires {data.expires_on}" if data.expires_on else ""
            return "checks", f"Line {data.line}: changed to {data.product}, lot {data.lot}{expires}, by {by}"
        case CycleExplained() as data:
            number = "A cycle" if data.machine_cycle is None else f"Cycle {data.machine_cycle}"
            return "link", f"{number} without a load explained by {by}"
        case ObservationsMissed() as data:
            return "offline", f"Not heard: {_numbers(data.first, data.last)}"
        case ObservationArrived() as data:
            return "rtn", f"Heard after all: observation {data.number}"
        case MissingExplained() as data:
            return "link", f"Explained by {by}: {_numbers(data.first, data.last)} will not come"
        case DeviceFellSilent() as data:
            return "offline", f"Its device fell silent: last heard {data.last_heard_at:%Y-%m-%d %H:%M} UTC"
        case SilenceEnded() as data:
            return "rtn", "Its device was heard again" if data.heard_at else "Its device has no door any more"
        case ClockCompared() as data:
            way = "ahead of" if data.ahead_s > 0 else "behind"
            return "clock", f"The sender’s clock is {abs(data.ahead_s)} s {way} the clock here"
        case CycleStarted() as data:
            return "process", f"Started a cycle without a load, programme {data.programme_name}"
        case CycleFinished():
            return "free", "Ended a cycle without a load"
        case _:
            return sentence_of(event, names)


def _numbers(first: int, last: int) -> str:
    return f"observation {first}" if first == last else f"observations {first} to {last}"


def sentence_of_history(event: Recorded, names: Names) -> tuple[str, str]:
    """(glyph, sentence) for an event of imported history."""
    match event.data:
        case PastLoadImported() as data:
            what = "A past load"
        case PastAlarmImported() as data:
            what = f"A past alarm, fault {data.code}"
        case PastRepairImported() as data:
            what = "A past repair"
        case _:
            return sentence_of(event, names)
    return "clock", f"{what}, imported by {names.actor(event)} from {data.source}, line {data.line}"


def sentence_of_department(event: Recorded, names: Names) -> tuple[str, str]:
    """(glyph, sentence) for an event of the department's own things and people."""
    by = names.actor(event)
    match event.data:
        case RightsSet() as data:
            roles = ", ".join(role.replace("-", " ") for role in data.roles) or "nobody here any more"
            able = "".join(f", {each.kind} until {each.valid_until}" for each in data.competences)
            return "checks", f"{names.person(data.person)} is {roles}{able} (set by {by})"
        case ProgrammeDrafted() as data:
            return "review", f"Programme {data.name}: a next edition drafted by {by}"
        case ProgrammePublished() as data:
            since = f", in force from {data.effective_at:%Y-%m-%d %H:%M} UTC" if data.effective_at else ""
            return "checks", f"Programme {data.name}, edition {data.edition}, approved by {by}{since}"
        case ProgrammeWithdrawn():
            return "blocked", f"Withdrawn by {by}"
        case MessageUndelivered() as data:
            whom = names.person(data.person) if data.person else "a shared contact"
            return "caution", f"A message by {CHANNEL_WORDS.get(data.channel, data.channel)} to {whom}: {data.why}"
        case ShiftHandedOver() as data:
            outgoing, incoming = names.person(data.outgoing.person), names.person(data.incoming.person)
            count = len(data.items)
            things = "1 open item" if count == 1 else f"{count} open items"
            return "person", f"{outgoing} handed the shift over to {incoming}, with {things}; both signed"
        case ItemTaken():
            return "person", f"Taken over by {by}"
        case ItemHandedOn() as data:
            return "person", f"Handed on by {by} to {names.person(data.to)}"
        case IncidentTaken():
            return "person", f"{by} looks into this incident"
        case IncidentTold() as data:
            closes = ": it is closed" if data.part == "verification" else ""
            return "review", f"{data.part.capitalize()} recorded by {by}{closes}"
        case ContactSet() as data:
            whose = names.person(data.person) if data.person else data.label
            how = CHANNEL_WORDS.get(data.channel, data.channel)
            return "person", f"{whose} is {'' if data.reachable else 'no longer '}reached by {how} (set by {by})"
        case ContactTested() as data:
            return "arrow", f"A test by {CHANNEL_WORDS.get(data.channel, data.channel)}, asked for by {by}"
        case MessageSentAgain():
            return "arrow", f"Sent again by {by}"
        case MessageSettled():
            return "link", f"Settled by {by}: told another way, or not needed any more"
        case EscalationDrafted():
            return "review", f"A next edition of the escalation policy drafted by {by}"
        case EscalationApproved() as data:
            return "checks", f"Escalation policy, edition {data.edition}, approved by {by}"
        case CalendarSet() as data:
            return "clock", f"Calendar set by {by}: {len(data.holidays)} holidays, {len(data.rotas)} rotas"
        case TurnSwapped() as data:
            other = names.person(data.swap.instead_of)
            return "person", f"{names.person(data.swap.person)} takes turns of {other} on {data.rota}, told by {by}"
        case ItemEscalated() as data:
            return "arrow", _escalated(data, names)
        case ClockJumped() as data:
            way = "ahead" if data.ahead_s > 0 else "back"
            return "clock", f"The server’s clock was set {way} by {abs(data.ahead_s)} s while it ran"
        case _:
            return sentence_of(event, names)


def _escalated(data: ItemEscalated, names: Names) -> str:
    told = ", ".join(names.person(person) for person in data.to) or "nobody, for nobody has that role"
    off = "; nobody was on who should have been" if data.nobody_on else ""
    return f"{escalation.why(data.ladder, data.said, data.repeat)} Told: {told}{off}"


def _in(phase: str) -> str:
    return f" in {phase}" if phase else ""


def _reviewed(data: LoadReviewed, by: str) -> tuple[str, str]:
    if not data.record_seen:
        return "notproven", f"Reviewed by {by}: the record is missing"
    if data.basis == "computed":
        return "met", f"Looked at by {by}: the curve of its readings, and what was computed from them"
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


def _value(data: Corrected) -> str:
    return data.value.replace("-", " ") if data.field == "place" else data.value


def _trays(count: int) -> str:
    return "1 tray" if count == 1 else f"{count} trays"

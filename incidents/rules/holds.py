"""What stands against a load's release, who may lift it, and what the load is by it.

One table says who may lift what. A hold that nobody lifts ends with evidence or with a complete new cycle
of the items, never with a signature. Source: common practice (release of washed loads by a competent,
authorised person after review of the cycle's record); the limits are the facility's own policy.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import datetime
from typing import Literal

import msgspec

from incidents.rules import readings
from incidents.rules.events import ComputedFinding, Finding, WordsRef
from incidents.rules.load_state import Load

Disposition = Literal["in process", "awaiting review", "quarantined", "released", "reprocessed"]

_SUPERVISOR = frozenset({"supervisor"})
_INFECTION_PREVENTION = frozenset({"infection-prevention"})
_EITHER = _SUPERVISOR | _INFECTION_PREVENTION
NOBODY: tuple[frozenset[str], ...] = ()

# One signer for each group of roles, all of them different people. What is not listed nobody lifts.
LIFTED_BY: dict[str, tuple[frozenset[str], ...]] = {
    "documentation": (_SUPERVISOR,),
    "drying-resumed": (_SUPERVISOR,),
    "upper-band": (_SUPERVISOR,),
    "rinse-not-proven": (_SUPERVISOR, _INFECTION_PREVENTION),
    "record-ambiguous": (_SUPERVISOR, _INFECTION_PREVENTION),
    "manual": (_EITHER,),
    "unexpected": (_EITHER,),
}
WITHDRAWN_BY = LIFTED_BY["record-ambiguous"]  # who says that a record is not a load's, for whatever stood in it
HOLD_CODES = (
    "disinfection-not-met",
    "disinfection-not-proven",
    "cleaning-not-met",
    "cleaning-not-proven",
    "rinse-not-met",
    "rinse-not-proven",
    "drying-not-met",
    "drying-not-proven",
    "record-missing",
    "record-ambiguous",
    "cycle-incomplete",
    "outcome-unknown",
    "alarm-unseen",
    "documentation",
    "drying-resumed",
    "upper-band",
    "manual",
    "unexpected",
)
_BASES = ("transcribed", "computed")
_ONE_CODE = ("upper-band", "documentation")


_SHORTLY = {
    "drying-resumed": "resumed after a drying fault",
    "upper-band": "the upper temperature limit",
    "documentation": "the documentation of its record",
    "record-ambiguous": "whose record it is",
    "manual": "held by a person",
    "unexpected": "something that did not fit",
}


def hold_words(code: str) -> str:
    """A hold's code in a few words."""
    return _SHORTLY.get(code, code.replace("-", " "))


class Hold(msgspec.Struct, frozen=True):
    """Something that stands against a release. `key` names it within its load.

    `source` says where it comes from: an event, a finding, or the state of the cycle.
    """

    key: str
    code: str
    sentence: str
    evidence: str
    source: str
    at: datetime | None = None
    words: WordsRef | None = None

    @property
    def liftable(self) -> bool:
        return bool(LIFTED_BY.get(self.code, NOBODY))

    @property
    def who(self) -> str:
        return who_lifts(self.code)


def groups_of(code: str, twice: Collection[str] = ()) -> tuple[frozenset[str], ...]:
    """Who lifts a hold of this code; where policy asks for two (`twice`), one more of those who ever lift one."""
    groups = LIFTED_BY.get(code, NOBODY)
    return (*groups, _EITHER) if len(groups) == 1 and code in twice else groups


def who_lifts(code: str, twice: Collection[str] = ()) -> str:
    """The sentence on the board: who may lift a hold of this code."""
    groups = groups_of(code, twice)
    if not groups:
        if code in ("record-missing", "outcome-unknown", "alarm-unseen"):
            return "Nobody lifts this. Evidence ends it."
        return "Nobody lifts this. A new cycle clears the items."
    named = [" or ".join(sorted(role.replace("-", " ") for role in group)) for group in groups]
    who = " and ".join(named)
    people = "Two people: " if len(groups) > 1 else ""
    return f"{people}{who}, with reason, signed".capitalize()


def may_sign_to_lift(code: str, roles: Collection[str], twice: Collection[str] = ()) -> bool:
    """Is somebody with these roles one of those who lift a hold of this code?"""
    return any(group & set(roles) for group in groups_of(code, twice))


def each_group_signed(groups: tuple[frozenset[str], ...], roles: list[tuple[str, ...]]) -> bool:
    """Is there one signer for each group, and nobody over? `roles` are those of each signer."""
    if not groups:
        return not roles
    return any(
        groups[0] & set(mine) and each_group_signed(groups[1:], roles[:place] + roles[place + 1 :])
        for place, mine in enumerate(roles)
    )


def holds(load: Load) -> tuple[Hold, ...]:
    """Every hold that stands, gravest first: those that nobody lifts come before those that someone may.

    A state never changes, so this is worked out once and kept with it.
    """
    known: dict[str, tuple[Hold, ...]] = load.__dict__
    if "holds" not in known:
        known["holds"] = _standing(load)
    return known["holds"]


def _standing(load: Load) -> tuple[Hold, ...]:
    raised = list(_raised_holds(load))
    if not raised:
        return ()
    lifted = {lift.key for lift in load.lifts}
    standing = [hold for hold in raised if not (hold.liftable and hold.key in lifted)]
    return tuple(sorted(standing, key=lambda hold: HOLD_CODES.index(hold.code)))


def _raised_holds(load: Load) -> Iterator[Hold]:
    yield from _holds_of_the_cycle(load)
    yield from _holds_of_the_review(load)
    yield from _holds_of_the_readings(load)
    for resumption in load.resumes:
        if resumption.phase == "drying":
            yield Hold(
                "drying-resumed",
                "drying-resumed",
                "The cycle was resumed after a drying fault.",
                f"halted {resumption.halt_s} s",
                "event",
            )
    yield from _holds_of_the_inspection(load)
    for placed in load.placed_holds:
        yield Hold(
            f"manual:{placed.id}", "manual", "Somebody holds this load.", "", "event", placed.at, placed.words
        )
    for odd in load.unexpected:
        yield Hold(f"unexpected:{odd.event_id}", "unexpected", odd.sentence, "", "event", odd.at)


def _holds_of_the_cycle(load: Load) -> Iterator[Hold]:
    if load.stage in ("aborted", "incomplete"):
        ended = "was aborted" if load.stage == "aborted" else "was not complete"
        if load.interrupted:
            ended = f"is not complete: {load.interrupted}"
        yield Hold(
            "cycle-incomplete",
            "cycle-incomplete",
            f"The cycle {ended}. Only a complete new cycle clears the items.",
            "",
            "cycle",
            load.ended_at,
        )
        yield Hold(
            "disinfection-not-proven",
            "disinfection-not-proven",
            "Disinfection is not proven: the cycle did not run to its end.",
            "",
            "cycle",
            load.ended_at,
        )
    elif load.stage == "finished" and _disinfection_was_interrupted(load):
        yield Hold(
            "disinfection-not-proven:interrupted",
            "disinfection-not-proven",
            "Disinfection is not proven: its phase was interrupted, and its time counts only without a break.",
            f"programme {load.programme_name}",
            "cycle",
            load.ended_at,
        )
    elif load.stage == "finished" and (load.programme is None or load.basis not in _BASES):
        yield Hold(
            "disinfection-not-proven",
            "disinfection-not-proven",
            "Disinfection is not proven: there are no criteria to hold its record against.",
            f"programme {load.programme_name}",
            "cycle",
            load.ended_at,
        )
    if load.overdue_since is not None and load.stage in ("running", "stopped"):
        yield Hold(
            "outcome-unknown",
            "outcome-unknown",
            "The outcome is unknown: no end was recorded by the time it was due.",
            "",
            "cycle",
            load.overdue_since,
        )
    if load.stage in ("finished", "aborted", "incomplete"):
        for alarm in load.alarms:
            if alarm.acknowledged_at is None:
                yield Hold(
                    f"alarm-unseen:{alarm.id}",
                    "alarm-unseen",
                    f"Nobody has seen the alarm “{alarm.title}”. See it first.",
                    f"fault {alarm.code}",
                    "alarm",
                    alarm.raised_at,
                )


_REJECTED_KIND = {"wet": "drying-not-met", "soiled": "cleaning-not-met"}


def _holds_of_the_inspection(load: Load) -> Iterator[Hold]:
    """A tray that was rejected holds its whole load, unless policy lets the rest go on."""
    for rejection in load.rejections:
        code = _REJECTED_KIND.get(rejection.reason)
        if code is not None and not rejection.rest_may_go_on:
            sentence = f"A tray was {rejection.reason} at the unloading, and policy holds the rest of the load."
            yield Hold(f"{code}:inspection:{rejection.tray}", code, sentence, "", "inspection", rejection.at)


def _holds_of_the_review(load: Load) -> Iterator[Hold]:
    if load.review is None:
        return
    if not load.review.record_seen:
        yield Hold(
            "record-missing",
            "record-missing",
            "The record is missing. Nobody lifts this while it is missing.",
            "",
            "review",
            load.review.at,
        )
        return
    # On the basis *computed* the readings speak to each criterion; a person states none, or read a strip before.
    for finding in load.review.findings if load.review.basis == "computed" else _findings(load):
        if finding.verdict != "met":
            yield _hold_of(finding, load.review.at)


def _holds_of_the_readings(load: Load) -> Iterator[Hold]:
    if load.basis == "computed" and load.stage == "finished" and not load.records:
        yield from _holds_of_the_strip(load)
    gone = readings.evidence_withdrawn(load)
    if gone is not None:
        sentence = "Its record is withdrawn. Give the load’s own record, or review it again."
        yield Hold("record-missing:withdrawn", "record-missing", sentence, "", "event", gone.at, gone.words)
    for record, finding in readings.counting_findings(load):
        yield _hold_of_computed(finding, record.at, f"{record.event_id}")
    for record in load.records[1:]:
        yield Hold(
            f"record-ambiguous:{record.event_id}",
            "record-ambiguous",
            "Two records were given for this one cycle. Neither is chosen; both were judged.",
            f"records {load.records[0].digest[:12]} and {record.digest[:12]}",
            "event",
            record.at,
        )
    shared = [(record.event_id, record.at) for record in load.records if record.shared_with]
    for event, at in [*shared, *((event, at) for event, _, at in load.shared_records)]:
        yield Hold(
            f"record-ambiguous:{event}",
            "record-ambiguous",
            "The same record was given for another load too. It can be the record of one of them at most.",
            "",
            "event",
            at,
        )


def _holds_of_the_strip(load: Load) -> Iterator[Hold]:
    """No readings came: two people read the machine's own record, each by themselves."""
    readers = readings.readers_of(load)
    if not readers:
        sentence = "No readings of this cycle are kept. Give its record; or two people read the machine’s strip."
        yield Hold("record-missing:readings", "record-missing", sentence, "", "cycle", load.ended_at)
    elif len(readers) == 1:
        sentence = "One person has read the strip. It counts as proven when a second has read it by themselves."
        yield Hold("record-missing:second", "record-missing", sentence, "", "review", load.ended_at)
    for code, title, one, other in readings.differences(load):
        words = readings.VERDICT_WORDS
        yield Hold(
            f"documentation:differs:{code}",
            "documentation",
            f"Two people read the strip differently: {title}.",
            f"first {words[one]}, second {words[other]}; the graver counts",
            "review",
            load.ended_at,
        )


def _hold_of_computed(finding: ComputedFinding, at: datetime, record: str) -> Hold:
    broken = finding.criterion == "cycle-complete" and finding.verdict == "not-met"
    code = finding.kind if finding.kind in _ONE_CODE else f"{finding.kind}-{finding.verdict}"
    name = readings.KIND_NAMES[finding.kind]
    verdict = readings.VERDICT_WORDS[finding.verdict]
    return Hold(
        f"{finding.kind}-{finding.verdict}:{finding.criterion}:{record}",
        "cycle-incomplete" if broken else code,
        f"{name}, computed from the readings: {verdict}. Required: {finding.required}.",
        f"found: {finding.found}" + (f" ({finding.uncertainty})" if finding.uncertainty else ""),
        "readings",
        at,
    )


def _findings(load: Load) -> Iterator[Finding]:
    """What the review found; a criterion of the programme in force that it left out is not proven."""
    stated = load.review.findings if load.review else ()
    yield from stated
    named = {finding.criterion for finding in stated}
    for criterion in load.programme.criteria if load.programme else ():
        if criterion.code not in named:
            yield Finding(criterion.code, criterion.kind, criterion.title, "not-proven")


def _disinfection_was_interrupted(load: Load) -> bool:
    """A halt in disinfection is never made up by what came after it (ISO 15883-1, 4.3.1: "continuously")."""
    halted = any(alarm.halts and alarm.phase == "disinfection" for alarm in load.alarms)
    return halted or any(resumption.phase == "disinfection" for resumption in load.resumes)


def _hold_of(finding: Finding, at: datetime) -> Hold:
    code = finding.kind if finding.kind in _ONE_CODE else f"{finding.kind}-{finding.verdict}"
    verdict = "not met" if finding.verdict == "not-met" else "not proven"
    return Hold(
        f"{finding.kind}-{finding.verdict}:{finding.criterion}",
        code,
        f"{finding.title}: {verdict}.",
        "read off the record",
        "review",
        at,
    )


def disposition(load: Load) -> Disposition:
    """What the load is, derived; never typed over."""
    if load.reprocessed:
        return "reprocessed"
    if load.release is not None:
        return "released"
    if holds(load):
        return "quarantined"
    if load.stage != "finished":
        return "in process"
    return "awaiting review"


def under_recall(load: Load) -> bool:
    """A hold that stands against a load already released, or that left on paper: review it as a recall."""
    return (load.release is not None or load.left_on_paper is not None) and bool(holds(load))

"""What stands against a release, who may lift it, and the decisions at the end of a load's life.

One table says who may lift what. A hold that nobody lifts ends with evidence or with a complete new cycle
of the items, never with a signature. Source: common practice (release of washed loads by a competent,
authorised person after review of the cycle's record); the limits are the facility's own policy.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import datetime
from typing import Literal
from uuid import UUID

import msgspec

from incidents.rules.events import (
    Finding,
    HoldLifted,
    HoldPlaced,
    LoadReleased,
    LoadReviewed,
    Purpose,
    Signature,
    Verdict,
    WordsRef,
)
from incidents.rules.load_state import Load
from incidents.rules.refusals import Refusal

RULES_EDITION = 1
PURPOSES: tuple[Purpose, ...] = ("packing", "use")
VERDICTS: tuple[Verdict, ...] = ("met", "not-met", "not-proven")
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
    "manual": (_EITHER,),
    "unexpected": (_EITHER,),
}
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
    "cycle-incomplete",
    "outcome-unknown",
    "alarm-unseen",
    "documentation",
    "drying-resumed",
    "upper-band",
    "manual",
    "unexpected",
)
_ONE_CODE = ("upper-band", "documentation")


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


def who_lifts(code: str) -> str:
    """The sentence on the board: who may lift a hold of this code."""
    groups = LIFTED_BY.get(code, NOBODY)
    if not groups:
        if code in ("record-missing", "outcome-unknown", "alarm-unseen"):
            return "Nobody lifts this. Evidence ends it."
        return "Nobody lifts this. A new cycle clears the items."
    named = [" or ".join(sorted(role.replace("-", " ") for role in group)) for group in groups]
    who = " and ".join(named)
    people = "Two people: " if len(groups) > 1 else ""
    return f"{people}{who}, with reason, signed".capitalize()


# --- what stands --------------------------------------------------------------------------------------


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
            f"programme {load.programme_name}",
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
    elif load.stage == "finished" and (load.programme is None or load.basis != "transcribed"):
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
                    f"Nobody has seen the alarm “{alarm.title}”. Acknowledge it first.",
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
    for finding in _findings(load):
        if finding.verdict != "met":
            yield _hold_of(finding, load.review.at)


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


# --- deciding -----------------------------------------------------------------------------------------


def review(
    load: Load, record_seen: bool, verdicts: dict[str, Verdict], remark: WordsRef | None = None
) -> LoadReviewed | Refusal:
    """State each criterion of the programme in force. What is not stated is not proven."""
    if load.stage != "finished":
        return Refusal(
            "cycle-not-ended",
            f"{load.name} can’t be reviewed: no complete cycle has ended.",
            "Wait for its end.",
        )
    if load.release is not None:
        return Refusal(
            "already-released", f"{load.name} is released.", "Hold it, if something now speaks against it."
        )
    if load.programme is None:
        return Refusal(
            "programme-unknown",
            f"{load.name} can’t be reviewed: its programme “{load.programme_name}” is not known here.",
            "Run it again with a known programme.",
        )
    if load.review is not None and load.review.record_seen:
        return Refusal(
            "already-reviewed", f"{load.name} was reviewed already; what was found stands.", "Read its holds."
        )
    known = {criterion.code for criterion in load.programme.criteria}
    strange = sorted(set(verdicts) - known)
    if strange:
        return Refusal(
            "criterion-unknown",
            f"The programme in force has no criterion “{strange[0]}”.",
            "Open the review again: it lists the criteria.",
        )
    if not set(verdicts.values()) <= set(VERDICTS):
        return Refusal("verdict-unknown", "A verdict is met, not met or not proven.", "State each criterion again.")
    findings = tuple(
        Finding(criterion.code, criterion.kind, criterion.title, verdicts.get(criterion.code, "not-proven"))
        for criterion in load.programme.criteria
    )
    return LoadReviewed(
        basis="transcribed", record_seen=record_seen, findings=findings if record_seen else (), remark=remark
    )


def place_hold(load: Load, hold: UUID, words: WordsRef) -> HoldPlaced | Refusal:
    """Anyone may hold, alone and at once; after a release it puts the load under recall review."""
    if load.stage == "none":
        return Refusal("load-unknown", "There is no such load.", "Scan its tag or search for it.")
    return HoldPlaced(hold=hold, words=words)


def lift(load: Load, key: str, words: WordsRef, signatures: Collection[Signature]) -> HoldLifted | Refusal:
    """Lift one hold: a signer for each group of roles that the table names, all different people."""
    hold = next((hold for hold in holds(load) if hold.key == key), None)
    if hold is None:
        return Refusal("hold-unknown", f"{load.name} has no such hold standing.", "Read the load’s page again.")
    groups = LIFTED_BY.get(hold.code, NOBODY)
    if not groups:
        return Refusal("hold-not-liftable", f"Not possible: {hold.sentence} {hold.who}", "Run the items again.")
    if len({signature.person for signature in signatures}) < len(signatures):
        return Refusal("same-person-twice", "You can’t sign twice.", "A second person must agree.")
    if not each_group_signed(groups, [signature.roles for signature in signatures]):
        return Refusal("may-not-lift", f"This hold is not yours to lift. {hold.who}.", "Ask them to sign.")
    return HoldLifted(hold=key, code=hold.code, words=words, signatures=tuple(signatures))


def each_group_signed(groups: tuple[frozenset[str], ...], roles: list[tuple[str, ...]]) -> bool:
    """Is there one signer for each group, and nobody over? `roles` are those of each signer."""
    if not groups:
        return not roles
    return any(
        groups[0] & set(mine) and each_group_signed(groups[1:], roles[:place] + roles[place + 1 :])
        for place, mine in enumerate(roles)
    )


def release_refusal(load: Load) -> Refusal | None:
    """Why this load can't be released now, or None where only a signature is missing."""
    if load.release is not None or load.reprocessed:
        ended = "released" if load.release is not None else "reprocessed"
        return Refusal("already-ended", f"{load.name} is {ended} already.", "Read the load’s page.")
    if load.reruns:
        return Refusal("run-again", f"{load.name} was run again; its items are in that load.", "Release that one.")
    standing = holds(load)
    if standing:
        pinned = "" if standing[0].liftable else " No signature changes that."
        return Refusal(
            "hold-stands",
            f"Release is not possible: {standing[0].sentence}{pinned}",
            f"{standing[0].who}." if standing[0].liftable else "Hold the load; run its items again.",
        )
    if load.stage != "finished":
        return Refusal(
            "cycle-not-ended",
            f"Release is not possible: no complete cycle of {load.name} has ended.",
            "Wait.",
        )
    if load.review is None:
        return Refusal(
            "not-reviewed",
            "Release is not possible: nobody has reviewed the record.",
            "Review the record first.",
        )
    return None


def release(load: Load, purpose: Purpose, signature: Signature, policy_position: int) -> LoadReleased | Refusal:
    """Release a reviewed load with nothing standing against it, *for packing* or *for use*."""
    refusal = release_refusal(load)
    if refusal is not None:
        return refusal
    if purpose not in PURPOSES:
        return Refusal("purpose-unknown", f"“{purpose}” is not what a load is released for.", "packing, or use.")
    return LoadReleased(
        purpose=purpose,
        signature=signature,
        rules_edition=RULES_EDITION,
        policy_position=policy_position,
        lifted=tuple(lift.key for lift in load.lifts),
    )

"""What is decided at the end of a load's life: its review, a hold and its lifting, its release.

Source: common practice (release of washed loads by a competent, authorised person after review of the
cycle's record).
"""

from __future__ import annotations

from collections.abc import Collection
from uuid import UUID

from incidents.rules.events import (
    Finding,
    HoldLifted,
    HoldPlaced,
    LiftSigned,
    LiftWithdrawn,
    LoadReleased,
    LoadReviewed,
    Purpose,
    RecordWithdrawn,
    Signature,
    Verdict,
    WordsRef,
)
from incidents.rules.holds import WITHDRAWN_BY, each_group_signed, groups_of, holds, may_sign_to_lift, who_lifts
from incidents.rules.load_state import Load
from incidents.rules.readings import evidence_withdrawn, second_reading_refusal
from incidents.rules.refusals import Refusal

RULES_EDITION = 1
PURPOSES: tuple[Purpose, ...] = ("packing", "use")
VERDICTS: tuple[Verdict, ...] = ("met", "not-met", "not-proven")


def review(
    load: Load,
    record_seen: bool,
    verdicts: dict[str, Verdict],
    remark: WordsRef | None = None,
    by: UUID | None = None,
) -> LoadReviewed | Refusal:
    """State each criterion of the programme in force. What is not stated is not proven.

    Where only a strip is there on the basis *computed*, a second person states them once more.
    """
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
    after_withdrawal = load.basis == "transcribed" and evidence_withdrawn(load) is not None
    if load.review is not None and load.review.record_seen and not after_withdrawal:
        again = second_reading_refusal(load, by or load.review.by)
        if again is not None:
            return again
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


def lift(
    load: Load, key: str, words: WordsRef, signatures: Collection[Signature], twice: Collection[str] = ()
) -> HoldLifted | Refusal:
    """Lift one hold: a signer for each group of roles that the table names, all different people.

    `twice` are codes for which policy asks for a second person besides.
    """
    hold = next((hold for hold in holds(load) if hold.key == key), None)
    if hold is None:
        return Refusal("hold-unknown", f"{load.name} has no such hold standing.", "Read the load’s page again.")
    groups = groups_of(hold.code, twice)
    if not groups:
        return Refusal("hold-not-liftable", f"Not possible: {hold.sentence} {hold.who}", "Run the items again.")
    if len({signature.person for signature in signatures}) < len(signatures):
        return Refusal("same-person-twice", "You can’t sign twice.", "A second person must agree.")
    if not each_group_signed(groups, [signature.roles for signature in signatures]):
        return _not_theirs(hold.code, twice)
    return HoldLifted(hold=key, code=hold.code, words=words, signatures=tuple(signatures))


def _not_theirs(code: str, twice: Collection[str]) -> Refusal:
    who = who_lifts(code, twice)
    return Refusal("may-not-lift", f"This hold is not yours to lift. {who}.", "Ask them to sign.")


def sign_first(
    load: Load, key: str, words: WordsRef, signature: Signature, twice: Collection[str] = ()
) -> LiftSigned | Refusal:
    """Sign as the first of the two people whom a hold needs; until the second has signed, the load stays held."""
    hold = next((hold for hold in holds(load) if hold.key == key), None)
    if hold is None:
        return Refusal("hold-unknown", f"{load.name} has no such hold standing.", "Read the load’s page again.")
    groups = groups_of(hold.code, twice)
    if not groups:
        return Refusal("hold-not-liftable", f"Not possible: {hold.sentence} {hold.who}", "Run the items again.")
    if len(groups) < 2:
        return Refusal("one-signature-lifts", "One signature lifts this hold.", "Lift it at once.")
    first = load.first_signature(key)
    if first is not None and not first.void:
        return Refusal(
            "first-signed-already", "A first signature stands already.", "Give the second, or have it withdrawn."
        )
    if not may_sign_to_lift(hold.code, signature.roles, twice):
        return _not_theirs(hold.code, twice)
    return LiftSigned(hold=key, code=hold.code, words=words, signature=signature)


def sign_second(load: Load, key: str, words: WordsRef | None, signature: Signature) -> HoldLifted | Refusal:
    """Sign as the second person, and so lift the hold. The first must have signed this load, unchanged since."""
    first = load.first_signature(key)
    if first is None:
        return Refusal("first-missing", "Nobody has signed first.", "Sign first, or both sign at once.")
    if first.void:
        return Refusal(
            "first-void", f"The first signature no longer counts: {first.void}.", "Read what changed, sign anew."
        )
    return lift(load, key, words or first.words, (first.signature, signature), twice=(first.code,))


def withdraw(load: Load, key: str, words: WordsRef | None) -> LiftWithdrawn | Refusal:
    """Take a first signature back, one's own or another's; the hold stands as it did."""
    first = load.first_signature(key)
    if first is None:
        return Refusal("first-missing", "Nobody has signed first.", "Read the load’s page again.")
    return LiftWithdrawn(hold=key, signed=first.event_id, words=words)


def withdraw_record(
    load: Load, record: UUID, words: WordsRef, signatures: Collection[Signature]
) -> RecordWithdrawn | Refusal:
    """Take a record off a load that is not its own: by a supervisor and infection prevention."""
    if not any(kept.event_id == record for kept in load.records):
        return Refusal("record-unknown", f"{load.name} has no such record.", "Read its readings again.")
    if len({signature.person for signature in signatures}) < len(signatures):
        return Refusal("same-person-twice", "You can’t sign twice.", "A second person must agree.")
    if not each_group_signed(WITHDRAWN_BY, [signature.roles for signature in signatures]):
        return Refusal(
            "may-not-withdraw",
            "A record is withdrawn by two people: a supervisor and infection prevention.",
            "Ask them to sign.",
        )
    return RecordWithdrawn(record=record, words=words, signatures=tuple(signatures))


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
    if load.basis == "computed" and load.records and load.review.readings != load.records[-1].content:
        return Refusal(
            "not-reviewed",
            "Release is not possible: nobody has looked at the readings that count now.",
            "Review them first.",
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

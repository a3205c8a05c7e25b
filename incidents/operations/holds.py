"""Review, hold, lift and release: the decisions at the end of a load's way."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from incidents.identity import signing
from incidents.identity.signing import UsedSigning
from incidents.operations.deeds import Doing, Refused, decision, refuse
from incidents.queries import facts
from incidents.rules import devices
from incidents.rules import release as rules
from incidents.rules.events import LoadReleased, Purpose, SeenLoad, Signature, Stream, Verdict
from incidents.rules.loads import Load
from incidents.rules.refusals import Refusal


@decision
def review_load(
    doing: Doing, *, load: UUID, record_seen: bool, verdicts: dict[str, Verdict], remark: str = ""
) -> None:
    """A named person read the machine's own record and states each criterion."""
    found = doing.load(load)
    said = doing.words(remark) if remark else None
    doing.record(Stream("load", load), rules.review(found, record_seen, verdicts, said, doing.by.actor.id))


@decision
def hold_load(doing: Doing, *, load: UUID, words: str) -> None:
    """Anyone may hold a load, alone and at once, and says why."""
    found = doing.load(load)
    if not words.strip():
        raise refuse("reason-missing", "A hold needs a reason.", "Say in a sentence why the load is held.")
    doing.record(Stream("load", load), rules.place_hold(found, doing.new("hold"), doing.words(words)))


@decision
def lift_hold(doing: Doing, *, load: UUID, hold: str, words: str, signings: Sequence[UUID]) -> None:
    """Lift one hold, with a reason, signed by whoever the table names."""
    found = doing.load(load)
    if not words.strip():
        raise refuse("reason-missing", "Lifting a hold needs a reason.", "Say in a sentence why it may be lifted.")
    signatures = [_signature(doing, found, each) for each in signings]
    doing.record(Stream("load", load), rules.lift(found, hold, doing.words(words), signatures, _twice(doing)))


@decision
def sign_lift(doing: Doing, *, load: UUID, hold: str, words: str, signings: Sequence[UUID]) -> None:
    """Sign as the first of two people; the second may come later. The load stays held."""
    found = doing.load(load)
    if not words.strip():
        raise refuse("reason-missing", "Lifting a hold needs a reason.", "Say in a sentence why it may be lifted.")
    signature = _own_signature(doing, found, signings)
    doing.record(Stream("load", load), rules.sign_first(found, hold, doing.words(words), signature, _twice(doing)))


@decision
def second_lift(doing: Doing, *, load: UUID, hold: str, signings: Sequence[UUID], words: str = "") -> None:
    """Sign as the second person on the load as the first had it; that lifts the hold."""
    found = doing.load(load)
    signature = _own_signature(doing, found, signings)
    said = doing.words(words) if words.strip() else None
    doing.record(Stream("load", load), rules.sign_second(found, hold, said, signature))


@decision
def withdraw_lift(doing: Doing, *, load: UUID, hold: str, words: str = "") -> None:
    """Take a first signature back."""
    found = doing.load(load)
    said = doing.words(words) if words.strip() else None
    doing.record(Stream("load", load), rules.withdraw(found, hold, said))


@decision
def withdraw_record(doing: Doing, *, load: UUID, record: UUID, words: str, signings: Sequence[UUID]) -> None:
    """Take a record off a load that is not its own, by two people; what it proved is missing from here on."""
    found = doing.load(load)
    if not words.strip():
        raise refuse("reason-missing", "A withdrawal needs its reason.", "Say why it is not this load’s.")
    signatures = [_signature(doing, found, each) for each in signings]
    doing.record(Stream("load", load), rules.withdraw_record(found, record, doing.words(words), signatures))


def _twice(doing: Doing) -> Sequence[str]:
    """The holds for which this facility asks for two people where the trade's table asks for one."""
    return facts.policy(doing.facility).two_people_lift


def _own_signature(doing: Doing, load: Load, signings: Sequence[UUID]) -> Signature:
    """The one signature of whoever does the deed."""
    if len(signings) != 1:
        raise refuse("signature-missing", "This needs one signature.", "Sign with badge and PIN.")
    signature = _signature(doing, load, signings[0])
    if signature.person != doing.by.actor.id:
        raise refuse(
            "other-person",
            "This badge is not yours. Each of the two signs in their own name.",
            "Sign with your own.",
        )
    return signature


@decision
def release_load(doing: Doing, *, load: UUID, purpose: Purpose, signings: Sequence[UUID]) -> None:
    """Release a reviewed load with nothing standing against it; the signature binds what was seen."""
    found = doing.load(load)
    refusal = rules.release_refusal(found)
    if refusal is not None:
        doing.record(Stream("load", load), refusal)
    if (missing := _missing(doing, found)) is not None:
        raise Refused(missing)
    if len(signings) != 1:
        raise refuse("signature-missing", "A release needs one signature.", "Sign with badge and PIN.")
    signature = _signature(doing, found, signings[0])
    if signature.person != doing.by.actor.id:
        raise refuse(
            "other-person",
            "This badge is not yours. A release is signed by whoever makes it.",
            "Sign with your own.",
        )
    doing.record(Stream("load", load), rules.release(found, purpose, signature, doing.log.size))


@decision
def release_round(doing: Doing, *, loads: Sequence[UUID], purpose: Purpose, signings: Sequence[UUID]) -> None:
    """Release a listed batch by one signature: each load as it was seen; what moved since is left out.

    The receipt tells which loads were released; the page names the others with their reasons.
    """
    if len(signings) != 1:
        raise refuse("signature-missing", "A release round needs one signature.", "Sign with badge and PIN.")
    used = _used(doing, signings[0])
    if used.person != doing.by.actor.id:
        raise refuse(
            "other-person",
            "This badge is not yours. A release is signed by whoever makes it.",
            "Sign with your own.",
        )
    seen = {each.load: each for each in used.seen}
    decided = [
        (load, _decided(doing, load, seen.get(load), used, signings[0], purpose)) for load in dict.fromkeys(loads)
    ]
    for load, event in decided:
        if not isinstance(event, Refusal):
            doing.record(Stream("load", load), event)
    refused = [event for _, event in decided if isinstance(event, Refusal)]
    if len(refused) == len(decided):
        first = refused[0] if refused else Refusal("no-loads", "No load was chosen.", "Choose loads from the list.")
        raise refuse(first.code, first.sentence, first.next_step)


def _decided(
    doing: Doing, load_id: UUID, seen: SeenLoad | None, used: UsedSigning, signing_id: UUID, purpose: Purpose
) -> LoadReleased | Refusal:
    load: Load = doing.state(Stream("load", load_id))
    if seen is None or not _is_as_seen(doing, load, seen):
        return Refusal("stale", f"{load.name} changed since you looked.", "Read what changed, sign again.")
    if (missing := _missing(doing, load)) is not None:
        return missing
    return rules.release(load, purpose, _as_signed(used, signing_id, seen), doing.log.size)


def _missing(doing: Doing, load: Load) -> Refusal | None:
    """Missing evidence means hold: what its machine may have said of this load, and was not heard."""
    since = load.assembled_at or load.started_at  # by our own clock, where we know it
    if load.machine is None or since is None:
        return None
    return devices.release_refusal(doing.machine(load.machine).missing, load.name, since)


def _used(doing: Doing, signing_id: UUID) -> UsedSigning:
    """Use a signature: once, within its 60 s, for this deed."""
    used = signing.use(doing.facility, signing_id, doing.request.deed, doing.request.now)
    if used is None:
        raise refuse(
            "signature-void",
            "The signature is no longer good: it serves one act, within 60 seconds. Nothing was written.",
            "Sign again.",
        )
    return used


def _is_as_seen(doing: Doing, load: Load, seen: SeenLoad) -> bool:
    return seen.version == load.version and seen.leaf == doing.log.leaf_of(Stream("load", load.id), load.version)


def _as_signed(used: UsedSigning, signing_id: UUID, seen: SeenLoad) -> Signature:
    return Signature(
        person=used.person,
        meaning=used.meaning,
        signing=signing_id,
        signed_at=used.signed_at,
        seen=(seen,),
        roles=used.roles,
    )


def _signature(doing: Doing, load: Load, signing_id: UUID) -> Signature:
    """A signature for this deed on this load exactly as it is now."""
    used = _used(doing, signing_id)
    seen = next((seen for seen in used.seen if seen.load == load.id), None)
    if seen is None or not _is_as_seen(doing, load, seen):
        raise refuse(
            "stale", f"{load.name} changed since you looked. Nothing was written.", "Read what changed, sign again."
        )
    return _as_signed(used, signing_id, seen)

"""Running the items of a held load again, and when the old load's story ends.

Only a complete new cycle clears the items: the old load ends as *reprocessed* when the first complete load
that each of its trays later went through is released and not under recall. It opens again if that falls.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from uuid import UUID

import msgspec

from incidents.rules.events import LoadReopened, LoadReprocessed, TrayProof
from incidents.rules.holds import disposition, under_recall
from incidents.rules.loads import Load
from incidents.rules.refusals import Refusal


class LaterLoad(msgspec.Struct, frozen=True):
    """A load that a tray went through later, as far as its proof needs it."""

    id: UUID
    complete: bool
    disposition: str
    under_recall: bool
    rejected: bool = False
    way: str = ""


def rerun_refusal(load: Load) -> Refusal | None:
    """Why the items of this load may not be run again now, or None."""
    what = disposition(load)
    if load.stage in ("running", "stopped"):
        return Refusal(
            "cycle-running", f"{load.name} can’t be run again: its cycle has not ended.", "Abort it first."
        )
    if load.stage in ("none", "assembled"):
        return Refusal("not-started", f"{load.name} has not been run yet.", "Start its cycle.")
    if (
        not load.reprocessed
        and load.release is not None
        and any(load.fate_of(tray) == "rejected" for tray in load.trays)
    ):
        return None
    if what == "released" and not under_recall(load):
        return Refusal("already-released", f"{load.name} is released.", "Hold it first, and say why.")
    if what == "reprocessed":
        return Refusal("already-reprocessed", f"{load.name} was reprocessed.", "Read the load’s page.")
    if what == "awaiting review" and not load.rejections:
        return Refusal(
            "awaiting-review",
            f"{load.name} awaits review; nothing is known against it.",
            "Review it, or hold it.",
        )
    return None


def trays_to_run(load: Load) -> tuple[UUID, ...]:
    """The trays that a re-run takes: of a released load those rejected, else all that have not left."""
    fates = {tray: load.fate_of(tray) for tray in load.trays}
    if load.release is not None and not under_recall(load):
        return tuple(tray for tray, fate in fates.items() if fate == "rejected")
    return tuple(tray for tray, fate in fates.items() if fate in ("", "rejected"))


def proof_of(tray: UUID, later: Sequence[LaterLoad]) -> TrayProof | None:
    """The proof that this tray is accounted for: `later` are the loads it went through since, in order.

    A load that never became complete proves nothing, and one that itself was reprocessed passes the
    question on to the next. The first other one decides.
    """
    for load in later:
        if load.way:
            return TrayProof(tray, load.id, load.way)
        if not load.complete or load.rejected or (load.disposition == "reprocessed" and not load.under_recall):
            continue
        if load.disposition == "released" and not load.under_recall:
            return TrayProof(tray, load.id)
        return None
    return None


def settle(load: Load, later: Mapping[UUID, Sequence[LaterLoad]]) -> LoadReprocessed | LoadReopened | None:
    """What follows for an old load from where its trays went since: its end, its reopening, or nothing."""
    gone = {left.tray: TrayProof(left.tray, load.id, left.way) for left in load.left}
    proofs = {tray: gone.get(tray) or proof_of(tray, later.get(tray, ())) for tray in load.trays}
    missing = [tray for tray, proof in proofs.items() if proof is None]
    if load.reprocessed:
        return LoadReopened(tray=missing[0]) if missing else None
    if missing or not load.trays:
        return None
    if load.release is not None and not under_recall(load):
        return None
    return LoadReprocessed(proofs=tuple(proof for proof in proofs.values() if proof is not None))

"""At the unloading: trays that are wet, soiled or damaged, and where trays go that don't go on.

A rejected tray goes back through a whole cycle. Whether the rest of its load may go on is the facility's policy.
"""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from msgspec.structs import replace

from incidents.rules.events import (
    ContaminationRecorded,
    Recorded,
    RejectReason,
    TrayLeft,
    TraysRejected,
    Way,
    WordsRef,
)
from incidents.rules.holds import under_recall
from incidents.rules.load_state import LeftTray, Load, Rejection
from incidents.rules.load_steps import unexpected
from incidents.rules.refusals import Refusal

REJECT_REASONS: dict[RejectReason, str] = {"wet": "wet", "soiled": "visibly soiled", "damaged": "damaged"}
WAYS: dict[Way, str] = {"repair": "to repair", "owner": "back to its owner", "discarded": "discarded"}


def rejected(load: Load, event: Recorded, data: TraysRejected) -> Load:
    mine = [tray for tray in data.trays if tray in load.trays]
    more = tuple(Rejection(tray, data.reason, data.rest_may_go_on, event.occurred_at) for tray in mine)
    after = replace(load, rejections=(*load.rejections, *more))
    if len(mine) < len(data.trays):
        after = unexpected(after, event, "A tray was rejected that this load does not have.")
    if load.release is not None:
        return unexpected(after, event, f"After its release a tray was found {REJECT_REASONS[data.reason]}.")
    if load.stage not in ("finished", "aborted", "incomplete"):
        return unexpected(after, event, "A tray was rejected though no cycle had ended.")
    return after


def contamination(load: Load, event: Recorded, data: ContaminationRecorded) -> Load:
    return replace(load, contamination_recorded=True)


def left(load: Load, event: Recorded, data: TrayLeft) -> Load:
    if data.tray not in load.trays:
        return unexpected(load, event, "A tray left that this load does not have.")
    return replace(load, left=(*load.left, LeftTray(data.tray, data.way, data.contaminated)))


def reject(
    load: Load, trays: Sequence[UUID], reason: RejectReason, rest_may_go_on: bool, words: WordsRef | None
) -> TraysRejected | Refusal:
    """Tray by tray; nobody is asked whether the machine's record was good."""
    if load.stage not in ("finished", "aborted", "incomplete"):
        return Refusal("cycle-not-ended", f"No cycle of {load.name} has ended.", "Inspect at the unloading.")
    if reason not in REJECT_REASONS:
        return Refusal("reason-unknown", f"“{reason}” is not a reason for a rejection.", "Wet, soiled or damaged.")
    wanted = tuple(dict.fromkeys(trays))
    if not wanted or not set(wanted) <= set(load.trays):
        return Refusal("tray-unknown", f"Choose trays that were in {load.name}.", "Scan or choose them again.")
    if any(load.fate_of(tray) for tray in wanted):
        return Refusal("tray-gone", "One of these trays was rejected or has left already.", "Read the load’s page.")
    return TraysRejected(
        trays=wanted, reason=reason, rest_may_go_on=rest_may_go_on or reason == "damaged", words=words
    )


def leave(load: Load, tray: UUID, way: Way, contaminated: bool, words: WordsRef) -> TrayLeft | Refusal:
    """A tray goes another documented way. Unless its cycle is released, it goes tagged as contaminated."""
    if tray not in load.trays:
        return Refusal("tray-unknown", f"{load.name} has no such tray.", "Scan it again.")
    if way not in WAYS:
        return Refusal("way-unknown", f"“{way}” is not a way for a tray.", "Repair, owner or discarded.")
    if load.stage in ("running", "stopped"):
        return Refusal("cycle-running", f"{load.name} is in the chamber: its cycle runs.", "Wait for its end.")
    if any(gone.tray == tray for gone in load.left):
        return Refusal("tray-gone", "This tray has left already.", "Read the load’s page.")
    if not contaminated and (load.release is None or under_recall(load) or load.fate_of(tray)):
        return Refusal(
            "tag-it",
            "This tray is not proven: it goes only with a tag that says contaminated.",
            "Tag it, then record it.",
        )
    return TrayLeft(tray=tray, way=way, contaminated=contaminated, words=words)

"""At the unloading: rejected trays, what unproven items touched, and trays that go another way."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from incidents.operations.deeds import Doing, decision, observation, refuse
from incidents.queries import facts
from incidents.rules import inspection
from incidents.rules.events import ContaminationRecorded, RejectReason, Stream, Way


@observation
def reject_trays(doing: Doing, *, load: UUID, trays: Sequence[UUID], reason: RejectReason, words: str = "") -> None:
    """Reject trays at the unloading; whether the rest goes on is the policy in force now."""
    found = doing.load(load)
    rest = reason in facts.policy(doing.facility).rest_may_go_on
    said = doing.words(words) if words else None
    doing.record(Stream("load", load), inspection.reject(found, trays, reason, rest, said))


@observation
def record_contamination(
    doing: Doing, *, load: UUID, surfaces: str, cleaned_by: str, loads_nearby: Sequence[UUID] = ()
) -> None:
    """Unproven items stood on the clean side: what they touched, what stood near, who cleaned."""
    doing.load(load)
    if not surfaces.strip() or not cleaned_by.strip():
        raise refuse("record-incomplete", "Say what was touched and who cleaned it.", "Fill in both.")
    for nearby in loads_nearby:
        doing.state_of_load(nearby)
    event = ContaminationRecorded(
        surfaces=doing.words(surfaces), loads_nearby=tuple(loads_nearby), cleaned_by=doing.words(cleaned_by)
    )
    doing.record(Stream("load", load), event)


@decision
def send_tray(doing: Doing, *, load: UUID, tray: UUID, way: Way, contaminated: bool, words: str) -> None:
    """A tray goes to repair, back to its owner, or is discarded; documented, and tagged if not proven."""
    found = doing.load(load)
    if not words.strip():
        raise refuse("reason-missing", "Say where the tray goes and why.", "One sentence is enough.")
    newest = facts.newest_loads(doing.facility, [tray]).get(tray)
    if newest is not None and newest != load:
        now_in = doing.state_of_load(newest)
        raise refuse("tray-elsewhere", f"This tray went into {now_in.name} since.", "Send it from that load.")
    doing.record(Stream("load", load), inspection.leave(found, tray, way, contaminated, doing.words(words)))

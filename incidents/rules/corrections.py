"""Corrections: an event stays as it was written; another one says what was otherwise, and why.

A correction never lifts a hold. A corrected attribution makes every authority and two-person rule be asked
again: two people who were one have not been two.
"""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from msgspec.structs import replace

from incidents.rules import alarms
from incidents.rules.events import (
    AlarmAcknowledged,
    AlarmRaised,
    AttributionCorrected,
    Corrected,
    CycleAborted,
    CycleFinished,
    CycleStarted,
    Event,
    HoldPlaced,
    LoadAssembled,
    LoadReleasedOnPaper,
    LoadReviewed,
    Recorded,
    WordsRef,
)
from incidents.rules.holds import WITHDRAWN_BY, each_group_signed, groups_of
from incidents.rules.load_state import Lift, Load, Release, WithdrawnRecord
from incidents.rules.load_steps import unexpected
from incidents.rules.refusals import Refusal

# Per type of event the fields that may be corrected. What decides a disposition is not among them.
CORRECTABLE: dict[str, tuple[str, ...]] = {
    "cycle-started": ("machine_cycle",),
    "cycle-finished": ("machine_cycle",),
    "load-placed": ("place", "spot"),
}
FIELD_WORDS = {"machine_cycle": "cycle number", "place": "place", "spot": "bay"}
# What a downtime form tells was done on paper, by whoever's name stands there, and needs the authority for this.
DEED_ON_PAPER: dict[type[Event], str] = {
    LoadAssembled: "assemble_load",
    CycleStarted: "start_cycle",
    AlarmRaised: "report_alarm",
    AlarmAcknowledged: "acknowledge_alarm",
    CycleAborted: "abort_cycle",
    CycleFinished: "report_end",
    LoadReviewed: "review_load",
    HoldPlaced: "hold_load",
    LoadReleasedOnPaper: "release_load",
}
PLACES = ("dirty-side", "clean-side", "quarantine")


def corrected(load: Load, event: Recorded, data: Corrected) -> Load:
    match data.field, data.value:
        case "machine_cycle", value if _is_whole(value):
            return replace(load, machine_cycle=int(value))
        case "place", "dirty-side" | "clean-side" | "quarantine" as place:
            clean_at = load.on_clean_side_at or (event.occurred_at if place == "clean-side" else None)
            newest = data.event == load.placed_by
            return replace(load, place=place if newest else load.place, on_clean_side_at=clean_at)
        case "spot", value:
            return replace(load, spot=value) if data.event == load.placed_by else load
        case _:
            return unexpected(load, event, "A correction was recorded that can’t be applied.")


def attribution_corrected(load: Load, event: Recorded, data: AttributionCorrected) -> Load:
    lifts = tuple(lift for each in load.lifts if (lift := _reattributed(each, data)) is not None)
    fallen = [gone for gone in load.withdrawn if not _still_withdrawn(gone, data)]
    after = replace(
        load,
        alarms=alarms.reattributed(load.alarms, data),
        placed_holds=tuple(
            replace(hold, by=data.person) if hold.event_id == data.event else hold for hold in load.placed_holds
        ),
        lifts=lifts,
        withdrawn=tuple(gone for gone in load.withdrawn if gone not in fallen),
        records=(*load.records, *(gone.record for gone in fallen)),
        release=_whose(load.release, data),
        left_on_paper=_whose(load.left_on_paper, data),
        attributions=(*load.attributions, (data.event, data.person)),
    )
    if not data.authorised:
        return unexpected(after, event, "Something was done by somebody who was not authorised to do it.")
    return after


def _whose(release: Release | None, data: AttributionCorrected) -> Release | None:
    """A release stays, with its true person; one that they might not give is *unexpected* besides."""
    return replace(release, by=data.person) if release and release.event_id == data.event else release


def _still_withdrawn(gone: WithdrawnRecord, data: AttributionCorrected) -> bool:
    """A withdrawal falls, and its record counts again, where its two people were one or one of them might not."""
    if data.event != gone.event_id:
        return True
    mine = [data.was == person for person in gone.by]
    people = {data.person if it else person for it, person in zip(mine, gone.by, strict=True)}
    roles = [data.roles if it else now for it, now in zip(mine, gone.roles, strict=True)]
    return data.authorised and len(people) == len(gone.by) and each_group_signed(WITHDRAWN_BY, roles)


def _reattributed(lift: Lift, data: AttributionCorrected) -> Lift | None:
    """The lift with its true people, or None where the rule that they satisfied falls."""
    told_in = [data.event in (lift.event_id, event) for event in lift.signed_in]
    if data.event != lift.event_id and not any(told_in):
        return lift
    signers = zip(told_in, lift.by, lift.signed_as, strict=True)
    mine = [here and data.was in (now, then) for here, now, then in signers]
    people = tuple(data.person if it else now for it, now in zip(mine, lift.by, strict=True))
    roles = tuple(data.roles if it else now for it, now in zip(mine, lift.roles, strict=True))
    groups = groups_of(lift.code, (lift.code,) if len(people) > 1 else ())
    stands = data.authorised and len(set(people)) == len(people) and each_group_signed(groups, list(roles))
    return replace(lift, by=people, roles=roles) if stands else None


def as_kept(field: str, value: str) -> str:
    """A value as it was typed, in the shape that the event keeps: a place may be typed by its words."""
    value = value.strip()
    return value.casefold().replace(" ", "-") if field == "place" else value


def correct(
    told: Sequence[Recorded], event_id: UUID, field: str, value: str, words: WordsRef
) -> Corrected | Refusal:
    """Correct a field of an event of this stream, from its type's list."""
    event = next((event for event in told if event.event_id == event_id), None)
    if event is None:
        return Refusal("event-unknown", "There is no such event here.", "Choose it on the load’s page.")
    kind = str(type(event.data).__struct_config__.tag)
    if field not in CORRECTABLE.get(kind, ()):
        return Refusal(
            "not-correctable",
            f"The {FIELD_WORDS.get(field, field)} of this event can’t be corrected.",
            "Add a note, or hold the load.",
        )
    if field == "machine_cycle" and not _is_whole(value):
        return Refusal("value-unfit", "A cycle number is a whole number.", "Read it off the machine’s record.")
    if field == "place" and value not in PLACES:
        named = ", ".join(PLACES).replace("-", " ")
        return Refusal("value-unfit", f"“{value}” is not a place.", f"One of {named}.")
    if len(value) > 40:
        return Refusal("value-unfit", "The new value has more than 40 characters.", "Shorten it.")
    return Corrected(event=event_id, field=field, value=value, words=words)


def _is_whole(value: str) -> bool:
    return value.isascii() and value.isdigit() and len(value) < 13

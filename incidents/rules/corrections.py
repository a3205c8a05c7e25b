"""Corrections: an event stays as it was written; another one says what was otherwise, and why.

A correction never lifts a hold. A corrected attribution makes every authority and two-person rule be asked
again: two people who were one have not been two.
"""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from msgspec.structs import replace

from incidents.rules.events import AttributionCorrected, Corrected, Recorded, WordsRef
from incidents.rules.load_state import Lift, Load
from incidents.rules.load_steps import unexpected
from incidents.rules.refusals import Refusal
from incidents.rules.release import LIFTED_BY, NOBODY, each_group_signed

# Per type of event the fields that may be corrected. What decides a disposition is not among them.
CORRECTABLE: dict[str, tuple[str, ...]] = {
    "cycle-started": ("machine_cycle",),
    "cycle-finished": ("machine_cycle",),
    "load-placed": ("place", "spot"),
}
PLACES = ("dirty-side", "clean-side", "quarantine")


def corrected(load: Load, event: Recorded, data: Corrected) -> Load:
    match data.field, data.value:
        case "machine_cycle", value if _is_whole(value):
            return replace(load, machine_cycle=int(value))
        case "place", "dirty-side" | "clean-side" | "quarantine" as place:
            clean = load.was_on_clean_side or place == "clean-side"
            newest = data.event == load.placed_by
            return replace(load, place=place if newest else load.place, was_on_clean_side=clean)
        case "spot", value:
            return replace(load, spot=value) if data.event == load.placed_by else load
        case _:
            return unexpected(load, event, "A correction was recorded that can’t be applied.")


def attribution_corrected(load: Load, event: Recorded, data: AttributionCorrected) -> Load:
    lifts = tuple(lift for each in load.lifts if (lift := _reattributed(each, data)) is not None)
    after = replace(load, lifts=lifts, attributions=(*load.attributions, (data.event, data.person)))
    if not data.authorised:
        return unexpected(after, event, "Something was done by somebody who was not authorised to do it.")
    return after


def _reattributed(lift: Lift, data: AttributionCorrected) -> Lift | None:
    """The lift with its true people, or None where the rule that they satisfied falls."""
    if lift.event_id != data.event:
        return lift
    mine = [data.was in pair for pair in zip(lift.by, lift.signed_as, strict=True)]
    people = tuple(data.person if it else now for it, now in zip(mine, lift.by, strict=True))
    roles = tuple(data.roles if it else now for it, now in zip(mine, lift.roles, strict=True))
    groups = LIFTED_BY.get(lift.code, NOBODY)
    stands = data.authorised and len(set(people)) == len(people) and each_group_signed(groups, list(roles))
    return replace(lift, by=people, roles=roles) if stands else None


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
            "not-correctable", f"“{field}” of this event can’t be corrected.", "Add a note, or hold the load."
        )
    if field == "machine_cycle" and not _is_whole(value):
        return Refusal("value-unfit", "A cycle number is a whole number.", "Read it off the machine’s record.")
    if field == "place" and value not in PLACES:
        return Refusal("value-unfit", f"“{value}” is not a place.", f"One of {', '.join(PLACES)}.")
    if len(value) > 40:
        return Refusal("value-unfit", "The new value has more than 40 characters.", "Shorten it.")
    return Corrected(event=event_id, field=field, value=value, words=words)


def _is_whole(value: str) -> bool:
    return value.isascii() and value.isdigit() and len(value) < 13

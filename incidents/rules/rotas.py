"""The facility's public holidays and rotas: set whole, with swaps in between."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from datetime import date
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules.calendars import is_clock, monday_of
from incidents.rules.escalation_events import CalendarSet, Rota, Swap, Turn, TurnSwapped
from incidents.rules.events import Recorded
from incidents.rules.refusals import Refusal

MOST_ROTAS, MOST_TURNS, MOST_SWAPS, MOST_HOLIDAYS = 20, 200, 500, 400
LONGEST_NAME, LONGEST_HOLIDAY = 40, 80


class Calendar(msgspec.Struct, frozen=True):
    """The facility's public holidays and rotas, with every swap since."""

    id: UUID
    version: int = 0
    told: CalendarSet | None = None


def fold(calendar: UUID, events: Sequence[Recorded]) -> Calendar:
    state = Calendar(calendar)
    for event in events:
        state = evolve(state, event)
    return state


def evolve(state: Calendar, event: Recorded) -> Calendar:
    after = replace(state, version=event.version)
    match event.data:
        case CalendarSet() as data:
            return replace(after, told=data)
        case TurnSwapped() as data if state.told is not None:
            rotas = tuple(_with_swap(rota, data) for rota in state.told.rotas)
            return replace(after, told=replace(state.told, rotas=rotas))
        case _:
            return after


def _with_swap(rota: Rota, data: TurnSwapped) -> Rota:
    return replace(rota, swaps=(*rota.swaps, data.swap)) if rota.name == data.rota else rota


def calendar_refusal(told: CalendarSet, people: Collection[UUID], in_use: Collection[str]) -> Refusal | None:
    """Why these can't be the holidays and rotas of these people, or None. `in_use` are rotas that ladders name."""
    if len(told.holidays) > MOST_HOLIDAYS or len(told.rotas) > MOST_ROTAS:
        said = f"At most {MOST_HOLIDAYS} holidays and {MOST_ROTAS} rotas are kept."
        return Refusal("calendar-long", said, "Leave out what is past.")
    for holiday in told.holidays:
        if not _is_day(holiday.day):
            return Refusal("day-unreadable", f"“{holiday.day[:20]}” is no day.", "Write it as 2026-12-25.")
        if not 0 < len(holiday.name.strip()) <= LONGEST_HOLIDAY:
            said = f"The holiday on {holiday.day} has a name of 1 to {LONGEST_HOLIDAY} characters."
            return Refusal("holiday-unnamed", said, "Write it beside the day.")
    if len({holiday.day for holiday in told.holidays}) != len(told.holidays):
        return Refusal("holiday-twice", "A day stands twice among the holidays.", "Keep one of them.")
    names = [rota.name for rota in told.rotas]
    if len({*names}) != len(names) or not all(0 < len(name.strip()) <= LONGEST_NAME for name in names):
        said = f"Each rota has a name of its own, of 1 to {LONGEST_NAME} characters."
        return Refusal("rota-unnamed", said, "Correct the names.")
    gone = sorted(set(in_use) - set(names))
    if gone:
        return Refusal(
            "rota-in-use", f"The policy in force names the rota “{gone[0]}”.", "Change the policy first."
        )
    for rota in told.rotas:
        said = next(_wrong_with_rota(rota, people), "")
        if said:
            return Refusal("rota-wrong", f"Rota “{rota.name}”: {said}.", "Correct it.")
    return None


def _wrong_with_rota(rota: Rota, people: Collection[UUID]) -> Iterator[str]:
    if len(rota.turns) > MOST_TURNS or len(rota.swaps) > MOST_SWAPS:
        yield f"at most {MOST_TURNS} turns and {MOST_SWAPS} swaps are kept"
    for turn in rota.turns:
        if turn.person not in people:
            yield "somebody on it is nobody here"
        if not turn.days or not set(turn.days) <= {1, 2, 3, 4, 5, 6, 7}:
            yield "a turn begins on days from 1, Monday, to 7, Sunday"
        if not (is_clock(turn.starts) and is_clock(turn.ends)):
            yield "a turn begins and ends at a time of day, as 22:00"
        if not 1 <= turn.every_weeks <= 52 or (turn.every_weeks > 1 and not _is_week(turn)):
            yield "a turn comes every 1 to 52 weeks, counted from a week, as 2026-W49"
    for swap in rota.swaps:
        yield from _wrong_with_swap(swap, people)


def _wrong_with_swap(swap: Swap, people: Collection[UUID]) -> Iterator[str]:
    if not {swap.person, swap.instead_of} <= set(people):
        yield "somebody who swaps is nobody here"
    if swap.person == swap.instead_of:
        yield "a swap is between two people"
    if swap.starts_at >= swap.ends_at:
        yield "a swap ends after it begins"


def swap_turn(state: Calendar, rota: str, swap: Swap, people: Collection[UUID]) -> TurnSwapped | Refusal:
    """Somebody takes another's turns on a rota for a while."""
    found = next((each for each in (state.told.rotas if state.told else ()) if each.name == rota), None)
    if found is None:
        return Refusal("rota-unknown", f"There is no rota “{rota[:40]}” here.", "Choose one of the list.")
    said = next(_wrong_with_swap(swap, people), "")
    if not said and len(found.swaps) >= MOST_SWAPS:
        said = "it has too many swaps"
    if said:
        return Refusal("swap-wrong", f"Rota “{rota}”: {said}.", "Correct it.")
    return TurnSwapped(rota=rota, swap=swap)


def _is_day(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _is_week(turn: Turn) -> bool:
    try:
        return bool(monday_of(turn.from_week))
    except ValueError:
        return False

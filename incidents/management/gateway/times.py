"""When something happened, from what a machine prints of its own clock on the wall."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

# It is sent nevertheless: an alarm that comes with a doubtful time is better than one that nobody sees. Where it
# falls among the others its number says; what doesn't fit holds the load.
WHAT_TO_DO = (
    "Compare it with the lines beside it; if it was another moment, correct the entry on the load’s page. Let the"
    " machine print UTC or its offset, or set its clock"
)


class Moment(NamedTuple):
    """`doubt` says why it could be another moment and what to do, or is empty."""

    at: datetime
    doubt: str = ""


def moment(text: str, time_format: str, zone: ZoneInfo) -> Moment:
    """The moment in UTC. Raises ValueError where the text is no time of that form."""
    if time_format == "iso":
        told = datetime.fromisoformat(text)
    else:
        told = datetime.strptime(text, time_format)  # noqa: DTZ007  the zone is the machine's, added below
    try:
        if told.tzinfo is not None:
            return Moment(told.astimezone(UTC))
        first, second = (told.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
        back = first.astimezone(zone).replace(tzinfo=None)
    except OverflowError:
        raise ValueError(f"{text} is beyond the calendar") from None
    if first == second:
        return Moment(first)
    if back == told:
        why = f"{told:%H:%M} came twice that night; sent as the first of the two, {first:%H:%M} UTC"
    else:
        gap = first - second if first > second else timedelta()
        why = f"{told:%H:%M} did not exist that night; sent as {gap.seconds // 60} min later, {first:%H:%M} UTC"
    return Moment(first, f"{why}. {WHAT_TO_DO}")

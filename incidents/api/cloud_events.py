"""Observations as CloudEvents 1.0 in JSON, one or a list of them, read into what the operation records.

`type` is the event's constant, `source` and `id` name it once and for all, `time` is the machine's own clock,
`sequence` its own counter.
"""

from __future__ import annotations

import re
import unicodedata
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Annotated, Any, Literal
from uuid import UUID

import msgspec
from msgspec import Meta

from incidents.api.members import Whole, strict
from incidents.api.problems import Malformed
from incidents.identity.ids import named
from incidents.ledger.canonical import LARGEST_INTEGER, NotCanonical, decode_each, decode_strict
from incidents.operations.observations import KINDS, Kind, Observed, Told

_RFC_3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?(Z|[+-]\d\d:\d\d)", re.IGNORECASE | re.ASCII)


class CloudEvent(msgspec.Struct, frozen=True):
    """A CloudEvent 1.0; extension attributes may come along."""

    specversion: Literal["1.0"]
    type: Kind
    source: Annotated[str, Meta(min_length=1, max_length=400, pattern=r"^\S*$")]
    id: Annotated[str, Meta(min_length=1, max_length=400)]
    data: strict(Told)  # type: ignore[valid-type]
    time: datetime | None = None
    sequence: Whole | Annotated[str, Meta(pattern="^[0-9]{1,16}$")] | None = None


def read_event(body: bytes, limit: int, machine: UUID) -> Observed:
    """One CloudEvent (CloudEvents 1.0, JSON format, 3). Raises Malformed."""
    try:
        return _observed(decode_strict(body, limit), machine)
    except NotCanonical as error:
        raise Malformed(str(error)) from None


def read_batch(body: bytes, limit: int, machine: UUID) -> list[Observed | Malformed]:
    """A list of them (JSON batch format, 4), each with what is wrong with it alone. Raises Malformed."""
    try:
        return [_observed_or_why_not(entry, machine) for entry in decode_each(body, limit)]
    except NotCanonical as error:
        raise Malformed(str(error)) from None


def _observed_or_why_not(entry: object, machine: UUID) -> Observed | Malformed:
    if isinstance(entry, NotCanonical):
        return Malformed(str(entry))
    try:
        return _observed(entry, machine)
    except Malformed as error:
        return error


def _observed(event: object, machine: UUID) -> Observed:
    if not isinstance(event, dict):
        raise Malformed("A CloudEvent is one JSON object.")
    if event.get("specversion") != "1.0":
        raise Malformed('`specversion` must be "1.0".')
    kind: Any = _text(event, "type")
    if kind not in KINDS:
        raise Malformed(f"`type` {kind[:40]!r} is not one of {', '.join(KINDS)}.")
    return Observed(
        kind=kind,
        deed=named(machine, f"{_source(event)} {_text(event, 'id')}"),
        occurred_at=_moment(event["time"]) if event.get("time") is not None else None,
        sequence=_sequence(event.get("sequence")),
        told=_told(event.get("data")),
    )


def sending_moment(date: str | None) -> datetime | None:
    """When the sender says that it sent: an HTTP date (RFC 9110, 6.6.1), exact to the second."""
    try:
        moment = parsedate_to_datetime(date or "")
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, TypeError, OverflowError):
        return None


def _text(event: dict[str, Any], name: str) -> str:
    value = event.get(name)
    if not isinstance(value, str) or not value or len(value) > 400:
        raise Malformed(f"`{name}` must be a text of 1 to 400 characters.")
    return value


def _source(event: dict[str, Any]) -> str:
    """A URI-reference (CloudEvents 1.0, `source`); without a blank in it, source and id name one event."""
    source = _text(event, "source")
    if any(sign.isspace() for sign in source):
        raise Malformed("`source` is a URI-reference and holds no blanks.")
    return source


def _moment(value: Any) -> datetime:
    """RFC 3339, with its offset; a leap second is taken as the second after it."""
    if not isinstance(value, str) or not _RFC_3339.fullmatch(value):
        raise Malformed("`time` must be RFC 3339 with an offset, as in 2026-11-24T10:45:02Z.")
    leap = value[17:19] == "60"
    text = (value[:17] + "59" + value[19:] if leap else value).upper().replace("Z", "+00:00")
    try:
        moment = datetime.fromisoformat(text).astimezone(UTC)
        return moment.replace(microsecond=999_999) if leap else moment
    except (ValueError, OverflowError):
        raise Malformed(f"`time` {value[:40]!r} is not a moment of the calendar.") from None


def _sequence(value: Any) -> int | None:
    """The device's counter: a whole number, or its digits as text (CloudEvents sequence extension)."""
    if value is None:
        return None
    number = int(value) if isinstance(value, str) and re.fullmatch(r"[0-9]{1,16}", value) else value
    if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number <= LARGEST_INTEGER:
        raise Malformed("`sequence` must be a whole number of 0 or more.")
    return number


def _told(data: Any) -> Told:
    if not isinstance(data, dict):
        raise Malformed("`data` must be an object with at least a `chamber`.")
    try:
        told = msgspec.convert({key: _composed(value) for key, value in data.items()}, Told)
    except msgspec.ValidationError as error:
        raise Malformed(f"`data`: {error}.") from None
    if told.machine_cycle is not None and not 0 <= told.machine_cycle <= LARGEST_INTEGER:
        raise Malformed("`data.machine_cycle` must be a whole number of 0 or more.")
    for name, limit in (("chamber", 40), ("programme", 80), ("code", 40), ("phase", 40), ("text", 200)):
        if len(getattr(told, name)) > limit:
            raise Malformed(f"`data.{name}` has more than {limit} characters.")
    return told


def _composed(value: Any) -> Any:
    return unicodedata.normalize("NFC", value) if isinstance(value, str) else value

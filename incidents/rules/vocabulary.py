"""What every event is made of: streams, actors, words by their digest, and the codes of the trade."""

from __future__ import annotations

from datetime import timedelta
from typing import ClassVar, Literal, NamedTuple
from uuid import UUID

import msgspec

Place = Literal["dirty-side", "chamber", "clean-side", "quarantine"]
Verdict = Literal["met", "not-met", "not-proven"]
CriterionKind = Literal["disinfection", "cleaning", "rinse", "drying", "upper-band", "documentation"]
Priority = Literal["high", "medium", "low"]
Resume = Literal["never", "supervisor", "technician"]
Purpose = Literal["packing", "use"]
RejectReason = Literal["wet", "soiled", "damaged"]
Way = Literal["repair", "owner", "discarded"]
SKEW = timedelta(minutes=2)  # how far a claimed time may be ahead of ours before that is odd
Exposure = Literal["splash", "burn", "sharps", "near-miss"]


class Stream(NamedTuple):
    """One thing's own story: a load, a machine, a programme, the fault catalogue, a set, the facility."""

    kind: str
    id: UUID


class Actor(msgspec.Struct, frozen=True, gc=False):
    """Who did it: a person or a device by id, or the sweep (`system`)."""

    kind: Literal["person", "device", "system"]
    id: UUID


class Event(msgspec.Struct, frozen=True, tag_field="type", gc=False):
    """What happened. Subclasses are the vocabulary.

    Nothing here can point back at itself: the garbage collector need not look through a long story (`gc=False`).
    """

    schema: ClassVar[int] = 1


class WordsRef(msgspec.Struct, frozen=True, gc=False):
    """Free text by its salted digest (hex SHA-256); the text itself is kept where it can be emptied."""

    digest: str

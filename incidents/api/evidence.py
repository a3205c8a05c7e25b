"""The ledger itself: its events in order, what proves each of them, and its head."""

from __future__ import annotations

from typing import Annotated, Any, Literal
from uuid import UUID

import msgspec
from msgspec import Meta

from incidents.api.door import Caller, Read
from incidents.api.lists import PAGE, Cursor, Limit, Page, cursor_in, cursor_out, page_of
from incidents.api.members import Moment, Whole
from incidents.api.told import Consistency, EventTold, Head, Proven, tell
from incidents.ledger import proving, reading
from incidents.ledger.browsing import Filter
from incidents.queries import evidence
from incidents.rules.events import TYPES

StreamKind = Literal[
    "load",
    "machine",
    "programme",
    "catalogue",
    "set",
    "rack",
    "policy",
    "downtime",
    "facility",
    "message",
    "care",
    "handover",
]


class EventsAsked(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    first: Annotated[Whole, Meta(description="The position to begin at.")] = 0
    stream_kind: StreamKind | None = None
    stream: Annotated[UUID, Meta(description="A load, a machine, … by id.")] | None = None
    type: Literal.__getitem__(tuple(sorted(TYPES))) | None = None  # type: ignore[valid-type]
    person: Annotated[UUID, Meta(description="Who did it.")] | None = None
    recorded_since: Moment | None = None
    recorded_before: Moment | None = None
    late: Annotated[bool, Meta(description="Only what was entered more than two minutes late.")] = False
    limit: Limit = PAGE
    cursor: Cursor | None = None


class Events(Read):
    """Events in the order of the ledger, from the first on: whoever goes on from the last one misses none."""

    tag, operation_id, summary = "evidence", "events", "Events"
    asks, gives = EventsAsked, page_of("Event", EventTold)

    def read(self, caller: Caller, asked: Any, **path: Any) -> Page:
        facility = caller.facility.id
        wanted = Filter(
            stream_kind=asked.stream_kind,
            stream_id=asked.stream,
            types=(asked.type,) if asked.type else None,
            person=asked.person,
            since=asked.recorded_since,
            until=asked.recorded_before,
            late_only=asked.late,
        )
        salt = f"cursor {self.operation_id} {facility}"
        behind = cursor_in(asked.cursor, salt)
        first = asked.first if behind is None else behind[0]
        stored = evidence.stored(facility, wanted, first, asked.limit + 1)
        shown = stored[: asked.limit]
        more = [shown[-1].position + 1] if len(stored) > asked.limit else None
        return Page([_event(each) for each in shown], cursor_out(more, salt))


def _event(each: evidence.Stored) -> EventTold:
    return tell(EventTold, each, event=msgspec.Raw(each.body.encode()))


class ProofAsked(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    size: (
        Annotated[Whole, Meta(description="Of the log to prove it in; as long as it is now unless told.")] | None
    ) = None


class Proof(Read):
    """An event’s exact bytes, and the inclusion proof that it stands in the log of a given size."""

    tag, operation_id, summary = "evidence", "proof", "An event proven"
    asks, gives = ProofAsked, Proven

    def read(self, caller: Caller, asked: Any, **path: Any) -> Proven | None:
        found = proving.inclusion(caller.facility.id, path["position"], asked.size)
        return None if found is None else tell(Proven, found)


class LogHead(Read):
    """How long the log is and the root that proves all of it."""

    tag, operation_id, summary = "evidence", "log", "The head of the log"
    gives = Head

    def read(self, caller: Caller, asked: Any, **path: Any) -> Head | None:
        head = reading.head(caller.facility.id)
        return None if head is None else tell(Head, head, facility=caller.facility.id, root=head.root.hex())


class ConsistencyAsked(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    first: Annotated[Whole, Meta(description="How long the log was when you noted its root.")]
    second: Annotated[Whole, Meta(description="A later length; as long as it is now unless told.")] | None = None


class LogConsistency(Read):
    """That the log as it was is the beginning of the log as it is."""

    tag, operation_id, summary = "evidence", "consistency", "The log against its past"
    asks, gives = ConsistencyAsked, Consistency

    def read(self, caller: Caller, asked: Any, **path: Any) -> Consistency | None:
        found = proving.consistency(caller.facility.id, asked.first, asked.second)
        return None if found is None else tell(Consistency, found)

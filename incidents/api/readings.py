"""Records of readings over the API: a person gives a load's, a machine its own cycle's; the body is the file."""

from __future__ import annotations

from typing import Annotated, Any, BinaryIO, cast
from uuid import UUID

import msgspec
from django.http import HttpResponse
from msgspec import Meta
from rest_framework.request import Request as ApiRequest

from incidents.analysis.readings import BYTES_MOST
from incidents.api.door import Caller, Door, Read, wrong_body
from incidents.api.members import Text, Whole
from incidents.api.problems import of_refusal
from incidents.identity.ids import named
from incidents.ledger.writing import Receipt
from incidents.operations import readings
from incidents.operations.deeds import Outcome
from incidents.queries import facts
from incidents.queries import readings as of_readings
from incidents.queries.story import story
from incidents.rules.events import ComputedFinding
from incidents.rules.refusals import Refusal

EXAMPLE = "time_s,probe_1_degC,phase\n0,20.1,wash\n5,24.8,wash\n"
KINDS = ("text/csv", "application/json", "application/octet-stream")
File = Annotated[str, Meta(description="A record as docs/records.md says, CSV or JSON; at most 20 MB.")]


class ReadingsAsked(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The deed's id stands in the address, for the body is the file."""

    deed_id: Annotated[UUID, Meta(description="A UUIDv7 of yours. The same deed sent twice is done once.")]


class CycleAsked(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Which cycle of the token's own machine the record is of."""

    machine_cycle: Whole
    chamber: Text = "1"


class EditionAsked(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    edition: Annotated[Whole, Meta(description="Of the programme that the load went through.")]


class JudgedOtherwise(msgspec.Struct, frozen=True):
    """One record: as it was judged, and as this edition would judge it."""

    digest: str
    was: str
    verdict: str
    findings: tuple[ComputedFinding, ...]


class WhatIf(msgspec.Struct, frozen=True):
    """`judged_by` is the edition of the cycle’s start, whose verdict the load keeps."""

    load: UUID
    programme: str
    judged_by: int | None
    edition: int
    records: list[JudgedOtherwise]


class RecordDoor(Door):
    """Streams the body to the operation, which reads no more than it takes."""

    takes = File
    gives = Receipt
    success = 201
    media_types = KINDS
    example = EXAMPLE

    def post(self, request: ApiRequest, slug: str, **path: Any) -> HttpResponse:
        wrong = wrong_body(request._request, BYTES_MOST, KINDS)
        if wrong is not None:
            return wrong
        done = self.keep(self.caller, cast(BinaryIO, request._request), **path)
        if isinstance(done, Refusal):
            return of_refusal(done)
        return HttpResponse(msgspec.json.encode(done), status=self.success, content_type="application/json")

    def keep(self, caller: Caller, file: BinaryIO, **path: Any) -> Outcome:
        raise NotImplementedError


class Readings(RecordDoor):
    """Keep a load's record of readings; it is judged once, by the programme in force when its cycle started.

    The body is the file itself. What can't be read is refused with its line and column.
    """

    tag, operation_id, summary = "deeds", "keep_readings", "Keep readings"
    asks = ReadingsAsked

    def keep(self, caller: Caller, file: BinaryIO, **path: Any) -> Outcome:
        return readings.keep(caller.asks(self.query.deed_id), load=path["load"], file=file)


class OtherEdition(Read):
    """What another edition of its programme would find in a load’s records. Nothing is written."""

    tag, operation_id, summary = "loads", "what_if", "Judged by another edition"
    asks, gives = EditionAsked, WhatIf

    def read(self, caller: Caller, asked: Any, **path: Any) -> WhatIf | None:
        told = story(caller.facility.id, path["load"])
        found = of_readings.what_if(caller.facility.id, told.load, asked.edition) if told else None
        if told is None or found is None:
            return None
        force = told.load.programme
        return WhatIf(
            told.load.id,
            told.load.programme_name,
            force.edition if force else None,
            asked.edition,
            [
                JudgedOtherwise(
                    each.kept.digest,
                    each.kept.verdict,
                    each.verdict,
                    tuple(ComputedFinding(**finding._asdict()) for finding in each.findings),
                )
                for each in found
            ],
        )


class OwnReadings(RecordDoor):
    """Keep the record of a cycle of the token's own machine.

    The load is found by the machine's own counter. The same file sent twice is kept once.
    """

    tag, operation_id, summary = "devices", "keep_own_readings", "Keep a machine’s own readings"
    for_machines = True
    asks = CycleAsked

    def keep(self, caller: Caller, file: BinaryIO, **path: Any) -> Outcome:
        machine = caller.by.actor.id
        told = readings.receive(caller.facility.id, file, machine)
        if isinstance(told, Refusal):
            return told
        cycle, chamber = self.query.machine_cycle, self.query.chamber
        load = facts.has_cycle(caller.facility.id, machine, chamber, cycle)
        if load is None:
            return Refusal(
                "load-unknown",
                f"No load here went through cycle {cycle} of this machine’s chamber {chamber[:40]}.",
                "Keep the file, and send it again once the load is known.",
            )
        deed = named(machine, f"record {load} {told.digest}")
        return readings.keep_readings(caller.asks(deed), load=load, told=told)

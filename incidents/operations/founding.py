"""A facility from nothing: its administrator, its log, its first machine, programme and fault catalogue."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from incidents.identity.ids import named
from incidents.identity.models import Facility, Person
from incidents.ledger.writing import Deed, digest_of, founding
from incidents.operations import escalation, people, setting_up
from incidents.operations.deeds import Doer, Outcome, Refused, Request
from incidents.rules import programmes
from incidents.rules.events import Actor
from incidents.rules.refusals import Refusal


def found(given: Mapping[str, Any], deed: UUID, now: datetime) -> Person | Refusal:
    """Found it whole, or not at all. `given` are the fields of the first-run page."""
    facility = named(deed, "facility")
    system = Actor("system", facility)
    whole = Deed(deed, "found_facility", system, digest_of("found_facility", system, {}))
    try:
        with founding(facility, now, whole):
            if Person.objects.exists():
                raise Refused(Refusal("founded", "Somebody else was quicker: it is set up.", "Sign in."))
            Facility.objects.create(
                id=facility, slug=given["slug"], name=given["facility"], time_zone=given["time_zone"]
            )
            first = named(named(deed, "administrator"), "person")
            by = Doer(Actor("person", first), ("administrator",))
            refusal = next(
                (done for done in _first_deeds(given, deed, facility, by, now) if isinstance(done, Refusal)), None
            )
            if refusal is not None:
                raise Refused(refusal)
    except Refused as refused:
        return refused.refusal
    return Person.objects.get(id=first)


def _first_deeds(given: Mapping[str, Any], deed: UUID, facility: UUID, by: Doer, now: datetime) -> list[Outcome]:
    def asks(what: str) -> Request:
        return Request(deed=named(deed, what), facility=facility, by=by, now=now)

    phases = programmes.STARTING_PHASES
    return [
        setting_up.open_facility(asks("opened")),
        people.add_person(
            asks("administrator"),
            **{field: given[field] for field in ("name", "login", "password", "badge", "pin")},
            roles=("administrator",),
        ),
        escalation.adopt_escalation(asks("escalation")),
        setting_up.publish_catalogue(asks("catalogue"), faults=programmes.STARTING_FAULTS),
        setting_up.publish_programme(
            asks("programme"),
            name=given["programme"],
            phases=phases,
            expected_s=60 * sum(phase.minutes for phase in phases),
            grace_s=programmes.STARTING_GRACE_S,
            criteria=programmes.STARTING_CRITERIA,
        ),
        setting_up.register_machine(
            asks("machine"),
            name=given["machine"],
            code=given["machine_code"],
            chambers=given["chambers"].split(","),
            programmes=given.get("takes_programmes", "").splitlines(),
            racks=given.get("takes_racks", "").splitlines(),
        ),
    ]

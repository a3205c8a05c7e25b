"""What a department is made of: its catalogue, programmes, sets, trays, racks, policy, forms and people."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import msgspec

from incidents.api.door import Caller, Read
from incidents.api.lists import Many, asked_of, page_of
from incidents.api.told import (
    CalculationTold,
    Catalogue,
    ChangeTold,
    Draft,
    FormTold,
    PersonTold,
    Policy,
    PolicyEdition,
    ProgrammeStanding,
    ProgrammeTold,
    RackEntryTold,
    RackLine,
    RackTold,
    SetTold,
    TrayTold,
    tell,
)
from incidents.identity.people import competences_of
from incidents.identity.rights import roles_of
from incidents.queries import catalogue, facts, policies, programmes, racks, sets
from incidents.queries import listing as lists
from incidents.rules.events import ProgrammePublished


class TheCatalogue(Read):
    """The fault catalogue in force, and the draft of its next edition while one stands."""

    tag, operation_id, summary = "department", "catalogue", "The fault catalogue"
    gives = Catalogue

    def read(self, caller: Caller, asked: Any, **path: Any) -> Catalogue:
        standing = catalogue.standing(caller.facility.id)
        return tell(Catalogue, standing, draft=tell(Draft, standing.draft) if standing.draft else None)


class ThePolicy(Read):
    """What the trade leaves to the facility: the values in force and every edition before, the newest first."""

    tag, operation_id, summary = "department", "policy", "The policy"
    gives = Policy

    def read(self, caller: Caller, asked: Any, **path: Any) -> Policy:
        facility = caller.facility.id
        editions = [tell(PolicyEdition, each) for each in policies.editions(facility)]
        return Policy(policy=facts.policy(facility), editions=editions)


class Programmes(Many):
    """The newest edition of each programme, by name."""

    tag, operation_id, summary = "department", "programmes", "Programmes"
    listing, asks = lists.PROGRAMMES, asked_of("Programmes", lists.Programmes)
    gives = page_of("Programme", ProgrammeTold)

    def line(self, row: Any) -> ProgrammeTold:
        return tell(ProgrammeTold, msgspec.json.decode(row.body, type=ProgrammePublished), id=row.owner)


class OneProgramme(Read):
    """A programme: the edition in force, all the others, the draft and what it changes, and the calculation."""

    tag, operation_id, summary = "department", "programme", "A programme"
    gives = ProgrammeStanding

    def read(self, caller: Caller, asked: Any, **path: Any) -> ProgrammeStanding | None:
        found = programmes.standing(caller.facility.id, path["programme"], caller.now)
        if found is None:
            return None
        return tell(
            ProgrammeStanding,
            found,
            editions=[each.told for each in found.editions],
            changes=[ChangeTold(*each) for each in found.changes],
            calculation=CalculationTold(*found.calculation),
        )


class Trays(Many):
    """Trays by set, each with the unfinished load that it is in."""

    tag, operation_id, summary = "department", "trays", "Trays"
    listing, asks, gives = lists.TRAYS, asked_of("Trays", lists.Trays), page_of("Tray", TrayTold)

    def lines(self, facility: UUID, rows: list[Any]) -> list[TrayTold]:
        return trays_told(facility, rows)


def trays_told(facility: UUID, rows: list[Any]) -> list[TrayTold]:
    states = sets.states_of(facility, rows)
    return [
        tell(TrayTold, row, id=row.tray, set=row.owner, where=states[row.tray].where, load=states[row.tray].load)
        for row in rows
    ]


class Sets(Many):
    """Sets by name, each with its trays: it is available only when all of them are."""

    tag, operation_id, summary = "department", "sets", "Sets"
    listing, asks, gives = lists.SETS, asked_of("Sets", lists.Sets), page_of("Set", SetTold)

    def lines(self, facility: UUID, rows: list[Any]) -> list[SetTold]:
        trays = trays_told(facility, sets.trays_of_sets(facility, [row.owner for row in rows]))
        return [_set(row, [tray for tray in trays if tray.set == row.owner]) for row in rows]


def _set(row: Any, trays: list[TrayTold]) -> SetTold:
    available = not any(tray.where for tray in trays)
    owned = {"name": row.set_name, "owner": row.set_owner, "available": available, "trays": trays}
    return tell(SetTold, row, id=row.owner, **owned)


class Racks(Many):
    """Racks, by name."""

    tag, operation_id, summary = "department", "racks", "Racks"
    listing, asks, gives = lists.RACKS, asked_of("Racks", lists.Racks), page_of("Rack", RackLine)

    def line(self, row: Any) -> RackLine:
        return tell(RackLine, row, id=row.owner)


class OneRack(Read):
    """A rack and what happened to it, the newest first."""

    tag, operation_id, summary = "department", "rack", "A rack"
    gives = RackTold

    def read(self, caller: Caller, asked: Any, **path: Any) -> RackTold | None:
        told = racks.rack(caller.facility.id, path["rack"])
        if told is None:
            return None
        return tell(RackTold, told, entries=[tell(RackEntryTold, each) for each in told.entries])


class PaperForms(Many):
    """Downtime forms, the newest number first."""

    tag, operation_id, summary = "department", "paper_forms", "Downtime forms"
    listing, asks, gives = lists.FORMS, asked_of("Forms", lists.Forms), page_of("Form", FormTold)

    def line(self, row: Any) -> FormTold:
        return tell(FormTold, row)


class People(Many):
    """Whoever has or had a role here, by name."""

    tag, operation_id, summary = "department", "people", "People"
    listing, asks, gives = lists.PEOPLE, asked_of("People", lists.Unnarrowed), page_of("Person", PersonTold)

    def lines(self, facility: UUID, rows: list[Any]) -> list[PersonTold]:
        ids = [row.id for row in rows]
        roles, held = roles_of(facility, ids), competences_of(facility, ids)
        return [PersonTold(id=row.id, name=row.name, roles=roles[row.id], competences=held[row.id]) for row in rows]

"""What a department is made of, for Set-up."""

from __future__ import annotations

from collections import defaultdict
from typing import NamedTuple
from uuid import UUID

import msgspec

from incidents.identity.models import AccessToken, Competence, Membership
from incidents.projections.models import CatalogueRow, ProgrammeRow
from incidents.queries import facts, search
from incidents.queries.racks import to_choose


class PersonLine(NamedTuple):
    name: str
    roles: str
    competences: str


class MachineLine(NamedTuple):
    id: UUID
    name: str
    code: str
    chambers: str
    tokens: tuple[AccessToken, ...]


class SetLine(NamedTuple):
    name: str
    owner: str
    trays: tuple[str, ...]


class Overview(NamedTuple):
    people: tuple[PersonLine, ...]
    machines: tuple[MachineLine, ...]
    programmes: tuple[ProgrammeRow, ...]
    sets: tuple[SetLine, ...]
    catalogue_edition: int | None
    policy_edition: int
    racks: int


def overview(facility: UUID) -> Overview:
    edition = CatalogueRow.objects.filter(facility_id=facility, known_to=None).first()
    return Overview(
        people=tuple(_people(facility)),
        machines=tuple(_machines(facility)),
        programmes=tuple(ProgrammeRow.objects.filter(facility_id=facility, known_to=None).order_by("name")),
        sets=tuple(_sets(facility)),
        catalogue_edition=edition.edition if edition else None,
        policy_edition=facts.policy(facility).edition,
        racks=len(to_choose(facility)),
    )


def _people(facility: UUID) -> list[PersonLine]:
    roles: defaultdict[UUID, list[str]] = defaultdict(list)
    names: dict[UUID, str] = {}
    for membership in Membership.objects.filter(facility_id=facility).select_related("person"):
        names[membership.person_id] = membership.person.name
        roles[membership.person_id].append(membership.role.replace("-", " "))
    able: defaultdict[UUID, list[str]] = defaultdict(list)
    for competence in Competence.objects.filter(facility_id=facility):
        able[competence.person_id].append(f"{competence.kind} until {competence.valid_until:%d %b %Y}")
    lines = [PersonLine(names[person], ", ".join(roles[person]), ", ".join(able[person])) for person in names]
    return sorted(lines)


def _machines(facility: UUID) -> list[MachineLine]:
    tokens: defaultdict[UUID, list[AccessToken]] = defaultdict(list)
    for token in AccessToken.objects.filter(facility_id=facility, revoked_at=None).exclude(machine=None):
        tokens[token.machine].append(token)
    return [
        MachineLine(
            row.owner,
            row.name,
            row.code,
            ", ".join(msgspec.json.decode(row.chambers, type=tuple[str, ...])),
            tuple(tokens[row.owner]),
        )
        for row in search.machines(facility)
    ]


def _sets(facility: UUID) -> list[SetLine]:
    labels: defaultdict[tuple[str, str, UUID], list[str]] = defaultdict(list)
    for tray in search.trays(facility):
        labels[tray.set_name, tray.set_owner, tray.owner].append(tray.label)
    return [SetLine(name, owner, tuple(trays)) for (name, owner, _), trays in labels.items()]

"""What a department is made of, for Set-up."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple
from uuid import UUID

import msgspec
from django.db.models import Q, QuerySet

from incidents.identity import people
from incidents.identity.models import AccessToken, Competence, Membership, Person
from incidents.ledger.reading import read_stream
from incidents.projections.models import CatalogueRow, MachineRow, OpenItemRow, ProgrammeRow, RackRow, TrayRow
from incidents.queries import facts
from incidents.queries.sets import trays_of_sets
from incidents.rules.events import Stream
from incidents.rules.machines import Takes


class PersonLine(NamedTuple):
    id: UUID
    name: str
    roles: str
    competences: str


class MachineLine(NamedTuple):
    id: UUID
    name: str
    code: str
    chambers: str
    takes: str
    tokens: tuple[AccessToken, ...]


class SetLine(NamedTuple):
    name: str
    owner: str
    trays: tuple[str, ...]


class Overview(NamedTuple):
    """Of each kind at most `LISTED` of what was looked for; `unlisted` has (listed, all) of kinds with more."""

    people: tuple[PersonLine, ...]
    machines: tuple[MachineLine, ...]
    programmes: tuple[ProgrammeRow, ...]
    drafts: tuple[OpenItemRow, ...]
    sets: tuple[SetLine, ...]
    tokens: tuple[AccessToken, ...]
    unlisted: dict[str, tuple[int, int]]
    catalogue_edition: int | None
    policy_edition: int
    racks: int


LISTED = 50


def overview(facility: UUID, find: str = "") -> Overview:
    """What the department is made of; `find` is part of a name or code."""
    edition = CatalogueRow.objects.filter(facility_id=facility, known_to=None).first()
    kinds: dict[str, QuerySet[Any]] = {
        "people": _people(facility, find),
        "machines": _machines(facility, find),
        "programmes": ProgrammeRow.objects.filter(**_standing(facility), name__icontains=find).order_by("name"),
        "sets": _sets(facility, find),
        "tokens": _of_people(facility, find),
    }
    shown = {kind: list(rows[: LISTED + 1]) for kind, rows in kinds.items()}
    more = {kind: (LISTED, kinds[kind].count()) for kind, rows in shown.items() if len(rows) > LISTED}
    shown = {kind: rows[:LISTED] for kind, rows in shown.items()}
    return Overview(
        people=tuple(_people_lines(facility, shown["people"])),
        machines=tuple(_machine_lines(facility, shown["machines"])),
        programmes=tuple(shown["programmes"]),
        drafts=tuple(
            OpenItemRow.objects.filter(**_standing(facility), kind="programme-draft").order_by("title")[:LISTED]
        ),
        sets=tuple(_set_lines(facility, shown["sets"])),
        tokens=tuple(shown["tokens"]),
        unlisted=more,
        catalogue_edition=edition.edition if edition else None,
        policy_edition=facts.policy(facility).edition,
        racks=RackRow.objects.filter(**_standing(facility)).count(),
    )


def _standing(facility: UUID) -> dict[str, Any]:
    return {"facility_id": facility, "known_to": None}


def _of_people(facility: UUID, find: str) -> QuerySet[AccessToken]:
    """Tokens by which programs act for people, the newest first."""
    rows = AccessToken.objects.filter(facility_id=facility, machine=None, revoked_at=None)
    if find:
        rows = rows.filter(user__name__icontains=find)
    found: QuerySet[AccessToken] = rows.select_related("user").order_by("-created", "digest")
    return found


def _people(facility: UUID, find: str) -> QuerySet[Person]:
    members = Membership.objects.filter(facility_id=facility).values("person_id")
    return Person.objects.filter(id__in=members, name__icontains=find).order_by("name", "id")


class Held(NamedTuple):
    name: str
    roles: tuple[str, ...]
    competences: tuple[str, ...]


def rights_of(facility: UUID, person: UUID) -> Held | None:
    """What somebody may be here, by name; None of a stranger. Whoever has left is told of, with no role."""
    found = people.belongs(facility, person) or bool(read_stream(facility, Stream("person", person)))
    row = Person.objects.filter(id=person).first() if found else None
    if row is None:
        return None
    told = people.rights_of(facility, person)
    return Held(row.name, told.roles, tuple(each.kind for each in told.competences))


def _people_lines(facility: UUID, people: Sequence[Person]) -> Iterator[PersonLine]:
    theirs = {"facility_id": facility, "person__in": [person.id for person in people]}
    roles: defaultdict[UUID, list[str]] = defaultdict(list)
    for membership in Membership.objects.filter(**theirs):
        roles[membership.person_id].append(membership.role.replace("-", " "))
    able: defaultdict[UUID, list[str]] = defaultdict(list)
    for competence in Competence.objects.filter(**theirs):
        able[competence.person_id].append(f"{competence.kind} until {competence.valid_until:%d %b %Y}")
    for person in people:
        yield PersonLine(person.id, person.name, ", ".join(roles[person.id]), ", ".join(able[person.id]))


def _machines(facility: UUID, find: str) -> QuerySet[MachineRow]:
    rows = MachineRow.objects.filter(**_standing(facility)).order_by("name", "owner")
    return rows.filter(Q(name__icontains=find) | Q(code__icontains=find)) if find else rows


def _machine_lines(facility: UUID, rows: Sequence[MachineRow]) -> Iterator[MachineLine]:
    tokens: defaultdict[UUID, list[AccessToken]] = defaultdict(list)
    theirs = {"facility_id": facility, "revoked_at": None, "machine__in": [row.owner for row in rows]}
    for token in AccessToken.objects.filter(**theirs).order_by("-created", "digest"):
        tokens[token.machine].append(token)
    for row in rows:
        yield MachineLine(
            row.owner,
            row.name,
            row.code,
            ", ".join(msgspec.json.decode(row.chambers, type=tuple[str, ...])),
            _limits(msgspec.json.decode(row.takes, type=Takes)),
            tuple(tokens[row.owner]),
        )


def _limits(takes: Takes) -> str:
    """What it takes only, in words; nothing where it takes all."""
    said = {"programmes": takes.programmes, "racks": takes.racks}
    return " · ".join(f"{what}: {', '.join(names)}" for what, names in said.items() if names)


def _sets(facility: UUID, find: str) -> QuerySet[TrayRow]:
    """The first tray of each."""
    rows = TrayRow.objects.filter(facility_id=facility, place_in_set=1, set_name__icontains=find)
    return rows.order_by("set_name", "owner")


def _set_lines(facility: UUID, firsts: Sequence[TrayRow]) -> Iterator[SetLine]:
    labels: defaultdict[UUID, list[str]] = defaultdict(list)
    for tray in trays_of_sets(facility, [row.owner for row in firsts]):
        labels[tray.owner].append(tray.label)
    for row in firsts:
        yield SetLine(row.set_name, row.set_owner, tuple(labels[row.owner]))

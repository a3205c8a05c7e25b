"""Who belongs to a department: people with what signs for them, their roles and competences.

The ledger keeps ids, roles and competences; names, badges and secrets stand in `identity` alone, where a name can
be forgotten.
"""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from incidents.identity import people
from incidents.identity.rights import today_at
from incidents.operations.deeds import Doing, Refused, decision, refuse
from incidents.rules import people as rules
from incidents.rules.events import RightsSet, Stream
from incidents.rules.refusals import Refusal


@decision
def add_person(
    doing: Doing,
    *,
    name: str,
    login: str,
    password: str,
    badge: str,
    pin: str,
    roles: Sequence[str],
    competences: Sequence[str] = (),
) -> None:
    """Add a person with password, badge and PIN. A competence holds for a year; the id is `person` of the deed."""
    given = {"name": name.strip(), "login": login.strip(), "password": password, "badge": badge.strip(), "pin": pin}
    flaw = next(people.flaws(given), None)
    if flaw is not None:
        raise Refused(flaw.refusal)
    if not roles:
        raise refuse("person-incomplete", "A person needs a role. Nobody was added.", "Choose one.")
    person = doing.new("person")
    _record(doing, RightsSet(person), roles, competences, given)


@decision
def set_rights(doing: Doing, *, person: UUID, roles: Sequence[str], competences: Sequence[str] = ()) -> None:
    """Set all roles and competences of a person here, each competence for a year from today; no role: they left."""
    before = people.rights_of(doing.facility, person)
    if not before.roles and not doing.log.read(Stream("person", person)):
        raise refuse("person-unknown", "There is no such person here.", "Choose one from Set-up.")
    refusal = rules.leaves_nobody(people.administrators(doing.facility), person, roles)
    if refusal is not None:
        raise Refused(refusal)
    _record(doing, before, roles, competences)


def _record(
    doing: Doing,
    before: RightsSet,
    roles: Sequence[str],
    competences: Sequence[str],
    given: dict[str, str] | None = None,
) -> None:
    told = rules.rights_set(before, roles, competences, today_at(doing.facility, doing.request.now))
    doing.record(Stream("person", before.person), told)
    assert not isinstance(told, Refusal)
    if given is not None:
        try:
            people.add_person(given, id=before.person)
        except people.Taken:
            raise Refused(people.LOGIN_TAKEN.refusal) from None
    people.set_rights(doing.facility, told)

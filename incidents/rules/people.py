"""What a person must have here: a name, what signs them in and signs for them, roles, competences for a time."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import date, timedelta
from typing import Any, NamedTuple

from incidents.rules.authority import ADMINISTERS, COMPETENCES, PEOPLES_ROLES
from incidents.rules.events import CompetenceHeld, RightsSet
from incidents.rules.refusals import Refusal

LONGEST = {"name": 120, "login": 80, "badge": 64, "password": 128}
CALLED = {
    "name": "a name",
    "login": "a sign-in name",
    "badge": "a badge number",
    "password": "a password",
    "pin": "a PIN",
}
COMPETENT_FOR = timedelta(days=365)  # common practice: a competence is looked at again every year
_PIN = re.compile(r"[0-9]{4,12}", re.ASCII)


class Flaw(NamedTuple):
    """What is wrong with one thing that was told of a person, and what to do."""

    field: str
    code: str
    sentence: str
    next_step: str

    @property
    def refusal(self) -> Refusal:
        return Refusal(self.code, f"{self.sentence} Nobody was added.", self.next_step)


def flaws(given: Mapping[str, Any]) -> Iterator[Flaw]:
    """What is wrong with a new person's own members, each by itself; who is there already is not looked at."""
    for field, called in CALLED.items():
        text = str(given.get(field) or "")
        if not text.strip():
            yield Flaw(field, "person-incomplete", f"A person needs {called}.", "Fill it in.")
        elif len(text) > LONGEST.get(field, len(text)):
            yield Flaw(
                field,
                "text-too-long",
                f"{called.capitalize()} has at most {LONGEST[field]} characters.",
                "Shorten it.",
            )
        elif field == "pin" and not _PIN.fullmatch(text):
            yield Flaw(field, "pin", "A PIN has 4 to 12 digits.", "Choose another.")


def rights_refusal(roles: Sequence[str], competences: Sequence[str]) -> Refusal | None:
    """Why nobody may have these roles and competences, or None."""
    for kind, named, known in (("role", roles, PEOPLES_ROLES), ("competence", competences, COMPETENCES)):
        odd = next((each for each in named if each not in known), None)
        if odd is not None:
            return Refusal(
                f"{kind}-unknown", f"“{odd[:40]}” is no {kind} that a person has.", f"Choose of {', '.join(known)}."
            )
    if competences and not roles:
        return Refusal(
            "competence-alone", "Somebody without a role here has no competence here.", "Give a role too."
        )
    return None


def rights_set(
    before: RightsSet, roles: Sequence[str], competences: Sequence[str], today: date
) -> RightsSet | Refusal:
    """All that a person may be from now on. A competence that is named is found again: a year from today."""
    refusal = rights_refusal(roles, competences)
    if refusal is not None:
        return refusal
    held = tuple(
        CompetenceHeld(kind, today.isoformat(), (today + COMPETENT_FOR).isoformat())
        for kind in COMPETENCES
        if kind in competences
    )
    after = RightsSet(before.person, tuple(role for role in PEOPLES_ROLES if role in roles), held)
    if after == before:
        return Refusal(
            "nothing-changed", "These are the roles and competences that stand.", "Change something first."
        )
    return after


def leaves_nobody(administrators: Collection[Any], of: Any, roles: Collection[str]) -> Refusal | None:
    """A facility keeps somebody who can give rights; `administrators` are those who can now."""
    if set(administrators) <= {of} and administrators and not ADMINISTERS & set(roles):
        return Refusal(
            "last-administrator", "Nobody else here is an administrator.", "Make somebody else one first."
        )
    return None

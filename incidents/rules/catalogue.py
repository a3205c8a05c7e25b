"""The fault catalogue: the edition in force, the draft of the next one, and the two people between them.

One event publishes a whole edition, so that a cycle keeps the one it started under. A draft is whole as well;
it binds nobody until somebody else than its last author publishes it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Literal, NamedTuple
from uuid import UUID

import msgspec
from msgspec.structs import replace

from incidents.rules import faults as of_faults
from incidents.rules.events import CatalogueDrafted, CataloguePublished, Fault, Recorded
from incidents.rules.faults import Change, fault_refusal
from incidents.rules.programmes import is_code
from incidents.rules.refusals import Refusal


class Draft(msgspec.Struct, frozen=True):
    """A whole next edition, as its last author left it; `version` is the stream's that brought it."""

    version: int
    edition_from: int
    faults: tuple[Fault, ...]
    by: UUID
    at: datetime


class Catalogue(msgspec.Struct, frozen=True):
    id: UUID
    version: int = 0
    published: CataloguePublished | None = None
    published_version: int = 0
    draft: Draft | None = None

    @property
    def stands(self) -> int:
        """The version that brought what stands now: the draft's, or else the edition's in force."""
        return self.draft.version if self.draft else self.published_version

    @property
    def edition(self) -> int:
        """0 while nothing was published."""
        return self.published.edition if self.published else 0

    @property
    def faults(self) -> tuple[Fault, ...]:
        return self.published.faults if self.published else ()

    @property
    def next_faults(self) -> tuple[Fault, ...]:
        """What whoever drafts goes on from: the standing draft, or else the edition in force."""
        return self.draft.faults if self.draft else self.faults


def fold(catalogue_id: UUID, events: Sequence[Recorded]) -> Catalogue:
    catalogue = Catalogue(id=catalogue_id)
    for event in events:
        catalogue = evolve(catalogue, event)
    return catalogue


def evolve(catalogue: Catalogue, event: Recorded) -> Catalogue:
    """The next state. Total. A draft that says what is in force is none: so a draft is dropped."""
    after = replace(catalogue, version=event.version)
    match event.data:
        case CatalogueDrafted() as data:
            draft = Draft(event.version, data.edition_from, data.faults, event.actor.id, event.occurred_at)
            return replace(after, draft=None if data.faults == catalogue.faults else draft)
        case CataloguePublished() as data:
            return replace(after, published=data, published_version=event.version, draft=None)
        case _:
            return after


# --- deciding -----------------------------------------------------------------------------------------


def found(catalogue: Catalogue, faults: Sequence[Fault]) -> CataloguePublished | Refusal:
    """The first edition, by whoever founds the facility; every later one needs two people."""
    if catalogue.published is not None:
        return Refusal(
            "second-person-publishes",
            "A catalogue is in force. Its next edition needs two people.",
            "Draft it; a second person publishes the draft.",
        )
    return faults_refusal(faults) or CataloguePublished(edition=1, faults=_by_code(faults))


def draft(catalogue: Catalogue, faults: Sequence[Fault]) -> CatalogueDrafted | Refusal:
    """The whole next edition as it is meant to be; it replaces the draft that stands."""
    ordered = _by_code(faults)
    if ordered == catalogue.next_faults:
        return Refusal("nothing-changed", "The draft would say what stands already.", "Change something first.")
    return faults_refusal(faults) or CatalogueDrafted(edition_from=catalogue.edition, faults=ordered)


def publish(catalogue: Catalogue, person: UUID) -> CataloguePublished | Refusal:
    """Put the draft in force. Whoever drafted it last can't be the second person."""
    if catalogue.draft is None:
        return Refusal("no-draft", "No draft of the catalogue stands.", "Draft the next edition first.")
    if catalogue.draft.by == person:
        return Refusal("same-person-twice", "You can’t sign twice.", "A second person must agree.")
    publication = CataloguePublished(edition=catalogue.edition + 1, faults=catalogue.draft.faults)
    return faults_refusal(publication.faults) or publication


def _by_code(faults: Sequence[Fault]) -> tuple[Fault, ...]:
    """In one order, so that what says the same is the same."""
    return tuple(sorted(faults, key=lambda fault: fault.code))


def faults_refusal(faults: Sequence[Fault]) -> Refusal | None:
    """Why these faults make no catalogue, or None."""
    codes = [fault.code for fault in faults]
    doubles = sorted({code for code in codes if codes.count(code) > 1})
    if doubles:
        return Refusal(
            "fault-twice", f"The catalogue has fault {doubles[0]} twice.", "Give each fault its own code."
        )
    for fault in faults:
        odd = next((code for code in fault.resume if not is_code(code)), None)
        if odd is not None:
            return Refusal(
                "phase-code", f"Fault {fault.code} names “{odd}”, which is no phase code.", "Correct it."
            )
    return next(filter(None, map(fault_refusal, faults)), None)


# --- comparing ----------------------------------------------------------------------------------------


class Difference(NamedTuple):
    """What becomes of one fault from one edition to the next; `changes` only where it was changed."""

    kind: Literal["added", "removed", "changed", "unchanged"]
    fault: Fault
    changes: tuple[Change, ...] = ()


def compare(before: Sequence[Fault], after: Sequence[Fault]) -> list[Difference]:
    """Fault by fault, in the order of the codes. A fault that got another code was removed and added."""
    old = {fault.code: fault for fault in before}
    new = {fault.code: fault for fault in after}
    return [_difference(code, old, new) for code in sorted(old.keys() | new.keys())]


def _difference(code: str, old: Mapping[str, Fault], new: Mapping[str, Fault]) -> Difference:
    if code not in new:
        return Difference("removed", old[code])
    if code not in old:
        return Difference("added", new[code])
    changes = of_faults.changes(old[code], new[code])
    return Difference("changed" if changes else "unchanged", new[code], changes)

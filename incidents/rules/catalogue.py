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
from incidents.rules.events import AttributionCorrected, CatalogueDrafted, CataloguePublished, Fault, Recorded
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
    event_id: UUID


class Edition(msgspec.Struct, frozen=True):
    """A published edition with its two people, as every correction of their attribution left them.

    The first edition has no draft. `fallen_at` is when it turned out that they were one, or not authorised.
    """

    version: int
    event_id: UUID
    told: CataloguePublished
    by: UUID
    draft: Draft | None = None
    fallen_at: datetime | None = None


class Catalogue(msgspec.Struct, frozen=True):
    id: UUID
    version: int = 0
    editions: tuple[Edition, ...] = ()
    draft: Draft | None = None
    attributions: tuple[tuple[UUID, UUID], ...] = ()

    @property
    def in_force(self) -> Edition | None:
        """The newest edition that did not fall."""
        return next((edition for edition in reversed(self.editions) if edition.fallen_at is None), None)

    @property
    def published(self) -> CataloguePublished | None:
        return self.in_force.told if self.in_force else None

    @property
    def published_version(self) -> int:
        return self.in_force.version if self.in_force else 0

    @property
    def last_edition(self) -> int:
        """The number of the newest edition, also of one that fell: no number is given twice."""
        return self.editions[-1].told.edition if self.editions else 0

    @property
    def fallen(self) -> tuple[int, ...]:
        return tuple(edition.told.edition for edition in self.editions if edition.fallen_at is not None)

    def done_by(self, event: UUID, recorded: UUID) -> UUID:
        """Who did an event, after every correction of its attribution."""
        return dict(self.attributions).get(event, recorded)

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
            by, at = event.actor.id, event.occurred_at
            draft = Draft(event.version, data.edition_from, data.faults, by, at, event.event_id)
            return replace(after, draft=None if data.faults == catalogue.faults else draft)
        case CataloguePublished() as data:
            edition = Edition(event.version, event.event_id, data, event.actor.id, catalogue.draft)
            return replace(after, editions=(*catalogue.editions, edition), draft=None)
        case AttributionCorrected() as data:
            return _attribution_corrected(after, event, data)
        case _:
            return after


def _attribution_corrected(catalogue: Catalogue, event: Recorded, data: AttributionCorrected) -> Catalogue:
    """Every two-person rule is asked again. What falls never comes back; its faults stand as a draft again."""
    was = catalogue.in_force
    editions = tuple(_reattributed(edition, event, data) for edition in catalogue.editions)
    after = replace(
        catalogue,
        editions=editions,
        draft=_redrafted(catalogue.draft, data),
        attributions=(*catalogue.attributions, (data.event, data.person)),
    )
    again = next((edition for edition in editions if was is not None and edition.event_id == was.event_id), None)
    if again is None or again.fallen_at is None or after.draft is not None:
        return after
    whose = again.draft or Draft(0, 0, (), again.by, event.occurred_at, again.event_id)
    return replace(
        after,
        draft=replace(whose, version=event.version, edition_from=after.edition, faults=again.told.faults),
    )


def _reattributed(edition: Edition, event: Recorded, data: AttributionCorrected) -> Edition:
    drafted = edition.draft is not None and edition.draft.event_id == data.event
    if edition.fallen_at is not None or not (drafted or edition.event_id == data.event):
        return edition
    draft = edition.draft
    if draft is not None and drafted:
        draft = replace(draft, by=data.person)
    by = edition.by if drafted else data.person
    were_one = draft is not None and draft.by == by
    fallen_at = event.occurred_at if were_one or not data.authorised else None
    return replace(edition, by=by, draft=draft, fallen_at=fallen_at)


def _redrafted(draft: Draft | None, data: AttributionCorrected) -> Draft | None:
    if draft is None or draft.event_id != data.event:
        return draft
    return replace(draft, by=data.person) if data.authorised else None


# --- deciding -----------------------------------------------------------------------------------------


def found(catalogue: Catalogue, faults: Sequence[Fault]) -> CataloguePublished | Refusal:
    """The first edition, by whoever founds the facility; every later one needs two people."""
    if catalogue.published is not None:
        return Refusal(
            "second-person-publishes",
            "A catalogue is in force. Its next edition needs two people.",
            "Draft it; a second person publishes the draft.",
        )
    return faults_refusal(faults) or CataloguePublished(edition=catalogue.last_edition + 1, faults=_by_code(faults))


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
    publication = CataloguePublished(edition=catalogue.last_edition + 1, faults=catalogue.draft.faults)
    return faults_refusal(publication.faults) or publication


def _by_code(faults: Sequence[Fault]) -> tuple[Fault, ...]:
    """In one order, so that what says the same is the same."""
    return tuple(sorted(faults, key=lambda fault: fault.code))


def faults_refusal(faults: Sequence[Fault]) -> Refusal | None:
    """Why these faults make no catalogue, or None."""
    folded = [fault.code.casefold() for fault in faults]
    doubles = sorted(fault.code for fault in faults if folded.count(fault.code.casefold()) > 1)
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

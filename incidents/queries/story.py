"""One load: what it is, what stands against it, what happened to it, in sentences."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from incidents.identity.models import Person
from incidents.ledger.reading import leaf_of, read_stream, words_of
from incidents.projections.models import LoadRow, TrayRow
from incidents.queries import facts
from incidents.queries.sentences import Names, sentence_of
from incidents.rules import holds, loads
from incidents.rules.corrections import CORRECTABLE
from incidents.rules.events import (
    AttributionCorrected,
    Corrected,
    EnteredFromPaper,
    HoldLifted,
    LiftSigned,
    LoadReleasedOnPaper,
    Recorded,
    RecordWithdrawn,
    Stream,
    WordsRef,
)
from incidents.rules.holds import Hold
from incidents.rules.inspection import REJECT_REASONS, WAYS
from incidents.rules.load_state import FirstSignature
from incidents.rules.loads import SKEW, Load
from incidents.rules.meanings import some_of


class Entry(NamedTuple):
    """A line of what happened. `detail` says what is odd about its time, and the words said beside it."""

    at: datetime
    glyph: str
    sentence: str
    detail: str
    position: int
    event: UUID
    words: str


class FirstSigned(NamedTuple):
    """Who signed first to lift a hold that needs two; `void` says why that no longer counts."""

    person: UUID
    name: str
    at: datetime
    said: str
    void: str


class Board(NamedTuple):
    """A hold as a board shows it."""

    key: str
    code: str
    sentence: str
    evidence: str
    who: str
    liftable: bool
    first: FirstSigned | None = None
    people: int = 0


class LiftedBoard(NamedTuple):
    sentence: str
    evidence: str
    who: str
    liftable: bool
    lifted: str


class TrayLine(NamedTuple):
    """`fate` is what became of the tray other than the rest of its load: rejected, or the way it left.

    `became` says the same in words, and as what it was found.
    """

    id: UUID
    label: str
    set_name: str
    place_in_set: int
    set_size: int
    owner: str
    fate: str
    became: str = ""


class LinkedLoad(NamedTuple):
    id: UUID
    name: str
    disposition: str
    under_recall: bool


PAGE = 100  # of what happened, on a load's page


class Story(NamedTuple):
    """`events` are all there are; `entries_of` tells of those that are shown."""

    load: Load
    disposition: str
    under_recall: bool
    holds: tuple[Board, ...]
    lifted: tuple[LiftedBoard, ...]
    events: tuple[Recorded, ...]
    trays: tuple[TrayLine, ...]
    rerun_of: LinkedLoad | None
    reruns: tuple[LinkedLoad, ...]
    leaf: str

    @property
    def going(self) -> tuple[str, ...]:
        """Labels of the trays that go on with the load, where not all of them do; else nothing."""
        going = tuple(tray.label for tray in self.trays if not tray.fate)
        return going if len(going) < len(self.trays) else ()

    @property
    def subject(self) -> str:
        """What a signature is about: the load, or those of its trays that go on."""
        return some_of(self.load.name, self.going)

    @property
    def is_or_are(self) -> str:
        return "are" if len(self.going) > 1 else "is"

    @property
    def kept_back(self) -> list[TrayLine]:
        """The trays that a release does not take."""
        return [tray for tray in self.trays if tray.fate]


def shown(facility: UUID, told: Story, below: int | None = None) -> tuple[tuple[Entry, ...], int | None]:
    """The newest entries below a position, in their order, and the position to go on from, if there are more."""
    found = [event for event in told.events if below is None or event.position < below]
    return entries_of(facility, told, found[-PAGE:]), found[-PAGE].position if len(found) > PAGE else None


def entries_of(facility: UUID, told: Story, events: Sequence[Recorded]) -> tuple[Entry, ...]:
    """These events of a load in sentences."""
    names = Names(_people(events), words_of(facility, digests_of(events)), _labels(told.trays))
    mended = {one.data.event for one in told.events if isinstance(one.data, (Corrected, AttributionCorrected))}
    return tuple(_entry(event, names, mended) for event in events)


def story(facility: UUID, load_id: UUID, before: int | None = None) -> Story | None:
    """Everything about a load, folded from its own events; None where this facility has no such load.

    With `before`, as it was known when the log had that size.
    """
    stream = Stream("load", load_id)
    events = read_stream(facility, stream, before)
    if not events:
        return None
    load = loads.fold(load_id, events)
    standing = holds.holds(load)
    lifts = [event for event in events if isinstance(event.data, LiftSigned | HoldLifted)]
    said = digests_of(lifts) | {hold.words.digest for hold in standing if hold.words}
    trays = _trays(facility, load)
    people = _people(lifts, [placed.by for placed in load.placed_holds])
    names = Names(people, words_of(facility, said), _labels(trays))
    held_by = {f"manual:{placed.id}": f"held by {names.person(placed.by)}" for placed in load.placed_holds}
    twice = facts.policy(facility, before).two_people_lift if any(hold.liftable for hold in standing) else ()
    return Story(
        load=load,
        disposition=holds.disposition(load),
        under_recall=holds.under_recall(load),
        holds=tuple(
            _board(hold, held_by.get(hold.key, ""), names, load.first_signature(hold.key), twice)
            for hold in standing
        ),
        lifted=tuple(_lifted(lifts, names)),
        events=tuple(events),
        trays=trays,
        rerun_of=_linked(facility, [load.rerun_of])[0] if load.rerun_of else None,
        reruns=tuple(_linked(facility, load.reruns)),
        leaf=leaf_of(facility, stream, load.version),
    )


def _labels(trays: Iterable[TrayLine]) -> dict[UUID, str]:
    return {tray.id: tray.label for tray in trays}


def _people(events: Sequence[Recorded], besides: Iterable[UUID] = ()) -> dict[UUID, str]:
    ids = {*besides} | {event.actor.id for event in events if event.actor.kind == "person"}
    for event in events:
        if isinstance(event.data, AttributionCorrected):
            ids |= {event.data.person, event.data.was}
        if isinstance(event.data, EnteredFromPaper | LoadReleasedOnPaper) and event.data.claimed_by:
            ids.add(event.data.claimed_by)
        if isinstance(event.data, LiftSigned):
            ids.add(event.data.signature.person)
        if isinstance(event.data, HoldLifted | RecordWithdrawn):
            ids |= {signature.person for signature in event.data.signatures}
    return dict(Person.objects.filter(id__in=ids).values_list("id", "name"))


def digests_of(events: Iterable[Recorded]) -> set[str]:
    found = set()
    for event in events:
        for name in ("words", "remark", "surfaces", "cleaned_by"):
            ref = getattr(event.data, name, None)
            if isinstance(ref, WordsRef):
                found.add(ref.digest)
    return found


def _board(hold: Hold, held_by: str, names: Names, signed: FirstSignature | None, twice: Collection[str]) -> Board:
    said = names.said(hold.words)
    first = _first_signed(signed, names) if signed else None
    doubt = f", which no longer counts: {first.void}" if first and first.void else "; the second is missing"
    signed_by = f"First signature: {first.name}{doubt}" if first else ""
    evidence = " · ".join(part for part in (held_by, f"“{said}”" if said else "", hold.evidence, signed_by) if part)
    who, people = holds.who_lifts(hold.code, twice), len(holds.groups_of(hold.code, twice))
    return Board(hold.key, hold.code, hold.sentence, evidence, who, hold.liftable, first, people)


def _first_signed(first: FirstSignature, names: Names) -> FirstSigned:
    person = first.signature.person
    return FirstSigned(person, names.person(person), first.at, names.said(first.words), first.void)


def _lifted(events: Sequence[Recorded], names: Names) -> Iterable[LiftedBoard]:
    for event in events:
        if isinstance(event.data, HoldLifted):
            people = " and ".join(names.person(signature.person) for signature in event.data.signatures)
            said = names.said(event.data.words)
            evidence = f"“{said}”" if said else ""
            sentence = f"Hold lifted: {holds.hold_words(event.data.code)}."
            yield LiftedBoard(sentence, evidence, people, True, f"{people}, {event.occurred_at:%d %b %H:%M:%S} UTC")


def _entry(event: Recorded, names: Names, mended: Collection[UUID]) -> Entry:
    glyph, sentence = sentence_of(event, names)
    said = names.said(getattr(event.data, "words", None) or getattr(event.data, "remark", None))
    odd = oddity_of(event)
    below = "corrected below" if event.event_id in mended else ""
    detail = " · ".join(part for part in (f"“{said}”" if said else "", odd, below) if part)
    words = f"{event.occurred_at:%H:%M:%S} UTC {sentence}"
    return Entry(event.occurred_at, glyph, sentence, detail, event.position, event.event_id, words)


def correctable(event: Recorded) -> bool:
    """Does it say something that may be corrected?"""
    return str(type(event.data).__struct_config__.tag) in CORRECTABLE


def by_person(event: Recorded) -> bool:
    return event.actor.kind == "person"


def oddity_of(event: Recorded) -> str:
    """What is to be said of the two times: the one claimed and the one of the ledger."""
    recorded = f"recorded {event.recorded_at:%d %b %Y %H:%M:%S} UTC"
    if event.occurred_at - event.recorded_at > SKEW:
        return f"claims a time ahead of the clock here; {recorded}"
    if event.recorded_at - event.occurred_at > SKEW:
        return f"late entry; {recorded}"
    return ""


def _trays(facility: UUID, load: Load) -> tuple[TrayLine, ...]:
    rows = TrayRow.objects.filter(facility_id=facility, tray__in=load.trays).order_by("set_name", "place_in_set")
    return tuple(
        TrayLine(
            row.tray,
            row.label,
            row.set_name,
            row.place_in_set,
            row.set_size,
            row.set_owner,
            load.fate_of(row.tray),
            _became(load, row.tray),
        )
        for row in rows
    )


def _became(load: Load, tray: UUID) -> str:
    """How the tray was found, and where it went, in words; nothing where it goes with its load."""
    found = [REJECT_REASONS[rejection.reason] for rejection in load.rejections if rejection.tray == tray]
    gone = [f"went {WAYS[left.way]}" for left in load.left if left.tray == tray]
    return ", ".join([*found[:1], *gone[:1]])


def _linked(facility: UUID, ids: Iterable[UUID | None]) -> list[LinkedLoad]:
    wanted = [load for load in ids if load]
    rows = {row.owner: row for row in LoadRow.objects.filter(facility_id=facility, owner__in=wanted)}
    return [
        LinkedLoad(load, rows[load].name, rows[load].disposition, rows[load].under_recall)
        for load in wanted
        if load in rows
    ]

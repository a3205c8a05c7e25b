"""One load: what it is, what stands against it, what happened to it, in sentences."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from incidents.identity.models import Person
from incidents.ledger.reading import leaf_of, read_stream, words_of
from incidents.projections.models import LoadRow, TrayRow
from incidents.queries.sentences import Names, sentence_of
from incidents.rules import loads, release
from incidents.rules.corrections import CORRECTABLE
from incidents.rules.events import (
    AttributionCorrected,
    EnteredFromPaper,
    HoldLifted,
    LoadReleasedOnPaper,
    Recorded,
    Stream,
    WordsRef,
)
from incidents.rules.loads import SKEW, Load
from incidents.rules.release import Hold


class Entry(NamedTuple):
    """A line of what happened. `detail` says what is odd about its time, and the words said beside it."""

    at: datetime
    glyph: str
    sentence: str
    detail: str
    position: int
    event: UUID
    words: str
    correctable: bool
    by_person: bool


class Board(NamedTuple):
    """A hold as a board shows it."""

    key: str
    code: str
    sentence: str
    evidence: str
    who: str
    liftable: bool


class LiftedBoard(NamedTuple):
    sentence: str
    evidence: str
    who: str
    liftable: bool
    lifted: str


class TrayLine(NamedTuple):
    """`fate` is what became of the tray other than the rest of its load: rejected, or the way it left."""

    id: UUID
    label: str
    set_name: str
    place_in_set: int
    set_size: int
    owner: str
    fate: str


class LinkedLoad(NamedTuple):
    id: UUID
    name: str
    disposition: str
    under_recall: bool


class Story(NamedTuple):
    load: Load
    disposition: str
    under_recall: bool
    holds: tuple[Board, ...]
    lifted: tuple[LiftedBoard, ...]
    entries: tuple[Entry, ...]
    trays: tuple[TrayLine, ...]
    rerun_of: LinkedLoad | None
    reruns: tuple[LinkedLoad, ...]
    leaf: str


def story(facility: UUID, load_id: UUID, before: int | None = None) -> Story | None:
    """Everything about a load, folded from its own events; None where this facility has no such load.

    With `before`, as it was known when the log had that size.
    """
    stream = Stream("load", load_id)
    events = read_stream(facility, stream, before)
    if not events:
        return None
    load = loads.fold(load_id, events)
    words = words_of(facility, digests_of(events))
    names = Names(_people(events), words)
    return Story(
        load=load,
        disposition=release.disposition(load),
        under_recall=release.under_recall(load),
        holds=tuple(_board(hold, names) for hold in release.holds(load)),
        lifted=tuple(_lifted(events, names)),
        entries=tuple(_entry(event, names) for event in events),
        trays=_trays(facility, load),
        rerun_of=_linked(facility, [load.rerun_of])[0] if load.rerun_of else None,
        reruns=tuple(_linked(facility, load.reruns)),
        leaf=leaf_of(facility, stream, load.version),
    )


def _people(events: Sequence[Recorded]) -> dict[UUID, str]:
    ids = {event.actor.id for event in events if event.actor.kind == "person"}
    for event in events:
        if isinstance(event.data, AttributionCorrected):
            ids |= {event.data.person, event.data.was}
        if isinstance(event.data, EnteredFromPaper | LoadReleasedOnPaper) and event.data.claimed_by:
            ids.add(event.data.claimed_by)
        if isinstance(event.data, HoldLifted):
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


def _board(hold: Hold, names: Names) -> Board:
    said = names.said(hold.words)
    evidence = " · ".join(part for part in (f"“{said}”" if said else "", hold.evidence) if part)
    return Board(hold.key, hold.code, hold.sentence, evidence, hold.who, hold.liftable)


def _lifted(events: Sequence[Recorded], names: Names) -> Iterable[LiftedBoard]:
    for event in events:
        if isinstance(event.data, HoldLifted):
            people = " and ".join(names.person(signature.person) for signature in event.data.signatures)
            said = names.said(event.data.words)
            evidence = f"“{said}”" if said else ""
            sentence = f"Hold lifted: {event.data.code.replace('-', ' ')}."
            yield LiftedBoard(sentence, evidence, people, True, f"{people}, {event.occurred_at:%d %b %H:%M:%S} UTC")


def _entry(event: Recorded, names: Names) -> Entry:
    glyph, sentence = sentence_of(event, names)
    said = names.said(getattr(event.data, "words", None) or getattr(event.data, "remark", None))
    odd = oddity_of(event)
    detail = " · ".join(part for part in (f"“{said}”" if said else "", odd) if part)
    kind = str(type(event.data).__struct_config__.tag)
    return Entry(
        event.occurred_at,
        glyph,
        sentence,
        detail,
        event.position,
        event.event_id,
        f"{event.occurred_at:%H:%M:%S} UTC {sentence}",
        kind in CORRECTABLE,
        event.actor.kind == "person",
    )


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
        )
        for row in rows
    )


def _linked(facility: UUID, ids: Iterable[UUID | None]) -> list[LinkedLoad]:
    wanted = [load for load in ids if load]
    rows = {row.owner: row for row in LoadRow.objects.filter(facility_id=facility, owner__in=wanted)}
    return [
        LinkedLoad(load, rows[load].name, rows[load].disposition, rows[load].under_recall)
        for load in wanted
        if load in rows
    ]

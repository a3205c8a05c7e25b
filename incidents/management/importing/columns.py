"""The columns of the four kinds of file, and what a row says by them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, Literal, NamedTuple
from zoneinfo import ZoneInfo

from incidents.management.importing.cells import READ, Asked, readable
from incidents.management.importing.mapping import KINDS, Kind, Mapping, OfKind
from incidents.management.importing.problems import Flaw, Problem


class Column(NamedTuple):
    """`needed` columns must be in the file; `filled` ones must say something in each row."""

    name: str
    holds: Literal["text", "words", "list", "whole", "moment", "outcome"] = "text"
    needed: bool = False
    filled: bool = False


_MACHINE = Column("machine", needed=True, filled=True)
_CHAMBER, _COUNTER = Column("chamber"), Column("counter", "whole")
COLUMNS: dict[Kind, tuple[Column, ...]] = {
    "machines": (
        Column("name", needed=True, filled=True),
        Column("code", needed=True, filled=True),
        Column("chambers", "list", needed=True, filled=True),
    ),
    "loads": (
        _MACHINE,
        _CHAMBER,
        _COUNTER,
        Column("programme"),
        Column("start", "moment", needed=True, filled=True),
        Column("end", "moment"),
        Column("outcome", "outcome", needed=True),
        Column("trays", "list"),
    ),
    "alarms": (
        _MACHINE,
        _CHAMBER,
        _COUNTER,
        Column("code", needed=True, filled=True),
        Column("phase"),
        Column("title"),
        Column("raised", "moment", needed=True, filled=True),
        Column("acknowledged", "moment"),
        Column("cleared", "moment"),
    ),
    "repairs": (
        _MACHINE,
        _CHAMBER,
        Column("from", "moment", needed=True, filled=True),
        Column("until", "moment"),
        Column("words", "words", needed=True, filled=True),
    ),
}


class Place(NamedTuple):
    """Where a column of ours stands: its heading, and `at` is its place among the cells, or what it always says."""

    column: Column
    heading: str
    at: int
    fixed: str
    read: Callable[[str], Any]


# --- which kind, which columns ------------------------------------------------------------------------


def kind_of(file: str, headings: Sequence[str], mapping: Mapping) -> Kind:
    """Which of the four it is: as the mapping says, else by its headings. Raises Flaw."""
    if file in mapping.files:
        return mapping.files[file]
    fitting = [kind for kind in KINDS if not _missing(kind, headings, mapping.of(kind))]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        what, to_do = (
            f"It could be {' or '.join(fitting)}.",
            f'Say in the mapping which: [files] "{file}" = "loads".',
        )
        raise Flaw("kind-unclear", what, to_do)
    nearest = min(KINDS, key=lambda kind: len(_missing(kind, headings, mapping.of(kind))))
    lacks = _missing(nearest, headings, mapping.of(nearest))
    raise Flaw(
        "columns-missing",
        f"It fits none of the four kinds. Nearest is {nearest}, which lacks {', '.join(lacks)}.",
        f"Name its headings in the mapping: [{nearest}.columns].",
    )


def _missing(kind: Kind, headings: Sequence[str], own: OfKind) -> list[str]:
    needed = [column.name for column in COLUMNS[kind] if column.needed]
    return [name for name in needed if own.columns.get(name, name) not in headings and name not in own.fixed]


def places(kind: Kind, headings: Sequence[str], mapping: Mapping) -> list[Place]:
    """Where each of our columns stands in the file. Raises Flaw where a heading is neither ours nor left out."""
    own = mapping.of(kind)
    missing = _missing(kind, headings, own)
    if missing:
        named = f"Name its heading in the mapping: [{kind}.columns]."
        raise Flaw("columns-missing", f"A file of {kind} needs the column {', '.join(missing)}.", named)
    _no_strangers(kind, headings, own)
    zone = ZoneInfo(mapping.zone) if mapping.zone else None
    found = []
    for column in COLUMNS[kind]:
        heading = own.columns.get(column.name, column.name)
        index = headings.index(heading) if heading in headings else -1
        read = partial(READ[column.holds], Asked(mapping, own, column.name, column.filled, zone))
        found.append(Place(column, heading, index, own.fixed.get(column.name, ""), read))
    return found


def _no_strangers(kind: Kind, headings: Sequence[str], own: OfKind) -> None:
    ours = [column.name for column in COLUMNS[kind]]
    for named in (own.columns, own.fixed, own.values, own.formats):
        for name in named:
            if name not in ours:
                raise Flaw(
                    "column-unknown",
                    f"The mapping names a column “{name}” for {kind}.",
                    f"Ours are: {', '.join(ours)}.",
                )
    told = {own.columns.get(name, name) for name in ours} | set(own.ignore) | {""}
    for heading in headings:
        if heading not in told:
            raise Flaw(
                "column-unknown",
                "No column of ours has this heading.",
                f'Name it in the mapping under [{kind}.columns], or leave it out: [{kind}] ignore = ["{heading}"].',
                column=heading,
            )


# --- rows ---------------------------------------------------------------------------------------------


def values_of(
    places: Sequence[Place], cells: Sequence[str], file: str, line: int
) -> dict[str, Any] | list[Problem]:
    """What a row says, by our names; or everything that is wrong with it."""
    values: dict[str, Any] = {}
    problems = []
    for place in places:
        try:
            values[place.column.name] = _value(place, cells)
        except Flaw as flaw:
            problems.append(flaw.in_file(file, line, place.heading))
    return problems or values


def _value(place: Place, cells: Sequence[str]) -> Any:
    text = (cells[place.at] if place.at >= 0 else place.fixed).strip()
    if place.column.filled and not text:
        raise Flaw("cell-empty", "It is empty.", "Fill it in, or leave the line out.")
    readable(text)
    return place.read(text)

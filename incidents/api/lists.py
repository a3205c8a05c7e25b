"""Long lists: what may narrow them is derived from their filters; a cursor leads from one page to the next."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, ClassVar, Literal
from uuid import UUID

import msgspec
from django.core import signing
from django_filters import BooleanFilter, ChoiceFilter, FilterSet, IsoDateTimeFilter, UUIDFilter
from msgspec import Meta

from incidents.api.door import Caller, Read
from incidents.api.members import PRINTABLE, Moment
from incidents.api.problems import Malformed
from incidents.queries.listing import Listing, page

PAGE = 50
LARGEST_PAGE = 200
Limit = Annotated[int, Meta(ge=1, le=LARGEST_PAGE, description=f"How many at most; {PAGE} unless told.")]
Cursor = Annotated[
    str, Meta(min_length=1, max_length=400, pattern=PRINTABLE, description="`next` of the page before.")
]
SHORT = 120


def asked_of(name: str, narrowed: type[FilterSet]) -> type[msgspec.Struct]:
    """The query parameters of a list: its filters', and those of every page."""
    fields: list[Any] = [
        (parameter, _kind(each, each.extra.get("label") or "") | None, None)
        for parameter, each in narrowed.base_filters.items()
    ]
    return msgspec.defstruct(
        f"{name}Asked",
        [*fields, ("limit", Limit, PAGE), ("cursor", Cursor | None, None)],
        frozen=True,
        forbid_unknown_fields=True,
        kw_only=True,
        module=__name__,
    )


def _kind(each: Any, said: str) -> Any:
    told: dict[str, Any] = {"description": said} if said else {}
    if isinstance(each, ChoiceFilter):
        values = tuple(value for value, _ in each.extra["choices"])
        return Annotated[Literal.__getitem__(values), Meta(**told)] if told else Literal.__getitem__(values)
    if isinstance(each, UUIDFilter):
        return Annotated[UUID, Meta(**told)] if told else UUID
    if isinstance(each, BooleanFilter):
        return bool
    if isinstance(each, IsoDateTimeFilter):
        return Moment
    return Annotated[str, Meta(min_length=1, max_length=SHORT, pattern=PRINTABLE, **told)]


class Page(msgspec.Struct, frozen=True):
    """`next` is the cursor of the page that follows, or null at the end."""

    items: Any
    next: str | None


def page_of(name: str, item: Any) -> type[msgspec.Struct]:
    made = msgspec.defstruct(
        f"{name}Page", [("items", tuple.__class_getitem__((item, ...))), ("next", str | None)], module=__name__
    )
    made.__doc__ = Page.__doc__
    return made


class Many(Read):
    """A list of the facility; `line` makes of each row what is told of it."""

    listing: ClassVar[Listing]

    def read(self, caller: Caller, asked: Any, **path: Any) -> Page:
        facility = caller.facility.id
        narrowing = {
            name: values[0] for name, values in caller.request.GET.lists() if name not in ("limit", "cursor")
        }
        salt = f"cursor {self.operation_id} {facility}"
        rows, behind = page(self.listed(caller), facility, narrowing, cursor_in(asked.cursor, salt), asked.limit)
        return Page(self.lines(facility, rows), cursor_out(behind, salt))

    def listed(self, caller: Caller) -> Listing:
        return self.listing

    def lines(self, facility: UUID, rows: list[Any]) -> list[Any]:
        return [self.line(row) for row in rows]

    def line(self, row: Any) -> Any:
        raise NotImplementedError


def cursor_out(values: list[Any] | None, salt: str) -> str | None:
    return None if values is None else signing.dumps([_plain(value) for value in values], salt=salt, compress=True)


def cursor_in(cursor: str | None, salt: str) -> list[Any] | None:
    """Signed, so that nothing but a page of this list makes one. Raises Malformed."""
    if cursor is None:
        return None
    try:
        values: list[Any] = signing.loads(cursor, salt=salt)
    except signing.BadSignature:
        raise Malformed("`cursor` is not one that this list gave.") from None
    return values


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat()
    return value if isinstance(value, int | str) else str(value)

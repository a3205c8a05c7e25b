"""From types to members: what a body or a query may say is derived from the types that will take it.

`strict` makes the twin of a type that a door reads with: no unknown member, texts without control characters
and of a length that is kept, whole numbers that every reader takes alike, moments with their offset.
"""

from __future__ import annotations

import functools
import re
import types
import typing
import unicodedata
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Annotated, Any, Literal, TypeVar
from uuid import UUID

import msgspec
from msgspec import Meta

from incidents.api.problems import Malformed
from incidents.ledger.canonical import LARGEST_INTEGER, NotCanonical, decode_strict
from incidents.operations.deeds import TEXT_LIMIT
from incidents.rules.events import Stream

T = TypeVar("T")
PRINTABLE = r"^[^\x00-\x08\x0b-\x1f\x7f-\x9f]*$"  # a tab and a new line are text too
Text = Annotated[str, Meta(max_length=TEXT_LIMIT, pattern=PRINTABLE)]
Whole = Annotated[int, Meta(ge=0, le=LARGEST_INTEGER)]
Moment = Annotated[datetime, Meta(tz=True)]
_DIGITS = re.compile(r"-?(0|[1-9][0-9]{0,17})", re.ASCII)


class StreamName(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Whose story it stands in: a load's, or a machine's where it alarmed without one."""

    kind: Literal["load", "machine"]
    id: UUID


@functools.cache
def strict(kind: Any) -> Any:
    """The twin of a type of the operations that lets nothing through that they could not keep."""
    if kind in _PLAIN:
        return _PLAIN[kind]
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return _twin(kind)
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is Annotated or origin is Literal:
        return kind
    if origin in (typing.Union, types.UnionType):
        return typing.Union[tuple(strict(each) for each in inner)]  # noqa: UP007
    if origin in (tuple, list) or (isinstance(origin, type) and issubclass(origin, Sequence)):
        return tuple.__class_getitem__((strict(inner[0]), ...))
    if origin is dict:
        return dict.__class_getitem__((strict(inner[0]), strict(inner[1])))
    return kind


_PLAIN: dict[Any, Any] = {str: Text, int: Whole, datetime: Moment, Stream: StreamName}


def _twin(struct: type[msgspec.Struct]) -> type[msgspec.Struct]:
    fields: list[Any] = []
    for field in msgspec.structs.fields(struct):
        told = (field.name, strict(field.type))
        if field.required:
            fields.append(told)
        elif field.default_factory is not msgspec.NODEFAULT:
            fields.append((*told, msgspec.field(default_factory=field.default_factory)))
        else:
            fields.append((*told, field.default))
    twin = msgspec.defstruct(
        f"{struct.__name__}Given", fields, frozen=True, forbid_unknown_fields=True, kw_only=True, module=__name__
    )
    twin.__doc__ = struct.__doc__
    return twin


def plain(value: Any, kind: Any) -> Any:
    """What a twin holds, as the operation's own type, its moments in UTC. Raises Malformed."""
    if isinstance(value, StreamName):
        return Stream(value.kind, value.id)
    try:
        return _in_utc(msgspec.convert(value, kind, from_attributes=True))
    except (OverflowError, msgspec.ValidationError) as error:
        raise Malformed(f"{error}") from None


def _in_utc(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC)
    if isinstance(value, msgspec.Struct):
        told = {name: getattr(value, name) for name in value.__struct_fields__}
        moments = {name: _in_utc(each) for name, each in told.items() if isinstance(each, datetime)}
        return msgspec.structs.replace(value, **moments) if moments else value
    return value


def read_body(body: bytes, kind: type[T], limit: int) -> T:
    """A JSON body as this type. Raises Malformed."""
    try:
        told = decode_strict(body, limit)
    except NotCanonical as error:
        raise Malformed(str(error)) from None
    return convert(told, kind)


def convert(told: Any, kind: type[T]) -> T:
    """Decoded JSON as this type, its texts in Unicode's composed form. Raises Malformed."""
    try:
        return msgspec.convert(_composed(told), kind)
    except msgspec.ValidationError as error:
        raise Malformed(f"{error}.".replace("Object contains unknown field", "no member is called")) from None


def _composed(value: Any) -> Any:
    if isinstance(value, str):
        return unicodedata.normalize("NFC", value)
    if isinstance(value, list):
        return [_composed(each) for each in value]
    if isinstance(value, dict):
        return {key: _composed(each) for key, each in value.items()}
    return value


def read_query(query: Mapping[str, list[str]], kind: type[T]) -> T:
    """Query parameters as this type, each given once. Raises Malformed."""
    known = {field.encode_name: field.type for field in msgspec.structs.fields(kind)}  # type: ignore[arg-type]
    told: dict[str, Any] = {}
    for name, values in query.items():
        if name not in known:
            raise Malformed(f"There is no parameter {name[:40]!r} here.")
        if len(values) != 1:
            raise Malformed(f"The parameter {name!r} comes more than once.")
        told[name] = _typed(values[0], known[name])
    return convert(told, kind)


def _typed(text: str, kind: Any) -> Any:
    """A query holds texts only: those that stand for whole numbers and yes or no, as such."""
    bare = _bare(kind)
    if int in bare and _DIGITS.fullmatch(text):
        return int(text)
    if bool in bare and text in ("true", "false"):
        return text == "true"
    return text


def _bare(kind: Any) -> set[Any]:
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is Annotated:
        return _bare(inner[0])
    if origin in (typing.Union, types.UnionType):
        return set().union(*(_bare(each) for each in inner))
    return {kind}

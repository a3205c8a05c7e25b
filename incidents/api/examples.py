"""An example of every request, made from the types that the doors read: what it says is taken, word for word."""

from __future__ import annotations

import types
import typing
from datetime import datetime
from typing import Annotated, Any, Literal
from uuid import UUID, uuid5

import msgspec

DEED = UUID("01a20e7c-2f30-7cc4-9d3a-5b1f0c6e8a42")
MOMENT = "2026-11-25T02:10:00Z"
WORDS = {
    "abort_reason": "fault",
    "badge": "B-101",
    "chamber": "1",
    "chambers": "1",
    "cleaned_by": "Ines, with wipes.",
    "code": "W02",
    "expires_on": "2027-01-31",
    "field": "machine_cycle",
    "hold": "manual",
    "labels": "Eye 1",
    "leaf": "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
    "lot": "L-17",
    "machine_code": "M-Alder",
    "meant": "Heavy soil",
    "name": "Instruments",
    "owner": "Theatre 1",
    "login": "pia",
    "password": "seven swans a-swimming",
    "phase": "wash",
    "pin": "1111",
    "product": "Cleaner",
    "programme": "Instruments",
    "reason": "fault",
    "source": "alder/gateway",
    "roles": "technician",
    "surfaces": "The shelf.",
    "title": "A spray arm does not turn",
    "value": "4472",
    "words": "A tray is wet.",
}
TOLD_THOUGH_OPTIONAL = ("expected_version",)


def example_of(kind: Any, name: str = "") -> Any:
    """An example of this type as JSON says it, its members that must be there and those worth showing."""
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is Annotated:
        return example_of(inner[0], name)
    if origin is Literal:
        return inner[0]
    if origin in (typing.Union, types.UnionType):
        return example_of(inner[0], name)
    if origin in (tuple, list):
        return [example_of(inner[0], name)]
    if origin is dict:
        return {example_of(inner[0], "code"): example_of(inner[1], name)}
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return _members(kind)
    if kind is UUID:
        return str(DEED if name == "deed_id" else uuid5(DEED, name))
    return {str: WORDS.get(name, name or "x"), int: 3, bool: True, datetime: MOMENT}.get(kind)


def _members(struct: type[msgspec.Struct]) -> dict[str, Any]:
    shown = [
        field for field in msgspec.structs.fields(struct) if field.required or field.name in TOLD_THOUGH_OPTIONAL
    ]
    told = {field.encode_name: example_of(field.type, field.name) for field in shown}
    config = struct.__struct_config__
    return ({config.tag_field: config.tag} if config.tag_field else {}) | told

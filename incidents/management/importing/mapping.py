"""The mapping file: how a department's own files say what `docs/import.md` asks for."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec

from incidents.management.importing.problems import Flaw

Kind = Literal["machines", "loads", "alarms", "repairs"]
KINDS: tuple[Kind, ...] = ("machines", "loads", "alarms", "repairs")


class OfKind(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """For one kind of file: our column = its heading, what it always is, what its values mean, what is left out."""

    columns: dict[str, str] = {}
    fixed: dict[str, str] = {}
    values: dict[str, dict[str, str]] = {}
    formats: dict[str, str] = {}
    ignore: list[str] = []


class Mapping(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """`zone` names the zone of times that say none (IANA); `time_format` is as in `strptime`."""

    encoding: str = ""
    delimiter: str = ""
    zone: str = ""
    time_format: str = ""
    decimal: Literal[".", ","] = "."
    list_separator: str = "|"
    files: dict[str, Kind] = {}
    machines: OfKind = OfKind()
    loads: OfKind = OfKind()
    alarms: OfKind = OfKind()
    repairs: OfKind = OfKind()

    def of(self, kind: Kind) -> OfKind:
        found: OfKind = getattr(self, kind)
        return found


def read_mapping(path: Path) -> Mapping:
    """The mapping in this file. Raises Flaw."""
    look = "Read docs/import.md, correct it and give the command again."
    try:
        told = tomllib.loads(path.read_text("utf-8-sig"))
        mapping = msgspec.convert(told, Mapping)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
        raise Flaw("mapping-unreadable", f"The mapping {path.name} can’t be read: {error}.", look) from None
    _check(mapping, path.name, look)
    return mapping


def _check(mapping: Mapping, name: str, look: str) -> None:
    if mapping.zone:
        zone_named(mapping.zone)
    if len(mapping.delimiter) > 1 or len(mapping.list_separator) != 1:
        raise Flaw("mapping-unreadable", f"In {name} a delimiter has more than one character.", look)
    if mapping.encoding:
        try:
            "".encode(mapping.encoding)
        except LookupError:
            raise Flaw("mapping-unreadable", f"{name}: no encoding is called “{mapping.encoding}”.", look) from None


def zone_named(name: str) -> ZoneInfo:
    """Raises Flaw."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise Flaw(
            "zone-unknown", f"No time zone is called “{name}”.", "Give its IANA name, such as Europe/Lisbon."
        ) from None

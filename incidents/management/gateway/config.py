"""What a gateway is told: one TOML file for one machine, read whole and checked before anything else happens."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

import msgspec
from msgspec import Meta

from incidents.operations.observations import KINDS, Told

Text = Annotated[str, Meta(min_length=1)]
FIELDS = ("time", "cycle", "programme", "code", "phase", "chamber", "text")


class Odd(Exception):
    """The file can't be used; the sentence says what and where."""


class Section(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A table of the file; what nobody knows in it is a slip of the pen."""


class Door(Section, frozen=True):
    """Where batches go. The token stands in a file or the environment, never here."""

    url: Text
    token_file: str = ""
    token_env: str = ""
    batch: Annotated[int, Meta(ge=1, le=1000)] = 100
    wait_s: Annotated[float, Meta(gt=0)] = 1.0
    longest_wait_s: Annotated[float, Meta(gt=0)] = 60.0


class MachineTold(Section, frozen=True):
    """`source` names where observations come from; `first_number` where a lost memory's numbers go on."""

    source: Annotated[str, Meta(pattern=r"^\S{1,200}$")]
    time_zone: str = "UTC"
    chamber: str = "1"
    first_number: Annotated[int, Meta(ge=0, le=2**52)] = 1


class Folder(Section, frozen=True):
    """Which files are tailed. A byte order mark decides before `encoding` does."""

    path: Text
    memory: Text
    rejects: Text
    files: str = "*"
    encoding: Literal["utf-8", "utf-16-le", "utf-16-be", "latin-1"] = "utf-8"
    every_s: Annotated[float, Meta(gt=0)] = 1.0
    time_format: str = "iso"
    unmatched: Literal["reject", "ignore"] = "reject"


class Records(Section, frozen=True):
    """Finished records, one file each: `name` is a pattern with the group `cycle`, and perhaps `chamber`."""

    url: Text
    path: Text
    name: Text
    memory: Text
    rejects: Text
    every_s: Annotated[float, Meta(gt=0)] = 5.0


class Line(Section, frozen=True):
    """A pattern with named groups out of FIELDS, and the kind of observation that it means, if any."""

    pattern: Text
    type: str = ""
    set: dict[str, Any] = {}


class Meaning(Section, frozen=True):
    type: str = ""
    set: dict[str, Any] = {}


class Csv(Section, frozen=True):
    """Columns by name where files have a header, else by number from 1; what the event column's words mean."""

    columns: dict[str, str | int]
    events: dict[str, Meaning]
    delimiter: Annotated[str, Meta(min_length=1, max_length=1)] = ","
    header: bool = True


class Mqtt(Section, frozen=True):
    """A broker and the topic on which the machine publishes CloudEvents that it numbers itself."""

    topic: Text
    client_id: Text
    rejects: Text
    host: str = "127.0.0.1"
    port: Annotated[int, Meta(ge=1, le=65535)] = 1883
    username: str = ""
    password_file: str = ""
    password_env: str = ""
    tls: bool = False


class Config(Section, frozen=True):
    door: Door
    machine: MachineTold
    folder: Folder | None = None
    mqtt: Mqtt | None = None
    records: Records | None = None
    line: tuple[Line, ...] = ()
    csv: Csv | None = None
    phases: dict[str, str] = {}
    programmes: dict[str, str] = {}


def read(file: Path) -> Config:
    """The configuration, its paths taken from where it stands. Raises Odd."""
    try:
        told = msgspec.toml.decode(file.read_bytes(), type=Config)
    except OSError as error:
        raise Odd(f"{file} can’t be read: {error.strerror}.") from None
    except msgspec.DecodeError as error:
        raise Odd(f"{file}: {error}.") from None
    _check(told)
    return _placed(told, file.resolve().parent)


def _check(told: Config) -> None:
    sources = (told.folder is not None) + (told.mqtt is not None)
    if sources > 1 or not (sources or told.records):
        raise Odd("Name one source: a [folder] or [mqtt], and [records] beside it or alone.")
    if told.records is not None:
        _check_records(told.records)
    if not told.door.url.startswith(("http://", "https://")):
        raise Odd("[door] url must begin with http:// or https://.")
    if bool(told.door.token_file) == bool(told.door.token_env):
        raise Odd("[door] needs token_file or token_env, and not both.")
    try:
        ZoneInfo(told.machine.time_zone)
    except (KeyError, ValueError, OSError):
        raise Odd(f"[machine] time_zone {told.machine.time_zone!r} is not known.") from None
    if told.folder is not None and bool(told.line) == (told.csv is not None):
        raise Odd("A [folder] needs [[line]] patterns or a [csv] table, and not both.")
    for number, line in enumerate(told.line, 1):
        _check_pattern(f"[[line]] {number}", line.pattern)
        _check_meaning(f"[[line]] {number}", line.type, line.set)
    if told.csv is not None:
        _check_csv(told.csv)


def _check_records(records: Records) -> None:
    if not records.url.startswith(("http://", "https://")):
        raise Odd("[records] url must begin with http:// or https://.")
    try:
        groups = re.compile(records.name).groupindex.keys()
    except re.error as error:
        raise Odd(f"[records] name: the pattern can’t be read: {error}.") from None
    if "cycle" not in groups or groups - {"cycle", "chamber"}:
        raise Odd("[records] name needs the group cycle, and takes chamber beside it.")


def _check_pattern(where: str, pattern: str) -> None:
    try:
        groups = re.compile(pattern).groupindex
    except re.error as error:
        raise Odd(f"{where}: the pattern can’t be read: {error}.") from None
    strange = groups.keys() - set(FIELDS)
    if strange:
        raise Odd(f"{where}: group {sorted(strange)[0]!r} is not one of {', '.join(FIELDS)}.")


def _check_meaning(where: str, kind: str, given: dict[str, Any]) -> None:
    if kind and kind not in KINDS:
        raise Odd(f"{where}: type {kind!r} is not one of {', '.join(KINDS)}.")
    try:
        msgspec.convert({"chamber": "1"} | given, Told)
    except msgspec.ValidationError as error:
        raise Odd(f"{where}: set: {error}.") from None


def _check_csv(csv: Csv) -> None:
    strange = csv.columns.keys() - {*FIELDS, "event"}
    if strange:
        raise Odd(f"[csv.columns] {sorted(strange)[0]!r} is not one of event, {', '.join(FIELDS)}.")
    if "event" not in csv.columns or "time" not in csv.columns:
        raise Odd("[csv.columns] needs at least event and time.")
    kind = str if csv.header else int
    if not all(isinstance(column, kind) for column in csv.columns.values()):
        raise Odd("[csv.columns] names columns where there is a header, else gives their numbers.")
    for word, meaning in csv.events.items():
        _check_meaning(f"[csv.events] {word!r}", meaning.type, meaning.set)


def _placed(told: Config, beside: Path) -> Config:
    def place(path: str) -> str:
        return str(beside / path) if path else ""

    replace = msgspec.structs.replace
    door = replace(told.door, token_file=place(told.door.token_file))
    folder, mqtt = told.folder, told.mqtt
    if folder is not None:
        paths = {name: place(getattr(folder, name)) for name in ("path", "memory", "rejects")}
        folder = replace(folder, **paths)
    if mqtt is not None:
        mqtt = replace(mqtt, rejects=place(mqtt.rejects), password_file=place(mqtt.password_file))
    records = told.records
    if records is not None:
        records = replace(
            records, **{name: place(getattr(records, name)) for name in ("path", "memory", "rejects")}
        )
    return replace(told, door=door, folder=folder, mqtt=mqtt, records=records)


def secret(file: str, variable: str) -> str:
    """A secret from its file or the environment. Raises Odd, which never holds it."""
    try:
        found = Path(file).read_text().strip() if file else os.environ.get(variable, "").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise Odd(f"{file} can’t be read: {type(error).__name__}.") from None
    if not found or not found.isascii() or any(sign.isspace() for sign in found):
        raise Odd(f"There is no token in {file or variable}.")
    return found

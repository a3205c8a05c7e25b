"""One stored event of each type and version, as the ledger wrote it, under `tests/samples/`.

`python -m tests.specimens` writes those that are missing, with fixed values, and never touches one that is
there: what was written once must be readable for ever.
"""

from __future__ import annotations

import types
import typing
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, Union
from uuid import UUID

from incidents.ledger import canonical
from incidents.ledger.records import Body
from incidents.rules.events import TYPES, Actor, AnyEvent, Recorded, Stream
from tests.story import DEED, DEPARTMENT, INES, LOAD, MONDAY, id_of

SAMPLES = Path(__file__).parent / "samples"
PLAIN: dict[Any, Any] = {UUID: id_of("specimen"), datetime: MONDAY, int: 7, str: "wash", bool: True}


def of_type(hint: Any) -> Any:
    """The one value of this type that specimens have; every optional member is there."""
    if hint in PLAIN:
        return PLAIN[hint]
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin is Literal:
        return inner[0]
    if origin in (Union, types.UnionType):
        return of_type(inner[0])
    if origin is tuple:
        return (of_type(inner[0]),)
    if origin is dict:
        return {of_type(inner[0]): of_type(inner[1])}
    hints = typing.get_type_hints(hint)
    return hint(**{name: of_type(hints[name]) for name in hint.__struct_fields__})


def body_of(event: AnyEvent) -> bytes:
    """The body as the ledger would write it."""
    return canonical.encode(
        Body(
            actor=Actor("person", INES),
            data=event,
            deed=DEED,
            event=id_of("event"),
            facility=DEPARTMENT,
            occurred_at=MONDAY,
            operation="told",
            recorded_at=MONDAY,
            schema=type(event).schema,
            sequence=None,
            stream=Stream("load", LOAD),
            version=1,
        )
    )


def body_again(event: Recorded) -> bytes:
    """The body of an event that was read, encoded anew."""
    members = {name: getattr(event, name) for name in event.__struct_fields__ if name != "position"}
    return canonical.encode(Body(**{"event" if name == "event_id" else name: it for name, it in members.items()}))


def path_of(kind: str, schema: int) -> Path:
    return SAMPLES / f"{kind}.v{schema}.json"


def write_missing() -> None:
    for kind, event in TYPES.items():
        path = path_of(kind, event.schema)
        if not path.exists():
            path.write_bytes(body_of(of_type(event)) + b"\n")
            print(path.relative_to(Path.cwd()))


if __name__ == "__main__":
    write_missing()

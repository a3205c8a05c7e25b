"""What was written once can be read for ever: samples of every version, and upcasts."""

from __future__ import annotations

import json
from typing import Any
from uuid import UUID

import pytest

from incidents.ledger import records
from incidents.ledger.reading import read_stream
from incidents.ledger.writing import open_ledger
from incidents.rules import upcasts
from incidents.rules.events import TYPES, Actor, LoadPlaced, Stream
from incidents.rules.upcasts import NoUpcast
from tests.bare_ledger import (
    ALDERS_LOAD,
    COLUMNS,
    EASTMERE,
    WESTMERE,
    ask_nothing,
    write,
)
from tests.specimens import SAMPLES, body_again, path_of
from tests.story import ALARM, INES, LOAD, MONDAY, alarm, id_of, seen

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def two_ledgers(db: None) -> None:
    open_ledger(EASTMERE, MONDAY)
    open_ledger(WESTMERE, MONDAY)


# --- what was written once can be read for ever -------------------------------------------------------


def stored(kind: str, schema: int, body: bytes) -> None:
    """A row as an older release left it: an event of `kind` on Alder's load."""
    told = json.loads(body) | {"facility": str(EASTMERE), "schema": schema}
    ask_nothing(
        f"INSERT INTO ledger_event (facility_id, {COLUMNS}) VALUES (%s, 0, %s, 'load', %s, 1, %s, %s, %s, %s, %s)",
        EASTMERE,
        UUID(told["event"]),
        LOAD,
        kind,
        schema,
        MONDAY,
        MONDAY,
        json.dumps(told),
    )


def test_an_old_shape_is_read_as_todays(monkeypatch: pytest.MonkeyPatch) -> None:
    """`load-placed` gets a version 2 whose place was called `shelf` in version 1."""
    monkeypatch.setitem(records.CURRENT, "load-placed", 2)
    rename = {("load-placed", 1): lambda data: {"type": data["type"], "place": data["shelf"], "spot": "3"}}
    monkeypatch.setattr(upcasts, "UPCASTS", rename)
    sample = json.loads(path_of("load-placed", 1).read_bytes())
    sample["data"] = {"type": "load-placed", "shelf": "quarantine"}
    stored("load-placed", 1, json.dumps(sample).encode())
    (event,) = read_stream(EASTMERE, ALDERS_LOAD)
    assert event.data == LoadPlaced("quarantine", "3")
    assert (event.actor, event.stream, event.occurred_at) == (Actor("person", INES), ALDERS_LOAD, MONDAY)


def test_upcasts_are_taken_one_version_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    def add(name: str) -> Any:
        return lambda data: data | {name: True}

    monkeypatch.setattr(upcasts, "UPCASTS", {("x", 1): add("two"), ("x", 2): add("three")})
    assert upcasts.to_current("x", 1, 3, {}) == {"two": True, "three": True}
    assert upcasts.to_current("x", 2, 3, {}) == {"three": True}
    assert upcasts.to_current("x", 3, 3, {}) == {}


@pytest.mark.parametrize(("kind", "schema"), [("load-placed", 9), ("load-teleported", 1), ("load-placed", 0)])
def test_what_cannot_be_read_is_said_so(kind: str, schema: int) -> None:
    """A newer version, a type that is unknown here, an older one without an upcast."""
    stored(kind, schema, path_of("load-placed", 1).read_bytes())
    with pytest.raises(NoUpcast):
        read_stream(EASTMERE, ALDERS_LOAD)


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.json")), ids=lambda path: path.stem)
def test_every_sample_is_still_read(path: Any) -> None:
    kind, _, schema = path.stem.rpartition(".v")
    event = records.decode(0, kind, int(schema), path.read_bytes())
    assert type(event.data) is TYPES[kind]
    if int(schema) == TYPES[kind].schema:
        assert body_again(event) + b"\n" == path.read_bytes()


@pytest.mark.parametrize("kind", TYPES)
def test_every_type_has_a_sample_of_each_version(kind: str) -> None:
    """A missing one is written by `python -m tests.specimens`; none is ever edited."""
    missing = [n for n in range(1, TYPES[kind].schema + 1) if not path_of(kind, n).exists()]
    assert not missing, f"no sample of {kind} in version {missing}: run `python -m tests.specimens`, then add it"


def test_a_machines_own_stream_is_read_like_any_other() -> None:
    stream = Stream("machine", id_of("Alder"))
    write("first", alarm(), seen(), stream=stream)
    assert [event.data for event in read_stream(EASTMERE, stream)] == [alarm(), seen(ALARM)]

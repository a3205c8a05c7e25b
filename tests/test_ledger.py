"""The ledger's contract, the same on both databases: what a deed leaves behind, and what it never does."""

from __future__ import annotations

import json
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from incidents.identity.ids import named
from incidents.ledger import merkle, reading, writing
from incidents.ledger.dialect import id_out, moment_out
from incidents.ledger.reading import head, read_after, read_all, read_stream, size_at, words_of
from incidents.ledger.writing import DeedReused, Log, NoLedger, digest_of, open_ledger
from incidents.projections import rebuild
from incidents.rules.events import Actor, Recorded, Stream
from tests.bare_ledger import (
    ALDERS_LOAD,
    BIRCHS_LOAD,
    COLUMNS,
    EASTMERE,
    WESTMERE,
    ask,
    bodies,
    broken_deed,
    deed,
    everything,
    proven,
    say,
    size,
    write,
)
from tests.cast import given_aborted_load, given_released_load, open_department, rebuilt_equals_live, whole_log
from tests.specimens import body_again
from tests.story import INES, LOAD, MONDAY, assembled, finished, held, id_of, started

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)


@pytest.fixture(autouse=True)
def two_ledgers(db: None) -> None:
    open_ledger(EASTMERE, MONDAY)
    open_ledger(WESTMERE, MONDAY)


# --- numbers ------------------------------------------------------------------------------------------


def test_versions_of_a_stream_count_from_one() -> None:
    """I2."""
    write("first", assembled(), started())
    write("beside", assembled(), stream=BIRCHS_LOAD)
    write("second", finished())
    assert [event.version for event in read_stream(EASTMERE, ALDERS_LOAD)] == [1, 2, 3]
    assert [event.version for event in read_stream(EASTMERE, BIRCHS_LOAD)] == [1]


def test_positions_of_a_facility_count_from_zero_without_a_gap() -> None:
    """I3."""
    receipts = [write("first", assembled(), started()), write("beside", assembled(), stream=BIRCHS_LOAD)]
    with suppress(RuntimeError):
        broken_deed("broken")
    receipts.append(write("second", finished()))
    assert [(each.first_position, each.count) for each in receipts] == [(0, 2), (2, 1), (3, 1)]
    assert [event.position for event in read_all(EASTMERE)] == [0, 1, 2, 3]


def test_many_events_at_once_are_as_good_as_many_deeds() -> None:
    """Twenty and more travel by COPY on PostgreSQL."""
    write("many", assembled(), *(held(f"hold {n}") for n in range(30)))
    assert [event.position for event in read_all(EASTMERE)] == list(range(31))
    assert proven(EASTMERE)


def test_an_event_is_named_after_its_deed() -> None:
    """Design: event *n* of a deed has id `uuid5(deed id, n)`."""
    write("first", assembled(), started())
    assert [event.event_id for event in read_all(EASTMERE)] == [named(id_of("first"), str(n)) for n in (0, 1)]


# --- a deed happens once ------------------------------------------------------------------------------


def test_the_same_deed_again_gets_the_same_receipt() -> None:
    """I5."""
    first = write("first", assembled(), started())
    before = everything()
    assert write("first", assembled(), started(), now=MONDAY + MINUTE) == first
    assert everything() == before


def test_another_deed_under_a_used_id_is_refused_and_nothing_is_written() -> None:
    write("first", assembled())
    before = everything()
    with pytest.raises(DeedReused):
        write("first", started(), asked="something else")
    assert everything() == before


@pytest.mark.parametrize(
    "other",
    [
        ("told", Actor("person", id_of("Sanne")), {"load": "1"}),
        ("asked", Actor("person", INES), {"load": "1"}),
        ("told", Actor("person", INES), {"load": "2"}),
        ("told", Actor("device", INES), {"load": "1"}),
    ],
)
def test_a_deed_is_the_same_by_what_is_asked_and_by_whom(other: Any) -> None:
    assert digest_of("told", Actor("person", INES), {"load": "1"}) != digest_of(*other)


def test_a_deed_that_appends_nothing_leaves_no_trace() -> None:
    before = everything()
    with writing.writing(EASTMERE, MONDAY, deed("nothing")) as log:
        pass
    assert log.receipt is None
    assert everything() == before


def test_without_a_ledger_nothing_is_written() -> None:
    with pytest.raises(NoLedger):
        write("first", assembled(), facility=id_of("nowhere"))


def test_a_ledger_is_opened_once() -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        open_ledger(EASTMERE, MONDAY)


# --- whole or not at all ------------------------------------------------------------------------------


def test_an_exception_leaves_ledger_and_read_models_as_they_were() -> None:
    before = everything()
    with pytest.raises(RuntimeError):
        broken_deed("broken")
    assert everything() == before


def test_a_read_model_that_fails_takes_its_deed_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    before = everything()

    def fails(log: Log, stream: Stream, added: object) -> None:
        raise RuntimeError("no room left")

    monkeypatch.setattr(writing, "_followers", [*writing._followers, fails])
    with pytest.raises(RuntimeError):
        write("first", assembled())
    assert everything() == before


def test_the_read_models_move_with_the_deed() -> None:
    write("first", assembled(), started())
    assert ask("SELECT stage FROM read_load WHERE owner = %s", LOAD) == [("running",)]
    assert rebuild.check(EASTMERE).differences == 0


# --- what is hashed -----------------------------------------------------------------------------------


def test_the_heads_root_is_the_root_over_all_stored_bodies() -> None:
    for n in range(9):
        assert proven(EASTMERE)
        write(f"deed {n}", *(held(f"hold {n} {k}") for k in range(n)), assembled())
    assert proven(EASTMERE)


def test_a_receipts_leaves_are_proven_to_stand_in_the_log() -> None:
    receipts = [write("first", assembled(), started()), write("second", finished())]
    write("third", held())
    root = head(EASTMERE)
    assert root is not None
    leaves = [merkle.leaf_hash(body) for body in bodies()]
    for receipt in receipts:
        for position, leaf in enumerate(receipt.leaves, receipt.first_position):
            path = merkle.inclusion_path(position, leaves)
            assert merkle.verify_inclusion(position, root.size, bytes.fromhex(leaf), path, root.root)


def test_an_old_root_is_the_beginning_of_the_new_one() -> None:
    write("first", assembled(), started())
    before = head(EASTMERE)
    write("second", finished())
    after = head(EASTMERE)
    assert before is not None and after is not None
    proof = merkle.consistency_proof(before.size, after.size, [merkle.leaf_hash(body) for body in bodies()])
    assert merkle.verify_consistency(before.size, after.size, before.root, after.root, proof)


def test_the_body_is_the_whole_envelope_but_for_its_position() -> None:
    write("first", assembled())
    (body,) = bodies()
    members = {"event" if name == "event_id" else name for name in Recorded.__struct_fields__}
    assert set(json.loads(body)) == members - {"position"}


def test_the_columns_say_what_the_body_says() -> None:
    department = open_department()
    given_aborted_load(department)
    rows = ask(f"SELECT {COLUMNS} FROM ledger_event WHERE facility_id = %s", department.id)
    assert len(rows) > 8
    for _, event_id, kind, stream, version, name, schema, occurred_at, recorded_at, body in rows:
        told = json.loads(body)
        assert [told["event"], told["stream"]] == [str(id_out(event_id)), [kind, str(id_out(stream))]]
        assert [told["version"], told["schema"], told["data"]["type"]] == [version, schema, name]
        assert datetime.fromisoformat(told["occurred_at"]) == moment_out(occurred_at)
        assert datetime.fromisoformat(told["recorded_at"]) == moment_out(recorded_at)
    rebuilt_equals_live(department)


def test_what_was_read_encodes_to_what_was_stored() -> None:
    department = open_department()
    given_released_load(department)
    assert [body_again(event) for event in whole_log(department)] == bodies(department.id)


# --- time ---------------------------------------------------------------------------------------------


def recorded_at() -> list[datetime]:
    return [event.recorded_at for event in read_all(EASTMERE)]


def test_recorded_at_never_falls_even_when_the_clock_does() -> None:
    """Design 5: `recorded_at = max(now, head.recorded_at)`."""
    for n, minute in enumerate([5, 3, 4, 6]):
        write(f"deed {n}", held(f"hold {n}"), now=MONDAY + minute * MINUTE)
    assert recorded_at() == [MONDAY + minute * MINUTE for minute in (5, 5, 5, 6)]


def test_what_is_claimed_is_kept_beside_what_the_ledger_knows() -> None:
    """I10: claimed and server time are both kept."""
    with writing.writing(EASTMERE, MONDAY + 9 * MINUTE, deed("late")) as log:
        log.append(ALDERS_LOAD, assembled(), occurred_at=MONDAY + 2 * MINUTE)
    (event,) = read_all(EASTMERE)
    assert (event.occurred_at, event.recorded_at) == (MONDAY + 2 * MINUTE, MONDAY + 9 * MINUTE)


@pytest.mark.parametrize(
    "moment", [datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC), MONDAY.replace(microsecond=1)]
)
def test_any_claimed_moment_comes_back_as_it_was(moment: datetime) -> None:
    with writing.writing(EASTMERE, MONDAY, deed("odd clock")) as log:
        log.append(ALDERS_LOAD, assembled(), occurred_at=moment)
    (event,) = read_all(EASTMERE)
    assert event.occurred_at == moment
    assert rebuild.check(EASTMERE).differences == 0


def test_known_at_is_the_last_position_that_was_recorded_by_then() -> None:
    for n, minute in enumerate([1, 2, 2, 4]):
        write(f"deed {n}", held(f"hold {n}"), now=MONDAY + minute * MINUTE)
    sizes = [size_at(EASTMERE, MONDAY + minute * MINUTE) for minute in (0, 1, 1.5, 2, 3, 4, 99)]
    assert sizes == [0, 1, 1, 3, 3, 4, 4]


def test_moments_within_a_second_are_told_apart() -> None:
    """SQLite compares moments as text: with and without microseconds must sort alike."""
    tick = timedelta(microseconds=1)
    for n in range(3):
        write(f"deed {n}", held(f"hold {n}"), now=MONDAY + n * tick)
    assert [size_at(EASTMERE, MONDAY + n * tick) for n in range(-1, 3)] == [0, 1, 2, 3]


# --- reading ------------------------------------------------------------------------------------------


def test_reading_on_from_a_position() -> None:
    write("first", *(held(f"hold {n}") for n in range(5)))
    assert [event.position for event in read_after(EASTMERE, 2)] == [2, 3, 4]
    assert [event.position for event in read_after(EASTMERE, 1, limit=2)] == [1, 2]
    assert read_after(EASTMERE, 5) == []


def test_reading_everything_in_batches(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "BATCH", 2)
    write("first", *(held(f"hold {n}") for n in range(5)))
    assert [event.position for event in read_all(EASTMERE)] == [0, 1, 2, 3, 4]
    assert [event.position for event in read_all(EASTMERE, 1, 4)] == [1, 2, 3]
    assert list(read_all(EASTMERE, 3, 3)) == []


def test_a_stream_as_it_stood_when_the_log_was_shorter() -> None:
    write("first", assembled(), started())
    write("beside", assembled(), stream=BIRCHS_LOAD)
    write("second", finished())
    assert [len(read_stream(EASTMERE, ALDERS_LOAD, before)) for before in (0, 1, 2, 3, 4)] == [0, 1, 2, 2, 3]


def test_the_leaf_of_a_streams_version_is_what_its_receipt_said() -> None:
    receipt = write("first", assembled(), started())
    assert reading.leaf_of(EASTMERE, ALDERS_LOAD, 2) == receipt.leaves[1]
    with pytest.raises(LookupError):
        reading.leaf_of(EASTMERE, ALDERS_LOAD, 3)


# --- several facilities -------------------------------------------------------------------------------


def test_facilities_count_and_prove_each_for_itself() -> None:
    """I16 at the ledger: the same load id, the same deed id, nothing in common."""
    write("first", assembled(), started())
    receipt = write("first", assembled(), facility=WESTMERE)
    assert (receipt.first_position, receipt.count) == (0, 1)
    assert (size(EASTMERE), size(WESTMERE)) == (2, 1)
    assert proven(EASTMERE) and proven(WESTMERE)


def test_one_facility_reads_nothing_of_another() -> None:
    write("first", assembled(), started())
    ref = say("words", "Tray 2 is wet.")
    assert read_stream(WESTMERE, ALDERS_LOAD) == []
    assert list(read_all(WESTMERE)) == []
    assert words_of(WESTMERE, [ref.digest]) == {}
    assert size_at(WESTMERE, MONDAY) == 0
    with pytest.raises(LookupError):
        reading.leaf_of(WESTMERE, ALDERS_LOAD, 1)

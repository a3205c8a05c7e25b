"""The ledger's contract, the same on both databases: what a deed leaves behind, and what it never does."""

from __future__ import annotations

import hashlib
import json
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from django.db import IntegrityError, connection, transaction

from incidents.identity.ids import named
from incidents.ledger import blobs, bookmarks, merkle, reading, records, writing
from incidents.ledger.dialect import id_out, moment_out
from incidents.ledger.reading import head, read_after, read_all, read_stream, size_at, words_of
from incidents.ledger.writing import Deed, DeedReused, Log, NoLedger, Receipt, digest_of, open_ledger
from incidents.projections import rebuild
from incidents.rules import upcasts
from incidents.rules.events import TYPES, Actor, AnyEvent, LoadPlaced, Recorded, Stream, WordsRef
from incidents.rules.upcasts import NoUpcast
from tests.cast import given_aborted_load, given_released_load, open_department, rebuilt_equals_live, whole_log
from tests.specimens import SAMPLES, body_again, path_of
from tests.story import ALARM, INES, LOAD, MONDAY, alarm, assembled, finished, held, id_of, seen, started

pytestmark = pytest.mark.django_db

EASTMERE, WESTMERE = id_of("Eastmere"), id_of("Westmere")
ALDERS_LOAD, BIRCHS_LOAD = Stream("load", LOAD), Stream("load", id_of("another load"))
MINUTE = timedelta(minutes=1)


@pytest.fixture(autouse=True)
def two_ledgers(db: None) -> None:
    open_ledger(EASTMERE, MONDAY)
    open_ledger(WESTMERE, MONDAY)


def deed(name: str, asked: str = "", operation: str = "told") -> Deed:
    actor = Actor("person", INES)
    return Deed(id_of(name), operation, actor, digest_of(operation, actor, {"asked": asked or name}))


def write(
    name: str,
    *events: AnyEvent,
    stream: Stream = ALDERS_LOAD,
    facility: UUID = EASTMERE,
    now: datetime = MONDAY,
    asked: str = "",
) -> Receipt:
    """One deed that appends these events to one stream."""
    with writing.writing(facility, now, deed(name, asked)) as log:
        if log.receipt is None:
            log.append(stream, *events, occurred_at=now)
    assert log.receipt is not None
    return log.receipt


def ask(query: str, *values: Any) -> list[Any]:
    with connection.cursor() as cursor:
        cursor.execute(query, values)
        found: list[Any] = cursor.fetchall()
        return found


def size(facility: UUID = EASTMERE) -> int:
    found = head(facility)
    assert found is not None
    return found.size


def bodies(facility: UUID = EASTMERE) -> list[bytes]:
    query = "SELECT body FROM ledger_event WHERE facility_id = %s ORDER BY position"
    return [body.encode() for (body,) in ask(query, facility)]


def everything() -> dict[str, list[Any]]:
    """Every row of the ledger and of the read models."""
    tables = [name for name in connection.introspection.table_names() if name.startswith(("ledger_", "read_"))]
    return {table: sorted(map(str, ask(f"SELECT * FROM {table}"))) for table in tables}


def ended(receipt: Receipt) -> int:
    return receipt.first_position + receipt.count


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


def broken_deed(name: str) -> None:
    with writing.writing(EASTMERE, MONDAY, deed(name)) as log:
        log.append(ALDERS_LOAD, assembled(), occurred_at=MONDAY)
        log.words("never kept")
        raise RuntimeError("the power went")


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


def proven(facility: UUID) -> bool:
    """Does the head's root cover exactly the stored bodies?"""
    found = head(facility)
    stored = [merkle.leaf_hash(body) for body in bodies(facility)]
    return found is not None and (found.size, found.root) == (len(stored), merkle.root(stored))


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


COLUMNS = "position, event_id, stream_kind, stream_id, version, type, schema, occurred_at, recorded_at, body"


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


# --- words --------------------------------------------------------------------------------------------


def say(name: str, text: str, facility: UUID = EASTMERE) -> WordsRef:
    with writing.writing(facility, MONDAY, deed(name)) as log:
        ref = log.words(text)
        log.append(ALDERS_LOAD, held(name), occurred_at=MONDAY)
    return ref


def test_free_text_stands_beside_its_salted_digest() -> None:
    ref = say("first", "Tray 2 is wet.")
    ((salt, text),) = ask("SELECT salt, text FROM ledger_words WHERE digest = %s", ref.digest)
    assert hashlib.sha256(bytes(salt) + text.encode()).hexdigest() == ref.digest
    assert words_of(EASTMERE, [ref.digest]) == {ref.digest: "Tray 2 is wet."}
    assert b"wet" not in b"".join(bodies())


def test_the_same_words_twice_cannot_be_told_from_their_digests() -> None:
    assert say("first", "wet") != say("second", "wet")


def test_emptied_words_are_absent_and_the_log_still_proves_itself() -> None:
    ref = say("first", "A name that should not be here")
    ask_nothing("UPDATE ledger_words SET text = '' WHERE digest = %s", ref.digest)
    assert words_of(EASTMERE, [ref.digest]) == {}
    assert proven(EASTMERE)


def ask_nothing(statement: str, *values: Any) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement, values)


def test_no_digests_no_words() -> None:
    assert words_of(EASTMERE, []) == {}


# --- bytes --------------------------------------------------------------------------------------------

MIB = 1024 * 1024


@pytest.mark.parametrize(("length", "pieces"), [(0, 1), (1, 1), (MIB - 1, 1), (MIB, 1), (MIB + 1, 2), (2 * MIB, 2)])
def test_bytes_come_back_as_they_were(length: int, pieces: int) -> None:
    """Pieces of at most 1 MiB (design 12)."""
    data = (b"curve " * (length // 6 + 1))[:length]
    digest = blobs.put(EASTMERE, data)
    assert digest == hashlib.sha256(data).hexdigest()
    assert blobs.get(EASTMERE, digest) == data
    assert ask("SELECT count(*) FROM ledger_blob WHERE facility_id = %s", EASTMERE) == [(pieces,)]


def test_the_same_bytes_twice_are_kept_once() -> None:
    assert blobs.put(EASTMERE, b"photo") == blobs.put(EASTMERE, b"photo")
    assert ask("SELECT count(*) FROM ledger_blob") == [(1,)]


def test_bytes_of_another_facility_are_not_here() -> None:
    digest = blobs.put(EASTMERE, b"photo")
    with pytest.raises(LookupError):
        blobs.get(WESTMERE, digest)
    blobs.put(WESTMERE, b"photo")
    assert blobs.get(WESTMERE, digest) == b"photo"


def test_bytes_that_are_not_what_their_name_says_are_not_given_out() -> None:
    digest = blobs.put(EASTMERE, b"photo")
    ask_nothing(
        "INSERT INTO ledger_blob (facility_id, digest, seq, piece) VALUES (%s, %s, 1, %s)",
        EASTMERE,
        bytes.fromhex(digest),
        b"smuggled",
    )
    with pytest.raises(LookupError):
        blobs.get(EASTMERE, digest)


# --- bookmarks ----------------------------------------------------------------------------------------


@pytest.fixture
def five_events() -> None:
    write("five", *(held(f"hold {n}") for n in range(5)))


def positions(consumer: str, limit: int = 500) -> list[int]:
    with bookmarks.reading_on(consumer, EASTMERE, limit) as events:
        return [event.position for event in events]


@pytest.mark.usefixtures("five_events")
def test_a_consumer_meets_every_event_once_and_in_order() -> None:
    assert [positions("mail", 2), positions("mail", 2), positions("mail", 2), positions("mail")] == [
        [0, 1],
        [2, 3],
        [4],
        [],
    ]


@pytest.mark.usefixtures("five_events")
def test_a_crash_moves_nothing_and_undoes_the_effect() -> None:
    """The effect and the bookmark stand or fall together, so the effect happens exactly once."""
    with pytest.raises(RuntimeError), bookmarks.reading_on("mail", EASTMERE):
        blobs.put(EASTMERE, b"effect")
        raise RuntimeError("killed")
    assert ask("SELECT count(*) FROM ledger_blob") == [(0,)]
    assert positions("mail") == [0, 1, 2, 3, 4]


@pytest.mark.usefixtures("five_events")
def test_two_consumers_read_each_at_their_own_pace() -> None:
    assert positions("mail", 3) == [0, 1, 2]
    assert positions("trend") == [0, 1, 2, 3, 4]
    assert positions("mail") == [3, 4]


@pytest.mark.usefixtures("five_events")
def test_a_sweep_finds_who_is_behind() -> None:
    """A wake that was lost is found again (design 11)."""
    assert bookmarks.behind("mail") == [EASTMERE]
    positions("mail")
    assert bookmarks.behind("mail") == []
    write("more", held())
    assert bookmarks.behind("mail") == [EASTMERE]


# --- deeds within a deed ------------------------------------------------------------------------------


def deed_rows() -> list[tuple[UUID, int, int]]:
    query = "SELECT deed_id, first_position, count FROM ledger_deed WHERE facility_id = %s ORDER BY first_position"
    return [(id_out(name), first, count) for name, first, count in ask(query, EASTMERE)]


def test_deeds_within_a_deed_commit_together_with_a_row_each() -> None:
    with writing.writing(EASTMERE, MONDAY, deed("batch")) as log:
        inner = [write("first", assembled(), started()), write("second", finished())]
        log.append(BIRCHS_LOAD, assembled(), occurred_at=MONDAY)
        assert deed_rows() == []
    assert [(each.first_position, each.count) for each in inner] == [(0, 2), (2, 1)]
    names = [name for name, _, _ in deed_rows()]
    assert set(names) == {id_of("first"), id_of("second"), id_of("batch")}
    assert [event.version for event in read_stream(EASTMERE, ALDERS_LOAD)] == [1, 2, 3]
    assert proven(EASTMERE)


def test_an_inner_deed_that_fails_leaves_no_trace_and_the_outer_one_goes_on() -> None:
    with writing.writing(EASTMERE, MONDAY, deed("batch")) as log:
        log.append(ALDERS_LOAD, assembled(), occurred_at=MONDAY)
        with pytest.raises(RuntimeError):
            broken_deed("broken")
        assert [event.version for event in log.read(ALDERS_LOAD)] == [1]
        log.append(ALDERS_LOAD, started(), occurred_at=MONDAY)
    assert [event.version for event in read_stream(EASTMERE, ALDERS_LOAD)] == [1, 2]
    assert [name for name, _, _ in deed_rows()] == [id_of("batch")]
    assert ask("SELECT count(*) FROM ledger_words") == [(0,)]
    assert proven(EASTMERE)
    assert rebuild.check(EASTMERE).differences == 0


def test_an_outer_deed_that_fails_takes_the_inner_ones_with_it() -> None:
    before = everything()
    with pytest.raises(RuntimeError), writing.writing(EASTMERE, MONDAY, deed("batch")):
        write("first", assembled())
        raise RuntimeError("the power went")
    assert everything() == before


def test_a_deed_done_before_is_not_done_again_within_a_batch() -> None:
    first = write("first", assembled())
    with writing.writing(EASTMERE, MONDAY, deed("batch")) as log:
        assert write("first", assembled()) == first
        log.append(ALDERS_LOAD, started(), occurred_at=MONDAY)
    assert size() == 2


def test_a_deed_that_comes_twice_in_one_batch_is_done_once() -> None:
    """I5 holds within a device's batch too: it may hold the same report twice."""
    with writing.writing(EASTMERE, MONDAY, deed("batch")):
        first = write("first", assembled(), started())
        assert write("first", assembled(), started()) == first
        with pytest.raises(DeedReused):
            write("first", finished(), asked="something else")
    assert size() == 2
    assert proven(EASTMERE)


def test_what_an_earlier_deed_of_the_batch_wrote_can_be_signed_for() -> None:
    """A signature binds the leaf of the newest event, be it one that isn't committed yet."""
    write("before", assembled())
    with writing.writing(EASTMERE, MONDAY, deed("batch")) as log:
        receipt = write("first", started())
        leaves = [log.leaf_of(ALDERS_LOAD, version) for version in (1, 2)]
    assert leaves[1] == receipt.leaves[0]
    assert leaves == [reading.leaf_of(EASTMERE, ALDERS_LOAD, version) for version in (1, 2)]


def test_a_batch_given_again_gets_its_receipts_again() -> None:
    def whole() -> list[Receipt]:
        with writing.writing(EASTMERE, MONDAY, deed("batch")) as log:
            inner = write("first", assembled())
            if log.receipt is None:
                log.append(ALDERS_LOAD, started(), occurred_at=MONDAY)
        assert log.receipt is not None
        return [inner, log.receipt]

    first = whole()
    before = everything()
    assert whole() == first
    assert everything() == before


def test_an_outer_deeds_receipt_names_its_own_events() -> None:
    """Whatever its inner deeds wrote before it, the leaves are found where the receipt says."""
    with writing.writing(EASTMERE, MONDAY, deed("batch")) as log:
        write("first", assembled())
        log.append(BIRCHS_LOAD, assembled(), started(), occurred_at=MONDAY)
    receipt = log.receipt
    assert receipt is not None
    leaves = [merkle.leaf_hash(body).hex() for body in bodies()]
    assert tuple(leaves[receipt.first_position : ended(receipt)]) == receipt.leaves
    assert (receipt.first_position, receipt.count) == (1, 2)


def test_an_outer_deeds_own_events_are_not_torn_apart() -> None:
    """A receipt names one run of positions: own events come before the inner deeds or after them."""
    before = everything()
    with pytest.raises(writing.DeedInterrupted), writing.writing(EASTMERE, MONDAY, deed("batch")) as log:
        log.append(BIRCHS_LOAD, assembled(), occurred_at=MONDAY)
        write("first", assembled())
        log.append(BIRCHS_LOAD, started(), occurred_at=MONDAY)
    assert everything() == before


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
    assert missing == []


def test_a_machines_own_stream_is_read_like_any_other() -> None:
    stream = Stream("machine", id_of("Alder"))
    write("first", alarm(), seen(), stream=stream)
    assert [event.data for event in read_stream(EASTMERE, stream)] == [alarm(), seen(ALARM)]

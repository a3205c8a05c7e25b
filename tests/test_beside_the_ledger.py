"""What stands beside the events: free text, bytes, and how far each reader has read."""

from __future__ import annotations

import hashlib

import pytest

from incidents.ledger import blobs, bookmarks
from incidents.ledger.reading import words_of
from incidents.ledger.writing import open_ledger
from tests.bare_ledger import (
    EASTMERE,
    WESTMERE,
    ask,
    ask_nothing,
    bodies,
    proven,
    say,
    write,
)
from tests.story import MONDAY, held

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def two_ledgers(db: None) -> None:
    open_ledger(EASTMERE, MONDAY)
    open_ledger(WESTMERE, MONDAY)


# --- words --------------------------------------------------------------------------------------------


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

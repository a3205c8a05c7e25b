"""Deeds within a deed: one transaction, a row and a receipt each, and none spoils another."""

from __future__ import annotations

from uuid import UUID

import pytest

from incidents.ledger import merkle, reading, writing
from incidents.ledger.dialect import id_out
from incidents.ledger.reading import read_stream
from incidents.ledger.writing import DeedReused, Receipt, open_ledger
from incidents.projections import rebuild
from tests.bare_ledger import (
    ALDERS_LOAD,
    BIRCHS_LOAD,
    EASTMERE,
    WESTMERE,
    ask,
    bodies,
    broken_deed,
    deed,
    ended,
    everything,
    proven,
    size,
    write,
)
from tests.story import MONDAY, assembled, finished, id_of, started

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def two_ledgers(db: None) -> None:
    open_ledger(EASTMERE, MONDAY)
    open_ledger(WESTMERE, MONDAY)


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

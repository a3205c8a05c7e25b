"""Two clients at the same moment: whatever the order of their statements, one deed comes after the other.

On PostgreSQL every order that the locks allow is tried, statement by statement; on SQLite, where whoever
begins to write waits for whoever is inside, both orders. The controls take the locks away and must fail.
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from typing import Any
from uuid import UUID

import pytest
from django.db import IntegrityError, connection, connections, transaction

from incidents.ledger import blobs, bookmarks, writing
from incidents.ledger.dialect import for_update, on_postgresql
from incidents.ledger.reading import read_after
from incidents.ledger.writing import LedgerBusy, Receipt
from incidents.operations import alarms, cycles, holds, sweep
from incidents.projections.models import LoadRow
from incidents.queries import silence
from incidents.rules.events import HoldPlaced, LoadReleased, OutcomeOverdue, Stream
from incidents.rules.refusals import Refusal
from tests.cast import (
    PROGRAMME_NAME,
    Department,
    done,
    events_of,
    fate,
    given_aborted_load,
    given_assembled_load,
    given_finished_load,
    given_load_with_alarm,
    given_reviewed_load,
    given_running_load,
    open_department,
    rebuilt_equals_live,
    register_set,
    request,
    review,
    sign_first,
    signed_by,
    whole_log,
)
from tests.floor_cast import set_policy
from tests.interleaving import Act, Played, every_order, one_cut

pytestmark = [pytest.mark.usefixtures("committed"), pytest.mark.drill]
only_postgresql = pytest.mark.skipif(
    connection.vendor != "postgresql", reason="asks PostgreSQL; this run is on SQLite"
)


@pytest.fixture
def spd(committed: None) -> Iterator[Department]:
    """Its policy lets the same alarm come up in every order that is played."""
    department = open_department()
    done(set_policy(department, same_fault_blocks=100, same_fault_cycles=100))
    yield department


def fresh_trays(spd: Department) -> tuple[UUID, ...]:
    return register_set(spd, f"Set {spd.deeds}", 1)


def release_of(spd: Department, load: UUID, who: str = "Ines") -> Act:
    """A signed release, ready to be sent."""
    asked = request(spd, who)
    signings = [signed_by(spd, who, load, asked.deed)]
    return lambda: holds.release_load(asked, load=load, purpose="packing", signings=signings)


def hold_of(spd: Department, load: UUID, who: str = "Joan") -> Act:
    asked = request(spd, who)
    return lambda: holds.hold_load(asked, load=load, words="Tray 1 is wet.")


def events_named(spd: Department, load: UUID, kind: type) -> list[int]:
    return [event.position for event in events_of(spd, load) if isinstance(event.data, kind)]


def log_is_whole(spd: Department) -> None:
    positions = [event.position for event in whole_log(spd)]
    assert positions == list(range(len(positions)))
    rebuilt_equals_live(spd)


# --- release against hold -----------------------------------------------------------------------------


def released_against_a_hold(spd: Department, load: UUID) -> bool:
    """I6: was a release appended while a hold stood?"""
    let_go, held = events_named(spd, load, LoadReleased), events_named(spd, load, HoldPlaced)
    return bool(let_go and held and held[0] < let_go[0])


def race(spd: Department) -> tuple[list[UUID], Callable[[], Sequence[Act]]]:
    """A release and a hold, made anew on a load of their own each time."""
    loads: list[UUID] = []

    def make() -> Sequence[Act]:
        loads.append(given_reviewed_load(spd, trays=fresh_trays(spd)))
        return release_of(spd, loads[-1]), hold_of(spd, loads[-1])

    return loads, make


def test_no_order_releases_a_load_against_a_hold(spd: Department) -> None:
    """I6 under every interleaving; the later hold adds *under recall* (I9)."""
    loads, make = race(spd)
    ends = set()
    for played in every_order(make):
        assert not released_against_a_hold(spd, loads[-1]), played
        assert isinstance(played.outcomes[1], Receipt), played
        ends.add(fate(spd, loads[-1]))
        if isinstance(played.outcomes[0], Refusal):
            assert played.outcomes[0].code == "hold-stands"
    assert ends == {"released, under recall", "quarantined"}
    assert len(loads) >= (10 if on_postgresql() else 2)  # a cut after each statement
    log_is_whole(spd)


def without_the_lock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "for_update", lambda: "")


def cuts(spd: Department) -> Iterator[tuple[UUID, Played]]:
    for first in (0, 1):
        loads, make = race(spd)
        for played in one_cut(make, first):
            yield loads[-1], played


@only_postgresql
def test_without_the_lock_the_keys_still_refuse_what_was_decided_too_early(
    spd: Department, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Control: a deed that decided on an old state dies of the unique position instead of waiting."""
    without_the_lock(monkeypatch)
    played = list(cuts(spd))
    assert not [load for load, _ in played if released_against_a_hold(spd, load)]
    assert [each for _, each in played if any(isinstance(end, IntegrityError) for end in each.outcomes)]


def numbers_drawn_late(monkeypatch: pytest.MonkeyPatch) -> None:
    """As a log would whose numbers come from a sequence when it writes, not from the head that it locked."""
    write = writing._Page.write

    def late(page: Any) -> None:
        page.hand.execute("SELECT size FROM ledger_head WHERE facility_id = %s", (page.facility,))
        (page.size,) = page.hand.fetchone()
        for n, event in enumerate(page.events):
            row = list(event)
            query = (
                "SELECT count(*) FROM ledger_event WHERE facility_id = %s AND stream_kind = %s AND stream_id = %s"
            )
            page.hand.execute(query, (row[0], row[3], row[4]))
            row[1], row[5] = page.size, page.hand.fetchone()[0] + 1
            page.events[n] = tuple(row)
            page.size += 1
        write(page)

    monkeypatch.setattr(writing._Page, "write", late)


@only_postgresql
def test_without_lock_and_numbers_a_load_is_released_against_a_hold(
    spd: Department, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Control: what the test above would see if the ledger were built the usual way."""
    without_the_lock(monkeypatch)
    numbers_drawn_late(monkeypatch)
    assert any(released_against_a_hold(spd, load) for load, _ in cuts(spd))


def test_who_decides_on_what_was_read_before_the_lock_releases_against_a_hold(
    spd: Department, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Control for both databases: the state was folded before the lock was there."""
    load = given_reviewed_load(spd)
    release, read, stream = release_of(spd, load), events_of(spd, load), Stream("load", load)
    assert isinstance(hold_of(spd, load)(), Receipt)
    numbers_drawn_late(monkeypatch)
    late = writing.read_stream
    monkeypatch.setattr(
        writing,
        "read_stream",
        lambda facility, of, **how: list(read) if of == stream else late(facility, of, **how),
    )
    assert isinstance(release(), Receipt)
    assert released_against_a_hold(spd, load)


# --- other pairs at the same moment -------------------------------------------------------------------


def both_done(outcomes: Sequence[object]) -> bool:
    return all(isinstance(outcome, Receipt) for outcome in outcomes)


def one_refused(outcomes: Sequence[object], *codes: str) -> bool:
    refusals = [outcome for outcome in outcomes if isinstance(outcome, Refusal)]
    return len(refusals) == 1 and refusals[0].code in codes


Pair = tuple[Callable[[Department], Sequence[Act]], Callable[[Sequence[object]], bool]]


def one_hold_twice(spd: Department) -> Sequence[Act]:
    return [hold_of(spd, given_aborted_load_of_its_own(spd))] * 2


def given_aborted_load_of_its_own(spd: Department) -> UUID:
    return given_aborted_load(spd, trays=fresh_trays(spd))


def one_load_released_twice(spd: Department) -> Sequence[Act]:
    load = given_reviewed_load(spd, trays=fresh_trays(spd))
    return release_of(spd, load), release_of(spd, load, "Sanne")


def one_load_run_again_twice(spd: Department) -> Sequence[Act]:
    end_what_runs(spd)
    load = given_aborted_load_of_its_own(spd)
    asked = [request(spd, who) for who in ("Ines", "Sanne")]
    return [partial(cycles.rerun_load, each, load=load) for each in asked]


def end_what_runs(spd: Department) -> None:
    """Nothing of an earlier order may stand in the chamber."""
    for row in running(spd):
        alarms.abort_cycle(request(spd, "Ines"), load=row, reason="cant-tell")


def running(spd: Department) -> list[UUID]:
    rows = LoadRow.objects.filter(facility_id=spd.id, stage__in=("running", "stopped"))
    return list(rows.values_list("owner", flat=True))


def one_tray_in_two_loads(spd: Department) -> Sequence[Act]:
    trays = fresh_trays(spd)
    asked = [request(spd, who) for who in ("Ines", "Sanne")]
    assemble = partial(cycles.assemble_load, machine=spd.machine, chamber="1", trays=trays)
    return [partial(assemble, each) for each in asked]


def two_loads_in_one_chamber(spd: Department) -> Sequence[Act]:
    end_what_runs(spd)
    loads = [given_assembled_load(spd, trays=fresh_trays(spd)) for _ in range(2)]
    start = partial(cycles.start_cycle, programme=PROGRAMME_NAME)
    return [partial(start, request(spd, "Ines"), load=load) for load in loads]


def two_who_saw_one_alarm(spd: Department) -> Sequence[Act]:
    end_what_runs(spd)
    load, alarm = given_load_with_alarm(spd, trays=fresh_trays(spd))
    asked = [request(spd, who) for who in ("Ines", "Sanne")]
    stream = Stream("load", load)
    return [partial(alarms.acknowledge_alarm, each, stream=stream, alarm=alarm) for each in asked]


def one_rinse_signed_second_while_it_is_held(spd: Department) -> Sequence[Act]:
    """Whoever comes first: the second signature lifts nothing on a load that changed since the first."""
    load = given_finished_load(spd, trays=fresh_trays(spd))
    done(review(spd, load, conductivity="not-proven"))
    key = "rinse-not-proven:conductivity"
    done(sign_first(spd, load, key, "Sanne"))
    asked = request(spd, "Joan")
    signings = [signed_by(spd, "Joan", load, asked.deed)]
    return partial(holds.second_lift, asked, load=load, hold=key, signings=signings), hold_of(spd, load, "Ines")


def one_second_signature_by_two(spd: Department) -> Sequence[Act]:
    end_what_runs(spd)
    load = given_finished_load(spd, trays=fresh_trays(spd))
    done(review(spd, load, conductivity="not-proven"))
    key = "rinse-not-proven:conductivity"
    done(sign_first(spd, load, key, "Joan"))
    asked = [request(spd, who) for who in ("Sanne", "Sanne")]
    signings = [[signed_by(spd, "Sanne", load, each.deed)] for each in asked]
    return [
        partial(holds.second_lift, each, load=load, hold=key, signings=signed)
        for each, signed in zip(asked, signings, strict=True)
    ]


def one_release_twice(spd: Department) -> Sequence[Act]:
    return [release_of(spd, given_reviewed_load(spd, trays=fresh_trays(spd)))] * 2


def one_receipt(outcomes: Sequence[object]) -> bool:
    return both_done(outcomes) and outcomes[0] == outcomes[1]


PAIRS: dict[str, Pair] = {
    "one hold, sent twice": (one_hold_twice, one_receipt),
    "one release, sent twice": (one_release_twice, one_receipt),
    "one load, released twice": (
        one_load_released_twice,
        lambda outcomes: one_refused(outcomes, "already-ended", "stale"),
    ),
    "one load, run again twice": (
        one_load_run_again_twice,
        lambda outcomes: one_refused(outcomes, "tray-occupied", "chamber-busy"),
    ),
    "one tray, two loads": (one_tray_in_two_loads, lambda outcomes: one_refused(outcomes, "tray-occupied")),
    "one chamber, two loads": (two_loads_in_one_chamber, lambda outcomes: one_refused(outcomes, "chamber-busy")),
    "one second signature, and a hold": (
        one_rinse_signed_second_while_it_is_held,
        lambda outcomes: both_done(outcomes) or one_refused(outcomes, "stale"),
    ),
    "one second signature, given twice": (
        one_second_signature_by_two,
        lambda outcomes: one_refused(outcomes, "stale"),
    ),
    "one alarm, seen twice": (
        two_who_saw_one_alarm,
        lambda outcomes: one_refused(outcomes, "already-acknowledged"),
    ),
}


@pytest.mark.parametrize(("make", "right"), PAIRS.values(), ids=PAIRS)
def test_two_at_the_same_moment_come_one_after_the_other(
    spd: Department, make: Any, right: Callable[[Sequence[object]], bool]
) -> None:
    for played in every_order(lambda: make(spd)):
        assert right(played.outcomes), played
    log_is_whole(spd)


def test_two_sweeps_at_the_same_moment_note_an_overdue_cycle_once(
    spd: Department, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(silence, "to_note", lambda now: ())  # looked for last; its reads would double the orders

    def make() -> Sequence[Act]:
        end_what_runs(spd)
        given_running_load(spd, trays=fresh_trays(spd))
        now = spd.wait(90)
        return [lambda: sweep.sweep(now)] * 2

    orders = [played.outcomes for played in every_order(make)]
    assert not [end for outcomes in orders for end in outcomes if isinstance(end, BaseException)]
    assert len([event for event in whole_log(spd) if isinstance(event.data, OutcomeOverdue)]) == len(orders)
    log_is_whole(spd)


def test_two_workers_of_one_consumer_meet_each_event_once(spd: Department) -> None:
    """Design 11: the bookmark is locked, moved and committed with the effect."""
    met: list[int] = []
    names = (f"consumer {n}" for n in itertools.count())

    def read(consumer: str) -> None:
        with bookmarks.reading_on(consumer, spd.id, limit=2) as events:
            met.extend(event.position for event in events)

    def make() -> Sequence[Act]:
        met.clear()
        consumer = next(names)
        return [lambda: read(consumer)] * 2

    for played in every_order(make):
        assert played.outcomes == (None, None), played
        assert met == [0, 1, 2, 3]


def test_two_who_put_the_same_bytes_both_find_them(spd: Department) -> None:
    photos = (f"photo {n}".encode() for n in itertools.count())

    def make() -> Sequence[Act]:
        photo = next(photos)
        return [lambda: blobs.get(spd.id, blobs.put(spd.id, photo))] * 2

    for played in every_order(make):
        assert played.outcomes[0] == played.outcomes[1], played


# --- many at once, and one who reads along ------------------------------------------------------------

WRITERS, DEEDS_EACH = 4, 15


def test_a_reader_never_passes_over_an_event_that_commits_later(spd: Department) -> None:
    """I3: positions become visible in order, so whoever reads on from the last one misses nothing.

    Source of the worry: a sequence polled by `id > last` missed 753 of 2,000 events (reliability notes).
    """
    loads = [given_aborted_load(spd, trays=fresh_trays(spd)) for _ in range(WRITERS)]
    asked = [[hold_of(spd, load) for _ in range(DEEDS_EACH)] for load in loads]
    first = len(whole_log(spd))
    last = first + WRITERS * DEEDS_EACH
    failed: list[object] = []

    def act(deeds: Sequence[Act]) -> None:
        try:
            failed.extend(end for deed in deeds if not isinstance(end := deed(), Receipt))
        except Exception as error:
            failed.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=act, args=(deeds,)) for deeds in asked]
    for thread in threads:
        thread.start()
    read: list[int] = []
    while any(thread.is_alive() for thread in threads) or len(read) < last - first:
        found = read_after(spd.id, first + len(read), limit=7)
        assert [event.position for event in found] == [first + len(read) + n for n in range(len(found))]
        read.extend(event.position for event in found)
        assert found or not failed, failed
    assert (read, failed) == (list(range(first, last)), [])
    log_is_whole(spd)


# --- who waits too long -------------------------------------------------------------------------------


@contextmanager
def waiting_briefly() -> Iterator[None]:
    """This connection gives up on a lock after 50 ms."""
    brief, again = ("SET lock_timeout = 50", "RESET lock_timeout")
    if not on_postgresql():
        brief, again = ("PRAGMA busy_timeout = 50", "PRAGMA busy_timeout = 3000")
    with connection.cursor() as cursor:
        cursor.execute(brief)
        yield
        cursor.execute(again)


@contextmanager
def somebody_inside(spd: Department) -> Iterator[None]:
    """Another client holds this department's lock."""
    entered, leave = threading.Event(), threading.Event()

    def stay() -> None:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(writing._LOCK_HEAD + for_update(), (spd.id,))
            entered.set()
            leave.wait(10)
        connections.close_all()

    thread = threading.Thread(target=stay)
    thread.start()
    assert entered.wait(10)
    try:
        yield
    finally:
        leave.set()
        thread.join()


def test_who_waits_too_long_for_the_lock_is_told_and_may_send_the_same_deed_again(spd: Department) -> None:
    load = given_aborted_load(spd)
    deed = hold_of(spd, load)
    with somebody_inside(spd), waiting_briefly(), pytest.raises(LedgerBusy):
        deed()
    assert isinstance(deed(), Receipt)
    log_is_whole(spd)


@only_postgresql
def test_departments_do_not_wait_for_each_other(spd: Department) -> None:
    other = open_department(name="Westmere")
    load = given_aborted_load(other)
    with somebody_inside(spd), waiting_briefly():
        assert isinstance(hold_of(other, load)(), Receipt)


@only_postgresql
def test_a_sweep_passes_by_a_department_that_is_busy(spd: Department) -> None:
    """What is due elsewhere does not wait for whoever is inside here; the next sweep finds what was left."""
    here = given_running_load(spd)
    other = open_department(name="Westmere")
    there = given_running_load(other)
    with somebody_inside(spd), waiting_briefly(), pytest.raises(LedgerBusy):
        sweep.sweep(other.wait(90))
    assert (fate(spd, here), fate(other, there)) == ("in process", "quarantined")
    sweep.sweep(other.wait())
    assert fate(spd, here) == "quarantined"

"""Read models made anew: the check that ends every story sees what is wrong, and rebuilding mends it (I8)."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import pytest

from incidents.ledger.dialect import on_postgresql
from incidents.ledger.writing import Receipt
from incidents.operations import catalogue, climbing, downtime, escalation, holds, readings
from incidents.operations.care import hand_on_item
from incidents.operations.incidents import take_incident
from incidents.projections import rebuild
from incidents.projections.models import OpenItemRow
from incidents.projections.tables import TABLES, TRAY, Table
from incidents.queries import care
from incidents.rules.events import ColumnMeaning, CycleAborted
from incidents.rules.programmes import STARTING_FAULTS
from tests.bare_ledger import ask, ask_nothing, everything
from tests.cast import (
    Department,
    done,
    given_aborted_load,
    given_finished_load,
    given_load_with_alarm,
    open_department,
    rebuilt_equals_live,
    register_rack,
    register_set,
    request,
    rerun_and_release,
    tell,
    whole_log,
)
from tests.floor_cast import set_policy
from tests.history_cast import import_past
from tests.interleaving import Act, Played, one_cut
from tests.record_cast import keep
from tests.recorded import as_csv, good
from tests.story import id_of

EVERY_TABLE = pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)


@pytest.fixture
def spd(db: None) -> Department:
    return a_busy_department()


def a_busy_department() -> Department:
    """One with a row in every read model: loads of every kind, alarms, open items, a cycle without a load."""
    spd = open_department()
    done(keep(spd, given_finished_load(spd, trays=register_set(spd, "Third set", 1)), as_csv(good())))
    columns = [ColumnMeaning("Zeit", "time_s")]
    done(readings.set_record_form(request(spd, "Bo"), machine=spd.machine, columns=columns))
    rerun_and_release(spd, given_aborted_load(spd))
    given_aborted_load(spd)
    done(tell(spd, "cycle-started", cycle=9, programme="Turbo"))
    done(set_policy(spd))
    register_rack(spd, "Rack 3")
    done(downtime.issue_forms(request(spd, "Sanne"), count=3))
    done(catalogue.draft_catalogue(request(spd, "Bo"), faults=STARTING_FAULTS[:2]))
    _, alarm = given_load_with_alarm(spd, trays=register_set(spd, "Second set", 1))
    done(take_incident(request(spd, "Bo"), alarm=alarm))
    done(escalation.adopt_escalation(request(spd, "Ada")))
    climbing.sweep(spd.wait(240))
    done(escalation.set_calendar(request(spd, "Ada"), holidays=[], rotas=[]))  # every item is looked at anew
    import_past(spd)
    _hand_an_item_on(spd)
    return spd


def _hand_an_item_on(spd: Department) -> None:
    row = OpenItemRow.objects.filter(facility_id=spd.id, known_to__isnull=True).order_by("since", "item")[0]
    item = care.item_of(row)
    to = spd.people["Bo"].id
    done(hand_on_item(request(spd, "Sanne"), stream=item.about, item=item.key, to=to, words="The arm is stiff."))


def spoilt(table: Table, how: str, spd: Department) -> None:
    """Change, remove or add one row behind the ledger's back."""
    named = ("owner", *table.key, *_since(table))
    this = " AND ".join(f"{column} = %s" for column in named)
    (row,) = ask(f"SELECT {', '.join(named)} FROM {table.name} WHERE facility_id = %s LIMIT 1", spd.id)
    if how == "removed":
        ask_nothing(f"DELETE FROM {table.name} WHERE {this}", *row)
    elif how == "changed":
        column = "known_to" if table.temporal else table.values[0]
        column, value = {"read_care": ("words", "'77'"), "read_incident": ("verified_at", "told_at")}.get(
            table.name, (column, "'77'")
        )
        ask_nothing(f"UPDATE {table.name} SET {column} = {value} WHERE {this}", *row)
    else:
        strange = ["owner", "tray"] if table is TRAY else ["owner"]
        copied = ["%s" if column in strange else column for column in table.columns]
        ask_nothing(
            f"INSERT INTO {table.name} ({', '.join(table.columns)})"
            f" SELECT {', '.join(copied)} FROM {table.name} WHERE {this}",
            *[id_of("nobody's")] * len(strange),
            *row,
        )


def _since(table: Table) -> tuple[str, ...]:
    return ("known_from",) if table.temporal else ()


@EVERY_TABLE
def test_every_read_model_has_rows_here(spd: Department, table: Table) -> None:
    """Else the tests below would prove nothing."""
    assert ask(f"SELECT count(*) FROM {table.name}") != [(0,)]
    assert rebuild.check(spd.id)[:2] == (len(whole_log(spd)), 0)


@EVERY_TABLE
@pytest.mark.parametrize("how", ["changed", "removed", "added"])
def test_one_wrong_row_is_seen_and_mended(spd: Department, table: Table, how: str) -> None:
    before = everything()
    spoilt(table, how, spd)
    assert rebuild.check(spd.id).differences >= 1
    assert everything() != before
    assert rebuild.rebuild(spd.id).differences >= 1
    assert everything() == before


def test_read_models_lost_altogether_are_made_anew(spd: Department) -> None:
    before = everything()
    for table in TABLES:
        ask_nothing(f"DELETE FROM {table.name}")
    rebuild.rebuild(spd.id)
    assert everything() == before


def test_rebuilding_what_is_right_writes_nothing(spd: Department) -> None:
    before = everything()
    assert rebuild.rebuild(spd.id).differences == 0
    assert everything() == before


def test_one_departments_rebuild_does_not_look_at_another(spd: Department) -> None:
    other = a_busy_department()
    ask_nothing("UPDATE read_load SET stage = 'none' WHERE facility_id = %s", other.id)
    rebuilt_equals_live(spd)
    assert rebuild.rebuild(spd.id).differences == 0
    assert rebuild.check(other.id).differences >= 1


# --- while deeds go on --------------------------------------------------------------------------------


@pytest.fixture
def busy(committed: None) -> Iterator[Department]:
    yield a_busy_department()


def orders(make: Callable[[], Sequence[Act]]) -> Iterator[Played]:
    for first in (0, 1):
        yield from one_cut(make, first)


@pytest.mark.drill
def test_two_rebuilds_at_once_leave_what_one_does(busy: Department) -> None:
    """Each found the same rows missing and wrong before the other mended them."""
    before = everything()

    def make() -> Sequence[Act]:
        for table in TABLES:
            ask_nothing(f"DELETE FROM {table.name} WHERE facility_id = %s", busy.id)
        return [lambda: rebuild.rebuild(busy.id)] * 2

    for played in one_cut(make):
        assert [type(outcome) for outcome in played.outcomes] == [rebuild.Report] * 2, played.outcomes
        assert everything() == before


def test_a_rebuild_that_another_was_quicker_than_makes_the_same_right(
    spd: Department, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows that are missing and rows that are wrong, found by both before either mended."""
    before = everything()
    ask_nothing("UPDATE read_load SET stage = 'none' WHERE facility_id = %s", spd.id)
    ask_nothing("DELETE FROM read_alarm WHERE facility_id = %s", spd.id)
    mend, quicker = rebuild._Mender.mend, iter([rebuild.rebuild])

    def after_another(mender: Any) -> None:
        for other in quicker:
            assert other(spd.id).differences >= 2
            assert everything() == before
        mend(mender)

    monkeypatch.setattr(rebuild._Mender, "mend", after_another)
    assert rebuild.rebuild(spd.id).differences >= 2
    assert everything() == before


def test_a_rebuild_may_think_for_longer_than_a_deed(busy: Department, monkeypatch: pytest.MonkeyPatch) -> None:
    """On PostgreSQL a transaction that idles is ended; a rebuild's holds no lock that anybody waits for."""
    fold = rebuild._fold

    def slowly(*args: Any) -> Any:
        time.sleep(0.2)
        return fold(*args)

    monkeypatch.setattr(rebuild, "_fold", slowly)
    if on_postgresql():
        ask_nothing("SET idle_in_transaction_session_timeout = 50")
    try:
        assert rebuild.check(busy.id).differences == 0
    finally:
        if on_postgresql():
            ask_nothing("RESET idle_in_transaction_session_timeout")


@pytest.mark.drill
@pytest.mark.parametrize("work", [rebuild.check, rebuild.rebuild], ids=["check", "rebuild"])
def test_a_deed_in_the_middle_of_it_is_neither_lost_nor_a_difference(busy: Department, work: Any) -> None:
    """The deed comes between any two statements of the work, and the work between any two of the deed."""
    load = next(event.stream.id for event in whole_log(busy) if isinstance(event.data, CycleAborted))

    def make() -> Sequence[Act]:
        asked = request(busy, "Ines")
        return [lambda: holds.hold_load(asked, load=load, words="wet"), lambda: work(busy.id)]

    for deed, report in (played.outcomes for played in orders(make)):
        assert isinstance(deed, Receipt), deed
        assert isinstance(report, rebuild.Report), report
        assert report.differences == 0
        rebuilt_equals_live(busy)

"""Read models made anew: the check that ends every story sees what is wrong, and rebuilding mends it (I8)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

import pytest

from incidents.ledger.writing import Receipt
from incidents.operations import catalogue, downtime, holds
from incidents.projections import rebuild
from incidents.projections.tables import TABLES, TRAY, Table
from incidents.rules.events import CycleAborted
from incidents.rules.programmes import STARTING_FAULTS
from tests.bare_ledger import ask, ask_nothing, everything
from tests.cast import (
    Department,
    done,
    given_aborted_load,
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
from tests.interleaving import Act, Played, one_cut
from tests.story import id_of

EVERY_TABLE = pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)


@pytest.fixture
def spd(db: None) -> Department:
    return a_busy_department()


def a_busy_department() -> Department:
    """One with a row in every read model: loads of every kind, alarms, open items, a cycle without a load."""
    spd = open_department()
    rerun_and_release(spd, given_aborted_load(spd))
    given_aborted_load(spd)
    done(tell(spd, "cycle-started", cycle=9, programme="Turbo"))
    done(set_policy(spd))
    register_rack(spd, "Rack 3")
    done(downtime.issue_forms(request(spd, "Sanne"), count=3))
    done(catalogue.draft_catalogue(request(spd, "Bo"), faults=STARTING_FAULTS[:2]))
    given_load_with_alarm(spd, trays=register_set(spd, "Second set", 1))
    return spd


def spoilt(table: Table, how: str, spd: Department) -> None:
    """Change, remove or add one row behind the ledger's back."""
    named = ("owner", *table.key, *_since(table))
    this = " AND ".join(f"{column} = %s" for column in named)
    (row,) = ask(f"SELECT {', '.join(named)} FROM {table.name} WHERE facility_id = %s LIMIT 1", spd.id)
    if how == "removed":
        ask_nothing(f"DELETE FROM {table.name} WHERE {this}", *row)
    elif how == "changed":
        column = "known_to" if table.temporal else table.values[0]
        ask_nothing(f"UPDATE {table.name} SET {column} = %s WHERE {this}", "77", *row)
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

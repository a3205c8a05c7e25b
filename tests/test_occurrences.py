"""Faults and exposure from the log: as stories, and at any earlier length of it as it was seen then."""

from __future__ import annotations

from datetime import timedelta

import pytest

from incidents.analysis.exposure import TOGETHER, Watched
from incidents.ledger.reading import head
from incidents.operations import cycles, history
from incidents.queries import occurrences
from tests import cast, floor_cast, history_cast
from tests.cast import Department, done, request, tell


@pytest.fixture
def spd(db: None) -> Department:
    return cast.open_department()


def seen(spd: Department) -> tuple[int, Watched]:
    """How long the log is, and what Alder shows of it."""
    top = head(spd.id)
    assert top is not None
    return top.size, then(spd, top.size)


def then(spd: Department, before: int) -> Watched:
    return occurrences.of_machines(spd.id, [spd.machine], before, spd.now)[spd.machine]


def aborted(spd: Department, cycle: int, code: str = "W02") -> None:
    load = cast.given_aborted_load(spd, cycle=cycle, code=code, trays=cast.register_set(spd, f"Set {cycle}", 1))
    done(cycles.place_load(request(spd, "Ines"), load=load, place="quarantine", spot="Shelf"))


def finished(spd: Department, cycle: int) -> None:
    cast.given_finished_load(spd, cycle=cycle, trays=cast.register_set(spd, f"Set {cycle}", 1))


def test_faults_stand_at_the_cycle_in_which_they_came(spd: Department) -> None:
    finished(spd, 1)
    aborted(spd, 2)
    aborted(spd, 3, code="A01")
    finished(spd, 4)
    found = seen(spd)[1]
    assert found.cycles == 4
    assert {code: one.cycles.tolist() for code, one in found.faults.items()} == {
        TOGETHER: [1.5, 2.5],
        "W02": [1.5],
        "A01": [2.5],
    }


def test_the_block_after_repeats_keeps_its_fault_and_is_a_boundary_once_it_is_back(spd: Department) -> None:
    """Policy's start values: the third of the same fault blocks the machine."""
    for cycle in (1, 2, 3):
        aborted(spd, cycle)
    found = seen(spd)[1]
    assert found.faults["W02"].cycles.tolist() == [0.5, 1.5, 2.5]
    assert found.boundaries == ()
    spd.wait(600)
    done(floor_cast.bring_back(spd))
    finished(spd, 4)
    after = seen(spd)[1]
    assert [(one.cycles, one.hours) for one in after.boundaries] == [(3, pytest.approx(found.hours))]
    assert not after.boundaries[0].repaired
    assert after.cycles == 4


def test_an_alarm_of_the_machine_itself_counts_too(spd: Department) -> None:
    finished(spd, 1)
    done(tell(spd, "alarm-raised", code="P01", phase="", chamber=""))
    assert seen(spd)[1].faults["P01"].told == 1


def test_any_earlier_length_says_what_was_seen_then(spd: Department) -> None:
    looks = []
    for cycle in (1, 2, 3):
        aborted(spd, cycle)
        looks.append((*seen(spd), spd.now))
    spd.wait(60)
    done(floor_cast.bring_back(spd))
    looks.append((*seen(spd), spd.now))
    finished(spd, 4)
    cast.given_load_with_alarm(spd, cycle=5, code="T01", trays=cast.register_set(spd, "Set 5", 1))
    looks.append((*seen(spd), spd.now))
    done(tell(spd, "alarm-cleared", code="T01"))
    spd.wait(45)
    for size, told, at in looks:
        again = occurrences.of_machines(spd.id, [spd.machine], size, at)[spd.machine]
        assert str(again) == str(told)


def test_imported_history_counts_with_its_repairs(spd: Department) -> None:
    begun = history_cast.LONG_AGO
    loads = [
        history_cast.a_past_load(
            spd,
            cycle=n,
            line=n,
            started_at=begun + timedelta(hours=n),
            ended_at=begun + timedelta(hours=n, minutes=50),
        )
        for n in range(1, 5)
    ]
    alarm = history_cast.a_past_alarm(spd, cycle=2, raised_at=begun + timedelta(hours=2, minutes=9))
    repair = history_cast.a_past_repair(
        spd, out_at=begun + timedelta(hours=3, minutes=-5), back_at=begun + timedelta(hours=4, minutes=-5)
    )
    for told in loads:
        done(history.import_load(request(spd, "Ada"), said=told))
    done(history.import_alarm(request(spd, "Ada"), said=alarm))
    done(history.import_repair(request(spd, "Ada"), said=repair))
    found = seen(spd)[1]
    assert (found.cycles, found.left_out_cycles) == (3, 1)
    assert found.hours == pytest.approx(3 * 50 / 60)
    assert found.faults["F07"].cycles.tolist() == [1.5]
    assert [one.cycles for one in found.boundaries] == [2]


def test_machines_are_named_as_they_were_called_then(spd: Department) -> None:
    size = seen(spd)[0]
    birch = cast.register_machine(spd, "Birch")
    assert list(occurrences.machines(spd.id, size).values()) == ["Alder"]
    assert birch in occurrences.machines(spd.id, seen(spd)[0])

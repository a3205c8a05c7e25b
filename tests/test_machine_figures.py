"""The figures of machines and the verdicts over all of them; against scipy and a published example."""

from __future__ import annotations

import csv
from pathlib import Path
from random import Random

import msgspec
import numpy as np
import pytest
from scipy import stats

from incidents.analysis import machine_figures, verdicts
from incidents.analysis.exposure import TOGETHER, Alarm, Boundary, Cycle, Occurrences, Out, Watched, watched
from incidents.analysis.told_figures import FALLING, NOTHING, RISING, TOO_FEW, Figures

HOUR = 3600.0
DATA = Path(__file__).parent / "published" / "figures"


def machine(
    times: dict[str, list[float]], cycles: int, returns: tuple[float, ...] = (), *, repaired: bool = False
) -> Watched:
    """A machine with faults at these cycles; one cycle an hour, half of it running."""
    faults = {code: _occurrences(at) for code, at in times.items()}
    every = _occurrences(sorted(one for at in times.values() for one in at))
    boundaries = tuple(Boundary(HOUR * one, HOUR * one, "", "Pump", one, one / 2, repaired) for one in returns)
    starts = HOUR * np.arange(cycles)
    return Watched(cycles, cycles / 2, starts, {TOGETHER: every, **faults}, boundaries, 0, 0, 0)


def _occurrences(at: list[float]) -> Occurrences:
    cycles = np.array(at, dtype=np.float64)
    return Occurrences(len(at), HOUR * cycles, cycles, cycles / 2)


def invented(seed: int, machines: int) -> list[Watched]:
    """Machines of very unlike lengths, faults and repairs, some of them without a cycle or a fault."""
    chance, made = np.random.default_rng(seed), []
    for _ in range(machines):
        cycles = int(chance.integers(0, 300))
        begun = [Cycle(HOUR * n, HOUR * n + 2400, "1") for n in range(cycles)]
        told = [
            Alarm(float(chance.uniform(0, HOUR * max(cycles, 1))), f"F{chance.integers(4)}", "1")
            for _ in range(int(chance.integers(0, 90)))
        ]
        out = float(chance.uniform(0, HOUR * max(cycles, 1)))
        made.append(watched(begun, told, [Out(out, out + 5 * HOUR, "", "Pump")]))
    return made


def rows_of(machines: list[Watched]) -> list[bytes]:
    return [msgspec.json.encode(each) for each in machine_figures.reduced(machines, within=60)]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_any_split_into_chunks_gives_the_same_bytes(seed: int) -> None:
    machines, chance = invented(seed, 40), Random(seed)
    whole = rows_of(machines)
    order = list(range(len(machines)))
    chance.shuffle(order)
    while order:
        size = chance.randint(1, 9)
        chunk, order = order[:size], order[size:]
        assert rows_of([machines[n] for n in chunk]) == [whole[n] for n in chunk]


def test_figures_are_those_of_the_published_example() -> None:
    """MIL-HDBK-189 (1981), Appendix C, ends by time at 300 h: shape, scale, MTBF, C²."""
    with (DATA / "mil_hdbk_189_c.csv").open() as file:
        times = [float(row["time"]) for row in csv.DictReader(file)]
    _, found = machine_figures.reduced([machine({"W02": times}, 300)], within=60)[0]
    assert found.trend is not None
    law = found.trend.likeliest
    assert law.shape == pytest.approx(0.7163392624, rel=1e-9)
    assert law.scale == pytest.approx(0.4538418614, rel=1e-9)
    assert law.mtbf_now == pytest.approx(15.510962, rel=1e-6)
    assert found.trend.modified.shape == pytest.approx(0.689808178574665, rel=1e-12)
    assert found.trend.fit == pytest.approx(0.0910611, abs=1e-7)


def test_what_stands_in_json_is_read_back_as_it_was() -> None:
    for figures in machine_figures.reduced(invented(4, 20), within=60):
        assert msgspec.json.decode(msgspec.json.encode(figures), type=list[Figures]) == figures


def test_a_machine_without_a_cycle_has_no_rate_and_no_verdict() -> None:
    ((found,),) = machine_figures.reduced([watched([], [Alarm(1.0, "W02")], [])], within=60)
    assert (found.per_100_cycles, found.trend, found.count) == (None, None, 0)
    assert found.watch is not None
    assert found.watch.unplaced == 1
    assert verdicts.final({"a": [found]}).finals == {}


# --- what only all of them can say --------------------------------------------------------------------


def report(**machines: Watched) -> verdicts.Report:
    figures = machine_figures.reduced(list(machines.values()), within=60)
    return verdicts.final(dict(zip(machines, figures, strict=True)))


def rising(n: int = 20, cycles: int = 400) -> list[float]:
    """Faults at the quantiles of a power law of shape 3."""
    return [float(np.ceil(cycles * ((k - 0.5) / n) ** (1 / 3))) - 0.5 for k in range(1, n + 1)]


def even(n: int = 20, cycles: int = 400) -> list[float]:
    """As many, by a sequence that fills the span without a trend (Weyl's, of the golden ratio)."""
    return sorted(float(np.floor(cycles * (k * 0.6180339887 % 1))) + 0.5 for k in range(1, n + 1))


def test_rising_falling_neither_and_too_few() -> None:
    falling = sorted(400 - one for one in rising())
    found = report(
        a=machine({"W02": rising()}, 400),
        b=machine({"W02": falling}, 400),
        c=machine({"W02": even()}, 400),
        d=machine({"W02": [3.5, 9.5, 20.5]}, 400),
    ).finals
    assert [found[name, "W02"].verdict for name in "abcd"] == [RISING, FALLING, NOTHING, TOO_FEW]


def could_tell(one: Figures) -> bool:
    """Five faults at least: of four, all before the repair is still 1 in 16 (Tarone 1990)."""
    return one.repair is not None and one.repair.before + one.repair.after >= 5


def test_q_values_are_those_of_scipy_over_all_rows_of_a_question() -> None:
    machines = {str(n): one for n, one in enumerate(invented(5, 12))}
    figures = dict(zip(machines, machine_figures.reduced(list(machines.values()), within=60), strict=True))
    found = verdicts.final(figures).finals
    told = [(name, one) for name, rows in figures.items() for one in rows if rows[0].cycles]
    for ask, q in (
        (lambda one: one.trend and one.trend.p, "trend_q"),
        (lambda one: one.repair and one.repair.fluke if could_tell(one) else None, "repair_q"),
    ):
        asked = [(name, one.fault, ask(one)) for name, one in told if ask(one) is not None]
        expected = stats.false_discovery_control([p for _, _, p in asked])
        assert [getattr(found[name, fault], q) for name, fault, _ in asked] == pytest.approx(expected.tolist())


def test_the_rest_of_the_fleet_is_every_other_machine() -> None:
    found = report(
        a=machine({"W02": even(30)}, 400), b=machine({"W02": even(4)}, 400), c=machine({"A01": [5.5]}, 800)
    ).finals["a", "W02"]
    assert (found.rest_count, found.rest_cycles, found.rank) == (4, 1200, 1)
    assert found.ratio == pytest.approx((30 / 400) / (4 / 1200))
    p = stats.binomtest(30, 34, 400 / 1600, alternative="greater").pvalue
    assert found.fleet_p == pytest.approx(2 * p)
    assert found.above
    assert not found.below


def test_a_fleet_of_one_is_compared_with_nobody() -> None:
    one = report(a=machine({"W02": even()}, 400))
    assert one.finals["a", "W02"].ratio is None
    assert one.fleet["W02"].alike_p is None


def test_a_repair_that_worked_and_one_that_did_not() -> None:
    worked = [float(n) + 0.5 for n in range(20, 200, 20)]
    found = report(
        a=machine({"W05": worked}, 400, returns=(200.0,)),
        b=machine(
            {"W05": [n + 3.0 for n in worked] + [float(n) + 0.5 for n in range(205, 400, 20)]}, 400, (200.0,)
        ),
    ).finals
    assert found["a", "W05"].repaired
    assert not found["b", "W05"].repaired
    assert found["a", "W05"].repair_q == pytest.approx(2 * 2 * 0.5**9 / 2, rel=1e-9)  # four tests, two as small


def test_a_return_answers_the_faults_since_the_one_before() -> None:
    figures = machine_figures.reduced(
        [machine({"W02": [10.5, 12.5, 230.5], "A01": [150.5]}, 400, returns=(100.0, 200.0, 300.0))], within=60
    )[0]
    by_fault = {one.fault: one for one in figures}
    w02, a01 = by_fault["W02"], by_fault["A01"]
    assert w02.came_back is not None
    assert (w02.came_back.resolved, w02.came_back.back, w02.came_back.unknown) == (2, 0, 0)
    assert w02.repair is not None
    assert (w02.repair.cycles, w02.repair.before, w02.repair.after, w02.repair.stretch) == (300.0, 1, 0, 100.0)
    assert a01.repair is not None
    assert a01.repair.cycles == 200.0


def test_a_repair_by_a_person_is_what_is_asked_about() -> None:
    """Faults blocked it at 60; a person took it out at 100, and it was blocked for another fault at 300."""
    of = machine({"W02": [10.5, 50.5], "A01": [290.5]}, 400, returns=(60.0, 100.0, 300.0))
    planned = of._replace(boundaries=tuple(one._replace(repaired=one.cycles == 100) for one in of.boundaries))
    found = {one.fault: one.repair for one in machine_figures.reduced([planned], within=60)[0]}
    assert {fault: one.cycles for fault, one in found.items() if one} == {
        TOGETHER: 100.0,
        "W02": 100.0,
        "A01": 300.0,
    }
    assert found["W02"] is not None
    assert (found["W02"].before, found["W02"].after, found["W02"].repaired) == (2, 0, True)


def test_weeks_without_a_cycle_are_passed_over() -> None:
    starts = np.concatenate([np.arange(50), np.arange(50) + 24 * 14]) * HOUR
    of = machine({"W02": [1.5, 60.5, 61.5]}, 100)._replace(starts=starts)
    weeks = machine_figures.reduced([of], within=60)[0][1].weeks
    assert weeks is not None
    assert (weeks.counts, weeks.cycles) == ([1, 2], [50, 50])

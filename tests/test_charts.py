"""Control charts and run lengths against handbooks, R's printed numbers, brute force and invented counts."""

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st

from incidents.analysis import charts, run_lengths
from tests.published_values import given


def having(*kinds: Any) -> Any:
    return lambda test: settings(deadline=None, max_examples=60)(drawn(*kinds)(test))


# --- published numbers --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["NIST-C", "QCC-C"])
def test_chart_of_counts(name: str) -> None:
    """The handbook's third point lies on its upper limit, and isn't out."""
    inputs, expected, near = given(name)
    found = charts.c(inputs["counts"])
    assert [found.center, found.ucl, found.lcl] == near([expected["center"], expected["UCL"], expected["LCL"]])
    assert list(found.signals) == expected["out_points"]


def test_individuals_and_moving_range() -> None:
    inputs, expected, near = given("NIST-IMR")
    found = charts.individuals(inputs["x"])
    values = found.values
    assert [values.center, values.ucl, values.lcl] == near([expected["center"], expected["UCL"], expected["LCL"]])
    assert [found.ranges.center, found.ranges.ucl] == near([expected["MRbar"], expected["MR_UCL"]])


def test_cusum() -> None:
    inputs, expected, near = given("NIST-CUSUM")
    found = charts.cusum(inputs["x"], target=inputs["target"], k=inputs["k"], h=inputs["h"])
    assert found.upper == near(expected["Sh"])
    assert list(found.signals) == expected["signals"]
    assert found.signals[0] == expected["first_signal"]


def test_run_length_of_a_cusum() -> None:
    inputs, expected, near = given("CUSUM-ARL-4")
    found = [run_lengths.cusum(inputs["k"], inputs["h"], shift=shift) for shift in inputs["shift"]]
    assert found == near(expected["ARL"])
    one_sided = run_lengths.cusum(0.5, 4, two_sided=False)
    assert one_sided == pytest.approx(335.3676, rel=1e-6)  # R package spc


def test_limit_of_a_cusum_is_solved_for() -> None:
    """For a run of 370.4 and k = 0.5 tables give h = 4.77 (Montgomery, from memory)."""
    h = run_lengths.cusum_limit(370.4)
    assert h == pytest.approx(4.775, abs=0.005)
    assert run_lengths.cusum(0.5, h) == pytest.approx(370.4, rel=1e-9)


def test_run_length_of_three_sigma() -> None:
    inputs, expected, near = given("SHEWHART-ARL")
    assert [run_lengths.shewhart(3, shift=shift) for shift in inputs["shift"]] == near(expected["ARL"])


def test_cycles_between_rare_faults() -> None:
    inputs, expected, near = given("G-CHART")
    found = charts.g([inputs["gbar"] - 30, inputs["gbar"] + 30])
    assert [found.center, found.ucl, found.lcl] == near([expected["CL"], expected["UCL"], expected["LCL"]])


# --- what must hold -----------------------------------------------------------------------------------


def test_limits_widen_where_there_was_less_exposure() -> None:
    found = charts.u([4, 9, 0], [10, 40, 1])
    assert found.center == pytest.approx(13 / 51)
    reach = 3 * np.sqrt(13 / 51 / np.array([10, 40, 1]))
    assert found.ucl == pytest.approx(13 / 51 + reach)
    assert found.lcl == pytest.approx(np.maximum(13 / 51 - reach, 0))
    shares = charts.p([1, 5, 30], [50, 50, 60])
    assert shares.center == pytest.approx(36 / 160)
    assert shares.signals == (1, 3)


@having(st.lists(st.integers(0, 40), min_size=2, max_size=40), st.integers(1, 30))
def test_equal_exposure_makes_the_chart_of_rates_one_of_counts(counts: list[int], exposure: int) -> None:
    plain, rate = charts.c(counts), charts.u(counts, np.full(len(counts), float(exposure)))
    assert rate.center * exposure == pytest.approx(plain.center)
    assert rate.ucl * exposure == pytest.approx(np.full(len(counts), plain.ucl))
    assert rate.signals == plain.signals


@having(st.lists(st.floats(-50, 50), min_size=1, max_size=60), st.floats(0, 5))
def test_cusum_is_its_recursion(values: list[float], k: float) -> None:
    found = charts.cusum(values, target=1.0, k=k, h=8)
    high = low = 0.0
    for place, value in enumerate(values):
        high, low = max(0.0, high + value - 1 - k), max(0.0, low - value + 1 - k)
        assert (found.upper[place], found.lower[place]) == (
            pytest.approx(high, abs=1e-9),
            pytest.approx(low, abs=1e-9),
        )


@having(st.lists(st.floats(-50, 50), min_size=1, max_size=40))
def test_a_weighted_mean_of_full_weight_is_a_chart_of_single_values(values: list[float]) -> None:
    one = charts.ewma(values, target=2.0, sigma=3.0, weight=1.0)
    assert one.points == pytest.approx(np.array(values), abs=1e-9)
    assert one.ucl == pytest.approx(np.full(len(values), 11.0))


def test_weighted_mean_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4: 20 values, target 50, σ 2.0539, weight 0.3; the limits grow to 52.5884 and
    47.4115, and the first means are 50.60, 49.52, 50.56 (from memory, two decimals)."""
    values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
    values += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    found = charts.ewma(values, target=50, sigma=2.0539, weight=0.3)
    assert found.points[:3] == pytest.approx([50.60, 49.52, 50.56], abs=0.006)
    assert [found.ucl[-1], found.lcl[-1]] == pytest.approx([52.5884, 47.4115], abs=1e-3)
    assert found.signals == ()


def test_gaps_between_rare_faults() -> None:
    """Exponential gaps are seldom out; one of 40 times the usual is."""
    gaps = np.random.default_rng(5).exponential(200, 2000)
    assert len(charts.t(gaps).signals) / gaps.size < 0.01
    assert charts.t([*gaps[:30], 8000.0]).signals == (31,)


def test_run_length_of_counts_by_arithmetic() -> None:
    """With k = 1 and h = 0 a count of 2 or more signals and nothing else is kept: one in 1 / P(count ≥ 2)."""
    chance = 1 - np.exp(-0.4) * 1.4
    assert run_lengths.poisson_cusum(0.4, Fraction(1), Fraction(0)) == pytest.approx(1 / chance)


@pytest.mark.parametrize(
    ("usual", "raised", "wanted"),
    [(1, 2, 370), (0.1, 0.3, 500), (4, 7, 200), (0.02, 0.06, 1000), (0.001, 0.004, 20_000)],
)
def test_a_design_runs_as_long_as_wanted_on_invented_counts(usual: float, raised: float, wanted: float) -> None:
    found = run_lengths.design(usual, raised, wanted)
    assert wanted <= found.usual_run <= 1.1 * wanted
    assert found.raised_run < found.usual_run / 8
    chance = np.random.default_rng(19)
    sums, runs = np.zeros(600), np.zeros(600)
    alive = np.ones(600, dtype=bool)
    while alive.any():
        sums = np.maximum(0, sums + chance.poisson(raised, 600) - found.k)
        runs[alive] += 1
        alive &= sums <= found.h + 1e-9
    assert runs.mean() == pytest.approx(found.raised_run, abs=4 * runs.std() / np.sqrt(600))


@pytest.mark.parametrize(("usual", "raised", "wanted"), [(0, 1, 100), (2, 1, 100), (1, 1, 100), (1, 2, 1)])
def test_what_is_no_design_is_refused(usual: float, raised: float, wanted: float) -> None:
    with pytest.raises(ValueError, match="design"):
        run_lengths.design(usual, raised, wanted)


def test_where_a_rate_changed() -> None:
    found = charts.change_point([2, 1, 3, 2, 9, 8, 11, 7])
    assert found.after == 4
    assert (found.before_rate, found.after_rate) == (2.0, 8.75)
    assert found.p < 0.001


@having(st.lists(st.integers(0, 3), min_size=2, max_size=4), st.lists(st.integers(1, 3), min_size=4, max_size=4))
def test_the_chance_of_a_change_is_counted_in_full(counts: list[int], exposure: list[int]) -> None:
    """Every way in which the same number of faults could have fallen, each with its chance."""
    total = sum(counts)
    over = np.array(exposure[: len(counts)], dtype=float)
    if total == 0 or total > 6:
        return
    found = charts.change_point(counts, over)
    chance, share = 0.0, over / over.sum()
    for way in np.ndindex(*[len(counts)] * total):
        other = np.bincount(way, minlength=len(counts))
        if charts.change_point(other, over).log_ratio >= found.log_ratio - 1e-9:
            chance += np.prod(share[list(way)])
        if len(counts) ** total > 300:
            return
    assert found.p == pytest.approx(chance, abs=1e-9)


def test_a_change_needs_a_fault() -> None:
    with pytest.raises(ValueError, match="fault"):
        charts.change_point([0, 0, 0])

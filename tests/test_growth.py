"""Trend tests and the power law against handbooks, R's printed numbers, scipy and the library `reliability`."""

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st
from scipy import stats

from incidents.analysis import crow, growth
from tests.published_values import given


def having(*kinds: Any) -> Any:
    """Drawn by hypothesis, however long a busy machine takes over it."""
    return lambda test: settings(deadline=None, max_examples=60)(drawn(*kinds)(test))


GAPS = st.lists(st.floats(0.01, 1e4), min_size=4, max_size=60)


def history(inputs: Any, end: str = "T", times: str = "times") -> growth.Histories:
    return growth.histories([inputs[times]], inputs[end])


# --- published numbers --------------------------------------------------------------------------------


def test_gaps_of_the_handbooks_times() -> None:
    inputs, expected, _ = given("NIST-DATA-IA")
    assert np.diff(inputs["times"], prepend=0).tolist() == expected["interarrival"]


def test_reverse_arrangements() -> None:
    inputs, expected, near = given("NIST-REVARR")
    found = growth.trends(growth.histories([np.cumsum(inputs["interarrival"])], by_failure=True))
    n = len(inputs["interarrival"])
    assert (found.reversals[0], n * (n - 1) // 2) == (expected["R"], expected["max"])
    assert found.reversals_p[0] / 2 == near(expected["exact_upper_tail_P_R_ge_33"])


@pytest.mark.parametrize("alpha", ["0.05", "0.01", "0.10", "0.025"])
def test_reversals_that_are_needed(alpha: str) -> None:
    inputs, expected, _ = given("REVARR-CRIT")
    found = [growth.reversals_needed(n, float(alpha)) for n in inputs["N"]]
    assert found == expected[f"R_min_alpha_{alpha}"]


def test_reversals_by_the_normal_curve() -> None:
    """The table counts the other way round and takes whole numbers below the normal curve's."""
    inputs, expected, _ = given("BP-REVARR-TABLE")
    for place, n in enumerate(inputs["N"]):
        mean, deviation = growth.reversals_by_chance(n)
        reach = stats.norm.isf(0.025) * deviation
        assert math.floor(mean - reach) == expected["A_0.975"][place]
        assert math.floor(mean + reach) == expected["A_0.025"][place]


def test_military_handbook_test() -> None:
    inputs, expected, near = given("NIST-MILHDBK")
    found = growth.trends(history(inputs))
    assert found.mil_hdbk_df[0] == expected["df"]
    assert found.mil_hdbk_chi2[0] == near(expected["chi2"])
    assert 1 - found.mil_hdbk_p[0] / 2 == near(expected["cdf"])


def test_laplace() -> None:
    inputs, expected, near = given("NIST-LAPLACE")
    found = growth.trends(history(inputs))
    assert found.laplace_z[0] == near(expected["z"])
    assert found.laplace_p[0] / 2 == near(expected["p_one_sided"])


def test_a_ships_engine() -> None:
    inputs, expected, near = given("USSH24")
    of = history(inputs, "tau", "times_kh")
    found = growth.trends(of)
    assert found.laplace_z[0] == near(expected["laplace"])
    assert (found.mil_hdbk_chi2[0], found.mil_hdbk_df[0]) == (near(expected["milhdbk"]), expected["df"])
    assert growth.by_likelihood(of).shape[0] == near(expected["beta"])


def test_power_law_modified() -> None:
    inputs, expected, near = given("NIST-CROW-MOD")
    found = growth.modified(history(inputs), confidence=0.8)
    assert found.shape[0] == near(expected["beta"])
    assert found.scale[0] == near(expected["lambda"])
    assert found.mtbf[0] == near(expected["MTBF_at_T"], abs=5e-4)  # printed with three decimals
    assert [found.mtbf_low[0], found.mtbf_high[0]] == near(expected["MTBF_80pct_CI"])


def test_power_law_by_likelihood() -> None:
    inputs, expected, near = given("NIST-CROW-MLE")
    found = growth.by_likelihood(history(inputs))
    assert [found.shape[0], found.scale[0], found.mtbf[0]] == near(
        [expected["beta"], expected["lambda"], expected["MTBF_at_T"]]
    )


def test_the_military_handbooks_example_with_a_tie() -> None:
    inputs, expected, near = given("MIL189-C")
    of = history(inputs)
    likeliest, unbiased = growth.by_likelihood(of), growth.modified(of)
    assert likeliest.shape[0] == near(expected["beta"])
    assert unbiased.shape[0] == near(expected["beta_unbiased"])
    assert likeliest.scale[0] == near(expected["lambda"])
    assert likeliest.rate[0] == near(expected["rho_T"])
    assert likeliest.mtbf[0] == near(expected["MTBF_T"])
    assert growth.fit_distance(of)[0] == near(expected["CvM"])


def test_table_of_fit() -> None:
    inputs, expected, near = given("CVM-CRIT")
    for used, row in zip(inputs["M"], expected["table"], strict=True):
        assert [crow.critical(used, alpha) for alpha in inputs["columns_alpha"]] == near(row)
    for name in ("CVM-CRIT-10", "CVM-CRIT-SEEN"):
        inputs, expected, near = given(name)
        assert [crow.critical(used, inputs["alpha"]) for used in inputs["M"]] == near(expected["crit"])


@pytest.mark.parametrize("name", ["CROW-CI-COEF", "CROW-CI-COEF23"])
def test_bounds_of_the_current_mtbf(name: str) -> None:
    inputs, expected, near = given(name)
    lower, upper = crow.coefficients(
        np.array([float(inputs["n"])]), confidence=inputs["level"], by_failure=inputs["truncation"] == "failure"
    )
    assert [lower[0], upper[0]] == near([expected["MTBF_lower_coef"], expected["MTBF_upper_coef"]])


def test_bounds_by_failure() -> None:
    """Crow's table for failure truncation begins 0.8065 and 33.76 for two faults at 80 % (from memory)."""
    lower, upper = crow.coefficients(np.array([2.0]), confidence=0.8, by_failure=True)
    assert [lower[0], upper[0]] == pytest.approx([0.8065, 33.76], rel=2e-4)


# --- other libraries and what must hold ---------------------------------------------------------------


@having(st.integers(2, 7))
def test_reversals_over_every_order(n: int) -> None:
    """Every order of n gaps, counted one by one."""
    counted = [
        sum(a < b for a, b in itertools.combinations(order, 2)) for order in itertools.permutations(range(n))
    ]
    for alpha in (0.01, 0.05, 0.2, 0.5):
        needed = growth.reversals_needed(n, alpha)
        fitting = [r for r in range(n * (n - 1) // 2 + 1) if np.mean(np.array(counted) >= r) <= alpha + 1e-12]
        assert needed == (fitting[0] if fitting else None)


@having(st.lists(st.integers(1, 10_000), min_size=3, max_size=80, unique=True))
def test_reversals_are_kendalls(gaps: list[int]) -> None:
    of = growth.histories([np.cumsum(gaps)], by_failure=True)
    found = growth.trends(of)
    exact = stats.kendalltau(np.arange(len(gaps)), gaps, method="exact")
    pairs = len(gaps) * (len(gaps) - 1) / 2
    assert found.reversals[0] == round((exact.statistic + 1) / 2 * pairs)
    assert found.reversals_p[0] == pytest.approx(min(1, exact.pvalue), abs=1e-9)


@having(GAPS, st.floats(0, 1e3))
def test_statistics_as_their_definitions_say(gaps: list[float], rest: float) -> None:
    times = np.cumsum(gaps)
    until = float(times[-1] + rest)
    of = growth.histories([times], until)
    found, n = growth.trends(of), len(gaps)
    z = (times.sum() - n * until / 2) / (until * math.sqrt(n / 12))
    assert found.laplace_z[0] == pytest.approx(z, rel=1e-9, abs=1e-9)
    assert found.mil_hdbk_chi2[0] == pytest.approx(2 * np.log(until / times).sum(), rel=1e-9)
    spread = np.std(gaps, ddof=1) / np.mean(gaps)
    if spread > 1e-6:
        assert found.lewis_robinson_z[0] == pytest.approx(z / spread, rel=1e-6, abs=1e-9)
    ended = growth.trends(growth.histories([times], by_failure=True))
    last = times[-1]
    z = (times[:-1].sum() - (n - 1) * last / 2) / (last * math.sqrt((n - 1) / 12))
    assert ended.laplace_z[0] == pytest.approx(z, rel=1e-9, abs=1e-9)
    assert ended.mil_hdbk_df[0] == 2 * (n - 1)


@having(st.lists(GAPS, min_size=2, max_size=6), st.booleans())
def test_many_machines_are_each_as_if_alone(rows: list[list[float]], by_failure: bool) -> None:
    times = [np.cumsum(gaps) for gaps in rows]
    until = None if by_failure else np.array([row[-1] * 1.25 for row in times])
    together = growth.histories(times, until, by_failure=by_failure)
    for place, row in enumerate(times):
        alone = growth.histories([row], None if until is None else until[place], by_failure=by_failure)
        for figures in (growth.trends, growth.by_likelihood, growth.modified):
            for one, other in zip(figures(together), figures(alone), strict=True):
                np.testing.assert_allclose(one[place], other[0], rtol=1e-10)
        np.testing.assert_allclose(growth.fit_distance(together)[place], growth.fit_distance(alone)[0], rtol=1e-9)


@having(GAPS, st.floats(1.001, 2), st.sampled_from([0.8, 0.9, 0.95]))
def test_bounds_lie_around_and_widen(gaps: list[float], further: float, confidence: float) -> None:
    times = np.cumsum(gaps)
    found = growth.by_likelihood(growth.histories([times], times[-1] * further), confidence=confidence)
    wider = growth.by_likelihood(growth.histories([times], times[-1] * further), confidence=0.99)
    assert wider.mtbf_low[0] < found.mtbf_low[0] < found.mtbf[0] < found.mtbf_high[0] < wider.mtbf_high[0]
    assert wider.shape_low[0] < found.shape_low[0] < found.shape[0] < found.shape_high[0] < wider.shape_high[0]


def test_a_long_history_counts_the_same_by_sorting(monkeypatch: pytest.MonkeyPatch) -> None:
    gaps = np.random.default_rng(7).integers(1, 40, (3, 300)).astype(float)
    by_pairs = growth.trends(growth.histories(list(gaps.cumsum(axis=1)), by_failure=True)).reversals
    monkeypatch.setattr(growth, "WIDEST", 10)
    by_sorting = growth.trends(growth.histories(list(gaps.cumsum(axis=1)), by_failure=True)).reversals
    assert by_pairs.tolist() == by_sorting.tolist()


def test_power_law_as_the_library_reliability_has_it() -> None:
    import matplotlib

    matplotlib.use("Agg")
    from reliability.Repairable_systems import reliability_growth

    times = given("MIL189-C")[0]["times"]
    other = reliability_growth(times=times, model="Crow-AMSAA", show_plot=False, print_results=False)
    found = growth.by_likelihood(growth.histories([times], by_failure=True))
    assert (found.shape[0], found.scale[0]) == pytest.approx((other.Beta, other.Lambda), rel=1e-9)


def test_equal_gaps_are_no_trend() -> None:
    """Ties count nothing as reversals, yet a machine that fails each hundred cycles doesn't worsen."""
    found = growth.trends(growth.histories([np.arange(1, 13) * 0.1], by_failure=True))
    assert (found.reversals[0], found.reversals_p[0]) == (0, 1)
    assert math.isnan(found.lewis_robinson_z[0])


# --- forecast and counts by interval ------------------------------------------------------------------


@pytest.mark.parametrize("by_failure", [False, True])
def test_forecasts_hold_as_often_as_they_say(by_failure: bool) -> None:
    """400 invented machines of shape 1.6: of the counts that then came, about 90 % lie between the bounds."""
    chance = np.random.default_rng(11)
    rows, came = [], []
    for _ in range(400):
        level = np.sort(chance.uniform(0, 40, chance.poisson(40)))
        times = 1000 * (level / 20) ** (1 / 1.6)
        inside = times[times <= 1000] if not by_failure else times[: max(6, int((times <= 1000).sum()))]
        end = inside[-1] if by_failure else 1000.0
        rows.append(inside)
        came.append(((times > end) & (times <= end + 200)).sum())
    of = growth.histories(rows, None if by_failure else 1000.0, by_failure=by_failure)
    found = crow.forecast(of.n, of.log_sum, of.until, 200.0, confidence=0.9, by_failure=by_failure)
    held = ((found.low <= came) & (came <= found.high)).mean()
    assert 0.87 <= held <= 0.97  # whole numbers hold a little oftener; 400 machines err by 0.015


def test_counts_by_interval_agree_with_the_times_where_intervals_are_narrow() -> None:
    inputs, expected, _ = given("MIL189-C")
    edges = np.linspace(0, 300, 3001)
    counts = np.histogram(inputs["times"], edges)[0].astype(float)
    found = crow.grouped(edges, counts, confidence=0.95)
    assert found.shape == pytest.approx(expected["beta"], rel=2e-3)
    assert found.mtbf == pytest.approx(expected["MTBF_T"], rel=2e-3)
    exact = growth.trends(history(inputs)).laplace_z[0]
    assert found.laplace_z == pytest.approx(exact, abs=0.01)


def test_counts_by_interval_are_likeliest() -> None:
    """MIL-HDBK-189, Appendix C: the shape solves Σ k · (b^β ln b − a^β ln a) / (b^β − a^β) = N · ln T."""
    edges, counts = np.array([0, 20, 40, 60, 80, 100.0]), np.array([13, 16, 5, 8, 7.0])
    found = crow.grouped(edges, counts, confidence=0.9)
    a, b, beta = edges[:-1], edges[1:], found.shape
    with np.errstate(divide="ignore", invalid="ignore"):
        before = np.where(a > 0, a**beta * np.log(a), 0)
    slope = (counts * (b**beta * np.log(b) - before) / (b**beta - a**beta)).sum() - counts.sum() * np.log(100)
    assert slope == pytest.approx(0, abs=1e-3)
    assert found.shape == pytest.approx(0.753, abs=5e-4)  # the example’s printed shape, from memory
    assert found.mtbf_low < found.mtbf < found.mtbf_high


@pytest.mark.parametrize(
    ("rows", "until"),
    [([[2, 1]], 5), ([[-1, 2]], 5), ([[0, 2]], 5), ([[1, 2]], 1.5), ([[1, math.nan]], 5), ([[1, math.inf]], None)],
)
def test_what_is_no_history_is_refused(rows: list[list[float]], until: float | None) -> None:
    with pytest.raises(ValueError, match=r"time|history"):
        growth.histories(rows, until)


@pytest.mark.parametrize("n", [4, 9, 37, 150])
def test_one_poisson_history_in_five_counts_as_uneven_whatever_its_trend(n: int) -> None:
    """By definition of the table; drawn anew, with a shape of 2. Greenwood (1946); three standard errors."""
    chance, drawn = np.random.default_rng(n), 6_000
    rows = 300 * np.sort(chance.uniform(size=(drawn, n)), axis=1) ** 0.5
    share = growth.uneven(growth.histories(list(rows), 300.0)).mean()
    assert share == pytest.approx(0.2, abs=3 * (0.2 * 0.8 / drawn) ** 0.5 + 0.002)


def test_the_unevenness_is_greenwoods_sum_of_squared_gaps() -> None:
    """Greenwood (1946): of n points in the unit interval, Σ gap² is n + 1 equal gaps' 1/(n + 1) at least."""
    times = np.array([10.0, 20.0, 40.0, 70.0])
    of = growth.histories([times], 80.0)
    shape = 3 / np.log(80 / times).sum()
    gaps = np.diff(np.concatenate([[0], (times / 80) ** shape, [1]]))
    assert growth.unevenness(of)[0] == pytest.approx(5 * (gaps**2).sum())


def test_bunches_are_judged_by_the_test_that_bears_them() -> None:
    bunched = [1.0, 2, 3, 4, 100, 101, 102, 103, 104, 299]
    of = growth.histories([bunched, list(np.linspace(20, 300, 10))], 300.0)
    found = growth.trends(of)
    assert growth.uneven(of).tolist() == [True, False]
    assert growth.trend_p(of, found).tolist() == [found.lewis_robinson_p[0], found.mil_hdbk_p[1]]


@pytest.mark.parametrize(("used", "alpha"), [(5, 0.10), (16, 0.10), (26, 0.10), (26, 0.05), (60, 0.10)])
def test_the_table_of_fit_is_exceeded_as_often_as_it_says(used: int, alpha: float) -> None:
    """By definition: drawn power laws of shape 1.4, against the table of MIL-HDBK-189 (1981); three standard errors
    and what the table's third digit leaves open."""
    chance, drawn = np.random.default_rng(used), 20_000
    rows = 500 * np.sort(chance.uniform(size=(drawn, used)), axis=1) ** (1 / 1.4)
    limit = crow.critical(used, alpha)
    assert limit is not None
    share = (growth.fit_distance(growth.histories(list(rows), 500.0)) > limit).mean()
    assert share == pytest.approx(alpha, abs=3 * (alpha * (1 - alpha) / drawn) ** 0.5 + 0.002)

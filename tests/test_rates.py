"""Rates, comparisons and shares against handbooks, R's printed numbers, scipy and statsmodels."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import example, settings
from hypothesis import given as drawn
from hypothesis import strategies as st
from scipy import stats

from incidents.analysis import rates
from tests.published_values import given


def having(*kinds: Any) -> Any:
    """Drawn by hypothesis, however long a busy machine takes over it."""
    return lambda test: settings(deadline=None, max_examples=60)(drawn(*kinds)(test))


COUNTS = st.integers(0, 300)
EXPOSURES = st.floats(0.01, 1e5)


# --- published numbers --------------------------------------------------------------------------------


def test_exact_interval_of_a_count() -> None:
    inputs, expected, near = given("GARWOOD-95")
    found = rates.exact_interval(inputs["n"])
    assert found.low == near(expected["lower"])
    assert found.high == near(expected["upper"])


def test_exact_interval_over_exposure() -> None:
    inputs, expected, near = given("GARWOOD-R-SURV")
    found = rates.exact_interval(inputs["counts"], inputs["time"])
    assert found.low == near(expected["lower"])
    assert found.high == near(expected["upper"])


def test_exact_interval_of_a_rate() -> None:
    inputs, expected, near = given("RPOIS-1")
    found = rates.exact_interval(inputs["x"], inputs["T"])
    assert found.value == near(expected["rate"])
    assert [found.low, found.high] == near(expected["CI95"])


def test_no_fault_is_no_zero_rate() -> None:
    inputs, expected, near = given("ZERO-EVENTS")
    assert rates.upper_bound(inputs["count"], confidence=inputs["one_sided_level"]) == near(expected["upper"])


def test_time_between_failures_is_one_over_the_rate() -> None:
    inputs, expected, near = given("NIST-MTBF-CI")
    found = rates.exact_interval(inputs["failures"], inputs["hours"], confidence=0.9)
    assert [1 / found.value] == near([expected["MTBF"]])
    assert [1 / found.high, 1 / found.low] == near(expected["CI"])


def test_two_rates_with_both_two_sided_conventions() -> None:
    inputs, expected, near = given("RPOIS-2")
    (a, b), (over_a, over_b) = inputs["x"], inputs["T"]
    found = rates.compare(a, over_a, b, over_b)
    assert found.ratio == near(expected["ratio"])
    assert found.p_minlike == near(expected["p_minlike"])
    assert [found.low, found.high] == near(expected["CI95"])
    assert float(found.p_central) == pytest.approx(0.112017320, abs=1e-9)  # R 4.2.2, doubled smaller tail


def test_two_rates_one_sided_and_mid_p() -> None:
    inputs, expected, near = given("TWO-RATE-GU")
    (a, b), (over_a, over_b) = inputs["x"], inputs["T"]
    found = rates.compare(a, over_a, b, over_b)
    assert found.ratio == near(expected["ratio"])
    assert found.p_greater == near(expected["p_one_sided_exact"])
    assert found.p_greater_mid == near(expected["p_one_sided_midp"])
    assert found.p_minlike == near(expected["p_two_sided_minlike"])
    assert found.p_central == near(expected["p_two_sided_central"])
    assert [found.low, found.high] == near(expected["CI95_central"])


def test_whether_ten_pumps_share_one_rate() -> None:
    inputs, expected, near = given("PUMPS-HOMOG")
    found = rates.homogeneity(inputs["s"], inputs["t"])
    assert found.df == expected["df"]
    assert [found.pooled, found.chi2, found.g] == near([expected["pooled_rate"], expected["chi2"], expected["G"]])


def test_many_tests_at_once() -> None:
    inputs, expected, _ = given("BH-1995")
    p, level = np.array(inputs["p"]), inputs["q"]
    taken = rates.q_values(p) <= level
    assert taken.sum() == expected["rejected"]
    assert p[taken].max() == expected["threshold_p"]
    assert (p * p.size <= level).sum() == expected["bonferroni_rejected"]
    assert (p <= level).sum() == expected["uncorrected_rejected"]


def test_shares() -> None:
    inputs, expected, near = given("WILSON")
    seen, of = np.array(inputs["x_n"]).T
    score, exact = rates.wilson(seen, of), rates.clopper_pearson(seen, of)
    assert np.column_stack([score.low, score.high]) == near(expected["wilson95"])
    assert np.column_stack([exact.low, exact.high]) == near(expected["clopper_pearson95"])


def test_tasting_tea() -> None:
    inputs, expected, near = given("FISHER")
    (a, not_a), (b, not_b) = inputs["table"]
    assert rates.fisher_greater(a, a + not_a, b, b + not_b) == near(expected["p"])


# --- other libraries ----------------------------------------------------------------------------------


@having(COUNTS, EXPOSURES, COUNTS, EXPOSURES)
def test_comparison_is_the_binomial_test(a: int, over_a: float, b: int, over_b: float) -> None:
    found = rates.compare(a, over_a, b, over_b)
    if a + b == 0:
        assert (float(found.low), float(found.high), float(found.p_central)) == (0, math.inf, 1)
        return
    test = stats.binomtest(a, a + b, over_a / (over_a + over_b))
    assert float(found.p_minlike) == pytest.approx(test.pvalue, rel=1e-8, abs=1e-14)
    bounds = test.proportion_ci(0.95, method="exact")
    assert found.low * over_a / over_b == pytest.approx(bounds.low / (1 - bounds.low), rel=1e-6)
    if b:
        assert found.high * over_a / over_b == pytest.approx(bounds.high / (1 - bounds.high), rel=1e-6)


@having(st.lists(st.tuples(COUNTS, EXPOSURES, COUNTS, EXPOSURES), min_size=2, max_size=30))
def test_many_at_once_are_each_as_if_alone(rows: list[tuple[int, float, int, float]]) -> None:
    together = rates.compare(*(np.array(column) for column in zip(*rows, strict=True)))
    for place, row in enumerate(rows):
        for one, alone in zip(together, rates.compare(*row), strict=True):
            np.testing.assert_allclose(one[place], alone, rtol=1e-12)


@having(COUNTS, EXPOSURES, COUNTS, EXPOSURES)
def test_the_interval_and_its_p_agree(a: int, over_a: float, b: int, over_b: float) -> None:
    """The interval excludes 1 exactly where the central p is under 1 − confidence."""
    found = rates.compare(a, over_a, b, over_b)
    if abs(float(found.p_central) - 0.05) > 1e-6:
        assert (found.low > 1 or found.high < 1) == (found.p_central < 0.05)


def test_two_rates_as_statsmodels_has_them() -> None:
    from statsmodels.stats.rates import test_poisson_2indep

    for a, over_a, b, over_b in ((60, 51477.5, 30, 54308.7), (3, 10.0, 11, 21.0), (0, 5.0, 4, 9.0)):
        other = test_poisson_2indep(a, over_a, b, over_b, method="exact-cond", alternative="larger")
        assert float(rates.compare(a, over_a, b, over_b).p_greater) == pytest.approx(other.pvalue, rel=1e-9)


@having(st.integers(1, 200), st.data(), st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_shares_as_scipy_has_them(of: int, data: st.DataObject, confidence: float) -> None:
    seen = data.draw(st.integers(0, of))
    test = stats.binomtest(seen, of)
    for mine, method in ((rates.wilson, "wilson"), (rates.clopper_pearson, "exact")):
        found, other = mine(seen, of, confidence=confidence), test.proportion_ci(confidence, method=method)
        assert (float(found.low), float(found.high)) == pytest.approx((other.low, other.high), abs=1e-12)


@having(st.lists(st.floats(0, 1), min_size=1, max_size=60))
def test_q_values_as_statsmodels_has_them(p: list[float]) -> None:
    from statsmodels.stats.multitest import multipletests

    assert rates.q_values(p) == pytest.approx(multipletests(p, method="fdr_bh")[1], abs=1e-12)
    assert rates.q_values([[p[0], np.nan]])[0, 0] == p[0]


@example([(50, 1.0), (0, 1000.0)])
@having(st.lists(st.tuples(st.integers(0, 50), st.floats(1, 1000)), min_size=2, max_size=20))
def test_shrunken_rates_lie_between_their_own_and_the_fleets(rows: list[tuple[int, float]]) -> None:
    counts, exposure = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    found, own, fleet = rates.shrunken(counts, exposure), counts / exposure, counts.sum() / exposure.sum()
    slack = 1e-12 + 1e-9 * own.max()
    assert (found.value >= np.minimum(own, fleet) - slack).all()
    assert (found.value <= np.maximum(own, fleet) + slack).all()
    assert ((found.low <= found.value + slack) & (found.value <= found.high + slack)).all()


def test_a_machine_that_hardly_ran_doesnt_lead_the_ranking() -> None:
    """One fault in 10 cycles is the highest plain rate, and far the least certain one."""
    counts, exposure = np.array([1, 60, 20, 22, 18]), np.array([10, 1000, 1000, 1000, 1000])
    assert (counts / exposure).argmax() == 0
    assert rates.shrunken(counts, exposure).value.argmax() == 1


@pytest.mark.parametrize(
    ("count", "exposure"), [(1, 0), (1, -1), (-1, 1), (1.5, 1), (math.nan, 1), (1, math.nan), (1, math.inf)]
)
def test_what_is_no_rate_is_refused(count: float, exposure: float) -> None:
    with pytest.raises(ValueError, match=r"count|exposure"):
        rates.exact_interval(count, exposure)
    with pytest.raises(ValueError, match=r"count|exposure"):
        rates.compare(1, 1, count, exposure)

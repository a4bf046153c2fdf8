"""Differences and their intervals against scipy.stats and a worked example."""

import numpy as np
import pytest

from toneapp.evenness import (
    NoteEstimates,
    note_changes,
    paired_difference,
    repeatability_limit,
    welch_difference,
)
from toneapp.evenness.discovery import t_p_values


@pytest.mark.parametrize("sizes", [(3, 3), (2, 9), (40, 12)])
@pytest.mark.parametrize("confidence", [0.9, 0.95])
def test_welch_agrees_with_scipy(sizes, confidence):
    from scipy import stats

    rng = np.random.default_rng(sum(sizes))
    before, after = rng.normal(0, 1, sizes[0]), rng.normal(0.7, 3, sizes[1])
    expected = stats.ttest_ind(after, before, equal_var=False)
    interval = expected.confidence_interval(confidence)
    found = welch_difference(before, after, confidence=confidence)
    np.testing.assert_allclose(
        [found.value / found.se, found.df, found.p_value, found.low, found.high],
        [expected.statistic, expected.df, expected.pvalue, interval.low, interval.high],
        rtol=1e-9,
    )


@pytest.mark.parametrize("size", [2, 5, 88])
def test_paired_agrees_with_scipy(size):
    from scipy import stats

    rng = np.random.default_rng(size)
    before = rng.normal(0, 1, size)
    after = before + rng.normal(0.3, 0.5, size)
    expected = stats.ttest_rel(after, before)
    interval = expected.confidence_interval(0.95)
    found = paired_difference(before, after)
    np.testing.assert_allclose(
        [found.value / found.se, found.df, found.p_value, found.low, found.high],
        [expected.statistic, expected.df, expected.pvalue, interval.low, interval.high],
        rtol=1e-9,
    )


def test_paired_worked_example():
    # t = 3.6556, p = 0.03535: worked by hand, see also the standard tables of Student's t.
    found = paired_difference(np.array([9.9, 9.7, 10.1, 9.9]), np.array([10.1, 9.8, 10.4, 10.0]))
    assert found.value / found.se == pytest.approx(3.6556, abs=1e-4)
    assert found.p_value == pytest.approx(0.03535, abs=1e-5)


def test_single_note_change_is_the_welch_test_of_its_means():
    from scipy import stats

    rng = np.random.default_rng(5)
    before, after = rng.normal(0, 1, 4), rng.normal(2, 2, 3)

    def estimate(values):
        return NoteEstimates(
            midi=np.array([60]),
            value=np.array([values.mean()]),
            se=np.array([values.std(ddof=1) / np.sqrt(values.size)]),
            df=np.array([values.size - 1.0]),
        )

    found = note_changes(estimate(before), estimate(after), audible=0.0)
    expected = stats.ttest_ind(after, before, equal_var=False)
    interval = expected.confidence_interval(0.95)
    assert found.p_adjusted[0] == pytest.approx(expected.pvalue, rel=1e-9)
    assert (found.low[0], found.high[0]) == pytest.approx((interval.low, interval.high), rel=1e-9)


def test_repeatability_limit_is_that_of_the_standard():
    # ISO 5725-6: 1.96 * sqrt(2) = 2.77, rounded there to 2.8.
    assert repeatability_limit(1.0) == pytest.approx(2.7719, abs=2e-4)


def test_p_values_agree_with_scipy():
    from scipy import stats

    t, df = np.array([-4.0, 0.0, 1.3, 3.0]), np.array([1.0, 3.5, 40.0, np.inf])
    np.testing.assert_allclose(t_p_values(t, df), 2 * stats.t.sf(np.abs(t), df), rtol=1e-6)

"""Robust standard deviations against scipy, statsmodels and published examples."""

import numpy as np
import pytest
from statsmodels.robust.scale import qn_scale

from toneapp.evenness.spread import MAD_TO_SD, PAIR_TO_SD, mad_sd, moderate_variances, pair_sd


def test_constants_follow_from_the_normal_distribution():
    from scipy import stats

    assert abs(MAD_TO_SD - 1 / stats.norm.ppf(0.75)) < 1e-6
    # Rousseeuw and Croux (1993) print 2.2219 for 1 / (sqrt(2) * Phi^-1(5/8)) = 2.21914.
    assert abs(PAIR_TO_SD - 1 / (np.sqrt(2) * stats.norm.ppf(0.625))) < 3e-3


@pytest.mark.parametrize("size", [2, 7, 88])
def test_median_deviation_agrees_with_scipy(size):
    from scipy import stats

    values = np.random.default_rng(size).standard_t(2, size)
    assert mad_sd(values) == pytest.approx(
        stats.median_abs_deviation(values, scale="normal"), rel=1e-6
    )


@pytest.mark.parametrize("size", [7, 30, 87, 88])
def test_pair_scale_agrees_with_statsmodels_up_to_the_factor_for_few_values(size):
    values = np.random.default_rng(size).standard_t(2, size)
    factor = size / (size + 1.4) if size % 2 else size / (size + 3.8)
    # statsmodels uses 2.2191, the unrounded constant.
    expected = qn_scale(values) * factor
    assert pair_sd(values) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("size", [10, 30, 88])
def test_pair_scale_is_unbiased_for_normal_values(size):
    rng = np.random.default_rng(size)
    mean = np.mean([pair_sd(row) for row in rng.normal(0, 2.0, (2000, size))])
    assert mean == pytest.approx(2.0, rel=0.03)


def test_moderated_variances_recover_a_known_prior():
    # Smyth (2004): sigma^2 ~ d0 s0^2 / chi2(d0), s^2 ~ sigma^2 chi2(d) / d.
    rng = np.random.default_rng(4)
    sigma2 = 6 * 0.25 / rng.chisquare(6, 4000)
    found = moderate_variances(sigma2 * rng.chisquare(2, 4000) / 2, np.full(4000, 2.0))
    assert found.prior_df == pytest.approx(6, rel=0.15)
    assert found.prior_variance == pytest.approx(0.25, rel=0.05)


def test_moderated_variances_of_equal_groups_pool():
    rng = np.random.default_rng(0)
    found = moderate_variances(1.7 * rng.chisquare(3, 4000) / 3, np.full(4000, 3.0))
    assert found.prior_df > 40
    assert found.prior_variance == pytest.approx(1.7, rel=0.05)
    assert np.ptp(found.variance) < 1.7  # the samples themselves reach from 0.01 to 11

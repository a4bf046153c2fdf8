import numpy as np
import pytest

from toneapp.evenness.spread import (
    bootstrap_sd_se,
    core_sd,
    mad_sd,
    moderate_variances,
    pair_sd,
    sd_without_scatter,
)


@pytest.mark.parametrize("scale", [mad_sd, core_sd, pair_sd])
def test_scales_stand_ten_strays_in_88(scale):
    rng = np.random.default_rng(0)
    clean = np.array([scale(rng.normal(0, 1, 88)) for _ in range(100)])
    assert clean.mean() == pytest.approx(1.0, rel=0.04)
    stray = []
    for _ in range(100):
        values = rng.normal(0, 1, 88)
        values[:10] = rng.choice([-1, 1], 10) * rng.uniform(6, 60, 10)
        stray.append(scale(values))
    assert np.mean(stray) < {core_sd: 1.1, mad_sd: 1.25, pair_sd: 1.4}[scale]


def test_the_pair_scale_uses_the_values_better_than_the_median_deviation():
    rng = np.random.default_rng(1)
    rows = rng.normal(0, 1, (400, 88))
    assert np.std([pair_sd(r) for r in rows]) < 0.8 * np.std([mad_sd(r) for r in rows])


@pytest.mark.parametrize("scale", [mad_sd, core_sd, pair_sd])
def test_one_value_has_no_spread(scale):
    assert scale(np.array([3.0])) is None


def test_scatter_is_taken_out_in_quadrature():
    rng = np.random.default_rng(2)
    found = [
        sd_without_scatter(rng.normal(0, np.hypot(0.4, 0.3), 88), np.full(88, 0.3))
        for _ in range(200)
    ]
    assert np.median(found) == pytest.approx(0.4, rel=0.04)


def test_scatter_alone_leaves_little_and_never_less_than_nothing():
    rng = np.random.default_rng(3)
    found = [sd_without_scatter(rng.normal(0, 0.3, 88), np.full(88, 0.3)) for _ in range(50)]
    assert min(found) >= 0.0
    assert np.median(found) < 0.1


def test_bootstrap_error_is_that_of_repeated_runs():
    rng = np.random.default_rng(4)
    se = np.full(88, 0.2)
    rows = rng.normal(0, np.hypot(0.5, 0.2), (150, 88))
    shown = np.std([sd_without_scatter(row, se) for row in rows])
    told = np.mean([bootstrap_sd_se(row, se, rng=rng) for row in rows[:40]])
    assert told == pytest.approx(shown, rel=0.3)


def test_a_spread_of_nothing_is_not_certain():
    # The errors are said to be twice what they are: no draw leaves anything.
    rng = np.random.default_rng(6)
    residuals, se = rng.normal(0, 0.1, 88), np.full(88, 0.2)
    assert sd_without_scatter(residuals, se) == 0.0
    told = bootstrap_sd_se(residuals, se, rng=rng)
    # A true spread of twice the standard error would have shown: 0.04 for one of 0.1 and 88 notes.
    assert told == pytest.approx(0.1 * (2.0 / (0.82 * 88)) ** 0.25, rel=0.2)


def test_three_blows_that_agree_by_chance_do_not_look_certain():
    rng = np.random.default_rng(5)
    variance = 2.0 * rng.chisquare(2, 88) / 2
    variance[7] = 0.0
    found = moderate_variances(variance, np.full(88, 2.0))
    assert found.variance[7] > 0.5
    assert np.all(found.df > 2.0)


def test_a_group_without_repeats_gets_the_prior():
    variance = np.array([1.0, 2.0, 1.5, 0.0])
    found = moderate_variances(variance, np.array([2.0, 2.0, 2.0, 0.0]))
    assert found.variance[3] == pytest.approx(found.prior_variance)


def test_no_repeats_at_all_is_refused():
    with pytest.raises(ValueError, match="no group"):
        moderate_variances(np.zeros(3), np.zeros(3))

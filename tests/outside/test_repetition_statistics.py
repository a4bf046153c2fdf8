"""Evenness of repetition against a reference library, and its error against many draws."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.measure.blow_train import Series
from toneapp.measure.repetition import measure_repetition, spacing_statistics


@pytest.mark.parametrize("seed", range(8))
def test_coefficient_of_variation_and_spread_agree_with_scipy(seed: int) -> None:
    from scipy import stats

    rng = np.random.default_rng(seed)
    spacing = 0.12 * np.exp(rng.normal(0.0, 0.06, 19))
    times = np.concatenate([[0.0], np.cumsum(spacing)])
    levels = rng.normal(-20.0, 2.0, times.size)
    key = measure_repetition(Series(times_s=times, level_db=levels, clearness=10.0), midi=60)
    assert key.missed == 0
    assert key.spacing_cv == pytest.approx(float(stats.variation(spacing, ddof=1)), rel=1e-12)
    assert key.level_sd_db == pytest.approx(float(stats.tstd(levels)), rel=1e-12)


@pytest.mark.parametrize(("cv", "count"), [(0.03, 12), (0.08, 20)])
def test_standard_errors_are_those_of_many_draws(cv: float, count: int) -> None:
    rng = np.random.default_rng(12)
    found, errors = [], []
    for _ in range(1500):
        spacing = rng.normal(0.12, 0.12 * cv, count)
        stats = spacing_statistics(np.concatenate([[0.0], np.cumsum(spacing)]))
        assert stats.spacing_cv is not None
        assert stats.spacing_cv_se is not None
        found.append(stats.spacing_cv)
        errors.append(stats.spacing_cv_se)
    assert np.mean(found) == pytest.approx(cv, rel=0.04)
    # First order in 1/n: within a tenth for a dozen spacings.
    assert np.mean(errors) == pytest.approx(np.std(found), rel=0.1)

"""LOWESS against statsmodels, which follows Cleveland (1979); delta=0 fits every point."""

import numpy as np
import pytest
from statsmodels.nonparametric.smoothers_lowess import lowess as reference_lowess

from toneapp.evenness import lowess


@pytest.mark.parametrize("passes", [0, 1, 3, 5])
@pytest.mark.parametrize(("notes", "neighbours"), [(88, 26), (88, 53), (30, 9), (20, 20), (12, 7)])
def test_fit_agrees_with_statsmodels(notes, neighbours, passes):
    rng = np.random.default_rng(notes + passes)
    x = np.sort(rng.choice(np.arange(21, 109), notes, replace=False)).astype(float)
    y = np.sin(x / 15) + 0.1 * rng.standard_t(2, notes)  # heavy tails: robustness at work
    expected = reference_lowess(
        y, x, frac=min(1.0, (neighbours + 1e-6) / notes), it=passes, delta=0.0, return_sorted=False
    )
    found = lowess(x, y, span=neighbours / notes, iterations=passes)
    assert np.max(np.abs(found - expected)) < 1e-8


@pytest.mark.parametrize("passes", [0, 3])
def test_fit_agrees_on_an_even_grid_with_equal_distances(passes):
    x = np.arange(21.0, 109.0)
    y = np.cos(x / 9)
    expected = reference_lowess(y, x, frac=31.5 / 88, it=passes, delta=0.0, return_sorted=False)
    assert np.max(np.abs(lowess(x, y, span=31 / 88, iterations=passes) - expected)) < 1e-8

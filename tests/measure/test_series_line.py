"""Does the line that grows partial by partial agree with the one fitted to all at once?"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.measure.series_line import GrowingLine, fit_line, spread_of_line


@given(seed=st.integers(0, 10_000), count=st.integers(2, 40))
def test_growing_line_is_the_line_through_all(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    f0, b = float(rng.uniform(27.0, 2000.0)), float(np.exp(rng.uniform(-9.5, -5.0)))
    n = np.sort(rng.choice(np.arange(1, 61), count, replace=False)).astype(np.float64)
    hz = n * f0 * np.sqrt(1.0 + b * n**2) * 2.0 ** (rng.normal(0.0, 2.0, count) / 1200.0)
    weight = 1.0 / (2.0 * (hz / n) ** 2 * rng.uniform(1e-4, 1e-2, count)) ** 2
    line = GrowingLine(prior_b=b, log_sd=0.5)
    for item in zip(n.astype(int).tolist(), hz.tolist(), weight.tolist(), strict=True):
        line.add(*item)
    assert len(line) == count
    assert line.fit() == pytest.approx(
        fit_line(n, hz, weight, prior_b=b, log_sd=0.5), rel=1e-9, abs=1e-12
    )
    middle, mean_var, slope_var = spread_of_line(n, hz, weight, prior_sd=0.5 * b)
    for at in (1, 7, 50):
        expected = np.sqrt(mean_var + (at**2 - middle) ** 2 * slope_var)
        assert line.sd_at(at) == pytest.approx(expected, rel=1e-9)

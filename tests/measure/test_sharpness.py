from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.measure.sharpness import ASSUMED_LEVEL_DB, measure_sharpness
from toneapp.results import Flag

RATE = 48_000


def strike(*, rate=RATE, slope=1.0, partials=16):
    times = np.arange(round(0.8 * rate)) / rate
    tone = sum(
        0.1 * n**-slope * np.exp(-4.0 * times) * np.sin(2 * np.pi * 262.0 * n * times)
        for n in range(1, partials + 1)
    )
    return np.concatenate([np.zeros(round(0.1 * rate)), tone])


def measured(sound, *, rate=RATE, **kwargs):
    return measure_sharpness(sound, sample_rate_hz=rate, onset_s=0.1, **kwargs)


def test_more_upper_partials_are_sharper():
    found = [measured(strike(slope=slope)).sharpness_acum for slope in (2.0, 1.0, 0.5)]
    assert found == sorted(found)
    assert found[2] - found[0] > 0.3


@given(gain_db=st.floats(-60.0, 10.0))
def test_uncalibrated_sharpness_does_not_depend_on_gain(gain_db):
    gained = measured(strike() * 10 ** (gain_db / 20))
    assert gained.sharpness_acum == pytest.approx(measured(strike()).sharpness_acum, rel=1e-9)
    assert gained.assumed_level_db == ASSUMED_LEVEL_DB


def test_a_calibration_replaces_the_assumed_level():
    result = measured(strike(), calibration_db=100.0)
    assert result.assumed_level_db is None
    # Level itself moves the figure a little: the slopes grow flatter.
    assert result.sharpness_acum == pytest.approx(measured(strike()).sharpness_acum, rel=0.1)
    assert result.sharpness_acum != measured(strike()).sharpness_acum


@pytest.mark.parametrize("rate", [22_050, 32_000, 44_100, 96_000, 192_000])
def test_does_not_depend_on_the_sampling_rate(rate):
    result = measured(strike(rate=rate), rate=rate)
    assert result.sharpness_acum == pytest.approx(measured(strike()).sharpness_acum, rel=0.005)
    assert (Flag.RATE_LIMITS_BAND in result.flags) == (rate < 28_200)


def test_not_measurable_is_none_with_a_reason():
    assert measured(np.zeros(RATE)).sharpness_acum is None
    assert measured(np.zeros(RATE)).flags == (Flag.QUIET,)
    short = measured(strike()[: round(0.15 * RATE)])
    assert short.sharpness_acum is None
    assert short.flags == (Flag.CUT_SHORT,)
    inaudible = measured(strike(), calibration_db=0.0)
    assert inaudible.sharpness_acum is None
    assert inaudible.flags == (Flag.QUIET,)

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.signal.excerpt import ExcerptSpectrum
from toneapp.signal.zwicker import THIRD_OCTAVE_HZ, specific_loudness, third_octave_power

LEVELS = st.lists(st.floats(-20.0, 100.0), min_size=28, max_size=28)


def test_silence_has_no_loudness():
    pattern = specific_loudness(np.full(28, -60.0))
    assert pattern.loudness_sone == 0.0
    np.testing.assert_array_equal(pattern.sone_per_bark, 0.0)


def test_refuses_a_wrong_number_of_bands_and_levels_beyond_the_method():
    with pytest.raises(ValueError, match="28 third-octave"):
        specific_loudness(np.zeros(27))
    with pytest.raises(ValueError, match="must not exceed 120"):
        specific_loudness(np.full(28, 121.0))


@given(levels=LEVELS)
def test_pattern_is_finite_not_negative_and_adds_up_to_the_loudness(levels):
    pattern = specific_loudness(levels)
    assert np.all(np.isfinite(pattern.sone_per_bark))
    assert np.all(pattern.sone_per_bark >= 0.0)
    # The sum over upper ends of steps misses half a step of each slope: 3 % and a little.
    assert np.sum(pattern.sone_per_bark) * 0.1 == pytest.approx(
        pattern.loudness_sone, rel=0.06, abs=0.02
    )


@given(levels=LEVELS, index=st.integers(0, 27), gain_db=st.floats(0.5, 15.0))
def test_more_level_in_a_band_is_never_less_loud(levels, index, gain_db):
    louder = np.array(levels)
    louder[index] += gain_db
    # The reductions at low frequencies change in steps with level, which may cost a trifle.
    before = specific_loudness(levels).loudness_sone
    assert specific_loudness(louder).loudness_sone >= before * 0.97 - 1e-9


def test_a_loud_band_masks_upward_and_not_downward():
    levels = np.full(28, -60.0)
    levels[16] = 80.0  # 1 kHz, the critical band from 7.9 to 9.2 Bark
    pattern = specific_loudness(levels)
    z, n = pattern.critical_band_rate, pattern.sone_per_bark
    assert np.all(n[z < 7.85] == 0.0)
    above = n[(z > 9.25)]
    assert np.all(np.diff(above) <= 1e-12)
    assert above[10] > 0.0


def test_bands_catch_what_lies_in_them():
    frequency_hz = np.arange(0.0, 20_000.0, 2.0)
    for index in (8, 16, 24):
        power = np.zeros(frequency_hz.size)
        power[round(THIRD_OCTAVE_HZ[index] / 2.0)] = 1.0
        bands = third_octave_power(ExcerptSpectrum(frequency_hz=frequency_hz, power=power))
        assert np.argmax(bands) == index
        assert bands[index] == pytest.approx(1.0, abs=0.01)

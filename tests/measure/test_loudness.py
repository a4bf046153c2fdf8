from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.measure.loudness import measure_loudness
from toneapp.results import Flag

RATE = 48_000


def strike(*, rate=RATE, duration_s=0.8):
    times = np.arange(round(duration_s * rate)) / rate
    tone = sum(
        0.2 / n * np.exp(-4.0 * times) * np.sin(2 * np.pi * 262.0 * n * times) for n in range(1, 9)
    )
    return np.concatenate([np.zeros(round(0.1 * rate)), tone])


def measured(sound, *, rate=RATE, onset_s=0.1, **kwargs):
    return measure_loudness(sound, sample_rate_hz=rate, onset_s=onset_s, **kwargs)


@given(gain_db=st.floats(-60.0, 10.0))
def test_gain_moves_lkfs_by_itself(gain_db):
    gained = measured(strike() * 10 ** (gain_db / 20))
    assert gained.loudness_lkfs == pytest.approx(measured(strike()).loudness_lkfs + gain_db)


def test_sone_only_with_a_calibration():
    assert measured(strike()).loudness_sone is None
    assert measured(strike(), calibration_db=100.0).loudness_sone > 1.0


def test_gain_and_calibration_make_up_for_each_other():
    loud = measured(strike(), calibration_db=100.0).loudness_sone
    same = measured(0.1 * strike(), calibration_db=120.0).loudness_sone
    assert same == pytest.approx(loud, rel=1e-9)


def test_ten_decibels_more_are_about_twice_as_loud():
    soft = measured(strike(), calibration_db=90.0).loudness_sone
    loud = measured(strike(), calibration_db=100.0).loudness_sone
    # Doubling per 10 phon holds for a tone of 1 kHz; a rich tone grows a little less.
    assert loud / soft == pytest.approx(2.0, abs=0.25)


def test_the_loudest_window_begins_with_the_strike():
    # Two onsets 20 ms apart: the true one gives all windows that may matter to the early one.
    exact = measured(strike()).loudness_lkfs
    assert measured(strike(), onset_s=0.08).loudness_lkfs == pytest.approx(exact, abs=0.01)


@pytest.mark.parametrize("rate", [8_000, 22_050, 44_100, 96_000, 192_000])
def test_does_not_depend_on_the_sampling_rate(rate):
    result = measured(strike(rate=rate), rate=rate, calibration_db=100.0)
    reference = measured(strike(), calibration_db=100.0)
    assert result.loudness_lkfs == pytest.approx(reference.loudness_lkfs, abs=0.02)
    # The tone ends at 2.1 kHz, so even 8 kHz holds it whole but for the bands' skirts.
    assert result.loudness_sone == pytest.approx(reference.loudness_sone, rel=0.01)
    assert (Flag.RATE_LIMITS_BAND in result.flags) == (rate < 28_200)


def test_short_silent_and_absurdly_loud_strikes():
    short = measured(strike()[: round(0.4 * RATE)], calibration_db=100.0)
    assert (short.loudness_lkfs, short.loudness_sone) == (None, None)
    assert short.flags == (Flag.CUT_SHORT,)
    silent = measured(np.zeros(RATE), calibration_db=100.0)
    assert silent.loudness_lkfs is None
    assert silent.loudness_sone == 0.0
    assert Flag.QUIET in silent.flags
    limit = measured(strike(), calibration_db=150.0).loudness_sone
    assert measured(strike(), calibration_db=300.0).loudness_sone >= limit


def test_nothing_after_the_given_end_counts():
    sound = strike()
    disturbed = sound.copy()
    disturbed[round(0.55 * RATE) :] = 0.9
    kwargs = {"end_s": 0.55, "calibration_db": 100.0}
    assert measured(disturbed, **kwargs) == measured(sound, **kwargs)

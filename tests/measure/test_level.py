from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.measure.level import (
    a_weighted_level_db,
    calibration_from_meter,
    calibration_from_tone,
    measure_level,
)
from toneapp.results import Flag

RATE = 48_000


def strike(*, onset_s=0.1, amplitude=0.2, rate=RATE, duration_s=1.0):
    times = np.arange(round(duration_s * rate)) / rate
    tone = sum(
        amplitude / n * np.exp(-4.0 * times) * np.sin(2 * np.pi * 262.0 * n * times)
        for n in range(1, 9)
    )
    return np.concatenate([np.zeros(round(onset_s * rate)), tone])


def measured(sound, *, onset_s=0.1, rate=RATE, **kwargs):
    return measure_level(sound, sample_rate_hz=rate, onset_s=onset_s, **kwargs)


@given(gain_db=st.floats(-60.0, 10.0))
def test_gain_moves_the_level_by_itself(gain_db):
    gained = strike() * 10 ** (gain_db / 20)
    difference = measured(gained).level_db - measured(strike()).level_db
    assert difference == pytest.approx(gain_db, abs=1e-9)


@given(delay=st.integers(0, 20_000))
def test_a_delay_changes_nothing(delay):
    delayed = np.concatenate([np.zeros(delay), strike()])
    result = measured(delayed, onset_s=0.1 + delay / RATE)
    assert result.level_db == pytest.approx(measured(strike()).level_db, abs=1e-9)


def test_calibration_adds_to_the_level_and_not_to_the_peak():
    plain, calibrated = measured(strike()), measured(strike(), calibration_db=110.0)
    assert calibrated.level_db == pytest.approx(plain.level_db + 110.0)
    assert calibrated.peak_dbfs == plain.peak_dbfs


@pytest.mark.parametrize("rate", [8_000, 22_050, 44_100, 96_000, 192_000])
def test_level_does_not_depend_on_the_sampling_rate(rate):
    result = measured(strike(rate=rate), rate=rate)
    # A tenth of a sample of onset and the fades' rounding leave less than 0.02 dB.
    assert result.level_db == pytest.approx(measured(strike()).level_db, abs=0.02)
    assert (Flag.RATE_LIMITS_BAND in result.flags) == (rate < 28_200)


def test_an_onset_found_5_ms_late_or_early_hardly_matters():
    exact = measured(strike()).level_db
    for shift_s in (-0.005, 0.005):
        assert measured(strike(), onset_s=0.1 + shift_s).level_db == pytest.approx(exact, abs=0.1)


def test_a_bass_note_is_not_made_louder_by_the_step_at_the_window_end():
    # 40 Hz, cut at its crest after 0.5 s: without the fade the step leaks into bands that the
    # A-weighting favours by 35 dB.
    times = np.arange(RATE) / RATE
    tone = np.cos(2 * np.pi * 40.0 * times)
    level_db = measured(tone, onset_s=0.2).level_db
    assert level_db == pytest.approx(-3.01 - 34.5, abs=0.3)


def test_short_strikes_are_flagged_or_refused():
    shortened = measured(strike()[: round(0.4 * RATE)])
    assert shortened.level_db is not None
    assert Flag.CUT_SHORT in shortened.flags
    too_short = measured(strike()[: round(0.15 * RATE)])
    assert too_short.level_db is None
    assert too_short.flags == (Flag.CUT_SHORT,)


def test_nothing_after_the_given_end_counts():
    sound = strike(duration_s=2.0)
    loud_next = sound.copy()
    loud_next[round(0.4 * RATE) :] = 0.9
    ended = measured(loud_next, end_s=0.4)
    assert ended.level_db == measured(sound, end_s=0.4).level_db
    assert ended.peak_dbfs == measured(sound, end_s=0.4).peak_dbfs
    assert Flag.CUT_SHORT in ended.flags


def test_digital_silence_has_no_level():
    result = measured(np.zeros(RATE))
    assert result.level_db is None
    assert result.peak_dbfs is None
    assert result.flags == (Flag.QUIET,)


@pytest.mark.parametrize("limit", [1.0, 0.8, 0.3])
def test_clipping_is_seen_at_and_below_full_scale(limit):
    sound = np.clip(strike(amplitude=3.0 * limit), -limit, limit)
    result = measured(sound)
    assert result.is_clipped
    # At full scale a sample counts from 0.999 on; below, only what equals the limit.
    lowest = 0.999 if limit == 1.0 else limit
    assert result.clipped_samples == np.sum(np.abs(sound) >= lowest)
    assert Flag.CLIPPED in result.flags


def test_floats_written_beyond_full_scale_are_not_clipped():
    t = np.arange(24_000) / 48_000
    tone = np.exp(-3.0 * t) * np.cos(2 * np.pi * 330.0 * t)
    assert not measured(8.0 * tone).is_clipped
    assert measured(np.clip(8.0 * tone, -4.0, 4.0)).is_clipped


def test_clipping_of_one_polarity_is_seen():
    sound = np.minimum(strike(amplitude=0.5), 0.4)
    assert measured(sound).is_clipped


@pytest.mark.parametrize("bits", [8, 16, 24])
@pytest.mark.parametrize("frequency_hz", [27.5, 440.0])
def test_a_slow_tone_in_coarse_steps_is_not_clipped(bits, frequency_hz):
    times = np.arange(RATE) / RATE
    steps = 2.0 ** (bits - 1)
    tone = np.round(0.9 * steps * np.sin(2 * np.pi * frequency_hz * times)) / steps
    assert not measured(tone).is_clipped


def test_peak_is_that_of_the_strike():
    sound = strike()
    sound[100] = -0.9  # before the strike
    sound[round(0.2 * RATE)] = -0.7
    assert measured(sound).peak_dbfs == pytest.approx(20 * np.log10(0.7))


def test_level_of_steady_noise():
    noise = 0.01 * np.random.default_rng(1).standard_normal(4 * RATE)
    # White noise up to 24 kHz, A-weighted: -1.79 dB (the curve of IEC 61672-1 summed over the
    # band here by the trapezoid rule).
    frequency_hz = np.linspace(1.0, 24_000.0, 20_000)
    f2 = frequency_hz**2
    curve = 12194.217**2 * f2**2 / (f2 + 20.598997**2) / (f2 + 12194.217**2)
    curve /= np.sqrt((f2 + 107.65265**2) * (f2 + 737.86223**2))
    expected_db = -40.0 + 10 * np.log10(np.mean((curve * 10**0.1) ** 2))
    # 2 s of noise, 48000 independent values a second: 0.02 dB of scatter.
    measured_db = a_weighted_level_db(noise, sample_rate_hz=RATE)
    assert measured_db == pytest.approx(expected_db, abs=0.1)


def test_no_level_of_nothing():
    assert a_weighted_level_db(np.zeros(RATE), sample_rate_hz=RATE) is None
    assert a_weighted_level_db(np.ones(10), sample_rate_hz=RATE) is None


def test_calibrator_tone_sets_full_scale():
    tone = 0.1 * np.sin(2 * np.pi * 1000.0 * np.arange(RATE) / RATE) + 0.05
    # 94 dB for a mean square of 0.005 (-23.01 dB).
    calibration_db = calibration_from_tone(tone, sample_rate_hz=RATE, tone_db=94.0)
    assert calibration_db == pytest.approx(94.0 + 23.01, abs=0.01)
    assert calibration_from_tone(np.zeros(10), sample_rate_hz=RATE, tone_db=94.0) is None


def test_meter_reading_sets_full_scale():
    # A tone of 1 kHz for 2 s: the meter (A, F) shows its level after 16 time constants.
    tone = 0.1 * np.sin(2 * np.pi * 1000.0 * np.arange(2 * RATE) / RATE)
    calibration_db = calibration_from_meter(tone, sample_rate_hz=RATE, reading_db=80.0)
    assert calibration_db == pytest.approx(80.0 + 23.01, abs=0.05)
    assert calibration_from_meter(np.zeros(0), sample_rate_hz=RATE, reading_db=80.0) is None


def test_input_is_left_alone():
    sound = strike()
    before = sound.copy()
    measured(sound)
    np.testing.assert_array_equal(sound, before)

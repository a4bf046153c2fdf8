"""K-weighting and momentary loudness against ITU-R BS.1770-4, EBU Tech 3341 and pyloudnorm."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.measure.loudness import measure_loudness
from toneapp.signal.weighting import k_weighting_db, k_weighting_response


def tone(frequency_hz, *, sample_rate_hz, amplitude=1.0, duration_s=1.5):
    times = np.arange(round(duration_s * sample_rate_hz)) / sample_rate_hz
    return amplitude * np.sin(2 * np.pi * frequency_hz * times)


def test_response_is_that_of_the_tabulated_filters_at_48_khz():
    from scipy.signal import sosfreqz

    # BS.1770-4, Annex 1, Tables 1 and 2, run through an independent implementation.
    shelf_a = (-1.69065929318241, 0.73248077421585)
    tables = [
        [*(1.53512485958697, -2.69169618940638, 1.19839281085285), 1, *shelf_a],
        [1, -2, 1, 1, -1.99004745483398, 0.99007225036621],
    ]
    frequency_hz, expected = sosfreqz(tables, worN=500, fs=48_000)
    # Both evaluate the same rational function; rounding is all that may differ.
    np.testing.assert_allclose(k_weighting_response(frequency_hz), expected, atol=1e-8)


@pytest.mark.parametrize("sample_rate_hz", [8_000, 32_000, 44_100, 48_000, 96_000, 192_000])
def test_full_scale_tone_of_997_hz_has_minus_3_01_lkfs(sample_rate_hz):
    # BS.1770-4: a 0 dB FS sine of 997 Hz in one front channel reads -3.01 LKFS.
    sound = tone(997.0, sample_rate_hz=sample_rate_hz)
    result = measure_loudness(sound, sample_rate_hz=sample_rate_hz, onset_s=0.5)
    assert result.loudness_lkfs == pytest.approx(-3.01, abs=0.02)


def test_ebu_tone_at_minus_23():
    # EBU Tech 3341, case 1: 1 kHz, -23 dBFS in both channels reads -23.0 LUFS within 0.1 LU.
    # One channel alone is 10 log10(2) less.
    sound = tone(1000.0, sample_rate_hz=48_000, amplitude=10 ** (-23 / 20))
    result = measure_loudness(sound, sample_rate_hz=48_000, onset_s=0.5)
    assert result.loudness_lkfs + 10 * np.log10(2) == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize(
    ("frequency_hz", "expected_db"),
    # The tabulated filters at piano notes A0, C4, A4, C8, worked out apart from this program.
    [(27.5, -9.27), (261.6256, -0.14), (440.0, 0.01), (4186.009, 3.98)],
)
def test_k_weighting_at_piano_notes(frequency_hz, expected_db):
    assert k_weighting_db([frequency_hz])[0] == pytest.approx(expected_db, abs=0.02)


@pytest.mark.parametrize("sample_rate_hz", [44_100, 48_000])
@pytest.mark.parametrize("frequency_hz", [60.0, 250.0, 1000.0, 3000.0, 9000.0])
def test_steady_tones_as_pyloudnorm_reads_them(sample_rate_hz, frequency_hz):
    import pyloudnorm

    sound = tone(frequency_hz, sample_rate_hz=sample_rate_hz, amplitude=0.3, duration_s=3.0)
    expected = pyloudnorm.Meter(sample_rate_hz).integrated_loudness(sound)
    result = measure_loudness(sound, sample_rate_hz=sample_rate_hz, onset_s=1.0)
    # Its filters are designed anew and differ from the tables by up to 0.1 dB.
    assert result.loudness_lkfs == pytest.approx(expected, abs=0.1)


def test_a_strike_as_pyloudnorm_reads_its_loudest_block():
    import pyloudnorm

    rate = 48_000
    times = np.arange(rate) / rate
    partials = range(1, 20)
    strike = sum(
        0.1 / n * np.exp(-3.0 * times) * np.sin(2 * np.pi * 220.0 * n * times) for n in partials
    )
    sound = np.concatenate([np.zeros(rate // 2), strike])
    block = sound[rate // 2 : rate // 2 + round(0.4 * rate)]
    expected = pyloudnorm.Meter(rate, block_size=0.4).integrated_loudness(block)
    result = measure_loudness(sound, sample_rate_hz=rate, onset_s=0.5)
    assert result.loudness_lkfs == pytest.approx(expected, abs=0.1)

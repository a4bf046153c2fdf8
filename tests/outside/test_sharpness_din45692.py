"""Sharpness against the reference sounds of DIN 45692:2009 and against mosqito.

The standard's tolerance (clause 6) is 5 % or 0.05 acum, whichever is larger. Values are those of
its narrow-band and broad-band series, quoted from mosqito's validation script; the standard's
noises are made here from their definition: critical-band wide about the named frequency
(Zwicker's band edges), or from that frequency's band up to 10 kHz, at 4 sone.
"""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.measure.sharpness import measure_sharpness, sharpness_acum
from toneapp.signal.excerpt import ExcerptSpectrum
from toneapp.signal.zwicker import specific_loudness, third_octave_power

RATE = 48_000
MIDDLES_HZ = [
    *(250, 350, 450, 570, 700, 840, 1000, 1170, 1370, 1600, 1850),
    *(2150, 2500, 2900, 3400, 4000, 4800, 5800, 7000, 8500, 10500),
]
# E. Zwicker, "Subdivision of the audible frequency range into critical bands", JASA 33 (1961) 248.
EDGES_HZ = [
    *(200, 300, 400, 510, 630, 770, 920, 1080, 1270, 1480, 1720, 2000),
    *(2320, 2700, 3150, 3700, 4400, 5300, 6400, 7700, 9500, 12000),
]
NARROW_ACUM = [
    *(0.38, 0.49, 0.60, 0.71, 0.82, 0.93, 1.00, 1.13, 1.26, 1.35, 1.49),
    *(1.64, 1.78, 2.06, 2.40, 2.82, 3.48, 4.43, 5.52, 6.81, 8.55),
]
BROAD_ACUM = [
    *(2.70, 2.74, 2.78, 2.85, 2.91, 2.96, 3.05, 3.12, 3.20, 3.30),
    *(3.42, 3.53, 3.69, 3.89, 4.12, 4.49, 5.04, 5.69, 6.47, 7.46),
]


def within_the_standard(expected_acum):
    return pytest.approx(expected_acum, abs=max(0.05, 0.05 * expected_acum))


def sharpness_of_noise(low_hz, high_hz, *, sone=None, level_db=None):
    """Sharpness of the expected spectrum of a noise, at a loudness or at a level."""
    frequency_hz = np.arange(0.0, 16_000.0, 2.0)
    inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    spectrum = ExcerptSpectrum(frequency_hz=frequency_hz, power=inside / inside.sum())
    bands_db = 10 * np.log10(third_octave_power(spectrum))
    if level_db is None:
        low, high = 0.0, 100.0
        for _ in range(40):
            level_db = 0.5 * (low + high)
            if specific_loudness(bands_db + level_db).loudness_sone < sone:
                low = level_db
            else:
                high = level_db
    return sharpness_acum(specific_loudness(bands_db + level_db))


def test_the_reference_sound_has_1_acum():
    # Clause 3.2: noise from 920 to 1080 Hz at 60 dB. Set so by definition of the unit.
    assert sharpness_of_noise(920, 1080, level_db=60.0) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("index", range(21))
def test_narrow_band_series(index):
    found = sharpness_of_noise(EDGES_HZ[index], EDGES_HZ[index + 1], sone=4.0)
    assert found == within_the_standard(NARROW_ACUM[index])


@pytest.mark.parametrize("index", range(20))
def test_broad_band_series(index):
    found = sharpness_of_noise(MIDDLES_HZ[index], 10_000, sone=4.0)
    assert found == within_the_standard(BROAD_ACUM[index])


@pytest.mark.parametrize("rate", [32_000, 44_100, 48_000, 96_000])
def test_the_reference_sound_as_samples(rate):
    rng = np.random.default_rng(45692)
    found = []
    for _ in range(8):  # half a second of so narrow a noise scatters
        frequency_hz = np.fft.rfftfreq(rate, 1 / rate)
        inside = (frequency_hz >= 920) & (frequency_hz <= 1080)
        bins = inside * (rng.standard_normal(inside.size) + 1j * rng.standard_normal(inside.size))
        noise = np.fft.irfft(bins, rate)
        result = measure_sharpness(
            noise,
            sample_rate_hz=rate,
            onset_s=0.2,
            calibration_db=60.0 - 10 * np.log10(np.mean(noise**2)),
        )
        found.append(result.sharpness_acum)
    assert np.mean(found) == within_the_standard(1.0)


@pytest.mark.filterwarnings("ignore::Warning:mosqito")
def test_steady_tones_as_mosqito_reads_them(mosqito_metrics):
    times = np.arange(2 * RATE) / RATE
    for slope in (0.6, 1.0, 2.0):
        tone = sum(
            0.05 * n**-slope * np.sin(2 * np.pi * 262.0 * n * times + n) for n in range(1, 40)
        )
        expected = mosqito_metrics.sharpness_din_st(tone, RATE)
        # mosqito takes pascals: a mean square of 1 Pa^2 is 93.98 dB.
        result = measure_sharpness(tone, sample_rate_hz=RATE, onset_s=0.8, calibration_db=93.979)
        assert result.sharpness_acum == within_the_standard(expected)

"""A-weighting and time weighting F against IEC 61672-1:2013, Table 3 and clause 5.8, Table 4."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.measure.level import a_weighted_level_db, measure_level
from toneapp.signal.weighting import a_weighting_db, fast_level

# Table 3: nominal frequency in Hz and A-weighting in dB, 10 Hz to 20 kHz in third octaves.
TABLE_3 = [
    *[(10, -70.4), (12.5, -63.4), (16, -56.7), (20, -50.5), (25, -44.7), (31.5, -39.4)],
    *[(40, -34.6), (50, -30.2), (63, -26.2), (80, -22.5), (100, -19.1), (125, -16.1)],
    *[(160, -13.4), (200, -10.9), (250, -8.6), (315, -6.6), (400, -4.8), (500, -3.2)],
    *[(630, -1.9), (800, -0.8), (1000, 0.0), (1250, 0.6), (1600, 1.0), (2000, 1.2)],
    *[(2500, 1.3), (3150, 1.2), (4000, 1.0), (5000, 0.5), (6300, -0.1), (8000, -1.1)],
    *[(10000, -2.5), (12500, -4.3), (16000, -6.6), (20000, -9.3)],
]
# The table holds for the exact base-ten frequencies behind the nominal ones.
EXACT = [
    (1000.0 * 10.0 ** ((index - 20) / 10.0), level_db)
    for index, (_, level_db) in enumerate(TABLE_3)
]


def test_the_nominal_frequencies_belong_to_the_exact_ones():
    for (nominal, _), (exact, _) in zip(TABLE_3, EXACT, strict=True):
        assert exact == pytest.approx(nominal, rel=0.016)


@pytest.mark.parametrize(("frequency_hz", "expected_db"), EXACT)
def test_a_weighting_equals_table_3(frequency_hz, expected_db):
    # The table is rounded to 0.1 dB: 0.05 dB, and 0.01 dB for the constants' own digits.
    assert a_weighting_db([frequency_hz])[0] == pytest.approx(expected_db, abs=0.06)


@pytest.mark.parametrize("sample_rate_hz", [8_000, 22_050, 44_100, 48_000, 96_000, 192_000])
def test_level_of_a_tone_follows_the_table_at_every_rate(sample_rate_hz):
    times = np.arange(sample_rate_hz) / sample_rate_hz
    for frequency_hz, expected_db in EXACT[5:]:
        if frequency_hz > 0.45 * sample_rate_hz:
            continue
        tone = 0.5 * np.sin(2 * np.pi * frequency_hz * times)
        # Mean square of the tone: -9.03 dB; 0.05 dB of rounding in the table, 0.02 dB of fades.
        steady = a_weighted_level_db(tone, sample_rate_hz=sample_rate_hz)
        assert steady == pytest.approx(-9.031 + expected_db, abs=0.08)
        # The window of a strike begins within 5 ms, as a strike does; a steady tone below 200 Hz
        # that is cut so hard spreads into bands which the weighting favours.
        if frequency_hz > 190.0:
            strike = measure_level(tone, sample_rate_hz=sample_rate_hz, onset_s=0.2).level_db
            assert strike == pytest.approx(-9.031 + expected_db, abs=0.12)


# Table 4 (from memory): the highest reading on a burst of 4 kHz, relative to the steady tone.
@pytest.mark.parametrize(
    ("burst_ms", "expected_db"),
    [
        *[(1000, 0.0), (500, -0.1), (200, -1.0), (100, -2.6), (50, -4.8)],
        *[(20, -8.3), (10, -11.1), (5, -14.1), (2, -18.0), (1, -21.0)],
    ],
)
def test_fast_weighting_reads_bursts_as_table_4(burst_ms, expected_db):
    rate = 48_000
    times = np.arange(2 * rate) / rate
    burst = np.where(times < burst_ms / 1000.0, np.sin(2 * np.pi * 4000.0 * times), 0.0)
    highest = np.max(fast_level(burst, sample_rate_hz=rate))
    # The table is rounded to 0.1 dB; the ripple of the squared tone adds up to 0.05 dB.
    assert 10 * np.log10(highest / 0.5) == pytest.approx(expected_db, abs=0.1)


def test_fast_weighting_falls_by_34_7_db_a_second():
    rate = 8_000
    sound = np.concatenate([np.ones(rate), np.zeros(rate)])
    level_db = 10 * np.log10(fast_level(sound, sample_rate_hz=rate))
    # 10 log10(e) / 0.125 s.
    assert level_db[rate + 1000] - level_db[rate + 5000] == pytest.approx(34.744 / 2, abs=0.01)


@pytest.mark.parametrize(
    ("frequency_hz", "expected_db"),
    # The formula of Annex E at piano notes, worked out apart from this program.
    [(27.5, -42.58), (261.6256, -8.26), (440.0, -4.09), (4186.009, 0.90)],
)
def test_a_weighting_at_piano_notes(frequency_hz, expected_db):
    assert a_weighting_db([frequency_hz])[0] == pytest.approx(expected_db, abs=0.05)

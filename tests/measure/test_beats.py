"""Beats of two tones with known rate and depth, and what is no beat."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.measure.beats import beat_depth_db, measure_beats, unison_spread_cents
from toneapp.results import Flag


def two_tones(t, *, beat_hz, level_difference_db, db_per_s=6.0, phase=0.7):
    x = 10 ** (-level_difference_db / 20)
    return 10 ** (-db_per_s * t / 20) * (1 + x * np.exp(1j * (2 * np.pi * beat_hz * t + phase)))


def measured(t, rows, *, hz=(440.0,), noise=1e-6, rng=None, end_s=None):
    z = np.atleast_2d(rows).astype(complex)
    if rng is not None:
        z = z + np.sqrt(noise / 2) * (rng.normal(size=z.shape) + 1j * rng.normal(size=z.shape))
    return measure_beats(
        t,
        z,
        partial_hz=np.array(hz),
        noise_power=np.full(z.shape[0], noise),
        t_start_s=0.05,
        t_end_s=end_s or float(t[-1]),
    )


@pytest.mark.parametrize("beat_hz", [0.5, 0.8, 1.5, 4.0])
@pytest.mark.parametrize("level_difference_db", [3.0, 6.0, 10.0])
def test_rate_and_depth(beat_hz, level_difference_db):
    rng = np.random.default_rng(round(10 * beat_hz + level_difference_db))
    t = np.arange(0, 4, 0.01)
    z = two_tones(t, beat_hz=beat_hz, level_difference_db=level_difference_db)
    note = measured(t, z, rng=rng)
    assert note.beat_hz == pytest.approx(beat_hz, rel=0.01)
    # Averaging down to 40 Hz takes 1 % off a beat of 4 Hz.
    assert note.depth_db == pytest.approx(beat_depth_db(level_difference_db), rel=0.03)
    assert note.partials[0].beat_hz_se < 0.02


def test_standard_error_covers_the_rate():
    rng = np.random.default_rng(21)
    t = np.arange(0, 3, 0.02)
    z = two_tones(t, beat_hz=1.0, level_difference_db=6.0)
    beats = [measured(t, z, rng=rng, noise=1e-3).partials[0] for _ in range(60)]
    score = [(b.beat_hz - 1.0) / b.beat_hz_se for b in beats if b.beat_hz is not None]
    assert len(score) > 55
    assert np.mean(np.abs(score) < 2) > 0.8


def test_tones_that_decay_differently_still_beat():
    t = np.arange(0, 4, 0.01)
    z = np.exp(-1.2 * t) + 0.5 * np.exp((-0.4 + 2j * np.pi * 1.2) * t)
    assert measured(t, z).beat_hz == pytest.approx(1.2, rel=0.01)


def test_spread_from_partials_that_agree():
    t = np.arange(0, 5, 0.01)
    # 2 cents apart at A4: partial k beats k times as fast
    rate_hz = 440.0 * (2 ** (2 / 1200) - 1)
    rows = [two_tones(t, beat_hz=k * rate_hz, level_difference_db=6.0) for k in (1, 2, 3)]
    note = measured(t, rows, hz=(440.0, 880.0, 1320.0))
    assert note.unison_spread_cents == pytest.approx(2.0, abs=0.05)
    assert note.beat_hz == pytest.approx(rate_hz, rel=0.02)


def test_no_spread_from_partials_that_disagree():
    t = np.arange(0, 5, 0.01)
    rows = [two_tones(t, beat_hz=b, level_difference_db=6.0) for b in (0.9, 0.9)]
    note = measured(t, rows, hz=(440.0, 880.0))  # a false beat does not double with the partial
    assert note.beat_hz == pytest.approx(0.9, rel=0.01)
    assert note.unison_spread_cents is None


@pytest.mark.parametrize("seconds", [2.0, 4.0, 8.0])
def test_a_single_string_and_a_knee_do_not_beat(seconds):
    rng = np.random.default_rng(int(seconds))
    t = np.arange(0, seconds, 0.01)
    for z in (
        10 ** (-0.3 * t),
        np.sqrt(10 ** (-2 * t) + 0.01 * 10 ** (-0.5 * t)),
        10 ** (-1.2 * t),
    ):
        found = [measured(t, z, rng=rng, noise=1e-5).beat_hz for _ in range(10)]
        assert found == [None] * 10


def test_less_than_a_cycle_and_a_half_is_not_resolved():
    t = np.arange(0, 2, 0.01)
    note = measured(t, two_tones(t, beat_hz=0.4, level_difference_db=6.0))
    assert note.beat_hz is None
    assert note.flags == (Flag.BEATS_UNRESOLVED,)


def test_a_short_hold_says_nothing_of_beats():
    t = np.arange(0, 0.5, 0.01)
    note = measured(t, two_tones(t, beat_hz=3.0, level_difference_db=6.0))
    assert note.beat_hz is None
    assert note.flags == (Flag.BEATS_UNRESOLVED,)


def test_noise_alone_does_not_beat():
    rng = np.random.default_rng(0)
    t = np.arange(0, 4, 0.01)
    for _ in range(20):
        assert measured(t, np.zeros_like(t), rng=rng, noise=1.0).beat_hz is None


def test_out_of_range_arguments():
    with pytest.raises(ValueError, match="positive"):
        beat_depth_db(0.0)
    with pytest.raises(ValueError, match="out of range"):
        unison_spread_cents(1.0, partial_hz=0.0)
    with pytest.raises(ValueError, match="finite"):
        measured(np.arange(50) * 0.1, np.full(50, np.nan))

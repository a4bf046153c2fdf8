"""Prompt sound, aftersound and sustain of a note made from formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest

from toneapp.measure.decay import measure_decays
from toneapp.results import Flag
from toneapp.signal.decay import HeldPowers


def partials(t, *, t60s=(6.0, 5.0, 4.0), levels_db=(0.0, -6.0, -10.0), after=None):
    rows = []
    for t60, level in zip(t60s, levels_db, strict=True):
        power = 10 ** (level / 10 - 6 * t / t60)
        if after is not None:
            power = power + 10 ** ((level + after[0]) / 10 - 6 * t / after[1])
        rows.append(power)
    return np.array(rows)


def measure_decay(t, power, **rest):
    (decay,) = measure_decays([HeldPowers(times_s=t, power=power, **rest)])
    return decay


def measured(t, power, *, noise=1e-9, end_s=None):
    return measure_decay(
        t,
        power + noise,
        noise_power=np.full(power.shape[0], noise),
        t_start_s=0.05,
        t_end_s=end_s or t[-1],
    )


def test_one_slope_for_all_partials():
    t = np.arange(0, 5, 0.01)
    decay = measured(t, partials(t, t60s=(6.0, 6.0, 6.0)))
    assert decay.prompt_t60_s == pytest.approx(6.0, rel=0.01)
    assert decay.sustain_20db_s == pytest.approx(2.0, abs=0.03)
    assert not decay.sustain_is_drawn_on
    assert len(decay.partials) == 3


def test_each_partial_keeps_its_own_decay():
    t = np.arange(0, 4, 0.01)
    decay = measured(t, partials(t))
    assert [p.prompt_t60_s for p in decay.partials] == pytest.approx([6.0, 5.0, 4.0], rel=0.01)
    assert 4.0 < decay.prompt_t60_s < 6.0


def test_two_stages_and_their_sustain():
    t = np.arange(0, 8, 0.01)
    decay = measured(t, partials(t, t60s=(3.0,) * 3, after=(-20.0, 15.0)))
    assert decay.is_two_stage
    assert decay.prompt_t60_s == pytest.approx(3.0, rel=0.03)
    assert decay.after_t60_s == pytest.approx(15.0, rel=0.03)
    assert decay.aftersound_level_db == pytest.approx(-20.0, abs=0.5)


def test_sustain_is_drawn_on_from_half_the_fall_and_not_from_less():
    t = np.arange(0, 8, 0.01)
    power = partials(t, t60s=(10.0,) * 3)
    seen = measured(t, power, end_s=2.2)
    assert seen.sustain_20db_s == pytest.approx(10.0 / 3, rel=0.03)
    assert seen.sustain_is_drawn_on
    short = measured(t, power, end_s=1.0)
    assert short.sustain_20db_s is None
    assert Flag.HOLD_TOO_SHORT in short.flags


def test_beats_do_not_shorten_the_sustain():
    t = np.arange(0, 6, 0.01)
    beat = 1 + 0.8 * np.cos(2 * np.pi * 1.7 * t)
    decay = measured(t, 10 ** (-6 * t / 6.0)[None] * beat)
    # One cycle is 0.59 s; the crossings lie within one cycle of the mean line.
    assert decay.sustain_20db_s == pytest.approx(2.0, abs=0.4)
    assert decay.prompt_t60_s == pytest.approx(6.0, rel=0.1)


def test_errors_of_the_note_cover_what_beats_do():
    rng = np.random.default_rng(2)
    t = np.arange(0, 3, 0.01)
    z = []
    for _ in range(40):
        rows = []
        for n in range(1, 5):
            beat = 1 + 0.3 * np.exp(1j * (2 * np.pi * 0.35 * n * t + rng.uniform(0, 6.3)))
            rows.append(np.abs(10 ** (-3 * t / 7.0) * beat) ** 2 / n)
        decay = measured(t, np.array(rows))
        assert decay.prompt_t60_s is not None
        z.append(math.log(decay.prompt_t60_s / 7.0) * decay.prompt_t60_s / decay.prompt_t60_s_se)
    assert np.mean(np.abs(z) < 2) > 0.8


def test_a_note_lost_in_the_noise_is_not_measured():
    rng = np.random.default_rng(7)
    t = np.arange(0, 3, 0.01)
    power = rng.exponential(size=(4, t.size))
    decay = measure_decay(t, power, noise_power=np.ones(4), t_start_s=0.05, t_end_s=3.0)
    assert decay.prompt_t60_s is None
    assert decay.sustain_20db_s is None
    assert Flag.NOISE_HIDES_DECAY in decay.flags


def test_refuses_no_partials():
    with pytest.raises(ValueError, match="at least one band"):
        measure_decay(
            np.arange(50) * 0.02,
            np.empty((0, 50)),
            noise_power=np.empty(0),
            t_start_s=0.0,
            t_end_s=1.0,
        )


def test_the_fall_is_counted_from_the_maximum() -> None:
    # A treble note of 0.5 s that takes 0.06 s to rise: the rise is no part of the decay.
    t = np.arange(0.0, 1.5, 0.004)
    decay = 10.0 ** (-6.0 * t / 0.5)
    rise = np.clip(t / 0.06, 0.0, 1.0) ** 2
    power = (decay * rise)[None, :]
    told = measure_decay(
        t, power + 1e-9, noise_power=np.array([1e-9]), t_start_s=0.08, t_end_s=1.4
    )
    assert told.prompt_t60_s == pytest.approx(0.5, rel=0.06)

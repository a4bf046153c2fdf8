"""Decay fits against powers made from formulas, with and without noise and beats."""

from __future__ import annotations

import math

import numpy as np
import pytest

from toneapp.results import Flag
from toneapp.signal.decay import HeldPowers, fit_all, fit_decay, fit_decays


def two_stage(t, *, fast_db_per_s=20.0, slow_db_per_s=5.0, offset_db=-20.0):
    """Power of two stages, the first at 0 dB."""
    return 10 ** (-fast_db_per_s * t / 10) + 10 ** ((offset_db - slow_db_per_s * t) / 10)


def noisy(amplitude, noise_power, rng):
    """Power of an envelope with complex Gaussian noise added."""
    noise = rng.normal(size=amplitude.shape) + 1j * rng.normal(size=amplitude.shape)
    return np.abs(amplitude + math.sqrt(noise_power / 2) * noise) ** 2


def beating(t, *, beat_hz, ratio, db_per_s, phase):
    """Envelope of two modes that decay alike."""
    return 10 ** (-db_per_s * t / 20) * (
        1 + ratio * np.exp(1j * (2 * np.pi * beat_hz * t + phase))
    )


class TestOneStage:
    def test_slope_is_exact_without_noise(self):
        t = np.arange(0, 8, 0.02)
        fit = fit_decay(t, 10 ** (-0.6 * t), noise_power=0.0, t_start_s=0.0, t_end_s=8.0)
        assert fit.prompt_t60_s == pytest.approx(10.0, rel=1e-3)
        assert not fit.is_two_stage
        assert fit.after_t60_s is None
        assert fit.flags == (Flag.SINGLE_STAGE,)

    @pytest.mark.parametrize("t60_s", [0.4, 1.5, 6.0, 20.0])
    def test_slope_at_any_rate(self, t60_s):
        t = np.arange(0, 2, 0.008)
        fit = fit_decay(t, 10 ** (-6 * t / t60_s), noise_power=1e-9, t_start_s=0.05, t_end_s=2.0)
        # The noise is declared and not there, which matters only for the fastest.
        assert fit.prompt_t60_s == pytest.approx(t60_s, rel=0.01)

    def test_a_gain_changes_levels_only(self):
        t = np.arange(0, 3, 0.01)
        power = two_stage(t)
        one = fit_decay(t, power, noise_power=1e-7, t_start_s=0.0, t_end_s=3.0)
        other = fit_decay(t, 1e6 * power, noise_power=0.1, t_start_s=0.0, t_end_s=3.0)
        assert other.prompt_t60_s == pytest.approx(one.prompt_t60_s, rel=1e-6)
        assert other.prompt_level_db - one.prompt_level_db == pytest.approx(60.0, abs=1e-3)

    def test_standard_error_covers_the_truth(self):
        rng = np.random.default_rng(11)
        t = np.arange(0, 2, 0.02)
        power = noisy(np.tile(10 ** (-0.3 * t), (100, 1)), 1e-4, rng)
        fits = fit_decays(t, power, noise_power=np.full(100, 1e-4), t_start_s=0.05, t_end_s=2.0)
        z = np.array([(f.prompt_t60_s - 10.0) / f.prompt_t60_s_se for f in fits])
        # 95 % expected; four standard deviations of a binomial of 100 below that.
        assert np.mean(np.abs(z) < 2.0) >= 0.86
        assert np.std(z) > 0.4  # and the error is not simply blown up


class TestTwoStages:
    def test_both_stages_and_knee(self):
        t = np.arange(0, 8, 0.01)
        fit = fit_decay(t, two_stage(t), noise_power=0.0, t_start_s=0.0, t_end_s=8.0)
        assert 60 / fit.prompt_t60_s == pytest.approx(20.0, rel=0.02)
        assert 60 / fit.after_t60_s == pytest.approx(5.0, rel=0.02)
        assert fit.aftersound_level_db == pytest.approx(-20.0, abs=0.5)
        assert fit.knee_s == pytest.approx(4 / 3, abs=0.05)

    def test_levels_belong_to_the_onset_wherever_the_fit_starts(self):
        t = np.arange(0, 6, 0.01)
        fit = fit_decay(t, two_stage(t), noise_power=0.0, t_start_s=0.2, t_end_s=6.0)
        assert fit.aftersound_level_db == pytest.approx(-20.0, abs=0.5)
        assert fit.prompt_level_db == pytest.approx(0.0, abs=0.2)

    def test_found_in_noise_with_honest_errors(self):
        rng = np.random.default_rng(3)
        t = np.arange(0, 4, 0.02)
        power = noisy(np.tile(np.sqrt(two_stage(t)), (60, 1)), 1e-5, rng)
        fits = fit_decays(t, power, noise_power=np.full(60, 1e-5), t_start_s=0.05, t_end_s=4.0)
        assert np.mean([f.is_two_stage for f in fits]) > 0.95
        found = [f for f in fits if f.after_t60_s is not None]
        prompt = np.array([(f.prompt_t60_s - 3.0) / f.prompt_t60_s_se for f in found])
        after = np.array([(f.after_t60_s - 12.0) / f.after_t60_s_se for f in found])
        assert np.mean(np.abs(prompt) < 2) > 0.85
        assert np.mean(np.abs(after) < 2) > 0.75
        assert abs(np.median([f.after_t60_s for f in found]) / 12.0 - 1) < 0.05

    def test_a_shallow_early_bend_is_no_knee(self):
        # 40 dB/s for 0.15 s over 5 dB/s: partials that die unequally, not prompt and aftersound
        t = np.arange(0, 4, 0.01)
        power = two_stage(t, fast_db_per_s=40.0, offset_db=-4.0)
        fit = fit_decay(t, power, noise_power=1e-9, t_start_s=0.05, t_end_s=4.0)
        assert not fit.is_two_stage

    def test_no_aftersound_is_invented_when_the_noise_hides_it(self):
        rng = np.random.default_rng(4)
        t = np.arange(0, 4, 0.02)
        power = noisy(np.tile(np.sqrt(two_stage(t)), (40, 1)), 10**-1.8, rng)
        fits = fit_decays(t, power, noise_power=np.full(40, 10**-1.8), t_start_s=0.05, t_end_s=4.0)
        assert sum(f.after_t60_s is not None for f in fits) <= 2
        assert all(f.flags for f in fits)

    def test_the_noise_floor_itself_is_no_aftersound(self):
        rng = np.random.default_rng(5)
        t = np.arange(0, 4, 0.02)
        power = noisy(np.tile(10 ** (-1.0 * t), (60, 1)), 1e-3, rng)
        fits = fit_decays(t, power, noise_power=np.full(60, 1e-3), t_start_s=0.05, t_end_s=4.0)
        assert sum(f.is_two_stage for f in fits) <= 3
        assert np.median([f.prompt_t60_s for f in fits]) == pytest.approx(3.0, rel=0.03)


class TestBeats:
    @pytest.mark.parametrize("beat_hz", [0.5, 0.8, 1.5, 3.0])
    @pytest.mark.parametrize("ratio", [0.2, 0.5, 0.8])
    def test_a_beat_of_two_cycles_is_no_knee(self, beat_hz, ratio):
        rng = np.random.default_rng(round(100 * beat_hz + 10 * ratio))
        t = np.arange(0, 4, 0.01)
        phases = rng.uniform(0, 2 * np.pi, (24, 1))
        envelope = beating(t, beat_hz=beat_hz, ratio=ratio, db_per_s=6.0, phase=phases)
        power = noisy(envelope, 1e-6, rng)
        fits = fit_decays(t, power, noise_power=np.full(24, 1e-6), t_start_s=0.05, t_end_s=4.0)
        assert sum(f.is_two_stage for f in fits) <= 1
        errors = [abs(f.prompt_t60_s / 10.0 - 1) for f in fits if f.prompt_t60_s is not None]
        assert len(errors) >= 23
        assert np.median(errors) < 0.03

    @pytest.mark.parametrize(("beat_hz", "db_per_s"), [(0.4, 12.0), (0.5, 20.0)])
    def test_a_deep_slow_beat_is_no_knee(self, beat_hz, db_per_s):
        # Without a beat among the descriptions a quarter of these would be read as knees.
        rng = np.random.default_rng(1)
        t = np.arange(0, 4, 0.01)
        phases = rng.uniform(0, 2 * np.pi, (24, 1))
        envelope = beating(t, beat_hz=beat_hz, ratio=0.9, db_per_s=db_per_s, phase=phases)
        power = noisy(envelope, 1e-7, rng)
        fits = fit_decays(t, power, noise_power=np.full(24, 1e-7), t_start_s=0.05, t_end_s=4.0)
        assert sum(f.is_two_stage for f in fits) <= 1

    def test_a_knee_with_a_beat_on_it_is_still_a_knee(self):
        rng = np.random.default_rng(8)
        t = np.arange(0, 6, 0.01)
        shape = np.sqrt(two_stage(t))
        ripple = 1 + 0.25 * np.cos(2 * np.pi * 1.3 * t + rng.uniform(0, 6, (20, 1)))
        power = noisy(shape * ripple, 1e-7, rng)
        fits = fit_decays(t, power, noise_power=np.full(20, 1e-7), t_start_s=0.05, t_end_s=6.0)
        found = [f for f in fits if f.is_two_stage]
        assert len(found) >= 18
        # A ripple on both stages is not the beat of two modes; 15 % is what that costs.
        assert np.median([f.prompt_t60_s for f in found]) == pytest.approx(3.0, rel=0.15)
        assert np.median([f.after_t60_s for f in found]) == pytest.approx(12.0, rel=0.15)


class TestWhatCannotBeMeasured:
    def test_too_short_a_hold(self):
        t = np.arange(0, 0.1, 0.005)
        fit = fit_decay(t, 10 ** (-0.6 * t), noise_power=0.0, t_start_s=0.0, t_end_s=0.1)
        assert fit.prompt_t60_s is None
        assert fit.flags == (Flag.HOLD_TOO_SHORT,)

    def test_noise_alone(self):
        rng = np.random.default_rng(1)
        t = np.arange(0, 3, 0.01)
        power = noisy(np.zeros((8, t.size)), 1.0, rng)
        fits = fit_decays(t, power, noise_power=np.ones(8), t_start_s=0.0, t_end_s=3.0)
        assert all(f.prompt_t60_s is None for f in fits)
        assert all(Flag.NOISE_HIDES_DECAY in f.flags for f in fits)

    def test_a_steady_tone_has_no_decay(self):
        t = np.arange(0, 3, 0.01)
        fit = fit_decay(t, np.ones_like(t), noise_power=1e-6, t_start_s=0.0, t_end_s=3.0)
        assert fit.prompt_t60_s is None or fit.prompt_t60_s > 100.0
        assert fit.after_t60_s is None

    def test_silence(self):
        t = np.arange(0, 3, 0.01)
        fit = fit_decay(t, np.zeros_like(t), noise_power=0.0, t_start_s=0.0, t_end_s=3.0)
        assert fit.prompt_t60_s is None


@pytest.mark.parametrize("offset_db", [-8.0, -14.0, -20.0])
@pytest.mark.parametrize("noise_power", [1e-9, 1e-6])
def test_stages_in_phase_and_stages_whose_powers_add(offset_db, noise_power):
    rng = np.random.default_rng(8)
    t = np.arange(0, 5, 0.01)
    fast, slow = 10 ** (-20.0 * t / 20), 10 ** ((offset_db - 5.0 * t) / 20)
    for amplitude, adds in ((fast + slow, True), (np.abs(fast + 1j * slow), False)):
        power = noisy(amplitude, noise_power, rng)
        fit = fit_decay(t, power, noise_power=noise_power, t_start_s=0.05, t_end_s=5.0)
        assert fit.is_two_stage
        assert fit.adds_amplitudes is adds
        assert fit.prompt_t60_s == pytest.approx(3.0, rel=0.04)
        assert fit.after_t60_s == pytest.approx(12.0, rel=0.08)
        assert fit.aftersound_level_db == pytest.approx(offset_db, abs=0.6)


@pytest.mark.parametrize(
    ("power", "match"),
    [
        (-np.ones(50), "negative"),
        (np.full(50, np.nan), "finite"),
        (np.ones(49), "must be"),
    ],
)
def test_refuses_what_is_no_power(power, match):
    with pytest.raises(ValueError, match=match):
        fit_decay(np.arange(50) * 0.02, power, noise_power=0.0, t_start_s=0.0, t_end_s=1.0)


def test_input_is_left_alone():
    t = np.arange(0, 2, 0.02)
    power = two_stage(t)
    kept = power.copy()
    fit_decay(t, power, noise_power=1e-6, t_start_s=0.0, t_end_s=2.0)
    np.testing.assert_array_equal(power, kept)


def test_groups_side_by_side_are_fitted_as_each_by_itself():
    rng = np.random.default_rng(12)

    def group(count, end_s, **shape):
        t = np.arange(0.0, end_s + 0.1, 0.02)
        levels = rng.uniform(0.5, 2.0, (count, 1))
        power = noisy(np.sqrt(levels * two_stage(t, **shape)), 1e-5, rng)
        beat = np.abs(beating(t, beat_hz=1.3, ratio=0.95, db_per_s=9.0, phase=1.0)) ** 2
        power[0] = beat + 1e-6  # nearly cancels, which is tried anew
        return HeldPowers(
            times_s=t,
            power=power,
            noise_power=np.full(count, 1e-5),
            t_start_s=0.05,
            t_end_s=end_s,
            band_width_hz=20.0,
        )

    groups = [
        group(5, 4.0),
        group(3, 0.1),  # too short
        group(2, 0.8, fast_db_per_s=60.0),  # fewer samples than there are blocks
        group(4, 9.0, offset_db=-14.0),
    ]
    together = fit_all(groups)
    assert together == [fit_all([one])[0] for one in groups]
    assert [len(fits) for fits in together] == [5, 3, 2, 4]
    assert all(fit.prompt_t60_s is not None for fit in together[0])
    assert together[1][0].flags == (Flag.HOLD_TOO_SHORT,)
    assert fit_all([]) == []

import numpy as np
import pytest

from toneapp.evenness.slopes import (
    default_slope_oct_per_db,
    slopes_between_notes,
    slopes_within_notes,
)

MIDI = np.arange(21.0, 109.0)


def test_notes_own_slopes_are_steadied_by_their_neighbours():
    rng = np.random.default_rng(0)
    truth = default_slope_oct_per_db(MIDI) * 0.7 * np.exp(rng.normal(0, 0.15, 88))
    error = np.full(88, 0.012)
    measured = truth + rng.normal(0, error)
    found = slopes_within_notes(MIDI, measured, error**2)
    rms = lambda miss: np.sqrt(np.mean(miss**2))  # noqa: E731 - used twice, here
    assert rms(found.slope - truth) < 0.7 * rms(measured - truth)
    assert rms((found.slope - truth) / found.se) == pytest.approx(1.0, abs=0.3)


def test_well_measured_slopes_stay_their_own():
    rng = np.random.default_rng(1)
    truth = default_slope_oct_per_db(MIDI) * np.exp(rng.normal(0, 0.3, 88))
    found = slopes_within_notes(MIDI, truth, np.full(88, 1e-4**2))
    np.testing.assert_allclose(found.slope, truth, rtol=0.01)
    assert not found.is_default.any()


def test_a_note_without_slope_gets_its_neighbours():
    rng = np.random.default_rng(2)
    truth = 0.6 * default_slope_oct_per_db(MIDI)
    variance = np.full(88, 0.004**2)
    variance[30] = np.inf
    found = slopes_within_notes(MIDI, truth + rng.normal(0, 0.004, 88), variance)
    assert found.slope[30] == pytest.approx(truth[30], rel=0.15)
    assert found.own_share[30] == 0.0


def test_nothing_known_is_the_default():
    found = slopes_within_notes(MIDI, np.zeros(88), np.full(88, np.inf))
    np.testing.assert_allclose(found.slope, default_slope_oct_per_db(MIDI))
    assert found.is_default.all()


@pytest.mark.parametrize("ratio", [0.4, 1.0, 1.8])
def test_slopes_are_learned_between_notes_when_the_run_shows_them(ratio):
    rng = np.random.default_rng(3)
    level = rng.normal(0, 2.5, 88)
    bright = ratio * default_slope_oct_per_db(MIDI) * level + rng.normal(0, 0.04, 88)
    found = slopes_between_notes(MIDI, level, bright, expected_ratio=0.9, least_scatter=0.026)
    middle = found.slope[20:60] / default_slope_oct_per_db(MIDI)[20:60]
    np.testing.assert_allclose(middle, ratio, atol=0.2)
    assert not found.is_default[20:60].any()


def test_an_even_hand_teaches_no_slope():
    rng = np.random.default_rng(4)
    level = rng.normal(0, 0.05, 88)
    found = slopes_between_notes(
        MIDI, level, rng.normal(0, 0.05, 88), expected_ratio=0.9, least_scatter=0.026
    )
    assert found.is_default.all()
    np.testing.assert_allclose(found.slope, 0.9 * default_slope_oct_per_db(MIDI), rtol=0.2)


def test_a_slope_is_never_negative():
    level = np.random.default_rng(5).normal(0, 2, 88)
    found = slopes_between_notes(
        MIDI, level, -0.05 * level, expected_ratio=0.9, least_scatter=0.026
    )
    assert np.all(found.slope >= 0.0)

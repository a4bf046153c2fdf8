"""Unisons: beat arithmetic, and two strings that share a bridge.

Beat rates and depths are worked out from their formulas. The coupled pair follows G. Weinreich,
"Coupled piano strings", J. Acoust. Soc. Am. 62, 1474 (1977) (formula from memory, eigenvalues
computed here): strings detuned by +/- eps rad/s on a bridge that takes eta (amplitude, 1/s) from
each have the modes -eta +/- sqrt(eta^2 - eps^2).
"""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.measure.beats import beat_depth_db, measure_beats, unison_spread_cents
from toneapp.signal.decay import fit_decay


def bridge_motion(t, *, eta, eps, blows=(1.0, 1.0)):
    """Sum of two coupled strings, by the matrix exponential of their equations."""
    matrix = np.array([[1j * eps - eta, -eta], [-eta, -1j * eps - eta]])
    values, vectors = np.linalg.eig(matrix)
    start = np.linalg.solve(vectors, np.array(blows, dtype=complex))
    strings = vectors @ (start[:, None] * np.exp(values[:, None] * t))
    return strings.sum(axis=0), values


def beats(t, z, *, hz=261.6):
    return measure_beats(
        t,
        z[None],
        partial_hz=np.array([hz]),
        noise_power=np.array([1e-10]),
        t_start_s=0.0,
        t_end_s=float(t[-1]),
    )


@pytest.mark.parametrize(
    ("cents", "partial", "beat_hz"), [(1, 1, 0.2542), (1, 2, 0.5085), (1, 4, 1.0169)]
)
def test_beat_rate_of_a_cent_at_a4(cents, partial, beat_hz):
    found = unison_spread_cents(beat_hz, partial_hz=440.0 * partial)
    assert found == pytest.approx(cents, abs=4e-4)  # the rates are rounded to 1e-4 Hz


def test_half_a_hertz_at_a4():
    assert unison_spread_cents(0.5, partial_hz=440.0) == pytest.approx(1.966, abs=5e-4)


@pytest.mark.parametrize(
    ("difference_db", "depth_db"), [(3, 15.34), (6, 9.57), (10, 5.69), (20, 1.74)]
)
def test_beat_depth(difference_db, depth_db):
    assert beat_depth_db(difference_db) == pytest.approx(depth_db, rel=0.01)


@pytest.mark.parametrize(
    ("eps", "rates_db_per_s"),
    [(0.0, (0.0, 17.37)), (0.6, (1.737, 15.635)), (1.25, (8.686, 8.686))],
)
def test_the_eigenvalues_are_those_published(eps, rates_db_per_s):
    _, values = bridge_motion(np.zeros(1), eta=1.0, eps=eps)
    rates = sorted(-8.6859 * values.real)
    assert rates == pytest.approx(rates_db_per_s, abs=2e-3)


@pytest.mark.parametrize("blows", [(1.0, 1.0), (1.0, 0.8), (1.0, 0.5)])
def test_no_beat_though_the_strings_are_apart(blows):
    # eps 0.6 rad/s each way is 0.19 Hz: 1.26 cents at C4
    t = np.arange(0, 8, 0.01)
    z, _ = bridge_motion(t, eta=1.0, eps=0.6, blows=blows)
    assert beats(t, z).beat_hz is None


def test_strong_coupling_decays_in_two_stages():
    t = np.arange(0, 8, 0.01)
    z, _ = bridge_motion(t, eta=1.0, eps=0.6)
    fit = fit_decay(t, np.abs(z) ** 2, noise_power=1e-12, t_start_s=0.0, t_end_s=8.0)
    assert fit.is_two_stage
    # The motions interfere (the sum passes through nothing between the stages), hence 15 %.
    assert 60 / fit.prompt_t60_s == pytest.approx(15.635, rel=0.15)
    assert 60 / fit.after_t60_s == pytest.approx(1.737, rel=0.15)


def test_weak_coupling_beats_slower_than_the_strings_are_apart():
    # eps 1.25, eta 1: both decay by 8.686 dB/s, beat 0.2387 Hz and not 0.3979 Hz
    t = np.arange(0, 9, 0.01)
    z, values = bridge_motion(t, eta=0.25, eps=4 * 0.3125, blows=(1.0, 0.6))
    expected_hz = abs(values[0].imag - values[1].imag) / (2 * np.pi)
    assert expected_hz == pytest.approx(np.sqrt(1.25**2 - 0.25**2) / np.pi, rel=1e-6)
    assert beats(t, z).beat_hz == pytest.approx(expected_hz, rel=0.01)
    scaled_hz = np.sqrt(1.25**2 - 1.0) / np.pi
    assert scaled_hz == pytest.approx(0.2387, abs=1e-4)


def test_two_tones_half_a_hertz_apart():
    # 6 dB different: the beat is 0.5 Hz within 0.01, 9.57 dB deep within 1 %
    t = np.arange(0, 5, 0.01)
    z = 10 ** (-0.2 * t) * (1 + 10 ** (-6 / 20) * np.exp(2j * np.pi * 0.5 * t))
    note = beats(t, z, hz=440.0)
    assert note.beat_hz == pytest.approx(0.5, abs=0.01)
    assert note.depth_db == pytest.approx(9.57, rel=0.01)
    assert note.unison_spread_cents == pytest.approx(1.966, abs=0.04)

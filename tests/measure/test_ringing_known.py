"""Strings of known frequency and decay beneath louder lines, from sounds written down."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from toneapp.measure.ringing import rest_of
from toneapp.measure.ringing_known import keep_rest, known_level_db
from toneapp.signal.bands import transform_strike

RATE = 32000
REFERENCE = 0.02
NOISE_RMS = 1e-5
T = np.arange(int(1.1 * RATE)) / RATE  # from 0.05 s after the release


def density(hz: np.ndarray, rms: float = NOISE_RMS) -> np.ndarray:
    return np.full(hz.shape, rms**2 / (RATE / 2))


def level_of(
    sound: np.ndarray,
    hz: float,
    t60_s: float,
    *,
    reference: float = REFERENCE,
    noise_rms: float = NOISE_RMS,
) -> float | None:
    rest = keep_rest(
        transform_strike(sound, sample_rate_hz=RATE),
        reference=reference,
        noise_density=lambda at_hz: density(at_hz, noise_rms),
    )
    return known_level_db(rest, rest.bands(np.array([hz])), 0, hz=hz, t60_s=t60_s)


def tail(hz: float, level_db: float, t60_s: float, *, phase: float = 0.4) -> np.ndarray:
    """A line whose level holds 0.1 s after the release."""
    amplitude = np.sqrt(2.0 * REFERENCE) * 10.0 ** (level_db / 20.0)
    return np.asarray(
        amplitude * 10.0 ** (-3.0 * (T - 0.05) / t60_s) * np.sin(2 * np.pi * hz * T + phase)
    )


def noise(seed: int, rms: float = NOISE_RMS) -> np.ndarray:
    return np.asarray(rms * np.random.default_rng(seed).standard_normal(T.size))


def room(hz: float, rng: np.random.Generator, *, t60_s: float = 0.5) -> np.ndarray:
    """What a room answers to a partial that stops: noise about it, 2 Hz wide, that falls."""
    slow = np.stack([np.interp(T, T[::8000], rng.standard_normal((T.size + 7999) // 8000))
                     for _ in range(2)])  # fmt: skip
    wave = slow[0] * np.sin(2 * np.pi * hz * T) + slow[1] * np.cos(2 * np.pi * hz * T)
    return np.asarray(wave * np.sqrt(REFERENCE) * 10.0 ** (-3.0 * T / t60_s))


@pytest.mark.parametrize("apart_hz", [-2.3, 1.4, 6.0])
def test_a_string_beneath_a_louder_line_is_measured(apart_hz: float) -> None:
    louder = tail(440.0 + apart_hz, -18.0, 1.8, phase=2.0)
    level = level_of(louder + tail(440.0, -40.0, 1.3) + noise(1), 440.0, 1.3)
    assert level == pytest.approx(-40.0, abs=1.5)


def test_a_string_that_the_room_covers_at_first_is_measured() -> None:
    heard = [
        level_of(room(441.2, np.random.default_rng(seed), t60_s=0.35) + tail(440.0, -26.0, 2.0),
                 440.0, 2.0)
        for seed in range(12)
    ]  # fmt: skip
    close = [level for level in heard if level is not None and abs(level + 26.0) < 4.0]
    assert len(close) >= 9


@pytest.mark.parametrize("apart_hz", [-2.3, -0.8, 0.8, 1.7])
def test_a_line_beside_the_place_is_not_the_string(apart_hz: float) -> None:
    assert level_of(tail(440.0 + apart_hz, -18.0, 1.5) + noise(2), 440.0, 1.5) is None


def test_a_line_that_dies_otherwise_is_not_the_string() -> None:
    assert level_of(tail(440.0, -18.0, 0.45) + noise(3), 440.0, 2.0) is None


def test_what_the_room_leaves_of_a_note_is_seldom_taken_for_a_string() -> None:
    rng = np.random.default_rng(4)
    places = np.geomspace(150.0, 3000.0, 60)
    heard = [level_of(room(hz + 1.0, rng) + noise(5), hz, 1.5) for hz in places]
    assert sum(level is not None for level in heard) <= 6  # as loud as the note, 1 Hz beside


def test_noise_alone_is_no_string() -> None:
    assert all(level_of(noise(seed), 700.0, 1.5) is None for seed in range(20))
    loud = [level_of(noise(seed, 0.03), 700.0, 1.5, noise_rms=0.03) for seed in range(60)]
    assert sum(level is not None for level in loud) <= 1


def test_too_short_a_sound_tells_nothing() -> None:
    sound = tail(440.0, -18.0, 1.5)[: int(0.4 * RATE)]
    assert level_of(sound, 440.0, 1.5) is None


def test_the_gain_of_the_recording_changes_nothing() -> None:
    sound = tail(442.0, -18.0, 1.8) + tail(440.0, -40.0, 1.3)
    level = level_of(sound, 440.0, 1.3)
    assert level is not None
    assert level_of(0.25 * sound, 440.0, 1.3, reference=REFERENCE / 16.0) == pytest.approx(
        level, abs=0.05
    )


def test_the_sound_after_a_release_goes_to_other_processes() -> None:
    held = np.sqrt(2.0 * REFERENCE) * np.sin(2 * np.pi * 300.0 * np.arange(RATE // 2) / RATE)
    after = tail(441.4, -18.0, 1.8) + tail(440.0, -40.0, 1.3) + noise(6)
    kept = rest_of(
        np.concatenate([held, after]), sample_rate_hz=RATE, onset_s=0.0,
        release_s=0.45, end_s=1.6, noise_density=density,
    )  # fmt: skip
    assert kept is not None
    rest = pickle.loads(pickle.dumps(kept))
    level = known_level_db(rest, rest.bands(np.array([440.0])), 0, hz=440.0, t60_s=1.3)
    assert level == pytest.approx(-40.0, abs=2.0)
    assert len(pickle.dumps(rest)) < 70_000

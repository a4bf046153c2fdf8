"""Whether a string was struck: blows and thumps written down as formulas."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest

from toneapp.measure.partial_rise import PartialRise, _transform, measure_partial_rise

RATE = 44100
ONSET_S = 0.9


def _noise(rng: np.random.Generator, length_s: float = 1.4) -> np.ndarray:
    return 1e-5 * rng.standard_normal(int(length_s * RATE))


def _tone(tones: ModuleType, midi: int, rng: np.random.Generator, **how: float) -> np.ndarray:
    return np.asarray(
        tones.string_tone(
            f1_hz=tones.equal_tempered_hz(midi),
            b=tones.young_b(midi),
            rate_hz=RATE,
            length_s=1.2,
            t60_s=11.0 * 2.0 ** (-max(midi - 30, 0) / 18.0),
            rng=rng,
            **how,
        )
    )


def _thump(rng: np.random.Generator) -> np.ndarray:
    """A key let go: modes of the case that last 60 ms, and a burst of noise; peak 1."""
    t = np.arange(int(0.3 * RATE)) / RATE
    out = 0.5 * rng.standard_normal(t.size) * np.exp(-t / 0.006)
    for hz in rng.uniform(60.0, 600.0, 20):
        out += np.exp(-t / 0.025) * np.cos(2 * np.pi * hz * t + rng.uniform(0, 6.28)) / 4.0
    return np.asarray(out / np.max(np.abs(out)))


def _rise(x: np.ndarray, tones: ModuleType, midi: int) -> PartialRise:
    f1, b = tones.equal_tempered_hz(midi), tones.young_b(midi)
    return measure_partial_rise(
        x, sample_rate_hz=RATE, onset_s=ONSET_S, f0_hz=f1 / np.sqrt(1.0 + b), inharmonicity=b
    )


@pytest.mark.parametrize("midi", range(21, 109, 8))
def test_a_blow_sets_the_partials_going(midi: int, tones: ModuleType) -> None:
    rng = np.random.default_rng(midi)
    x = _noise(rng)
    tones.put(x, _tone(tones, midi, rng), at_s=ONSET_S, rate_hz=RATE, level_db=-40.0)
    inside = np.count_nonzero(tones.partials_hz(tones.equal_tempered_hz(midi), 0.0, 12) < 2e4)
    # At the striking point's node one is missing; the steepest spectra lose some in the noise.
    assert _rise(x, tones, midi).rising >= min(4, inside - 1)


@pytest.mark.parametrize("thump_db", [-60.0, -45.0, -30.0])
@pytest.mark.parametrize("midi", [76, 88, 96, 104])
def test_the_thump_of_a_key_let_go_does_not(midi: int, thump_db: float, tones: ModuleType) -> None:
    rng = np.random.default_rng(midi)
    for _ in range(5):
        x = _noise(rng)
        tones.put(x, _tone(tones, midi, rng), at_s=0.4, rate_hz=RATE, level_db=-10.0)
        tones.put(x, _thump(rng), at_s=ONSET_S, rate_hz=RATE, level_db=thump_db)
        assert _rise(x, tones, midi).rising == 0  # what rings
        assert _rise(x, tones, midi + 3).rising == 0  # what does not


@pytest.mark.parametrize("softer_db", [10.0, 20.0, 30.0])
@pytest.mark.parametrize("midi", [88, 94, 100])
def test_a_softer_blow_on_a_string_that_rings_does(
    midi: int, softer_db: float, tones: ModuleType
) -> None:
    # Half a second after the first; the first partial has fallen by 22 to 40 dB.
    rng = np.random.default_rng(midi)
    x = _noise(rng)
    tones.put(x, _tone(tones, midi, rng), at_s=0.4, rate_hz=RATE, level_db=-10.0)
    again = _tone(tones, midi, rng)
    tones.put(x, again, at_s=ONSET_S, rate_hz=RATE, level_db=-10.0 - softer_db)
    assert _rise(x, tones, midi).rising >= 1


def test_a_partial_that_beats_was_not_set_going() -> None:
    t = np.arange(int(1.4 * RATE)) / RATE
    hz, beat_hz = 2000.0, 2.0
    # The onset lies where the beat rises fastest, just off its trough of 12 dB.
    beat = 1.0 + 0.6 * np.sin(2 * np.pi * beat_hz * (t - ONSET_S - 0.05))
    rise = measure_partial_rise(
        0.01 * beat * np.sin(2 * np.pi * hz * t),
        sample_rate_hz=RATE,
        onset_s=ONSET_S,
        f0_hz=hz,
        inharmonicity=0.0,
    )
    assert rise.rising == 0


@pytest.mark.parametrize("before", [0.0, 0.09])
def test_what_came_to_the_partials_is_power(before: float) -> None:
    t = np.arange(int(1.4 * RATE)) / RATE
    amplitude = np.where(t < ONSET_S, before, 0.2)
    x = amplitude * np.sin(2 * np.pi * 1000.0 * t)
    rise = measure_partial_rise(
        x, sample_rate_hz=RATE, onset_s=ONSET_S, f0_hz=1000.0, inharmonicity=0.0
    )
    # Mean square of a sine of 0.2, less that of the one before.
    assert rise.fresh_db == pytest.approx(10 * np.log10((0.2**2 - before**2) / 2), abs=0.05)
    assert rise.rising == 1  # by all, or by 6 dB and a little


def test_beyond_the_sound_is_silence() -> None:
    t = np.arange(int(0.1 * RATE)) / RATE
    x = 0.2 * np.sin(2 * np.pi * 1000.0 * t)
    rise = measure_partial_rise(
        x, sample_rate_hz=RATE, onset_s=0.0, f0_hz=1000.0, inharmonicity=0.0
    )
    assert rise.rising >= 1
    silent = measure_partial_rise(
        np.zeros(10), sample_rate_hz=RATE, onset_s=0.0, f0_hz=1000.0, inharmonicity=0.0
    )
    assert silent.rising == 0


@pytest.mark.parametrize("size", [1, 1764, 1849, 9000])
def test_the_transform_at_any_frequency_is_the_sum_written_out(size: int) -> None:
    rng = np.random.default_rng(size)
    x, cycles = rng.standard_normal(size), rng.uniform(0.0, 0.5, 7)
    written_out = np.exp(-2j * np.pi * cycles[:, None] * np.arange(size)) @ x
    assert _transform(x, cycles) == pytest.approx(written_out, abs=1e-9 * size)

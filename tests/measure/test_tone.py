"""Partials and series of whole strikes: strings solved in the time domain, and formulas."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.measure.tone import HeldTone, measure_tone, sounding_end_s, spectrum_window_s

Density = Callable[[np.ndarray], np.ndarray]


def _white(sd: float, rate: float) -> Density:
    return lambda hz: np.full(np.shape(hz), 2.0 * sd**2 / rate)


def _measure(
    x: np.ndarray, *, rate: float, onset_s: float, midi: int, pitch: float, sd: float,
    held_until_s: float | None = None,
) -> HeldTone | None:  # fmt: skip
    return measure_tone(
        x,
        sample_rate_hz=rate,
        onset_s=onset_s,
        midi=midi,
        pitch=pitch,
        noise_density=_white(sd, rate),
        noise_power=sd**2,
        held_until_s=held_until_s,
    )


def _pitch(hz: float) -> float:
    return 69.0 + 12.0 * float(np.log2(hz / 440.0))


@pytest.fixture(scope="module")
def struck(strings: ModuleType) -> dict[int, tuple[ModuleType, np.ndarray]]:
    """Four strings solved in the time domain, with noise 54 dB below their peak."""
    rng = np.random.default_rng(1)
    found = {}
    for midi, string in strings.STRINGS.items():
        length_s = 1.6 if midi == 96 else 2.4
        note = strings.struck_string(string, length_s=length_s, sample_rate_hz=32000)
        found[midi] = (note, note.audio + 1e-3 * rng.standard_normal(note.audio.size))
    return found


@pytest.mark.parametrize("midi", [36, 60, 69, 96])
def test_partials_of_a_string_in_the_time_domain(
    midi: int, struck: dict[int, tuple[ModuleType, np.ndarray]]
) -> None:
    note, x = struck[midi]
    tone = _measure(
        x,
        rate=note.sample_rate_hz,
        onset_s=note.onset_s,
        midi=midi,
        pitch=_pitch(note.partial_hz[0]) + 0.15,
        sd=1e-3,
    )
    assert tone is not None
    truth = note.partial_hz[tone.partials.n - 1]
    strong = tone.partials.snr_db > 20.0
    assert np.count_nonzero(strong) >= (3 if midi == 96 else 8)
    off = 1200 * np.log2(tone.partials.hz / truth)
    peak_off = 1200 * np.log2(tone.peak_hz / truth)
    assert np.abs(off[strong]).max() < 0.1
    assert np.abs(peak_off[strong]).max() < 0.3
    # The scheme's own partials leave Fletcher's law (by 0.1 cent at C4, by 3 at C7), so pitch and
    # B are held against its series within the errors claimed, and loosely in themselves.
    f1 = note.f0_hz * np.sqrt(1 + note.B)
    assert abs(1200 * np.log2(tone.fit.f1_hz / f1)) < 3.0 * tone.fit.f1_cents_se
    assert tone.fit.inharmonicity == pytest.approx(note.B, rel=0.08 if midi == 96 else 0.02)


@pytest.mark.parametrize("midi", range(21, 109, 8))
def test_pitch_and_stiffness_over_the_keyboard(midi: int, tones: ModuleType) -> None:
    rng = np.random.default_rng(100 + midi)
    rate = 32000
    for _ in range(2):
        b = tones.young_b(midi) * float(np.exp(rng.uniform(-0.6, 0.6)))
        pitch = midi + rng.uniform(-0.4, 0.4)
        f1 = tones.equal_tempered_hz(pitch)
        x = 0.3 * tones.string_tone(
            f1_hz=f1,
            b=b,
            rate_hz=rate,
            length_s=2.2,
            t60_s=11.0 * 2.0 ** (-max(midi - 30, 0) / 18),
            rng=rng,
        )
        sd = 1e-3  # near 40 dB below the strongest partials
        x = np.concatenate([np.zeros(int(0.2 * rate)), x])
        x += sd * rng.standard_normal(x.size)
        tone = _measure(
            x, rate=rate, onset_s=0.2, midi=midi, pitch=pitch + rng.uniform(-0.2, 0.2), sd=sd
        )
        assert tone is not None
        # Proposal of the check values for a stiff string at 40 dB: B within 1 %, f0 within
        # 0.01 cent where partials are many; the top octave has two or three that die in 0.1 s.
        assert tone.fit.inharmonicity is not None
        allowed_cents = 0.02 if midi < 90 else 0.3
        assert abs(1200 * np.log2(tone.fit.f1_hz / f1)) < allowed_cents
        assert tone.fit.inharmonicity == pytest.approx(b, rel=0.01 if midi < 90 else 0.05)
        assert np.all(np.diff(tone.partials.n) > 0)
        n1 = tone.partials.n == 1
        if n1.any():
            assert tone.fit.f1_hz == pytest.approx(float(tone.partials.hz[n1][0]), rel=1e-3)


def test_only_the_held_part_counts(tones: ModuleType) -> None:
    # After 0.8 s the string is let go, and another string 30 cents off speaks.
    rng = np.random.default_rng(3)
    rate = 16000
    first, second = (
        tones.string_tone(
            f1_hz=220.0 * 2 ** (cents / 1200), b=2.4e-4, rate_hz=rate, length_s=2.0, t60_s=8.0,
            rng=rng,
        )
        for cents in (0.0, 30.0)
    )  # fmt: skip
    t = np.arange(first.size) / rate
    x = 0.3 * np.where(t < 0.8, first, second) + 1e-4 * rng.standard_normal(t.size)
    tone = _measure(x, rate=rate, onset_s=0.0, midi=57, pitch=57.1, sd=1e-4, held_until_s=0.8)
    assert tone is not None
    assert tone.hold_s <= 0.8
    assert tone.fit.f1_hz == pytest.approx(220.0, rel=2e-5)  # 0.03 cent


@given(gain_db=st.floats(-40.0, 5.0))
def test_gain_moves_no_pitch(gain_db: float, tones: ModuleType) -> None:
    rate = 16000
    rng = np.random.default_rng(4)
    x = tones.string_tone(f1_hz=330.0, b=4e-4, rate_hz=rate, length_s=1.2, t60_s=6.0, rng=rng)
    x = 0.3 * x + 3e-5 * rng.standard_normal(x.size)
    gain = 10 ** (gain_db / 20)
    plain = _measure(x, rate=rate, onset_s=0.0, midi=64, pitch=64.0, sd=3e-5)
    louder = _measure(gain * x, rate=rate, onset_s=0.0, midi=64, pitch=64.0, sd=3e-5 * gain)
    assert plain is not None
    assert louder is not None
    assert louder.fit.f1_hz == pytest.approx(plain.fit.f1_hz, rel=1e-9)
    assert louder.partials.amplitude == pytest.approx(gain * plain.partials.amplitude, rel=1e-6)


def test_silence_and_a_moment_of_sound_are_no_tone() -> None:
    assert _measure(np.zeros(16000), rate=16000, onset_s=0.1, midi=60, pitch=60.0, sd=1e-5) is None
    short = np.cos(2 * np.pi * 262 * np.arange(800) / 16000)
    assert _measure(short, rate=16000, onset_s=0.045, midi=60, pitch=60.0, sd=1e-5) is None


@pytest.mark.parametrize(("t60_s", "sd", "end_s"), [(3.0, 1e-6, 1.6), (1.5, 1e-6, 0.8)])
def test_a_strike_sounds_until_it_has_fallen_by_32_db(
    t60_s: float, sd: float, end_s: float
) -> None:
    # 32 of 60 dB at a steady rate: 0.533 T60.
    rate = 16000
    rng = np.random.default_rng(5)
    t = np.arange(3 * rate) / rate
    x = 10 ** (-3 * t / t60_s) * np.cos(2 * np.pi * 500 * t) + sd * rng.standard_normal(t.size)
    assert sounding_end_s(x, sample_rate_hz=rate, noise_power=sd**2) == pytest.approx(
        end_s, abs=0.05
    )


def test_a_strike_sounds_no_longer_than_it_stands_above_the_noise() -> None:
    rate = 16000
    rng = np.random.default_rng(5)
    t = np.arange(3 * rate) / rate
    x = 10 ** (-t) * np.cos(2 * np.pi * 500 * t) + 0.1 * rng.standard_normal(t.size)
    # Power 0.5 * 10^(-2 t) meets 0.6 times the noise power of 0.01 at t = 0.96 s. The margin of
    # 1.6 is passed by the noise itself now and then, so the end is not sharp.
    assert 0.7 < sounding_end_s(x, sample_rate_hz=rate, noise_power=0.01) < 1.3
    assert sounding_end_s(x[:100], sample_rate_hz=rate, noise_power=0.01) == 100 / rate


def test_the_window_shortens_toward_the_treble() -> None:
    windows = [spectrum_window_s(midi) for midi in range(21, 109)]
    assert windows[0] == 2.5
    assert windows[-1] == pytest.approx(0.625)  # 36 keys above C5: two halvings
    assert all(a >= b for a, b in itertools.pairwise(windows))


def test_the_strongest_string_of_a_unison_is_the_partial_reported(tones: ModuleType) -> None:
    # Two strings on the pitch that was heard, a third 5 cents sharp and 8 dB louder.
    rng = np.random.default_rng(6)
    rate = 32000
    x = 3e-5 * rng.standard_normal(int(2.6 * rate))
    for cents, level_db in ((0.0, -20.0), (0.3, -21.0), (5.0, -12.0)):
        tone = tones.string_tone(
            f1_hz=880.0 * 2 ** (cents / 1200), b=1.8e-3, rate_hz=rate, length_s=2.6, t60_s=6.0,
            rng=rng,
        )  # fmt: skip
        tones.put(x, tone, at_s=0.0, rate_hz=rate, level_db=level_db)
    tone = _measure(x, rate=rate, onset_s=0.0, midi=81, pitch=81.0, sd=3e-5)
    assert tone is not None
    third = tones.partials_hz(880.0 * 2 ** (5.0 / 1200), 1.8e-3, 30)[tone.partials.n - 1]
    assert np.abs(1200 * np.log2(tone.peak_hz / third))[:4].max() < 0.5

"""Lone decaying sinusoids after a release, from sounds written down as formulas."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest

from toneapp.measure.ringing_clean import clean_lines
from toneapp.measure.ringing_line import RingLine

RATE = 32000
REFERENCE = 0.02
NOISE_RMS = 1e-5
T = np.arange(int(1.3 * RATE)) / RATE  # from 0.05 s after the release


def lines_of(part: np.ndarray, *, noise_rms: float = NOISE_RMS) -> tuple[RingLine, ...]:
    return clean_lines(
        part,
        sample_rate_hz=RATE,
        reference=REFERENCE,
        noise_density=lambda hz: np.full(hz.shape, noise_rms**2 / (RATE / 2)),
    )


def tail(hz: float, level_db: float, t60_s: float, *, phase: float = 0.4) -> np.ndarray:
    """A line whose level holds 0.1 s after the release."""
    amplitude = np.sqrt(2.0 * REFERENCE) * 10.0 ** (level_db / 20.0)
    return np.asarray(
        amplitude * 10.0 ** (-3.0 * (T - 0.05) / t60_s) * np.sin(2 * np.pi * hz * T + phase)
    )


def noise(seed: int, rms: float = NOISE_RMS) -> np.ndarray:
    return np.asarray(rms * np.random.default_rng(seed).standard_normal(T.size))


def check(line: RingLine, hz: float, level_db: float, t60_s: float) -> None:
    assert line.is_clean
    assert line.hz == pytest.approx(hz, abs=0.1)
    assert line.level_db == pytest.approx(level_db, abs=1.5)
    assert line.t60_s == pytest.approx(t60_s, rel=0.15)
    assert abs(line.t60_s - t60_s) < 3.0 * line.t60_s_se


def test_leaking_strings_that_meet_are_told_one_by_one() -> None:
    # By hand, from f_n = n f0 sqrt(1 + B n^2) (Fletcher, J. Acoust. Soc. Am. 36, 203, 1964):
    # 21 B0 at 663.72, 12 A1 at 661.43, 8 E2 at 660.15 Hz, if B0, A1 and E2 have
    # f0 = 30.80, 54.98, 82.38 Hz and B = 1.2e-4, 3.5e-5, 5.3e-5.
    waves = tail(663.7, -36.0, 2.4) + tail(661.4, -23.0, 2.3, phase=1.7)
    found = lines_of(waves + tail(660.1, -26.0, 1.7, phase=3.0) + noise(1))
    assert len(found) == 3
    check(found[0], 660.1, -26.0, 1.7)
    check(found[1], 661.4, -23.0, 2.3)
    check(found[2], 663.7, -36.0, 2.4)


def test_a_string_that_the_dying_note_covers_at_first_is_found(tones: ModuleType) -> None:
    # Bass note A0 under its damper: partials every 27.5 Hz, 20 dB stronger at first.
    note = tones.string_tone(
        f1_hz=27.5, b=tones.young_b(21), rate_hz=RATE, length_s=1.4, t60_s=0.5,
        rng=np.random.default_rng(3),
    )[: T.size]  # fmt: skip
    note = 0.15 * note / np.sqrt(np.mean(note[: RATE // 20] ** 2))
    found = [line for line in lines_of(note + tail(195.9, -34.0, 2.3) + noise(2))
             if abs(line.hz - 195.9) < 1.0]  # fmt: skip
    assert len(found) == 1
    check(found[0], 195.9, -34.0, 2.3)


def test_noise_alone_holds_no_line() -> None:
    for seed in range(20):
        assert lines_of(noise(seed, 3e-2), noise_rms=3e-2) == ()


def test_a_line_in_noise_is_found_where_it_stands_out() -> None:
    found = lines_of(tail(1568.0, -24.0, 3.0) + noise(4, 3e-2), noise_rms=3e-2)
    assert [round(line.hz) for line in found] == [1568]


def test_a_room_is_seldom_taken_for_a_line() -> None:
    # What a room answers to a partial that stops: noise about it that falls by 60 dB in 0.6 s.
    rng = np.random.default_rng(5)
    found: list[RingLine] = []
    for hz in np.geomspace(300.0, 3000.0, 40):
        slow = np.repeat(rng.standard_normal((2, T.size // 1600 + 1)), 1600, axis=1)[:, : T.size]
        wave = slow[0] * np.sin(2 * np.pi * hz * T) + slow[1] * np.cos(2 * np.pi * hz * T)
        found += lines_of(0.02 * wave * 10.0 ** (-3.0 * T / 0.6) + noise(6))
    outlast = [line for line in found if line.t60_s - line.t60_s_se > 1.6 * 0.6]
    assert len(outlast) <= 4  # of 40; that one agrees with another by chance is rarer still


def test_a_hum_is_no_line() -> None:
    assert lines_of(1e-3 * np.sin(2 * np.pi * 1000.0 * T) + noise(7)) == ()


def test_too_short_a_sound_holds_none() -> None:
    assert lines_of((tail(700.0, -20.0, 2.0) + noise(8))[: int(0.3 * RATE)]) == ()
    assert lines_of(np.zeros(0)) == ()

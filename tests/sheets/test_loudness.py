"""Programme loudness against ITU-R BS.1770-4 and an independent meter (pyloudnorm)."""

from __future__ import annotations

import math

import numpy as np
import pyloudnorm
import pytest

from toneapp.sheets.loudness import programme_loudness_lkfs


def test_a_full_scale_sine_reads_as_the_recommendation_says() -> None:
    # BS.1770-4, Annex 1: 0 dBFS, 997 Hz, one front channel: -3.01 LKFS (to 0.1 LU, EBU Tech 3341).
    time_s = np.arange(5 * 48_000) / 48_000
    sine = np.sin(2 * np.pi * 997 * time_s)
    assert programme_loudness_lkfs(sine, sample_rate_hz=48_000) == pytest.approx(-3.01, abs=0.1)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("kind", ["noise", "decay", "pauses"])
def test_it_agrees_with_an_independent_meter(kind: str, rate_hz: int) -> None:
    rng = np.random.default_rng(5)
    time_s = np.arange(int(3.27 * rate_hz)) / rate_hz
    sound = 0.1 * rng.standard_normal(time_s.size)
    if kind == "decay":
        sound = np.sin(2 * np.pi * 220 * time_s) * np.exp(-2.0 * time_s)
    elif kind == "pauses":
        sound *= np.where(time_s % 1.0 < 0.5, 1.0, 1e-4)
    theirs = pyloudnorm.Meter(rate_hz).integrated_loudness(sound)
    ours = programme_loudness_lkfs(sound, sample_rate_hz=rate_hz)
    # Its filters are approximations of the recommendation's at rates other than 48 kHz.
    assert ours == pytest.approx(theirs, abs=0.1)


def test_gain_moves_it_by_as_much() -> None:
    sound = np.random.default_rng(1).standard_normal(48_000)
    one = programme_loudness_lkfs(0.1 * sound, sample_rate_hz=48_000)
    other = programme_loudness_lkfs(0.2 * sound, sample_rate_hz=48_000)
    assert one is not None
    assert other == pytest.approx(one + 20 * math.log10(2), abs=1e-9)


@pytest.mark.parametrize("sound", [np.zeros(48_000), np.full(100, 0.5)])
def test_silence_and_less_than_a_block_have_none(sound: np.ndarray) -> None:
    assert programme_loudness_lkfs(sound, sample_rate_hz=48_000) is None

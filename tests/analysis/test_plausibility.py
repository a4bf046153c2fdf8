"""Recordings of anything but a piano: a clear sentence, and no invented notes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from toneapp.analysis import GivenLabel, analyse
from toneapp.errors import NothingFoundError

Write = Callable[..., Path]
Rng = np.random.Generator
RATE = 32000
T = np.arange(10 * RATE) / RATE


def _placed(sounds: list[np.ndarray], *, gap_s: float, rng: Rng) -> np.ndarray:
    out = 1e-4 * rng.standard_normal(int((len(sounds) * gap_s + 1.5) * RATE))
    for i, sound in enumerate(sounds):
        first = int((0.4 + i * gap_s) * RATE)
        out[first : first + sound.size] += 0.4 * sound[: out.size - first]
    return out


def speech(tones: ModuleType, rng: Rng) -> np.ndarray:
    syllables = [
        tones.syllable(
            rate_hz=RATE, rng=rng, length_s=rng.uniform(0.15, 0.45), voice_hz=rng.uniform(90, 250)
        )
        for _ in range(30)
    ]
    return _placed(syllables, gap_s=0.5, rng=rng)


def knocks(tones: ModuleType, rng: Rng) -> np.ndarray:
    return _placed([tones.knock(rate_hz=RATE, rng=rng) for _ in range(10)], gap_s=1.1, rng=rng)


def claps(_tones: ModuleType, rng: Rng) -> np.ndarray:
    t = T[: RATE // 3]
    sounds = [0.5 * rng.standard_normal(t.size) * np.exp(-t / 0.02) for _ in range(10)]
    return _placed(sounds, gap_s=1.1, rng=rng)


def bells(_tones: ModuleType, rng: Rng) -> np.ndarray:
    # Tuned and untuned partials of a church bell, from memory.
    ratios = (0.5, 1.0, 1.19, 1.5, 2.0, 2.51, 2.66, 3.01, 4.1)
    t = T[:RATE]
    sounds = [
        sum(
            np.cos(2 * np.pi * hz * ratio * t) * np.exp(-2 * t) / (j + 1)
            for j, ratio in enumerate(ratios)
        )
        / 3.0
        for hz in rng.uniform(200, 900, 8)
    ]
    return _placed(sounds, gap_s=1.3, rng=rng)


def pink_bursts(_tones: ModuleType, rng: Rng) -> np.ndarray:
    spectrum = np.fft.rfft(rng.standard_normal(T.size))
    spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
    noise = np.fft.irfft(spectrum)
    gate = np.convolve(np.sin(2 * np.pi * 0.8 * T) > 0, np.ones(320) / 320, "same")
    return np.asarray(0.1 * noise / noise.std() * gate + 1e-5 * rng.standard_normal(T.size))


def white(_tones: ModuleType, rng: Rng) -> np.ndarray:
    return 0.1 * rng.standard_normal(T.size)


def sweep(_tones: ModuleType, _rng: Rng) -> np.ndarray:
    k = np.log(200.0)
    return np.asarray(0.5 * np.sin(2 * np.pi * 50 * 10 / k * (np.exp(T / 10 * k) - 1)))


def gliding_buzz(_tones: ModuleType, _rng: Rng) -> np.ndarray:
    phase = 2 * np.pi * np.cumsum(200 * 2 ** np.sin(2 * np.pi * 0.15 * T)) / RATE
    buzz = sum(np.cos(n * phase) / n for n in range(1, 15)) / 4.0
    return np.asarray(buzz * (np.sin(2 * np.pi * 0.8 * T) > 0))


def beeps(_tones: ModuleType, _rng: Rng) -> np.ndarray:
    return np.asarray(0.5 * np.sin(2 * np.pi * 1000 * T) * (np.sin(2 * np.pi * 0.7 * T) > 0))


@pytest.mark.parametrize(
    "make",
    [speech, knocks, claps, bells, pink_bursts, white, sweep, gliding_buzz, beeps],
    ids=lambda make: make.__name__,
)
def test_no_note_is_invented(
    tones: ModuleType, write: Write, make: Callable[[ModuleType, Rng], np.ndarray]
) -> None:
    path = write(make(tones, np.random.default_rng(61)), rate=RATE, name="other.wav")
    with pytest.raises(NothingFoundError, match=r"other\.wav holds .*\?.*") as error:
        analyse(path)
    assert "\n" not in str(error.value)


def _organ(midi: int, length_s: float, tones: ModuleType) -> np.ndarray:
    t = T[: int(length_s * RATE)]
    hz = tones.equal_tempered_hz(midi)
    sound = sum(np.cos(2 * np.pi * n * hz * t + n) / n for n in range(1, 12)) / 4.0
    return np.asarray(sound * np.minimum(t / 0.02, 1) * np.minimum((length_s - t) / 0.05, 1))


def test_a_melody_of_harmonic_tones_is_said_to_be_no_piano(
    tones: ModuleType, write: Write
) -> None:
    melody = [_organ(midi, 0.6, tones) for midi in (60, 62, 64, 65, 67, 69, 71, 72, 71, 69, 67)]
    sound = _placed(melody, gap_s=0.8, rng=np.random.default_rng(62))
    run = analyse(write(sound, rate=RATE))
    assert any("harmonic" in p and "is it a piano" in p for p in run.problems)


def test_a_few_notes_among_talk_are_kept_and_the_rest_is_said(
    tones: ModuleType, write: Write
) -> None:
    rng = np.random.default_rng(63)
    blows = tones.evenly_spaced([45, 52, 64], gap_s=1.2, hold_s=0.9)
    talk = speech(tones, rng)[: 7 * RATE]
    both = np.concatenate([tones.struck_run(blows, rate_hz=RATE, rng=rng), talk])
    run = analyse(write(both, rate=RATE))
    assert [strike.midi for strike in run.strikes] == [45, 52, 64]
    assert any("only 3 of" in p and "talk" in p for p in run.problems)


def test_what_the_user_has_named_is_a_note(tones: ModuleType, write: Write) -> None:
    path = write(knocks(tones, np.random.default_rng(64)), rate=RATE)
    run = analyse(path, labels=[GivenLabel(onset_s=0.4, midi=40)])
    assert [strike.midi for strike in run.strikes] == [40]


def test_a_bass_note_that_never_rests_is_measured(tones: ModuleType, write: Write) -> None:
    # Cut at the blow and before it has died: all that is heard is the string itself.
    rng = np.random.default_rng(65)
    x = tones.string_tone(
        f1_hz=tones.equal_tempered_hz(27), b=tones.young_b(27), rate_hz=RATE, length_s=3.0,
        t60_s=10.0, rng=rng,
    )  # fmt: skip
    (strike,) = analyse(write(0.3 * x, rate=RATE, subtype="PCM_24")).strikes
    assert strike.midi == 27
    assert len(strike.partials) >= 15


def test_a_syllable_among_others_is_no_strike(tones: ModuleType, write: Write) -> None:
    rng = np.random.default_rng(71)
    blows = tones.evenly_spaced(list(range(40, 80, 4)), gap_s=1.6, hold_s=1.2)
    x = tones.struck_run(blows, rate_hz=RATE, rng=rng)
    first = int((blows[-1].onset_s + 2.0) * RATE)
    spoken = [
        tones.syllable(rate_hz=RATE, rng=rng, length_s=0.25, voice_hz=rng.uniform(90, 200))
        for _ in range(12)
    ]
    x = np.concatenate([x[:first], *[np.pad(s, (0, RATE // 8)) for s in spoken]])
    found = analyse(write(x + 1e-5 * rng.standard_normal(x.size), rate=RATE))
    assert [s.midi for s in found.strikes] == [b.midi for b in blows]
    assert any(item.kind == "noise" for item in found.unexpected)

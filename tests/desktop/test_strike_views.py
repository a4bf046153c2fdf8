"""Spectra, decay and clips of a strike whose sound is known: damped sinusoids."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile

from toneapp.desktop.decay_view import decay_curve
from toneapp.desktop.listening import after_clip, matched_gains_db, whole_clip
from toneapp.desktop.spectrum_view import after_spectrum, held_spectrum
from toneapp.desktop.strike_sound import StrikeSound, read_strike
from toneapp.errors import AudioFileError
from toneapp.measure.loudness import measure_loudness
from toneapp.results import Cause, EchoString, PartialResult, StrikeResult

RATE_HZ = 48_000
ONSET_S, RELEASE_S, END_S = 0.3, 1.5, 2.6
F0_HZ, B = 262.0, 4e-4
LEVELS = {1: 0.1, 2: 0.05, 3: 0.02}
PROMPT_S, AFTER_S, AFTER_DB = 3.0, 12.0, -12.0
ECHO_HZ, ECHO_AMPLITUDE = 1771.0, 0.002


def hz(n: int) -> float:
    """Partial of a stiff string (Fletcher 1964)."""
    return n * F0_HZ * math.sqrt(1.0 + B * n * n)


def tone(gain: float = 1.0, *, levels: dict[int, float] | None = None) -> np.ndarray:
    """Two-stage decay to the release, then a fall of 60 dB in 0.2 s beside one long line."""
    t = np.arange(int(END_S * RATE_HZ)) / RATE_HZ - ONSET_S
    power = 10.0 ** (-6.0 * t / PROMPT_S) + 10.0 ** (AFTER_DB / 10.0 - 6.0 * t / AFTER_S)
    held = np.sqrt(power)
    fall = 10.0 ** (-3.0 * np.maximum(t - (RELEASE_S - ONSET_S), 0.0) / 0.2)
    sound = np.zeros(t.size)
    for n, level in (levels or LEVELS).items():
        sound += level * np.sin(2 * np.pi * hz(n) * t) * held * fall
    sound += ECHO_AMPLITUDE * np.sin(2 * np.pi * ECHO_HZ * t) * 10.0 ** (-3.0 * t / 8.0)
    return np.asarray(gain * np.where(t >= 0.0, sound, 0.0))


def strike(**facts: object) -> StrikeResult:
    values = {
        "midi": 60, "note": "C4", "onset_s": ONSET_S, "release_s": RELEASE_S, "end_s": END_S,
        "f0_hz": F0_HZ, "f1_hz": hz(1), "B": B, "prompt_t60_s": PROMPT_S,
        "after_t60_s": AFTER_S, "aftersound_level_db": AFTER_DB,
        "knee_s": 0.8,
        "partials": tuple(
            PartialResult(n=n, hz=hz(n), level_db=20 * math.log10(level))
            for n, level in LEVELS.items()
        ),
        "ringing": (
            EchoString(midi=93, partial=1, hz=ECHO_HZ, level_db=-35.0, cause=Cause.UNDAMPED),
        ),
    }  # fmt: skip
    return StrikeResult(**(values | facts))  # type: ignore[arg-type]


def sound(samples: np.ndarray, *, release_s: float | None = RELEASE_S) -> StrikeSound:
    return StrikeSound(
        samples=samples, sample_rate_hz=RATE_HZ, onset_s=ONSET_S, release_s=release_s,
        end_s=samples.size / RATE_HZ,
    )  # fmt: skip


def test_the_series_lies_on_the_peaks_of_the_held_spectrum() -> None:
    held = held_spectrum(sound(tone()), strike())
    assert held is not None
    assert [mark.n for mark in held.series] == [1, 2, 3]
    curve = held.curve
    assert curve.hz.size <= 3001
    for mark, level in zip(held.series, LEVELS.values(), strict=True):
        near = np.abs(curve.hz - mark.hz) < 30.0
        peak_hz = curve.hz[near][np.argmax(curve.level_db[near])]
        assert peak_hz == pytest.approx(mark.hz, abs=1.5)
        # The mean over 1.2 s of a tone with these stages lies some 8 dB below its beginning.
        assert mark.level_db == pytest.approx(20 * math.log10(level) - 8.0, abs=3.0)


def test_a_short_hold_gives_no_spectrum_and_no_release_none_after_it() -> None:
    samples = tone()
    short = strike(release_s=ONSET_S + 0.04)
    assert held_spectrum(sound(samples, release_s=ONSET_S + 0.04), short) is None
    assert after_spectrum(sound(samples, release_s=None), strike(release_s=None)) is None
    assert after_spectrum(sound(samples, release_s=END_S - 0.1), strike()) is None
    assert after_spectrum(sound(np.zeros(samples.size)), strike()) is None


def test_the_echo_string_stands_out_after_the_release() -> None:
    after = after_spectrum(sound(tone()), strike())
    assert after is not None
    (echo,) = after.echoes
    assert echo.text == "A6"
    curve = after.curve
    assert curve.hz[np.argmax(curve.level_db)] == pytest.approx(ECHO_HZ, abs=2.0)
    # Re the highest RMS over 50 ms: of the three partials at the beginning, both stages.
    first = math.sqrt(sum(a * a for a in LEVELS.values()) / 2 * (1 + 10 ** (AFTER_DB / 10)))
    middle_s = (RELEASE_S + 0.05 + END_S) / 2 - ONSET_S
    expected = 20 * math.log10(ECHO_AMPLITUDE / math.sqrt(2) / first) - 60 * middle_s / 8.0
    assert curve.level_db.max() == pytest.approx(expected, abs=1.0)


def test_the_stages_lie_through_the_decay() -> None:
    decay = decay_curve(sound(tone()), strike())
    assert decay.release_s == pytest.approx(RELEASE_S - ONSET_S)
    assert [stage.name for stage in decay.stages] == ["prompt sound", "aftersound"]
    inside = (decay.fit_times_s > 0.1) & (decay.fit_times_s < 1.1)
    drawn = np.interp(decay.fit_times_s[inside], decay.times_s, decay.level_db)
    assert np.max(np.abs(drawn - decay.fit_db[inside])) < 0.5
    assert decay.level_db.max() == 0.0
    late = (decay.times_s > 1.6) & (decay.times_s < 2.0)
    assert decay.level_db[late].max() < -30.0


def test_a_sound_without_partials_still_has_a_level_over_time() -> None:
    bare = strike(partials=(), prompt_t60_s=None)
    decay = decay_curve(sound(tone()), bare)
    assert not decay.is_of_partials
    assert decay.stages == ()
    assert decay.times_s.size == decay.level_db.size > 100


def test_matched_clips_are_equally_loud_by_another_meter() -> None:
    # The reference is the meter of pyloudnorm (ITU-R BS.1770-4), fed with one block of 0.4 s.
    sounds = [sound(tone()), sound(tone(3.0, levels={1: 0.03, 2: 0.03, 3: 0.06}))]
    strikes = [
        strike(
            loudness_lkfs=measure_loudness(
                item.samples, sample_rate_hz=RATE_HZ, onset_s=ONSET_S
            ).loudness_lkfs
        )
        for item in sounds
    ]
    gains = matched_gains_db(*strikes)
    assert gains is not None
    assert max(gains) == 0.0
    assert min(gains) < -5.0
    meter = pyloudnorm.Meter(RATE_HZ)
    loudness = []
    for item, result, gain_db in zip(sounds, strikes, gains, strict=True):
        clip = whole_clip(item, result, gain_db=gain_db)
        first = int(0.05 * RATE_HZ)
        loudness.append(meter.integrated_loudness(clip.samples[first : first + 19_201]))
    assert loudness[0] == pytest.approx(loudness[1], abs=0.3)
    assert matched_gains_db(strikes[0], strike()) is None


def test_what_comes_after_the_release_is_turned_up_but_not_beyond_the_strike() -> None:
    item = sound(tone())
    clip = after_clip(item, strike())
    assert clip is not None
    assert clip.duration_s == pytest.approx(END_S - RELEASE_S, abs=0.01)
    assert 0.0 < clip.gain_db <= 40.0
    assert np.max(np.abs(clip.samples)) <= np.max(np.abs(item.samples)) + 1e-6
    assert "turned up by" in clip.text
    assert after_clip(sound(tone(), release_s=None), strike(release_s=None)) is None


def test_a_strike_is_read_from_its_place_in_the_recording(tmp_path: Path) -> None:
    path = tmp_path / "run.flac"
    whole = np.concatenate([np.zeros(5 * RATE_HZ), tone(), np.zeros(RATE_HZ)])
    stereo = np.stack([0.0 * whole, whole], axis=1)
    soundfile.write(path, stereo, RATE_HZ, subtype="PCM_24")
    placed = strike(onset_s=5.0 + ONSET_S, release_s=5.0 + RELEASE_S, end_s=5.0 + END_S)
    item = read_strike(path, placed, channel_use="right")
    assert item.onset_s == pytest.approx(0.3)
    assert item.release_s == pytest.approx(0.3 + RELEASE_S - ONSET_S)
    assert item.samples == pytest.approx(tone(), abs=2.0**-23)
    with pytest.raises(AudioFileError, match="ends before the strike on C4"):
        read_strike(path, strike(onset_s=60.0, end_s=62.0), channel_use="right")

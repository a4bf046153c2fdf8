"""One strike from sound to result: what is said of it, and in whose time."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest

from toneapp.analysis.labels import NamedStrike
from toneapp.analysis.scan import NoiseSpectrum
from toneapp.analysis.strike import StrikeTask, measure_strike
from toneapp.results import Flag, StrikeResult

RATE = 32000
SD = 1e-4
NOISE = NoiseSpectrum(density=np.full(1000, 2 * SD**2 / RATE), bin_hz=16.0)
ONSET_S = 100.25  # the recording goes on before and after what is handed in
FIRST_S = 100.0


def _measure(
    sound: np.ndarray, midi: int, *, pitch: float | None = None, is_cut_short: bool = False,
    has_damper: bool = False, **named: bool,
) -> StrikeResult:  # fmt: skip
    """Measure a sound whose blow falls a quarter of a second after its start."""
    strike = NamedStrike(
        onset_s=ONSET_S, midi=midi, pitch=float(midi) if pitch is None else pitch, **named
    )
    task = StrikeTask(
        strike=strike,
        end_s=FIRST_S + sound.size / RATE,
        is_cut_short=is_cut_short,
        noise=NOISE,
        has_damper=has_damper,
        source="take 1.wav",
    )
    return measure_strike(sound, sample_rate_hz=RATE, first_s=FIRST_S, task=task).result


def _with_lead(tone: np.ndarray, level: float = 0.3) -> np.ndarray:
    rng = np.random.default_rng(1)
    sound = np.concatenate([np.zeros(int(0.25 * RATE)), level * tone])
    return sound + SD * rng.standard_normal(sound.size)


def _tone(tones: ModuleType, midi: int, **how: float) -> np.ndarray:
    return np.asarray(
        tones.string_tone(
            f1_hz=tones.equal_tempered_hz(midi), b=tones.young_b(midi), rate_hz=RATE,
            length_s=2.2, t60_s=6.0, rng=np.random.default_rng(2), **how,
        )
    )  # fmt: skip


def test_a_plain_strike(tones: ModuleType) -> None:
    result = _measure(_with_lead(_tone(tones, 60)), 60)
    assert (result.midi, result.note, result.source) == (60, "C4", "take 1.wav")
    assert result.onset_s == ONSET_S
    assert result.end_s == pytest.approx(102.45)
    assert result.release_s is None
    assert result.cents == pytest.approx(0.0, abs=0.05)
    assert result.f0_hz is not None
    assert result.f1_hz is not None
    assert result.B is not None
    assert result.f1_hz == pytest.approx(result.f0_hz * np.sqrt(1 + result.B))
    assert [partial.n for partial in result.partials][:8] == list(range(1, 9))
    for partial in result.partials[:8]:
        law_hz = partial.n * result.f0_hz * np.sqrt(1 + result.B * partial.n**2)
        off_cents = 1200 * float(np.log2(partial.hz / law_hz))
        assert partial.cents_from_fit == pytest.approx(off_cents, abs=1e-6)
        assert abs(off_cents) < 0.2
        assert partial.hz_se is not None
        assert 0.0 < partial.hz_se < 0.1
    for flag in (Flag.NO_PITCH, Flag.FEW_PARTIALS, Flag.F1_INFERRED, Flag.SERIES_RESIDUAL):
        assert flag not in result.flags
    assert len(set(result.flags)) == len(result.flags)


def test_what_the_decay_lacks_is_said_once_and_before_the_rest(tones: ModuleType) -> None:
    sound = _with_lead(_tone(tones, 60))
    brief = _measure(sound[: int(0.45 * RATE)], 60, is_cut_short=True)
    assert brief.prompt_t60_s is None
    assert brief.flags.index(Flag.HOLD_TOO_SHORT) < brief.flags.index(Flag.CUT_SHORT)
    assert len(set(brief.flags)) == len(brief.flags)
    whole = _measure(sound, 60)
    assert whole.prompt_t60_s is not None
    assert whole.partials[0].prompt_t60_s is not None


def test_the_level_of_a_partial_is_that_of_its_sinusoid() -> None:
    t = np.arange(int(2.2 * RATE)) / RATE
    slow = 10 ** (-t / 10)
    tone = slow * (0.2 * np.cos(2 * np.pi * 440 * t) + 0.02 * np.cos(2 * np.pi * 880.8 * t))
    result = _measure(_with_lead(tone, 1.0), 69)
    levels = {partial.n: partial.level_db for partial in result.partials}
    # 20 log10 of 0.2 and 0.02; it has fallen by 0.1 dB or so when the bands first hear it.
    assert levels[1] == pytest.approx(-13.98, abs=0.4)
    assert levels[2] == pytest.approx(-33.98, abs=0.4)


def test_what_the_labelling_doubts_is_said(tones: ModuleType) -> None:
    sound = _with_lead(_tone(tones, 60))
    result = _measure(sound, 60, is_unexpected=True, is_second_blow=True, is_uncertain=True)
    assert {Flag.UNEXPECTED, Flag.DOUBLE_BLOW, Flag.NOTE_UNCERTAIN} <= set(result.flags)
    named = _measure(sound, 60, is_given=True, is_uncertain=True)
    assert Flag.LABEL_GIVEN in named.flags
    assert Flag.NOTE_UNCERTAIN not in named.flags  # the user knows


def test_no_pitch_in_silence() -> None:
    result = _measure(np.zeros(2 * RATE), 60)
    assert Flag.NO_PITCH in result.flags
    assert result.f1_hz is None
    assert result.B is None
    assert result.cents is None
    assert result.partials == ()


def test_a_first_partial_that_is_not_heard_is_inferred(tones: ModuleType) -> None:
    full = _tone(tones, 30)
    spectrum = np.fft.rfft(full)
    hz = np.fft.rfftfreq(full.size, 1 / RATE)
    spectrum[hz < 2.5 * tones.equal_tempered_hz(30)] = 0.0  # a microphone that hears no bass
    full = np.fft.irfft(spectrum, full.size)
    result = _measure(_with_lead(full), 30)
    assert Flag.F1_INFERRED in result.flags
    assert result.partials[0].n > 1
    assert result.cents == pytest.approx(0.0, abs=0.3)


def test_one_partial_alone_tells_no_stiffness() -> None:
    t = np.arange(2 * RATE) / RATE
    result = _measure(_with_lead(np.exp(-2 * t) * np.cos(2 * np.pi * 3520 * t)), 105)
    assert Flag.FEW_PARTIALS in result.flags
    assert result.B is None
    assert result.B_se is None
    assert result.f1_hz == pytest.approx(3520.0, rel=1e-5)
    assert all(partial.cents_from_fit is None for partial in result.partials)


def test_partials_off_the_law_are_said(tones: ModuleType) -> None:
    result = _measure(_with_lead(_tone(tones, 48, scatter_cents=5.0)), 48)
    assert Flag.SERIES_RESIDUAL in result.flags
    assert result.series_residual_cents is not None
    assert 2.0 < result.series_residual_cents < 8.0
    plain = _measure(_with_lead(_tone(tones, 48)), 48)
    assert plain.cents_se is not None
    assert result.cents_se is not None
    assert result.cents_se > 5.0 * plain.cents_se


def test_the_sound_is_not_changed(tones: ModuleType) -> None:
    sound = _with_lead(_tone(tones, 60))
    kept = sound.copy()
    _measure(sound, 60)
    assert np.array_equal(sound, kept)


@pytest.mark.parametrize("spoken_db", [-12.0, -20.0])
def test_talk_after_the_release_does_not_hide_it(tones: ModuleType, spoken_db: float) -> None:
    # A voice of gliding pitch, 120 to 180 Hz and its harmonics, from 0.4 s behind the release on.
    t = np.arange(int(2.2 * RATE)) / RATE
    tone = _tone(tones, 48)
    tone = tone * np.exp(-6.908 / 0.25 * np.clip(t[: tone.size] - 0.5, 0.0, None))
    pitch_hz = 150.0 + 30.0 * np.sin(2 * np.pi * 1.3 * t)
    turn = 2 * np.pi * np.cumsum(pitch_hz) / RATE
    voice = sum(np.sin(k * turn) / k for k in range(1, 30))
    syllables = np.clip(3.0 * np.sin(2 * np.pi * 2.5 * (t - 0.9)), 0.0, 1.0)
    voice = np.where((t > 0.9) & (t < 1.9), voice * syllables, 0.0)
    voice *= 10 ** (spoken_db / 20) * np.std(tone[: RATE // 5]) / np.std(voice[t > 0.9])
    result = _measure(_with_lead(tone + voice[: tone.size]), 48, has_damper=True)
    assert result.release_s is not None
    assert result.release_s - ONSET_S == pytest.approx(0.5, abs=0.06)

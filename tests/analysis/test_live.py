"""A blow measured while recording gives what the complete recording gives."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.analysis import analyse
from toneapp.analysis.live import LiveMeasure
from toneapp.audio.capture import BlowSound
from toneapp.results import StrikeResult

RATE = 32_000


def _blow(samples: np.ndarray, strike: StrikeResult, *, end_s: float, room: np.ndarray):
    first = int((strike.onset_s - 0.25) * RATE)
    return BlowSound(
        samples=samples[first : int(end_s * RATE)].astype(np.float32),
        sample_rate_hz=RATE,
        first_s=first / RATE,
        onset_s=strike.onset_s,
        end_s=end_s,
        midi=strike.midi,
        pitch=float(strike.midi),
        is_expected=True,
        is_cut=False,
        has_damper=None,
        room=room,
        room_version=1,
    )


def test_live_and_later_figures_agree(small_run):
    from toneapp.audio import open_sound

    path, _ = small_run
    with open_sound(path) as sound:
        samples = sound.read(0, sound.frames)
    later = analyse(path)
    measure = LiveMeasure()
    room = samples[: int(0.55 * RATE)]
    compared = 0
    for strike in later.strikes[::3]:
        live = measure(_blow(samples, strike, end_s=strike.end_s - 0.05, room=room))
        assert live is not None
        assert live.midi == strike.midi
        assert live.cents == pytest.approx(strike.cents, abs=0.5)
        assert live.level_db == pytest.approx(strike.level_db, abs=0.1)
        assert live.brightness == pytest.approx(strike.brightness, abs=0.02)
        if strike.release_s is not None:
            assert live.release_s == pytest.approx(strike.release_s, abs=0.06)
        compared += 1
    assert compared >= 8


def test_a_moment_is_too_short_to_measure(small_run):
    path, _ = small_run
    strike = analyse(path).strikes[0]
    blow = _blow(
        np.zeros(RATE * 2, np.float32), strike, end_s=strike.onset_s + 0.05, room=np.zeros(0)
    )
    assert LiveMeasure()(blow) is None


@pytest.mark.parametrize("voice_hz", [110.0, 147.0, 196.0])
def test_a_voice_on_another_key_is_no_blow(tones, voice_hz):
    rng = np.random.default_rng(4)
    samples = 1e-5 * rng.standard_normal(2 * RATE)
    voice = tones.syllable(rate_hz=RATE, rng=rng, length_s=0.6, voice_hz=voice_hz)
    tones.put(samples, voice, at_s=0.5, rate_hz=RATE, level_db=-20.0)
    pitch = 69.0 + 12.0 * np.log2(voice_hz / 440.0)
    blow = BlowSound(
        samples=samples.astype(np.float32),
        sample_rate_hz=RATE,
        first_s=0.0,
        onset_s=0.5,
        end_s=2.0,
        midi=round(pitch),
        pitch=pitch,
        is_expected=False,
        is_cut=False,
        has_damper=None,
        room=(1e-5 * rng.standard_normal(RATE)).astype(np.float32),
        room_version=1,
    )
    assert LiveMeasure()(blow) is None

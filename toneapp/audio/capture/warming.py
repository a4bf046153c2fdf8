"""What must be loaded before the first blow, so that its verdict comes as fast as the others?

Functions: `warm_up`.
"""

from __future__ import annotations

import numpy as np

from toneapp._typing import Float32Array
from toneapp.audio.capture.conductor import Conductor
from toneapp.audio.capture.judging import Measure
from toneapp.audio.capture.plan import KeyPlan, RunPlan
from toneapp.audio.capture.verdicts import Instrument
from toneapp.pitch import midi_to_hz

__all__ = ["warm_up"]

WARM_KEYS = (24, 60)
_BLOW_S = 1.4


def warm_up(measure: Measure, *, sample_rate_hz: int) -> None:
    """Put two invented blows through everything that real ones go through.

    Imports that were put off and tables that are made once cost up to a second; this is called
    before the source is opened, or while the room is listened to.

    Parameters
    ----------
    measure : callable
        As for the engine.
    sample_rate_hz : int
        Sampling rate of the run.
    """
    conductor = Conductor(
        KeyPlan(RunPlan(notes=WARM_KEYS, hold_s=0.6)),
        measure=measure,
        instrument=Instrument(),
        sample_rate_hz=sample_rate_hz,
        checks_room=False,
    )
    noise = 1e-5 * np.random.default_rng(0).standard_normal(int(3.5 * sample_rate_hz))
    sound = noise.astype(np.float32)
    for place, midi in enumerate(WARM_KEYS):
        first = int((0.6 + place * _BLOW_S) * sample_rate_hz)
        tone = _tone(midi, sample_rate_hz)
        sound[first : first + tone.size] += tone
    step = sample_rate_hz // 10
    for first in range(0, sound.size, step):
        conductor.feed(sound[first : first + step])
    conductor.finish()


def _tone(midi: int, sample_rate_hz: int) -> Float32Array:
    t = np.arange(int(1.2 * sample_rate_hz)) / sample_rate_hz
    fall = np.where(t < 0.7, np.exp(-2.0 * t), np.exp(-1.4) * np.exp(-30.0 * (t - 0.7)))
    tone = np.zeros(t.size)
    for n in range(1, 13):
        hz = n * midi_to_hz(midi) * np.sqrt(1.0 + 3e-4 * n**2)
        if hz < 0.4 * sample_rate_hz:
            tone += np.sin(2.0 * np.pi * hz * t) / n
    return (0.1 * tone * fall).astype(np.float32)

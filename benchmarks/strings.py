"""How well are notes measured that no modal synthesis made?

Strings struck by a felt hammer, solved in the time domain by finite differences
(``tests/independent``), recorded as one run of single notes. Their truth follows from the
scheme's own dispersion relation.
"""

from __future__ import annotations

import importlib.util
import math
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import numpy as np

from toneapp._typing import FloatArray
from toneapp.analysis import analyse
from toneapp.audio import write_sound
from toneapp.keyboard import KeyboardLayout
from toneapp.results import StrikeResult
from toneapp.simulate.truth import fit_series

__all__ = ["StringErrors", "measure_struck_strings"]

_MODEL = Path(__file__).parents[1] / "tests/independent/finite_difference_string.py"
SPACING_S = 4.0
HOLD_S = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class StringErrors:
    """One note."""

    midi: int
    velocity_m_per_s: float
    is_named: bool
    onset_ms: float | None = None
    release_ms: float | None = None
    f1_cents: float | None = None
    f1_counted_cents: float | None = None  # against the series through the partials counted
    f1_z: float | None = None
    B_relative: float | None = None
    partial_cents: float | None = None  # median size over the partials below 8 kHz
    partial_t60_relative: float | None = None  # the same of prompt T60 against the mode's
    damped_t60_relative: float | None = None
    false_after: bool = False  # an aftersound where there is one stage


def measure_struck_strings(*, noise_db: float = -80.0, draw: int = 0) -> list[StringErrors]:
    """Strike every string of the model at three speeds and measure the run."""
    model = _load()
    rng = np.random.default_rng(draw)
    notes = [
        (midi, velocity, float(rng.uniform(-8.0, 8.0)))
        for midi in sorted(model.STRINGS)
        for velocity in (1.0, 2.5, 4.5)
    ]
    made, pieces = [], []
    for midi, velocity, cents in notes:
        note = model.struck_string(
            model.STRINGS[midi],
            velocity_m_per_s=velocity,
            hold_s=HOLD_S,
            length_s=SPACING_S,
            detune_cents=cents - (16.0 if midi == 96 else 0.0),
        )
        made.append(note)
        # Peak 0.5 each: a firm blow is louder.
        pieces.append(note.audio * velocity / 4.5)
    audio = np.concatenate(pieces)
    audio = audio + 10.0 ** (noise_db / 20.0) * rng.standard_normal(audio.size)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "strings.flac"
        write_sound(path, audio, sample_rate_hz=48000)
        result = analyse(path, layout=KeyboardLayout(last_damper_midi=108), order="ascending")
    errors = []
    for index, ((midi, velocity, _), note) in enumerate(zip(notes, made, strict=True)):
        start = index * note.audio.size / note.sample_rate_hz
        near = [s for s in result.strikes if abs(s.onset_s - start - note.onset_s) < 0.08]
        if not near or near[0].midi != midi:
            errors.append(StringErrors(midi=midi, velocity_m_per_s=velocity, is_named=False))
            continue
        strike = near[0]
        f1_true = note.f0_hz * math.sqrt(1.0 + note.B)
        f1 = None if strike.f1_hz is None else 1200.0 * math.log2(strike.f1_hz / f1_true)
        partials = [p for p in strike.partials if p.n <= note.partial_hz.size and p.hz < 8000.0]
        off = [abs(1200.0 * math.log2(p.hz / note.partial_hz[p.n - 1])) for p in partials]
        fade = [
            abs(p.prompt_t60_s / note.t60_s[p.n - 1] - 1.0)
            for p in partials
            if p.prompt_t60_s is not None
        ]
        damped = strike.damped_t60_s
        release = strike.release_s
        errors.append(
            StringErrors(
                midi=midi,
                velocity_m_per_s=velocity,
                is_named=True,
                onset_ms=1e3 * (strike.onset_s - start - note.onset_s),
                release_ms=(
                    None
                    if release is None or note.release_s is None
                    else 1e3 * (release - start - note.release_s)
                ),
                f1_cents=f1,
                f1_counted_cents=_against_counted(strike, note.partial_hz),
                f1_z=None if f1 is None or not strike.cents_se else f1 / strike.cents_se,
                B_relative=None if strike.B is None else strike.B / note.B - 1.0,
                partial_cents=float(np.median(off)) if off else None,
                partial_t60_relative=float(np.median(fade)) if fade else None,
                damped_t60_relative=(
                    None if damped is None else damped / float(note.damped_t60_s[0]) - 1.0
                ),
                false_after=strike.after_t60_s is not None,
            )
        )
    return errors


def _against_counted(strike: StrikeResult, true_hz: FloatArray) -> float | None:
    """f1 against the series through the true frequencies of the partials that were measured."""
    n = np.array([p.n for p in strike.partials if p.n <= true_hz.size])
    if strike.f1_hz is None or n.size < 3:
        return None
    f0, B = fit_series(n.astype(np.float64), true_hz[n - 1], np.ones(n.size))
    return 1200.0 * math.log2(strike.f1_hz / (f0 * math.sqrt(1.0 + B)))


def _load() -> ModuleType:
    """Load the model from its file: tests are no package."""
    spec = importlib.util.spec_from_file_location("finite_difference_string", _MODEL)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module

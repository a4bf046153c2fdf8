"""How close do pitch and partials come to the best that any estimator can do?

Tones of one string, made here as a plain sum of damped sinusoids on Fletcher's series in white
noise, are analysed as a recording; the root mean square of the errors over many blows is held
against the Cramer-Rao bound.

For a damped sinusoid ``A exp(-t / tau) cos(w t + phi)`` in white noise of variance s2, frequency
and phase part from amplitude and decay when many cycles are seen, and

    var(w) = 2 s2 / (A**2 sum((t - tm)**2 exp(-2 t / tau))),

tm being the mean time under the same weight. Without decay it is the bound of Rife & Boorstyn,
for a record much longer than tau ``8 / (SNR rate tau**3)`` with SNR = A**2 / (2 s2).

References
----------
.. [1] D. C. Rife and R. R. Boorstyn, "Single-tone parameter estimation from discrete-time
   observations", IEEE Trans. Inf. Theory 20, 591 (1974).
.. [2] Y.-X. Yao and S. M. Pandit, "Cramer-Rao lower bounds for a damped sinusoidal process",
   IEEE Trans. Signal Process. 43, 878 (1995).
"""

from __future__ import annotations

import math
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from toneapp._typing import FloatArray
from toneapp.analysis import analyse
from toneapp.audio import write_sound
from toneapp.pitch import midi_to_hz

__all__ = ["BoundFigures", "bound_hz", "compare_with_bound"]

RATE_HZ = 48000
HOLD_S = 2.0
SPACING_S = 2.9
FIRST_S = 1.0
DAMPED_TAU_S = 0.02
BOUND_LIMIT_HZ = 8000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundFigures:
    """One note at one noise level; root mean square errors over the bound."""

    midi: int
    snr_db: float  # of the whole tone at its start, against all of the noise
    blows: int
    found: int
    f1_ratio: float | None
    f1_rms_cents: float | None
    f1_bound_cents: float
    f1_bias_cents: float | None
    B_ratio: float | None
    partial_ratio: float | None  # median over the partials
    f1_z: float | None  # root mean square of error over stated error


def bound_hz(
    *, amplitude: float, tau_s: float, noise_sd: float, length_s: float, rate_hz: float = RATE_HZ
) -> float:
    """Cramer-Rao bound on the frequency of a damped sinusoid, in Hz (module docstring)."""
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    weight = np.exp(-2.0 * t / tau_s)
    middle = float(np.sum(weight * t) / np.sum(weight))
    information = amplitude**2 / (2.0 * noise_sd**2) * float(np.sum(weight * (t - middle) ** 2))
    return 1.0 / (2.0 * math.pi * math.sqrt(information))


def compare_with_bound(midi: int, *, snr_db: float, blows: int, draw: int = 0) -> BoundFigures:
    """Measure one note many times in different noise."""
    rng = np.random.default_rng([midi, round(snr_db), draw])
    B = 3.5e-4 * 2.0 ** ((midi - 60) / 8.0) if midi >= 48 else 1.2e-4
    f1 = midi_to_hz(midi) * 2.0 ** (float(rng.uniform(-8.0, 8.0)) / 1200.0)
    f0 = f1 / math.sqrt(1.0 + B)
    n = np.arange(1, 60)
    hz = n * f0 * np.sqrt(1.0 + B * n**2)
    n, hz = n[hz < 16000.0], hz[hz < 16000.0]
    amplitude = 0.1 * (np.sin(n * np.pi / 7.6) + 0.1) * (1.0 + (hz / 1500.0) ** 2) ** -1.0
    amplitude = np.abs(amplitude)
    tau = 60.0 * 2.0 ** (-midi / 14.0) * (hz / hz[0]) ** -0.4
    power = 0.5 * float(np.sum(amplitude**2))
    noise_sd = math.sqrt(power / 10.0 ** (snr_db / 10.0))
    audio = noise_sd * rng.standard_normal(round((FIRST_S + blows * SPACING_S) * RATE_HZ))
    onsets = []
    for blow in range(blows):
        start = round((FIRST_S + blow * SPACING_S) * RATE_HZ)
        onsets.append(start / RATE_HZ)
        tone = _tone(hz, amplitude, tau, rng)
        audio[start : start + tone.size] += tone
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "note.flac"
        write_sound(path, audio, sample_rate_hz=RATE_HZ)
        result = analyse(path, order="free")
    heard = [
        s
        for s in result.strikes
        if s.midi == midi and s.f1_hz and min(abs(s.onset_s - t) for t in onsets) < 0.05
    ]
    bounds = np.array(
        [
            bound_hz(amplitude=float(a), tau_s=float(t), noise_sd=noise_sd, length_s=HOLD_S)
            for a, t in zip(amplitude, tau, strict=True)
        ]
    )
    f1_bound, b_bound = _series_bound(n, hz, bounds, f0=f0, B=B)
    f1_errors = np.array([1200.0 * math.log2(s.f1_hz / f1) for s in heard if s.f1_hz])
    b_errors = np.array([s.B - B for s in heard if s.B is not None])
    z = np.array(
        [1200.0 * math.log2(s.f1_hz / f1) / s.cents_se for s in heard if s.f1_hz and s.cents_se]
    )
    ratios = []
    for k, number in enumerate(n):
        errors = [p.hz - hz[k] for s in heard for p in s.partials if p.n == number]
        if len(errors) >= max(4, len(heard) // 2) and hz[k] < BOUND_LIMIT_HZ:
            ratios.append(_rms(np.array(errors)) / bounds[k])
    f1_bound_cents = 1200.0 / math.log(2.0) * f1_bound / f1
    few = f1_errors.size < 4
    return BoundFigures(
        midi=midi,
        snr_db=snr_db,
        blows=blows,
        found=len(heard),
        f1_ratio=None if few else _rms(f1_errors) / f1_bound_cents,
        f1_rms_cents=None if few else _rms(f1_errors),
        f1_bound_cents=f1_bound_cents,
        f1_bias_cents=None if few else float(f1_errors.mean()),
        B_ratio=None if b_errors.size < 4 else _rms(b_errors) / b_bound,
        partial_ratio=float(np.median(ratios)) if ratios else None,
        f1_z=None if z.size < 4 else _rms(z),
    )


def _tone(
    hz: FloatArray, amplitude: FloatArray, tau: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """One blow: held, then damped fast."""
    t = np.arange(round((HOLD_S + 0.3) * RATE_HZ)) / RATE_HZ
    after = np.maximum(t - HOLD_S, 0.0)
    tone = np.zeros(t.size)
    phase = rng.uniform(0.0, 2.0 * np.pi, hz.size)
    for f, a, tau_s, p in zip(hz, amplitude, tau, phase, strict=True):
        tone += a * np.exp(-t / tau_s - after / DAMPED_TAU_S) * np.cos(2.0 * np.pi * f * t + p)
    return np.asarray(tone * np.clip(t / 0.001, 0.0, 1.0))


def _series_bound(
    n: FloatArray, hz: FloatArray, hz_se: FloatArray, *, f0: float, B: float
) -> tuple[float, float]:
    """Bounds of f1 in Hz and of B when all partials keep to the series."""
    by_f0 = hz / f0
    by_b = 0.5 * hz * n**2 / (1.0 + B * n**2)
    slope = np.stack([by_f0, by_b], axis=1) / hz_se[:, None]
    covariance = np.linalg.inv(slope.T @ slope)
    f1_slope = np.array([math.sqrt(1.0 + B), 0.5 * f0 / math.sqrt(1.0 + B)])
    return float(np.sqrt(f1_slope @ covariance @ f1_slope)), float(np.sqrt(covariance[1, 1]))


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2)))

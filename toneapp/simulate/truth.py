"""What would an ideal measurement read from the simulated strings?

Frozen results: `NoteTruth` for each key, `StrikeTruth` for each blow, `RunTruth` for the whole.
Everything is worked out from the motions themselves (eigenvalues and strengths), for the direct
sound without room, microphone and noise:

- ``hz`` of a partial is the mean of its motions' frequencies, weighted by their energy over 2 s;
- ``f1_hz``, ``f0_hz`` and ``B`` are a robust fit of Fletcher's series to those within 40 dB of
  the strongest; the values the strings were made with stand beside them as ``_law``;
- T60 figures are a two-exponential fit, in dB, to the power with beats faster than 0.4 Hz
  averaged out, from the strike to 55 dB below it, as if the key were held for ever;
- brightness is the magnitude-weighted centroid over f1 in octaves, of the mean magnitudes in the
  first 0.2 s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from toneapp._typing import ComplexArray, FloatArray
from toneapp.results import Cause
from toneapp.simulate.instrument import REFERENCE_VELOCITY_M_PER_S
from toneapp.simulate.plan import Disturbance
from toneapp.simulate.voice import REFERENCE_LEVEL_DBFS, Voice

__all__ = [
    "DecayTruth",
    "NoteTruth",
    "PartialTruth",
    "RingingTruth",
    "RunTruth",
    "StrikeTruth",
    "fit_decay",
    "note_truth",
    "smoothed_power",
]

DECAY_RANGE_DB = 55.0
LONGEST_DECAY_S = 60.0
BEAT_LIMIT_HZ = 0.4
SMALLEST_RATE_RATIO = 1.3
"""Two stages whose rates are closer than this are one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecayTruth:
    """Decay of a level in one or two stages."""

    prompt_t60_s: float
    after_t60_s: float | None = None  # None: one stage
    knee_s: float | None = None  # where the two lines cross
    after_level_db: float | None = None  # aftersound at the strike, below the prompt sound


@dataclass(frozen=True, slots=True, kw_only=True)
class PartialTruth:
    """One partial of one key, or (with its `level_db`) of one strike."""

    n: int
    hz: float
    string_hz: tuple[float, ...]  # each string alone
    level_db: float  # mean over 0.2 s, dBFS of a sine's RMS
    prompt_t60_s: float
    after_t60_s: float | None
    knee_s: float | None
    after_level_db: float | None
    beat_hz: float | None  # of the two strongest motions, when it shows within 2 s
    beat_depth_db: float | None  # peak to trough at the strike
    damped_t60_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteTruth:
    """One key, at the medium blow of 2 m/s."""

    midi: int
    f0_hz: float
    B: float
    f1_hz: float
    f0_law_hz: float
    B_law: float
    f1_law_hz: float
    string_f1_hz: tuple[float, ...]
    partials: tuple[PartialTruth, ...]  # those within 60 dB of the strongest
    decay: DecayTruth  # broadband
    sustain_20db_s: float
    hardness_oct: float  # as the hammer was made
    hammer_effect_oct: float  # brightness at 2 m/s minus that of the nominal hammer
    hammer_effect_at_level_oct: float  # the same with both at the trend level
    level_offset_db: float
    brightness_oct: float  # at 2 m/s
    brightness_at_level_oct: float  # at the speed that gives the instrument's trend level
    level_db: float  # at 2 m/s: A-weighted RMS of the first 0.5 s, dBFS
    level_trend_db: float  # the instrument's, same unit


@dataclass(frozen=True, slots=True, kw_only=True)
class RingingTruth:
    """One partial of one string that sounds on after a release."""

    midi: int | None  # None: a length of string that belongs to no key
    partial: int | None
    hz: float
    level_db: float  # 0.1 s after the release, re the struck note's RMS at the strike
    level_at_release_db: float
    t60_s: float
    cause: Cause


@dataclass(frozen=True, slots=True, kw_only=True)
class StrikeTruth:
    """One blow."""

    midi: int
    role: str  # planned, wrong, repeat, double
    expected_midi: int | None
    onset_s: float
    release_s: float | None  # None: no damper, or the key was struck again before
    end_s: float  # when the last motion has fallen 78 dB
    velocity_m_per_s: float
    f0_hz: float
    B: float
    f1_hz: float
    partials: tuple[PartialTruth, ...]
    prompt_t60_s: float
    after_t60_s: float | None
    sustain_20db_s: float | None  # None: let go before
    brightness_oct: float
    level_db: float  # A-weighted RMS of the first 0.5 s as if held, dBFS
    damped_t60_s: float | None  # broadband, -5 to -25 dB after the damper is down
    # 0.3, 0.5 and 1.0 s after the release, re just before it, room not counted; an entry is None
    # when all has died by then, the whole when the note had died before
    ring_levels_db: tuple[float | None, ...] | None
    ringing: tuple[RingingTruth, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunTruth:
    """The whole run."""

    strikes: tuple[StrikeTruth, ...]  # in order of time
    notes: dict[int, NoteTruth] = field(default_factory=dict)
    disturbances: tuple[Disturbance, ...] = ()
    a4_hz: float = 440.0
    room_t60_s: float = 0.0
    duration_s: float = 0.0


def smoothed_power(rate: ComplexArray, coefficient: ComplexArray, t: FloatArray) -> FloatArray:
    """Power of partials with fast beats averaged out.

    Parameters
    ----------
    rate, coefficient : ndarray, shape (p, d)
        Motions of each partial.
    t : ndarray, shape (p, k)
        Times in s, a row for each partial.

    Returns
    -------
    ndarray, shape (p, k)
        ``sum_kl c_k conj(c_l) exp((r_k + conj(r_l)) t) / 2`` with cross terms of motions more
        than 0.4 Hz apart fading out.
    """
    cross = coefficient[:, :, None] * np.conj(coefficient[:, None, :])
    rates = rate[:, :, None] + np.conj(rate[:, None, :])
    cross = cross / (1.0 + (rates.imag / (2.0 * np.pi * BEAT_LIMIT_HZ)) ** 4)
    count = rate.shape[0]
    flat = rates.reshape(count, -1, 1)
    wave = np.exp(flat * t[:, None, :])
    power = 0.5 * np.einsum("pk,pkt->pt", cross.reshape(count, -1), wave).real
    return np.asarray(np.maximum(power, 1e-300))


def fit_decay(t: FloatArray, power: FloatArray) -> list[DecayTruth]:
    """Two-exponential fit to each row's level.

    Parameters
    ----------
    t, power : ndarray, shape (p, k)
        Times in s and powers > 0.

    Returns
    -------
    list of DecayTruth
        One for each row; one stage where two do not differ.

    Notes
    -----
    Levenberg-Marquardt on the log power, all rows at once.
    """
    y = np.log(power)
    k = t.shape[1]
    few = max(3, k // 5)
    r1 = np.maximum((y[:, 0] - y[:, few]) / (t[:, few] - t[:, 0]), 1e-3)
    r2 = np.maximum((y[:, -few] - y[:, -1]) / (t[:, -1] - t[:, -few]), 1e-3)
    r2 = np.minimum(r2, 0.8 * r1)
    theta = np.stack([y[:, 0], np.log(r1), y[:, -1] + r2 * t[:, -1], np.log(r2)], axis=1)
    theta[:, 2] = np.minimum(theta[:, 2], theta[:, 0] - 0.5)
    damping = np.full(t.shape[0], 1e-2)
    cost = _residual(theta, t, y)[0]
    for _ in range(60):
        _, error, jacobian = _residual(theta, t, y)
        normal = np.einsum("pki,pkj->pij", jacobian, jacobian)
        slope = np.einsum("pki,pk->pi", jacobian, error)
        scale = np.einsum("pii->pi", normal) + 1e-9
        index = np.arange(4)
        normal[:, index, index] += damping[:, None] * scale
        step = np.linalg.solve(normal, slope[:, :, None])[:, :, 0]
        trial = theta + np.clip(step, -2.0, 2.0)
        new_cost = _residual(trial, t, y)[0]
        better = new_cost < cost
        theta = np.where(better[:, None], trial, theta)
        cost = np.where(better, new_cost, cost)
        damping = np.clip(np.where(better, damping * 0.3, damping * 4.0), 1e-9, 1e6)
    line = np.array([np.polyfit(a, b, 1) for a, b in zip(t, y, strict=True)])
    return [
        _as_decay(row, single_rate=max(-float(fit[0]), 1e-6), last_s=float(times[-1]))
        for row, fit, times in zip(theta, line, t, strict=True)
    ]


def _residual(
    theta: FloatArray, t: FloatArray, y: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Cost, error and derivative of the two-exponential log power."""
    r1, r2 = np.exp(theta[:, 1:2]), np.exp(theta[:, 3:4])
    a, b = theta[:, 0:1] - r1 * t, theta[:, 2:3] - r2 * t
    model = np.logaddexp(a, b)
    share = np.exp(a - model)
    error = y - model
    jacobian = np.stack([share, -share * r1 * t, 1.0 - share, -(1.0 - share) * r2 * t], axis=2)
    return np.sum(error**2, axis=1), error, jacobian


def _as_decay(theta: FloatArray, *, single_rate: float, last_s: float) -> DecayTruth:
    """Read the parameters as stages, the faster first."""
    a1, r1, a2, r2 = theta[0], math.exp(theta[1]), theta[2], math.exp(theta[3])
    if r2 > r1:
        a1, r1, a2, r2 = a2, r2, a1, r1
    full = 2.0 * math.log(1000.0)  # power falls by 60 dB
    knee = (a1 - a2) / (r1 - r2) if r1 > r2 else math.inf
    if r1 / r2 < SMALLEST_RATE_RATIO or not 0.0 < knee < last_s or r2 * last_s < 0.1:
        return DecayTruth(prompt_t60_s=full / single_rate)
    return DecayTruth(
        prompt_t60_s=full / r1,
        after_t60_s=full / r2,
        knee_s=float(knee),
        after_level_db=float(10.0 * (a2 - a1) / math.log(10.0)),
    )


def _decay_grid(rate: ComplexArray, coefficient: ComplexArray) -> tuple[FloatArray, FloatArray]:
    """Times from the strike to the end of the fitted range, and the power there."""
    coarse = np.broadcast_to(
        np.concatenate([[0.0], np.geomspace(0.01, LONGEST_DECAY_S, 240)]),
        (rate.shape[0], 241),
    )
    power = smoothed_power(rate, coefficient, np.asarray(coarse))
    below = power < power[:, :1] * 10.0 ** (-DECAY_RANGE_DB / 10.0)
    first = np.where(below.any(axis=1), below.argmax(axis=1), coarse.shape[1] - 1)
    end = coarse[0, np.maximum(first, 40)]
    t = np.linspace(0.0, 1.0, 80)[None, :] * end[:, None]
    return t, smoothed_power(rate, coefficient, t)


def broadband_decay(rate: ComplexArray, coefficient: ComplexArray) -> tuple[DecayTruth, float]:
    """Decay of the sum of all partials' powers, and the time until it has fallen 20 dB."""
    t = np.concatenate([[0.0], np.geomspace(0.005, LONGEST_DECAY_S, 400)])
    rows = np.broadcast_to(t, (rate.shape[0], t.size))
    power = smoothed_power(rate, coefficient, np.asarray(rows)).sum(axis=0)
    level = 10.0 * np.log10(power / power[0])
    below = level < -20.0
    fallen = float(t[int(below.argmax())]) if below.any() else LONGEST_DECAY_S
    low = level < -DECAY_RANGE_DB
    end = float(t[int(low.argmax())]) if low.any() else LONGEST_DECAY_S
    grid = np.linspace(0.0, end, 100)
    sampled = np.exp(np.interp(grid, t, np.log(power)))
    return fit_decay(grid[None, :], sampled[None, :])[0], fallen


def note_truth(voice: Voice) -> NoteTruth:
    """Work out everything about one key that the blow does not change."""
    note, table = voice.note, voice.table
    modes = voice.modes()
    blow = voice.blow(REFERENCE_VELOCITY_M_PER_S) * voice.radiation
    coefficient = modes.out * np.einsum("pkd,d->pk", modes.left, table.excitation)
    hz = ideal_hz(modes.rate, coefficient)
    magnitude = voice.attack_magnitudes(REFERENCE_VELOCITY_M_PER_S)
    keep = magnitude > magnitude.max() * 1e-3
    t, power = _decay_grid(modes.rate, coefficient)
    decays = fit_decay(t, power)
    overall, sustain = broadband_decay(modes.rate, coefficient * blow[:, None])
    f0, B = fit_series(table.n, hz, magnitude)
    damped = None
    if note.has_damper:
        down = voice.modes(damper_share=1.0)
        damped = math.log(1000.0) / -down.rate.real
        strongest = np.argmax(np.abs(down.out), axis=1)
        damped = damped[np.arange(damped.shape[0]), strongest]
    cents = 2.0 ** (np.array(note.string_cents) / 1200.0)
    partials = []
    for i in np.flatnonzero(keep):
        beat_hz, depth = _beat(modes.rate[i], coefficient[i])
        partials.append(
            PartialTruth(
                n=int(table.n[i]),
                hz=float(hz[i]),
                string_hz=tuple(float(x) for x in table.hz[i] * cents),
                level_db=float(20.0 * np.log10(magnitude[i]) - 3.0103),
                prompt_t60_s=decays[i].prompt_t60_s,
                after_t60_s=decays[i].after_t60_s,
                knee_s=decays[i].knee_s,
                after_level_db=decays[i].after_level_db,
                beat_hz=beat_hz,
                beat_depth_db=depth,
                damped_t60_s=None if damped is None else float(damped[i]),
            )
        )
    trend = REFERENCE_LEVEL_DBFS + note.level_trend_db
    at_speed = voice.brightness_oct(REFERENCE_VELOCITY_M_PER_S)
    at_level = voice.brightness_oct(voice.velocity_at_level(trend))
    nominal = replace(voice, softness_oct=0.0)
    nominal_at_speed = nominal.brightness_oct(REFERENCE_VELOCITY_M_PER_S)
    nominal_at_level = nominal.brightness_oct(nominal.velocity_at_level(trend))
    return NoteTruth(
        midi=note.midi,
        f0_hz=f0,
        B=B,
        f1_hz=f0 * math.sqrt(1.0 + B),
        f0_law_hz=note.f0_hz,
        B_law=note.B,
        f1_law_hz=note.f1_hz,
        string_f1_hz=tuple(float(x) for x in note.f1_hz * cents),
        partials=tuple(partials),
        decay=overall,
        sustain_20db_s=sustain,
        hardness_oct=note.hardness_oct,
        level_offset_db=note.level_offset_db,
        hammer_effect_oct=at_speed - nominal_at_speed,
        hammer_effect_at_level_oct=at_level - nominal_at_level,
        brightness_oct=at_speed,
        brightness_at_level_oct=at_level,
        level_db=voice.level_db(REFERENCE_VELOCITY_M_PER_S),
        level_trend_db=trend,
    )


def at_blow(truth: NoteTruth, voice: Voice, velocity_m_per_s: float) -> tuple[PartialTruth, ...]:
    """Partials of a key with the levels of one blow."""
    heard = 20.0 * np.log10(voice.attack_magnitudes(velocity_m_per_s) + 1e-30) - 3.0103
    return tuple(
        replace(partial, level_db=float(heard[partial.n - 1])) for partial in truth.partials
    )


def ideal_hz(
    rate: ComplexArray, coefficient: ComplexArray, *, window_s: float = 2.0
) -> FloatArray:
    """Mean frequency of each partial's motions, weighted by their energy in a window, (p,)."""
    decay = -2.0 * rate.real
    energy = np.abs(coefficient) ** 2 * -np.expm1(-decay * window_s) / decay
    hz = rate.imag / (2.0 * np.pi)
    return np.asarray(np.sum(energy * hz, axis=1) / np.sum(energy, axis=1))


def fit_series(n: FloatArray, hz: FloatArray, magnitude: FloatArray) -> tuple[float, float]:
    """Robust fit of ``n f0 sqrt(1 + B n**2)`` to partials within 40 dB of the strongest.

    Returns
    -------
    tuple of float
        f0 in Hz and B.
    """
    level = 20.0 * np.log10(magnitude / magnitude.max() + 1e-30)
    weight = np.clip((level + 40.0) / 20.0, 0.0, 1.0)
    if np.count_nonzero(weight) < 2:
        weight = np.where(n <= 2, 1.0, weight)
    design = np.stack([np.ones_like(n), n**2], axis=1)
    y = (hz / n) ** 2
    robust = np.ones_like(n)
    solution = np.array([y[0], 0.0])
    for _ in range(30):
        # Equal weight in cents: the error of y is 2 y / 865.6 for each cent.
        w = np.sqrt(weight * robust) / y
        solution = np.linalg.lstsq(design * w[:, None], y * w, rcond=None)[0]
        cents = 865.617 * (y - design @ solution) / y
        used = weight > 0
        scale = max(1.4826 * float(np.median(np.abs(cents[used]))), 0.05)
        robust = 1.0 / (1.0 + (cents / (2.5 * scale)) ** 2)
    f0_squared, slope = float(solution[0]), float(solution[1])
    return math.sqrt(f0_squared), max(slope / f0_squared, 0.0)


def _beat(rate: ComplexArray, coefficient: ComplexArray) -> tuple[float | None, float | None]:
    """Beat of the two strongest motions: rate in Hz and depth in dB."""
    size = np.abs(coefficient)
    first, second = np.argsort(size)[::-1][:2]
    beat_hz = abs(float(rate[first].imag - rate[second].imag)) / (2.0 * math.pi)
    ratio = float(size[second] / size[first])
    depth = 20.0 * math.log10((1.0 + ratio) / max(1.0 - ratio, 1e-3))
    if beat_hz < 0.25 or depth < 1.0:
        return None, None
    return beat_hz, depth

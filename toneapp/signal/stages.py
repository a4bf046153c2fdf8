"""Which exponential stages, with or without a beat, describe a decaying power best?

The engine of `toneapp.signal.decay`: block averages, the four descriptions, and their fits to
many envelopes side by side. See there for the model and the choice between the descriptions.

Conventions: inside the fits time runs from 0 to 1 over the span and power has maximum 1; rates
and frequencies are per span. Arrays are (k envelopes, b blocks).

Classes: `Blocks`, `Fit`. Function: `fit_stages`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from toneapp._typing import BoolArray, FloatArray, IntArray

__all__ = ["DB_PER_NEPER", "HUBER", "Blocks", "Candidate", "Fit", "fit_stages", "smoothed"]

DB_PER_NEPER = 10.0 / math.log(10.0)
MAX_BLOCKS = 64  # more blocks add cost and no information to at most seven parameters
EVEN_SPAN_S = 2.0  # s; blocks are even up to this span
MAX_GROWTH = 8.0  # last block over first in a long hold
MISFIT = 0.05  # relative power; models are never right to better than some 0.2 dB
FLOOR_FACTOR = 2.0  # the fit stops where the power comes within 3 dB of the noise
NOISE_DOUBT = 0.1  # relative; a noise floor measured before the strike is good to some 0.4 dB
RATE_STEPS = 28  # grid of decay rates from which the fits start
HUBER = 0.35  # ln power (1.5 dB); larger deviations are beats or talk and pull no harder
OPPOSED_MISFIT = 0.2  # ln power (0.9 dB rms); two stages that fit better do not cancel
IN_PHASE_SHIFT = (-0.35, 0.15, -0.1, 0.0)  # of (ln A1, ln a1, ln A2, ln a2), for stages in phase
IN_PHASE_STEPS = 8  # from two stages whose powers add it is not far
OPPOSED_SHIFT = (0.0, -0.4, 0.8, 0.5)  # of (ln A1, ln a1, ln A2, ln a2), tried on coupled strings
OPPOSED = (-0.95, 0.0, 2.0 * math.pi * 0.03)  # (u, v, w) of nearly opposite phase
STEPS = 14
FIRST_DAMPING = 1e-2
LEAST_FACTOR, MORE_FACTOR = 0.1, 5.0
"""Steps of a fit, and how its damping begins and changes (H. B. Nielsen, "Damping parameter in
Marquardt's method", IMM-REP-1999-05, from memory). More steps fit the beats of single partials
better and tell the rates no better."""

BEAT_CYCLES = 0.5  # a beat needs half a cycle in the span to look like a knee


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blocks:
    """Block averages in units that suit the fit: time from 0 to 1, power with maximum 1."""

    t: FloatArray  # (b,)
    p: FloatArray  # (k, b)
    log_p: FloatArray  # (k, b), natural logarithm, freed from the bias of the scatter
    noise: FloatArray  # (k,)
    weight: FloatArray  # (k, b), inverse relative variance expected; 0 where not used
    scale: FloatArray  # (k,), unit of power
    start_s: float
    span_s: float
    end_s: FloatArray  # (k,), where the used part ends
    meets_noise: BoolArray  # (k,)
    range_db: FloatArray  # (k,)
    samples_per_block: float  # of the early blocks
    step_s: float  # between samples

    def averaging_ln(self, rate: float) -> float:
        """Logarithm of the mean of exp(-rate t) over a block, relative to its middle."""
        half = 0.5 * rate * self.step_s
        n = self.samples_per_block
        return math.log(math.sinh(n * half) / (n * math.sinh(half))) if half > 1e-9 else 0.0

    @classmethod
    def of(
        cls,
        times: FloatArray,
        powers: FloatArray,
        noise: FloatArray,
        *,
        band_width_hz: float | None,
    ) -> Blocks:
        """Average powers, (k, m), over blocks and weigh each by what the noise lets it know."""
        count = min(MAX_BLOCKS, times.size)
        edges = _block_edges(times, count)
        count = edges.size
        sizes = np.diff(np.append(edges, times.size))
        mean = np.add.reduceat(powers, edges, axis=1) / sizes
        t = np.add.reduceat(times, edges) / sizes
        step_s = (times[-1] - times[0]) / (times.size - 1)
        independent = sizes * (1.0 if band_width_hz is None else min(1.0, band_width_hz * step_s))
        smooth = smoothed(mean)
        scale = np.maximum(smooth.max(axis=1), np.finfo(float).tiny)
        above = smooth > FLOOR_FACTOR * noise[:, None]
        last = count - 1 - np.argmax(above[:, ::-1], axis=1)
        last = np.where(above.any(axis=1), last, 0)
        index = np.arange(count)
        clean = np.maximum(smooth - noise[:, None], 0.05 * noise[:, None])
        total = np.maximum(clean + noise[:, None], 1e-100)
        noise_part = (2.0 * clean * noise[:, None] + noise[:, None] ** 2) / total**2
        doubt = (NOISE_DOUBT * noise[:, None] / total) ** 2
        scatter = noise_part / np.maximum(independent, 1e-3)
        relative_variance = MISFIT**2 + doubt + scatter
        weight = np.where(index <= last[:, None], MISFIT**2 / relative_variance, 0.0)
        floor = np.maximum(1e-30 * scale, 1e-300)
        first_db = DB_PER_NEPER * np.log(np.maximum(clean[:, :3].max(axis=1), floor))
        ends = np.take_along_axis(clean, last[:, None], axis=1)[:, 0]
        range_db = first_db - DB_PER_NEPER * np.log(np.maximum(ends, floor))
        span = float(t[-1] - t[0])
        return cls(
            t=(t - t[0]) / span,
            p=mean / scale[:, None],
            # E[ln x] = ln E[x] - var/2: the logarithm of a scattered mean lies low.
            log_p=np.log(np.maximum(mean / scale[:, None], 1e-12)) + 0.5 * scatter,
            noise=noise / scale,
            weight=weight,
            scale=scale,
            start_s=float(t[0]),
            span_s=span,
            end_s=t[last],
            meets_noise=last < count - 2,
            range_db=range_db,
            samples_per_block=float(np.mean(sizes[: count // 2])),
            step_s=float(step_s),
        )


def _block_edges(times: FloatArray, count: int) -> IntArray:
    """First sample of each block; blocks grow with time, so that a long tail has no majority."""
    growth = float(np.clip((times[-1] - times[0]) / EVEN_SPAN_S, 1.0, MAX_GROWTH))
    lengths = np.geomspace(1.0, growth, count)
    edges = np.append(0.0, np.cumsum(lengths)[:-1]) / lengths.sum() * times.size
    return np.unique(edges.astype(np.int64))


def smoothed(values: FloatArray) -> FloatArray:
    """Average over three neighbours, ends repeated."""
    padded = np.pad(values, ((0, 0), (1, 1)), mode="edge")
    return np.asarray((padded[:, :-2] + padded[:, 1:-1] + padded[:, 2:]) / 3.0)


# Parameters of a description: one stage (ln A, ln a), two (ln A1, ln a1, ln A2, ln a2), each
# followed by (u, v, w) when there is a beat.


class Candidate(Enum):
    """A description of a decay."""

    ONE = "one stage"
    ONE_BEATING = "one stage that beats"
    TWO = "two stages whose powers add"
    TWO_IN_PHASE = "two stages whose amplitudes add"
    TWO_BEATING = "two stages that beat"

    @property
    def has_beat(self) -> bool:
        """Whether (u, v, w) are among its parameters."""
        return self in (Candidate.ONE_BEATING, Candidate.TWO_BEATING)


def _model(
    theta: FloatArray, t: FloatArray, stages: int, *, in_phase: bool = False
) -> tuple[FloatArray, FloatArray]:
    """Power without noise, (k, b), at times (k, b) or (b,), and its derivatives, (k, p, b)."""
    count = theta.shape[1]
    has_beat = count > 2 * stages
    jacobian = np.empty((theta.shape[0], count, t.shape[-1]))
    a1 = np.exp(theta[:, 1:2])
    first = np.exp(theta[:, 0:1] - a1 * t)
    if stages == 2:
        a2 = np.exp(theta[:, 3:4])
        second = np.exp(theta[:, 2:3] - a2 * t)
        cross = 2.0 * np.sqrt(first * second)
    else:
        second, cross = np.zeros_like(first), first
    if has_beat:
        u, v, w = (theta[:, i : i + 1] for i in range(2 * stages, count))
        cosine, sine = np.cos(w * t), np.sin(w * t)
        jacobian[:, -3] = cross * cosine
        jacobian[:, -2] = cross * sine
        jacobian[:, -1] = cross * t * (v * cosine - u * sine)
        beat = u * jacobian[:, -3] + v * jacobian[:, -2]
    elif in_phase:
        beat = cross
    else:
        beat = np.zeros_like(first)
    half = beat if stages == 1 else 0.5 * beat
    jacobian[:, 0] = first + half
    jacobian[:, 1] = -a1 * t * jacobian[:, 0]
    if stages == 2:
        jacobian[:, 2] = second + half
        jacobian[:, 3] = -a2 * t * jacobian[:, 2]
    return first + second + beat, jacobian


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """One description fitted to all envelopes."""

    theta: FloatArray  # (k, p)
    deviance: FloatArray  # (k,)
    fisher: FloatArray  # (k, p, p)
    residual: FloatArray  # (k, b), ln of measured over described power

    def of(self, rows: slice | IntArray, blocks: int | None = None) -> Fit:
        """Leave only some envelopes, and the first blocks."""
        return Fit(
            theta=self.theta[rows],
            deviance=self.deviance[rows],
            fisher=self.fisher[rows],
            residual=self.residual[rows, :blocks],
        )

    def put(self, rows: IntArray, other: Fit) -> None:
        """Put other fits in the place of some."""
        self.theta[rows] = other.theta
        self.deviance[rows] = other.deviance
        self.fisher[rows] = other.fisher
        self.residual[rows] = other.residual


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Data:
    """What a description is compared with: a row for each envelope."""

    t: FloatArray  # (k, b)
    log_p: FloatArray  # (k, b)
    noise: FloatArray  # (k, 1)
    weight: FloatArray  # (k, b)

    @classmethod
    def of_all(cls, groups: Sequence[Blocks]) -> _Data:
        """Stand groups of envelopes below each other; missing blocks weigh nothing.

        All have as many blocks, so that no group changes the rounding of another.
        """

        def column(values: Sequence[FloatArray], fill: float) -> FloatArray:
            return np.concatenate(
                [
                    np.pad(v, ((0, 0), (0, MAX_BLOCKS - v.shape[1])), constant_values=fill)
                    for v in values
                ]
            )

        return cls(
            t=column([np.broadcast_to(g.t, g.p.shape) for g in groups], 1.0),
            log_p=column([g.log_p for g in groups], 0.0),
            noise=np.concatenate([g.noise for g in groups])[:, None],
            weight=column([g.weight for g in groups], 0.0),
        )

    def of(self, rows: IntArray) -> _Data:
        """Leave only some rows."""
        return _Data(
            t=self.t[rows],
            log_p=self.log_p[rows],
            noise=self.noise[rows],
            weight=self.weight[rows],
        )

    def log_misfit(self, signal: FloatArray) -> FloatArray:
        """Logarithm of measured over described power, (k, b)."""
        return np.asarray(self.log_p - np.log(np.maximum(signal + self.noise, 1e-14)))

    def deviance(self, misfit: FloatArray) -> FloatArray:
        """Huber's sum: squares near zero, straight beyond `HUBER`."""
        size = np.abs(misfit)
        rho = np.where(size <= HUBER, size**2, HUBER * (2.0 * size - HUBER))
        return np.asarray(np.sum(self.weight * rho, axis=1))

    def normal_equations(
        self, signal: FloatArray, jacobian: FloatArray, misfit: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Matrix and right-hand side of a step, (k, p, p) and (k, p)."""
        slopes = jacobian / np.maximum(signal + self.noise, 1e-14)[:, None, :]
        weight = self.weight * np.minimum(1.0, HUBER / np.maximum(np.abs(misfit), 1e-12))
        weighted = slopes * weight[:, None, :]
        return weighted @ np.swapaxes(slopes, 1, 2), (weighted @ misfit[:, :, None])[:, :, 0]


def fit_stages(groups: Sequence[Blocks]) -> list[dict[Candidate, Fit]]:
    """Fit all descriptions to all envelopes.

    Parameters
    ----------
    groups : sequence of Blocks
        Groups of envelopes, each group on times of its own.

    Returns
    -------
    list of dict
        One for each group: the fits of each description.
    """
    data = _Data.of_all(groups)
    ends = np.cumsum([group.noise.size for group in groups])
    rows = [slice(end - group.noise.size, end) for group, end in zip(groups, ends, strict=True)]

    def beats(fit: Fit) -> FloatArray:
        starts = [
            _beat_start(group, fit.of(part, group.t.size))
            for group, part in zip(groups, rows, strict=True)
        ]
        return np.hstack([fit.theta, np.concatenate(starts)])

    single, double = (
        np.concatenate(start) for start in zip(*map(_grid_starts, groups), strict=True)
    )
    one, two = _refine(data, single, 1), _refine(data, double, 2)
    fits = {
        Candidate.ONE: one,
        Candidate.ONE_BEATING: _refine(data, beats(one), 1),
        Candidate.TWO: two,
        Candidate.TWO_IN_PHASE: _refine(
            data, two.theta + IN_PHASE_SHIFT, 2, in_phase=True, steps=IN_PHASE_STEPS
        ),
        Candidate.TWO_BEATING: _two_beating(data, two, beats(two)),
    }
    return [
        {key: fit.of(part, group.t.size) for key, fit in fits.items()}
        for group, part in zip(groups, rows, strict=True)
    ]


def _two_beating(data: _Data, plain: Fit, start: FloatArray) -> Fit:
    """Two stages that beat, from what two that do not leave; where that is much, also anew."""
    found = _refine(data, start, 2)
    misfit = plain.deviance / np.maximum(data.weight.sum(axis=1), 1e-12)
    poor = np.flatnonzero(misfit > OPPOSED_MISFIT**2)
    if poor.size:
        # Modes of one frequency in opposite phase: the sound passes through nothing. The stages
        # then lie higher, and differ less in rate, than a fit without it says.
        shifted = plain.theta[poor] + np.array(OPPOSED_SHIFT)
        opposed = np.hstack([shifted, np.tile(OPPOSED, (poor.size, 1))])
        other = _refine(data.of(poor), opposed, 2)
        better = np.flatnonzero(other.deviance < found.deviance[poor])
        found.put(poor[better], other.of(better))
    return found


def _grid_starts(b: Blocks) -> tuple[FloatArray, FloatArray]:
    """Best single rate and best pair of rates on a grid, amplitudes by least squares."""
    rates = np.geomspace(0.05, 2.5 * b.t.size / 4.0, RATE_STEPS)
    basis = np.exp(-rates[:, None] * b.t)
    smooth = np.maximum(smoothed(b.p), 1e-12)
    weight = b.weight / smooth**2
    target = b.p - b.noise[:, None]
    gram = (weight[:, None, :] * basis) @ basis.T  # (k, g, g)
    moment = (weight * target) @ basis.T  # (k, g)
    diagonal = np.einsum("kgg->kg", gram)
    gain = np.where(moment > 0, moment**2 / np.maximum(diagonal, 1e-300), -np.inf)
    best = np.argmax(gain, axis=1)
    rows = np.arange(best.size)
    amplitude = np.maximum(moment[rows, best] / np.maximum(diagonal[rows, best], 1e-300), 1e-6)
    single = np.column_stack([np.log(amplitude), np.log(rates[best])])

    slow, fast = np.triu_indices(RATE_STEPS, 2)  # neighbours are left out: ill-conditioned
    off = gram[:, slow, fast]
    determinant = np.maximum(diagonal[:, slow] * diagonal[:, fast] - off**2, 1e-300)
    a_slow = (diagonal[:, fast] * moment[:, slow] - off * moment[:, fast]) / determinant
    a_fast = (diagonal[:, slow] * moment[:, fast] - off * moment[:, slow]) / determinant
    gain = a_slow * moment[:, slow] + a_fast * moment[:, fast]
    gain = np.where((a_slow > 0) & (a_fast > 0), gain, -np.inf)
    pair = np.argmax(gain, axis=1)
    found = np.isfinite(gain[rows, pair])
    double = np.column_stack(
        [
            np.log(np.where(found, np.maximum(a_fast[rows, pair], 1e-12), amplitude)),
            np.where(found, np.log(rates[fast[pair]]), single[:, 1] + 0.4),
            np.log(np.where(found, np.maximum(a_slow[rows, pair], 1e-12), 0.03 * amplitude)),
            np.where(found, np.log(rates[slow[pair]]), single[:, 1] - 0.7),
        ]
    )
    return single, double


def _beat_start(b: Blocks, fit: Fit) -> FloatArray:
    """Strongest sinusoid in the residual beside a line, as (u, v, w)."""
    stages = fit.theta.shape[1] // 2
    signal, _ = _model(fit.theta, b.t, stages)
    if stages == 2:
        first = np.exp(fit.theta[:, 0:1] - np.exp(fit.theta[:, 1:2]) * b.t)
        second = np.exp(fit.theta[:, 2:3] - np.exp(fit.theta[:, 3:4]) * b.t)
        depth = 2.0 * np.sqrt(first * second) / (signal + b.noise[:, None])
    else:
        depth = signal / (signal + b.noise[:, None])
    count = int(min(40, b.t.size // 2 - 2))
    w = 2.0 * np.pi * np.linspace(BEAT_CYCLES, b.t.size / 5.0, count)
    line = np.stack([np.ones_like(b.t), b.t])
    waves = np.stack([np.cos(w[:, None] * b.t), np.sin(w[:, None] * b.t)], axis=1)
    scaled = np.empty((depth.shape[0], w.size, 4, b.t.size))
    scaled[:, :, :2] = line
    scaled[:, :, 2:] = waves * depth[:, None, None, :]
    gram = (scaled * b.weight[:, None, None, :]) @ np.swapaxes(scaled, 2, 3)
    moment = scaled @ (b.weight * np.clip(fit.residual, -1.0, 1.0))[:, None, :, None]
    gram = gram + 1e-9 * np.trace(gram, axis1=2, axis2=3)[..., None, None] * np.eye(4)
    solution = np.linalg.solve(gram, moment)[..., 0]
    gain = np.sum(solution * moment[..., 0], axis=2)
    best = np.argmax(gain, axis=1)
    rows = np.arange(best.size)
    uv = solution[rows, best][:, 2:]
    norm = np.maximum(np.hypot(uv[:, 0], uv[:, 1]), 1e-12)
    uv = uv * np.minimum(1.0, 0.9 / norm)[:, None]
    return np.column_stack([uv, w[best]])


def _refine(
    data: _Data, start: FloatArray, stages: int, *, steps: int = STEPS, in_phase: bool = False
) -> Fit:
    """Gauss-Newton with Levenberg's damping, all envelopes side by side."""
    theta = start.copy()
    has_beat = theta.shape[1] > 2 * stages
    damping = np.full(theta.shape[0], FIRST_DAMPING)
    signal, jacobian = _model(theta, data.t, stages, in_phase=in_phase)
    misfit = data.log_misfit(signal)
    deviance = data.deviance(misfit)
    identity = np.eye(theta.shape[1])
    # Envelopes whose fit has come to rest are left out of the further steps.
    moving = np.arange(theta.shape[0])
    part = data
    for _ in range(steps):
        fisher, score = part.normal_equations(signal[moving], jacobian[moving], misfit[moving])
        scale = np.diagonal(fisher, axis1=1, axis2=2) + 1e-9
        damped = fisher + (damping[moving, None] * scale)[:, :, None] * identity
        step = np.linalg.solve(damped, score[:, :, None])[:, :, 0]
        step = np.minimum(np.maximum(step, -1.0), 1.0)
        trial = _bounded(theta[moving] + step, stages, has_beat=has_beat)
        trial_signal, trial_jacobian = _model(trial, part.t, stages, in_phase=in_phase)
        trial_misfit = part.log_misfit(trial_signal)
        trial_deviance = part.deviance(trial_misfit)
        before = deviance[moving]
        better = trial_deviance < before
        gain = before - trial_deviance
        predicted = np.sum(step * (damping[moving, None] * scale * step + score), axis=1)
        is_done = np.where(better, gain <= 1e-4 * before, damping[moving] > 1e3)
        moved = moving[better]
        theta[moved] = trial[better]
        signal[moved] = trial_signal[better]
        misfit[moved] = trial_misfit[better]
        jacobian[moved] = trial_jacobian[better]
        deviance[moved] = trial_deviance[better]
        # As much less as the step kept what it promised: Nielsen's rule.
        kept = np.clip(gain / np.maximum(predicted, 1e-300), 0.0, 1.5)
        lower = np.maximum(LEAST_FACTOR, 1.0 - (2.0 * kept - 1.0) ** 3)
        damping[moving] *= np.where(better, lower, MORE_FACTOR)
        np.minimum(np.maximum(damping, 1e-9, out=damping), 1e6, out=damping)
        if is_done.any():
            moving = moving[~is_done]
            if moving.size == 0:
                break
            part = data.of(moving)
    fisher, _score = data.normal_equations(signal, jacobian, misfit)
    return Fit(theta=theta, deviance=deviance, fisher=fisher, residual=misfit)


def _bounded(theta: FloatArray, stages: int, *, has_beat: bool) -> FloatArray:
    """Keep rates, amplitudes and the depth of a beat where they mean something."""
    bounded = theta.copy()
    np.clip(theta[:, 0 : 2 * stages : 2], -40.0, 12.0, out=bounded[:, 0 : 2 * stages : 2])
    np.clip(theta[:, 1 : 2 * stages : 2], -6.0, 6.0, out=bounded[:, 1 : 2 * stages : 2])
    if has_beat:
        norm = np.hypot(theta[:, -3], theta[:, -2])
        shrink = 0.98 / np.maximum(norm, 0.98)
        bounded[:, -3:-1] = theta[:, -3:-1] * shrink[:, None]
        bounded[:, -1] = np.maximum(np.abs(theta[:, -1]), 2.0 * np.pi * 0.02)
    return bounded

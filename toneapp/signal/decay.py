"""How fast does a struck string die away, and does it do so in one stage or in two?

Power over time is described as one or two exponential stages above a known noise floor, with or
without a beat between two modes::

    P(t) = A1 exp(-a1 t) + A2 exp(-a2 t) + 2 sqrt(A1 A2) exp(-(a1 + a2) t / 2) g(t) + N
    g(t) = u cos(w t) + v sin(w t),  u^2 + v^2 < 1

which is the power of two damped modes of nearly the same frequency. Five descriptions are fitted
(one or two stages with and without ``g``, and two stages in phase, ``g = 1``, whose amplitudes
add) and compared by the Bayesian information criterion. A knee is believed only if it explains the
sound better than a beat does.

Conventions: times in s from the onset; power in any linear unit; ``a`` is the rate of the power
in 1/s, so that T60 = 6 ln(10) / a. Levels of the stages are extrapolated to the onset.

Functions: `fit_decay` (one envelope), `fit_decays` (several on the same times), `fit_all` (several
such groups, all side by side).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray
from toneapp.results import Flag
from toneapp.signal.stages import DB_PER_NEPER, HUBER, Blocks, Candidate, Fit, fit_stages, smoothed

__all__ = ["DecayFit", "HeldPowers", "fit_all", "fit_decay", "fit_decays"]

T60_NEPER = 6.0 * math.log(10.0)
"""ln of the power ratio of 60 dB: T60 = T60_NEPER / a."""

MIN_BLOCKS = 12  # fewer points cannot tell seven parameters, so no decay is fitted
MIN_SPAN_S = 0.15  # s; below this the attack and the sound of the room still rule
LOG_FLOOR = 0.01  # ln power (0.04 dB); agreement closer than this is no evidence
BIC_MARGIN = 2.0  # "positive" evidence: Kass and Raftery, J. Am. Stat. Assoc. 90 (1995) 773
LEAST_BEND = 0.1  # ln power (0.4 dB rms); a line that fits better than this has no knee in it
MIN_KNEE_DROP_DB = 8.0  # fall of the prompt sound before the knee; shallower bends are beats, or
# partials that die at different rates
MIN_RATE_RATIO = 1.4  # slower stages are not told apart by ear or by design of any piano
MAX_LOG_SE = 0.35  # a T60 known to worse than some 35 % is not reported
KNEE_RANGE_DB = 30.0  # aftersound lies 15 to 30 dB below the prompt sound: common practice, no
# source; a decay seen over less than this range without a knee may still have one
BEAT_CYCLES_SEEN = 0.8  # a beat of less than about a cycle is a mere bend, and a knee is likelier
SLOW_BEAT_PENALTY = 15.0
EARLY_RANGE_DB = 20.0  # Wogram, in Five Lectures on the Acoustics of the Piano (1990)
POOR_MISFIT = 0.25  # ln power (1.1 dB rms); one straight line does not describe the whole


@dataclass(frozen=True, slots=True, kw_only=True)
class DecayFit:
    """One decay, in one stage or two."""

    prompt_t60_s: float | None = None  # of the only stage when there is one
    prompt_t60_s_se: float | None = None
    after_t60_s: float | None = None
    after_t60_s_se: float | None = None
    knee_s: float | None = None  # from the onset; the stages are equally strong there
    aftersound_level_db: float | None = None  # second stage re first, both at the onset
    aftersound_level_db_se: float | None = None
    is_two_stage: bool = False
    adds_amplitudes: bool = False  # two stages in phase; else their powers add
    prompt_level_db: float | None = None  # 10 lg(A1), at the onset
    range_db: float = 0.0  # fall of the level over the part that was used
    end_s: float | None = None  # where the used part ends: hold or noise
    beat_hz: float | None = None  # of the description chosen, if it has a beat
    noise_power: float = 0.0
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeldPowers:
    """Envelopes on the same times, whose decays are sought: as in `fit_decays`."""

    times_s: FloatArray  # (m,)
    power: FloatArray  # (k, m)
    noise_power: FloatArray  # (k,)
    t_start_s: float
    t_end_s: float
    band_width_hz: float | None = None


def fit_decay(
    times_s: FloatArray,
    power: FloatArray,
    *,
    noise_power: float,
    t_start_s: float,
    t_end_s: float,
    band_width_hz: float | None = None,
) -> DecayFit:
    """Fit the decay of one envelope.

    Parameters
    ----------
    times_s : ndarray, shape (m,)
        Times in s from the onset, evenly spaced, rising.
    power : ndarray, shape (m,)
        Power, noise included, >= 0.
    noise_power : float
        Mean power of the noise alone, same unit, >= 0.
    t_start_s, t_end_s : float
        The part to use, in s: after the attack, before the release.
    band_width_hz : float, optional
        Equivalent noise bandwidth of the envelope in Hz; the spacing of independent samples
        follows from it. Without it every sample counts as independent as far as the noise goes.

    Returns
    -------
    DecayFit
        The decay. What cannot be measured is ``None``, with the reason in `flags`.

    Raises
    ------
    ValueError
        If shapes differ, times are not rising, or a value is not finite or negative.

    Examples
    --------
    >>> t = np.arange(0.0, 8.0, 0.02)
    >>> fit = fit_decay(t, 10 ** (-0.6 * t), noise_power=0.0, t_start_s=0.0, t_end_s=8.0)
    >>> round(fit.prompt_t60_s, 2), fit.is_two_stage
    (10.0, False)
    """
    return fit_decays(
        times_s,
        np.atleast_2d(power),
        noise_power=np.atleast_1d(np.asarray(noise_power, dtype=np.float64)),
        t_start_s=t_start_s,
        t_end_s=t_end_s,
        band_width_hz=band_width_hz,
    )[0]


def fit_decays(
    times_s: FloatArray,
    power: FloatArray,
    *,
    noise_power: FloatArray,
    t_start_s: float,
    t_end_s: float,
    band_width_hz: float | None = None,
) -> tuple[DecayFit, ...]:
    """Fit the decays of several envelopes on the same times.

    Parameters
    ----------
    times_s : ndarray, shape (m,)
        As in `fit_decay`.
    power : ndarray, shape (k, m)
        Power of each envelope.
    noise_power : ndarray, shape (k,)
        Mean noise power of each envelope.
    t_start_s, t_end_s : float
        As in `fit_decay`.
    band_width_hz : float, optional
        As in `fit_decay`.

    Returns
    -------
    tuple of DecayFit, length k
        One fit for each envelope.

    Raises
    ------
    ValueError
        As in `fit_decay`.

    Notes
    -----
    The power is averaged over up to 64 blocks, so that the noise comes near its mean before the
    logarithm is taken (what bias is left is corrected), and the logarithm is fitted with Huber's
    robust sum: the trough of a beat pulls no harder than its crest. Each block weighs by what the
    noise lets it know; blocks within 3 dB of the noise are left out. Fits start from the best
    pair on a grid of rates (linear in the amplitudes) and are finished by Gauss-Newton steps.

    Beats of half a cycle and more are among the descriptions. One of less than a cycle and a knee
    can look the same; then a knee is the likelier unless the beat is clearly better. A knee needs
    a prompt sound that falls 8 dB before it. If one stage describes the whole poorly and a second
    is not proven, the line through the first 20 dB counts.

    Standard errors take the scatter of the residuals and their correlation from block to block
    into account. They do not know what a description leaves out: a beat slower than the hold, a
    third stage. Amplitudes interfere in a real unison (Weinreich 1977); ``g`` with a small ``w``
    takes that up.

    References
    ----------
    .. [1] M. Karjalainen, P. Antsalo, A. Makivirta, T. Peltonen, V. Valimaki, "Estimation of modal
       decay parameters from noisy response measurements", J. Audio Eng. Soc. 50, 867 (2002):
       fitting level, rate and noise floor together.
    .. [2] G. Weinreich, "Coupled piano strings", J. Acoust. Soc. Am. 62, 1474 (1977).
    .. [3] P. J. Huber, "Robust Statistics", 1981 (from memory).
    .. [4] G. Schwarz, "Estimating the dimension of a model", Ann. Stat. 6, 461 (1978) (from
       memory): the information criterion.
    """
    held = HeldPowers(
        times_s=times_s,
        power=power,
        noise_power=noise_power,
        t_start_s=t_start_s,
        t_end_s=t_end_s,
        band_width_hz=band_width_hz,
    )
    return fit_all([held])[0]


def fit_all(held: Sequence[HeldPowers]) -> list[tuple[DecayFit, ...]]:
    """Fit the decays of several groups of envelopes side by side.

    Parameters
    ----------
    held : sequence of HeldPowers, length g
        The groups, each on times of its own.

    Returns
    -------
    list of tuple of DecayFit, length g
        As `fit_decays` gives for each group by itself, in less time.

    Raises
    ------
    ValueError
        As in `fit_decay`.
    """
    found: list[tuple[DecayFit, ...]] = []
    places: list[int] = []
    groups: list[Blocks] = []
    for group in held:
        times, powers, noise = _checked(group.times_s, group.power, group.noise_power)
        used = (times >= group.t_start_s) & (times <= group.t_end_s)
        span_s = float(np.ptp(times[used])) if used.any() else 0.0
        if used.sum() < MIN_BLOCKS or span_s < MIN_SPAN_S:
            short = (Flag.HOLD_TOO_SHORT,)
            found.append(tuple(DecayFit(noise_power=float(n), flags=short) for n in noise))
            continue
        places.append(len(found))
        found.append(())
        groups.append(
            Blocks.of(times[used], powers[:, used], noise, band_width_hz=group.band_width_hz)
        )
    if groups:
        for place, blocks, fits in zip(places, groups, fit_stages(groups), strict=True):
            found[place] = _Choice(blocks, fits).results()
    return found


def _checked(
    times_s: FloatArray, power: FloatArray, noise_power: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    times = np.asarray(times_s, dtype=np.float64)
    powers = np.asarray(power, dtype=np.float64)
    noise = np.asarray(noise_power, dtype=np.float64)
    if times.ndim != 1 or powers.ndim != 2 or powers.shape[1] != times.size:
        raise ValueError(f"power must be (k, {times.size}) like the times, got {powers.shape}")
    if noise.shape != (powers.shape[0],):
        raise ValueError(f"noise_power must be ({powers.shape[0]},), got {noise.shape}")
    if times.size > 1 and not np.all(np.diff(times) > 0):
        raise ValueError("times must rise")
    for name, values in (("times", times), ("power", powers), ("noise_power", noise)):
        if not np.all(np.isfinite(values)):
            raise ValueError(f"{name} must be finite")
    if np.any(powers < 0) or np.any(noise < 0):
        raise ValueError("power must not be negative (were these decibels?)")
    return times, powers, noise


class _Choice:
    """Chooses between the descriptions of each envelope and reads the result off."""

    def __init__(self, blocks: Blocks, fits: dict[Candidate, Fit]) -> None:
        self.blocks = blocks
        self.fits = fits

    def results(self) -> tuple[DecayFit, ...]:
        return tuple(self._result(row) for row in range(self.blocks.p.shape[0]))

    def _result(self, row: int) -> DecayFit:
        b = self.blocks
        limit = Flag.NOISE_HIDES_DECAY if b.meets_noise[row] else Flag.HOLD_TOO_SHORT
        end_s = float(b.end_s[row])
        noise_power = float(b.noise[row] * b.scale[row])
        points = int(np.count_nonzero(b.weight[row]))
        if points < MIN_BLOCKS or end_s - b.start_s < MIN_SPAN_S:
            return DecayFit(noise_power=noise_power, flags=(limit,))
        criteria = self._criteria(row, points)
        slow_beat = (
            self.fits[Candidate.ONE_BEATING].theta[row, -1] < 2.0 * math.pi * BEAT_CYCLES_SEEN
        )
        doubt = SLOW_BEAT_PENALTY if slow_beat else 0.0
        one = min(criteria[Candidate.ONE], criteria[Candidate.ONE_BEATING] + doubt)
        still = min(criteria[Candidate.TWO], criteria[Candidate.TWO_IN_PHASE])
        two = min(still, criteria[Candidate.TWO_BEATING])
        common = {
            "noise_power": noise_power,
            "range_db": float(b.range_db[row]),
            "end_s": end_s,
        }
        line = self.fits[Candidate.ONE].deviance[row] / max(b.weight[row].sum(), 1e-12)
        if two < one - BIC_MARGIN and line > LEAST_BEND**2:
            has_beat = criteria[Candidate.TWO_BEATING] < still - BIC_MARGIN
            unmoved = min(Candidate.TWO, Candidate.TWO_IN_PHASE, key=lambda key: criteria[key])
            for try_beat in (has_beat, not has_beat):
                key = Candidate.TWO_BEATING if try_beat else unmoved
                fit = self._two_stages(row, key, limit=limit, common=common)
                if fit is not None:
                    return fit
        has_beat = criteria[Candidate.ONE_BEATING] < criteria[Candidate.ONE] - BIC_MARGIN
        return self._one_stage(row, has_beat=has_beat, limit=limit, common=common)

    def _criteria(self, row: int, points: int) -> dict[Candidate, float]:
        """Bayesian information criterion with the number of independent residuals."""
        inflation = self._inflation(row, self.fits[Candidate.TWO_BEATING].residual[row])
        independent = max(points / inflation, 8.0)
        floor = LOG_FLOOR**2 * points
        return {
            key: independent * math.log((fit.deviance[row] + floor) / points)
            + fit.theta.shape[1] * math.log(independent)
            for key, fit in self.fits.items()
        }

    def _inflation(self, row: int, residual: FloatArray) -> float:
        """Blocks per independent block, from the autocorrelation up to its first zero."""
        weight = self.blocks.weight[row]
        used = weight > 0
        return self._correlation(
            (np.clip(residual, -2.0 * HUBER, 2.0 * HUBER) * np.sqrt(weight))[used]
        )

    @staticmethod
    def _correlation(r: FloatArray) -> float:
        energy = float(r @ r)
        if energy <= 0:
            return 1.0
        total = 1.0
        for lag in range(1, max(r.size // 4, 2)):
            rho = float(r[lag:] @ r[:-lag]) / energy
            if rho <= 0.05:
                break
            total += 2.0 * rho
        return total

    def _covariance(self, row: int, key: Candidate) -> FloatArray | None:
        fit = self.fits[key]
        points = int(np.count_nonzero(self.blocks.weight[row]))
        count = fit.theta.shape[1]
        inflation = self._inflation(row, fit.residual[row])
        clipped = np.clip(fit.residual[row], -HUBER, HUBER)
        inner = np.sum(self.blocks.weight[row] * (np.abs(fit.residual[row]) <= HUBER))
        # Variance of an M-estimate: E[psi^2] / E[psi'] beside the weighted normal matrix.
        share = max(float(inner / max(np.sum(self.blocks.weight[row]), 1e-12)), 0.2)
        pearson = float(np.sum(self.blocks.weight[row] * clipped**2))
        dispersion = pearson / (max(points - count, 1) * share)
        information = fit.fisher[row] / max(dispersion * inflation, 1e-300)
        if key.has_beat:
            # The depth is at most one, and the rate was sought within a cycle or so: this much is
            # known beforehand, and keeps a beat at its bound from spoiling the rest.
            information[-3:, -3:] += np.diag([1.0, 1.0, 1.0 / (2.0 * math.pi) ** 2])
        try:
            covariance = np.linalg.inv(information)
        except np.linalg.LinAlgError:
            return None
        return covariance if np.all(np.diag(covariance) >= 0) else None

    def _beat_hz(self, row: int, key: Candidate) -> float | None:
        if not key.has_beat:
            return None
        return float(self.fits[key].theta[row, -1]) / (2.0 * math.pi * self.blocks.span_s)

    def _one_stage(
        self, row: int, *, has_beat: bool, limit: Flag, common: dict[str, float]
    ) -> DecayFit:
        b = self.blocks
        key = Candidate.ONE_BEATING if has_beat else Candidate.ONE
        theta = self.fits[key].theta[row]
        covariance = self._covariance(row, key)
        if covariance is None or math.sqrt(covariance[1, 1]) > MAX_LOG_SE:
            return DecayFit(**common, flags=(limit,))  # type: ignore[arg-type]
        rate = math.exp(theta[1]) / b.span_s
        ln_level = float(theta[0]) + rate * b.start_s - b.averaging_ln(rate)
        ln_se = math.sqrt(covariance[1, 1])
        misfit = math.sqrt(self.fits[key].deviance[row] / b.weight[row].sum())
        cycles = float(self.fits[Candidate.ONE_BEATING].theta[row, -1]) / (2.0 * math.pi)
        is_poor = misfit > POOR_MISFIT and not (has_beat and cycles >= BEAT_CYCLES_SEEN)
        if is_poor:
            early = self._early_slope(row)
            if early is None:
                return DecayFit(**common, flags=(limit,))  # type: ignore[arg-type]
            rate, ln_se, ln_level = early
        t60_s = T60_NEPER / rate
        seen = common["range_db"] >= KNEE_RANGE_DB and not is_poor
        return DecayFit(
            prompt_t60_s=t60_s,
            prompt_t60_s_se=t60_s * ln_se,
            prompt_level_db=DB_PER_NEPER * (ln_level + math.log(b.scale[row])),
            beat_hz=self._beat_hz(row, key),
            flags=(Flag.SINGLE_STAGE,) if seen else (limit,),
            **common,  # type: ignore[arg-type]  # plain numbers
        )

    def _early_slope(self, row: int) -> tuple[float, float, float] | None:
        """Line through the first 20 dB: rate in 1/s, its relative error, ln level at the onset."""
        b = self.blocks
        weight = b.weight[row]
        clean = np.maximum(np.exp(b.log_p[row]) - b.noise[row], 1e-12)
        ln_p = np.log(clean)
        running = smoothed(ln_p[None])[0]
        low = running < running[:4].max() - EARLY_RANGE_DB / DB_PER_NEPER
        stop = int(np.argmax(low)) if low.any() else int(np.count_nonzero(weight))
        if stop < MIN_BLOCKS // 2:
            return None
        t, y, w = b.t[:stop] * b.span_s + b.start_s, ln_p[:stop], weight[:stop]
        design = np.column_stack([np.ones_like(t), -t])
        normal = design.T @ (w[:, None] * design)
        level, rate = np.linalg.solve(normal, design.T @ (w * y))
        residual = y - design @ np.array([level, rate])
        dispersion = float(w @ residual**2) / max(stop - 2, 1)
        inflation = min(self._correlation(residual * np.sqrt(w)), stop / 3.0)
        variance = float(np.linalg.inv(normal)[1, 1]) * dispersion * inflation
        if rate <= 0 or math.sqrt(variance) > MAX_LOG_SE * rate:
            return None
        return float(rate), math.sqrt(variance) / float(rate), float(level)

    def _two_stages(
        self, row: int, key: Candidate, *, limit: Flag, common: dict[str, float]
    ) -> DecayFit | None:
        b = self.blocks
        theta = self.fits[key].theta[row]
        covariance = self._covariance(row, key)
        if covariance is None:
            return None
        first, second = (0, 2) if theta[1] >= theta[3] else (2, 0)
        rate_1 = math.exp(theta[first + 1]) / b.span_s
        rate_2 = math.exp(theta[second + 1]) / b.span_s
        ln_a1 = float(theta[first]) + rate_1 * b.start_s - b.averaging_ln(rate_1)
        ln_a2 = float(theta[second]) + rate_2 * b.start_s - b.averaging_ln(rate_2)
        if rate_1 < MIN_RATE_RATIO * rate_2 or ln_a1 <= ln_a2:
            return None
        knee_s = (ln_a1 - ln_a2) / (rate_1 - rate_2)
        se_1 = math.sqrt(covariance[first + 1, first + 1])
        se_2 = math.sqrt(covariance[second + 1, second + 1])
        fall_db = DB_PER_NEPER * rate_1 * (knee_s - b.start_s)
        if knee_s > common["end_s"] or fall_db < MIN_KNEE_DROP_DB or se_1 > MAX_LOG_SE:
            return None
        direction = np.zeros(theta.size)
        direction[second], direction[first] = 1.0, -1.0
        direction[second + 1] = rate_2 * b.start_s
        direction[first + 1] = -rate_1 * b.start_s
        level_se = DB_PER_NEPER * math.sqrt(max(float(direction @ covariance @ direction), 0.0))
        is_after_known = se_2 <= MAX_LOG_SE
        t60_1, t60_2 = T60_NEPER / rate_1, T60_NEPER / rate_2
        return DecayFit(
            prompt_t60_s=t60_1,
            prompt_t60_s_se=t60_1 * se_1,
            after_t60_s=t60_2 if is_after_known else None,
            after_t60_s_se=t60_2 * se_2 if is_after_known else None,
            knee_s=knee_s,
            aftersound_level_db=DB_PER_NEPER * (ln_a2 - ln_a1),
            aftersound_level_db_se=level_se,
            is_two_stage=True,
            adds_amplitudes=key is Candidate.TWO_IN_PHASE,
            prompt_level_db=DB_PER_NEPER * (ln_a1 + math.log(b.scale[row])),
            beat_hz=self._beat_hz(row, key),
            flags=() if is_after_known else (limit,),
            **common,
        )

"""How long does a note sing? Prompt sound, aftersound and sustain of one strike.

The headline is measured on the power of all partials together. That is what the ear follows and
what stays the same when a partial is weak or missing; beats of the partials run at different
rates and fill each other's troughs. The partials' own decays stand in the table beside it.

Conventions: times in s from the onset; power in any linear unit with the noise in it, one row for
each partial.

Function: `measure_decays`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from toneapp._typing import FloatArray
from toneapp.results import Flag
from toneapp.signal.decay import DecayFit, HeldPowers, fit_all
from toneapp.signal.schroeder import reverberation_times

__all__ = ["NoteDecay", "measure_decays"]

SUSTAIN_DB = 20.0
"""Fall that ends the sustain (Wogram, in Five Lectures on the Acoustics of the Piano, 1990)."""
SMOOTHING_S = 0.04  # mean power over this; longer spans round the maximum off in the treble
EARLY_S = 0.5  # the early maximum is sought so long from the start
LEAST_SEEN_DB = 10.0  # half the fall must be seen before the rest is drawn on
MAX_SUSTAIN_LOG_SE = 0.3  # a sustain drawn on with more doubt than this is not reported
MODEL_LOG_SE = 0.12
"""What a sum of two exponentials leaves out of a real decay, in ln T60: five blows on one note of
a recorded grand differ by 0.07, and simulated pianos whose motion is known by 0.13."""

PARTIALS_RANGE_DB = 20.0
"""The rates of single partials count only where the note was seen to fall so far: over less, a
beat bends the line of a partial more than its decay does, and the steepest weigh most."""

SUSTAIN_WEIGHT = 2.0
"""Of the sustain among the readings of the prompt sound: it spans 20 dB, and beats that are over
by then do not move it."""

MOST_PARTIALS = 16
"""Partials whose own decays are fitted, the lowest; all of them enter the decay of the note."""

AFTER_MODEL_LOG_SE = 0.22
"""The same of the aftersound: beats of the slow motions, and a third stage."""

RIPPLE_DB = 2.0  # of the sum of partials by slow beats; on the same recordings
LONE_EDT_LOG_SE = 0.25  # of an early decay time that no fit confirms
STEPS = 2000  # of the curve on which a sustain is drawn on


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteDecay:
    """Decay of one strike: all partials together, and each alone."""

    prompt_t60_s: float | None = None
    prompt_t60_s_se: float | None = None
    after_t60_s: float | None = None
    after_t60_s_se: float | None = None
    knee_s: float | None = None
    aftersound_level_db: float | None = None  # re the prompt sound, both at the onset
    is_two_stage: bool = False
    sustain_20db_s: float | None = None
    sustain_is_drawn_on: bool = False  # beyond the end of the hold, from the fit
    schroeder_t20_s: float | None = None
    edt_s: float | None = None
    partials: tuple[DecayFit, ...] = ()  # of the lowest partials
    flags: tuple[Flag, ...] = ()


def measure_decays(held: Sequence[HeldPowers]) -> list[NoteDecay]:
    """Measure the decays of some strikes, side by side: that takes less time than one by one.

    Parameters
    ----------
    held : sequence of HeldPowers
        The held part of each strike, from the end of the attack to the release, the next onset or
        the end of the sound: power of its partials, at least one, and of the noise in their bands,
        in one common unit.

    Returns
    -------
    list of NoteDecay
        What cannot be measured is ``None``, with the reason in `flags`.

    Raises
    ------
    ValueError
        If shapes differ, times do not rise, or a value is negative or not finite.

    Notes
    -----
    Sum of the partials rather than an average over them: on thirty notes of a recorded grand at
    five strengths of blow (which should not change the rate: Cheng, Dixon, Mauch 2015) with 4 s
    of each, the prompt T60 of the sum scattered by 0.075 (standard deviation of the logarithm,
    median over notes) against 0.07 to 0.08 for energy-weighted medians over the partials, which
    have no aftersound or knee of their own.

    Sustain is the time from the strike until the mean level over 0.04 s has fallen 20 dB from its
    maximum of the first half second. If the level crosses that line several times (beats), the
    middle between first and last crossing counts. If the hold ends earlier, and at least half of
    the fall was seen, the fitted decay is drawn on.

    References
    ----------
    .. [1] K. Wogram, in Five Lectures on the Acoustics of the Piano, Royal Swedish Academy of
       Music, Stockholm 1990: early decay from the maximum to -20 dB.
    .. [2] T. Cheng, S. Dixon, M. Mauch, "Modelling the decay of piano sounds", Proc. ICASSP 2015.
    """
    fits = fit_all([_with_sum(strike) for strike in held])
    return [_read(strike, fit) for strike, fit in zip(held, fits, strict=True)]


def _with_sum(held: HeldPowers) -> HeldPowers:
    """Put the sum of all partials before the lowest ones."""
    powers = np.asarray(held.power, dtype=np.float64)
    noise = np.asarray(held.noise_power, dtype=np.float64)
    if powers.ndim != 2 or powers.shape[0] == 0:
        raise ValueError(f"power must be (k, m) with at least one band, got {powers.shape}")
    return replace(
        held,
        power=np.vstack([powers.sum(axis=0), powers[:MOST_PARTIALS]]),
        noise_power=np.append(noise.sum(), noise[:MOST_PARTIALS]),
    )


def _read(held: HeldPowers, fits: tuple[DecayFit, ...]) -> NoteDecay:
    """Read off the decay of a strike: that of its sum comes first among the fits."""
    times = np.asarray(held.times_s, dtype=np.float64)
    total, floor = np.sum(held.power, axis=0), float(np.sum(held.noise_power))
    t_start_s, t_end_s = held.t_start_s, held.t_end_s
    whole, partials = fits[0], fits[1:]
    inside = (times >= t_start_s) & (times <= t_end_s)
    # The maximum lies in the attack, before the part that is fitted.
    sung = (times >= 0.0) & (times <= t_end_s)
    sustain_s, is_drawn_on = _sustain(times[sung], total[sung], floor, whole)
    highest_s = _highest_s(times[sung], total[sung])
    edt_s = t20_s = None
    if np.count_nonzero(inside) >= 8:
        integrated = reverberation_times(times[inside], total[inside], noise_power=floor)
        edt_s, t20_s = integrated.edt_s, integrated.t20_s
    prompt_s, prompt_se_s = _prompt(whole, edt_s)
    prompt_s, prompt_se_s = _together(
        prompt_s,
        prompt_se_s,
        partials=partials,
        fall_s=None if is_drawn_on or sustain_s is None else sustain_s - highest_s,
        whole=whole,
    )
    return NoteDecay(
        prompt_t60_s=prompt_s,
        prompt_t60_s_se=prompt_se_s,
        after_t60_s=whole.after_t60_s,
        after_t60_s_se=_after_se_s(whole),
        knee_s=whole.knee_s,
        aftersound_level_db=whole.aftersound_level_db,
        is_two_stage=whole.is_two_stage,
        sustain_20db_s=sustain_s,
        sustain_is_drawn_on=is_drawn_on,
        schroeder_t20_s=t20_s,
        edt_s=edt_s,
        partials=partials,
        flags=whole.flags,
    )


def _prompt(fit: DecayFit, edt_s: float | None) -> tuple[float | None, float | None]:
    """Prompt T60 and its standard error, with what two ways of measuring it disagree about."""
    if fit.prompt_t60_s is None or fit.prompt_t60_s_se is None:
        # No line fits, yet 10 dB of fall were seen: the early decay time is what can be said.
        return edt_s, None if edt_s is None else edt_s * LONE_EDT_LOG_SE
    ln_fit = math.log(fit.prompt_t60_s)
    # A ripple too slow to be seen as one tilts the line by so much.
    tilt = RIPPLE_DB / max(fit.range_db, RIPPLE_DB)
    own = (fit.prompt_t60_s_se / fit.prompt_t60_s) ** 2 + MODEL_LOG_SE**2 + tilt**2
    variance = own
    if edt_s is not None:
        variance += (0.5 * (ln_fit - math.log(edt_s))) ** 2
    if fit.is_two_stage or edt_s is None:
        return fit.prompt_t60_s, fit.prompt_t60_s * math.sqrt(variance)
    # One stage: the early decay time measures the same thing, and beats move it otherwise.
    ln_edt, weight = math.log(edt_s), 1.0 / own
    weight_edt = 1.0 / (MODEL_LOG_SE**2 + tilt**2)
    ln_t60 = (weight * ln_fit + weight_edt * ln_edt) / (weight + weight_edt)
    variance = 1.0 / (weight + weight_edt) + (0.5 * (ln_fit - ln_edt)) ** 2
    return math.exp(ln_t60), math.exp(ln_t60) * math.sqrt(variance)


def _together(
    prompt_s: float | None,
    prompt_se_s: float | None,
    *,
    partials: tuple[DecayFit, ...],
    fall_s: float | None,
    whole: DecayFit,
) -> tuple[float | None, float | None]:
    """Join three readings of the prompt T60: beats and the room move each of them differently.

    The fit of the sum; the rates of the partials, by their energy; and the sustain with the
    aftersound's share taken out. On a sum of two exponentials all three agree.
    """
    if prompt_s is None or prompt_se_s is None:
        return prompt_s, prompt_se_s
    readings = [(math.log(prompt_s), 1.0)]
    known = [p for p in partials if p.prompt_t60_s is not None and p.prompt_level_db is not None]
    if known and whole.range_db >= PARTIALS_RANGE_DB:
        energy = np.array([10.0 ** ((p.prompt_level_db or 0.0) / 10.0) for p in known])
        rate = np.array([1.0 / (p.prompt_t60_s or 1.0) for p in known])
        readings.append((-math.log(float(np.sum(energy * rate) / np.sum(energy))), 1.0))
    by_sustain = _prompt_by_sustain(fall_s, whole)
    if by_sustain is not None:
        readings.append((math.log(by_sustain), SUSTAIN_WEIGHT))
    values, weights = np.array(readings).T
    mean = float(np.average(values, weights=weights))
    spread = float(np.sqrt(np.average((values - mean) ** 2, weights=weights)))
    joined_s = math.exp(mean)
    return joined_s, joined_s * math.hypot(prompt_se_s / prompt_s, 0.7 * spread)


def _prompt_by_sustain(fall_s: float | None, whole: DecayFit) -> float | None:
    """Prompt T60 that the fall of 20 dB tells, once the aftersound's part is taken out.

    The fall is counted from the maximum: before it the note still rises.
    """
    if fall_s is None or fall_s <= 0.0:
        return None
    # Level in units that add: powers, or amplitudes where the stages are in phase.
    per_decade_db = 20.0 if whole.adds_amplitudes else 10.0
    after, start = 0.0, 1.0
    if whole.is_two_stage and whole.after_t60_s and whole.aftersound_level_db is not None:
        share = 10.0 ** (whole.aftersound_level_db / per_decade_db)
        after = share * 10.0 ** (-60.0 / per_decade_db * fall_s / whole.after_t60_s)
        start = 1.0 + share
    heard = start * 10.0 ** (-SUSTAIN_DB / per_decade_db)
    # Where the aftersound carries most of the level the sustain says nothing of the prompt sound.
    if heard - after < 0.4 * heard:
        return None
    return 60.0 * fall_s / (-per_decade_db * math.log10(heard - after))


def _after_se_s(fit: DecayFit) -> float | None:
    """Standard error of the aftersound's T60, what the model leaves out included."""
    if fit.after_t60_s is None or fit.after_t60_s_se is None:
        return None
    return math.hypot(fit.after_t60_s_se, AFTER_MODEL_LOG_SE * fit.after_t60_s)


def _sustain(
    times: FloatArray, total: FloatArray, floor: float, fit: DecayFit
) -> tuple[float | None, bool]:
    """Time of the fall by 20 dB, and whether it was drawn on beyond what was seen."""
    middle, smooth = _mean_level(times, total)
    if not smooth.size:
        return None, False
    clean = smooth - floor
    early = middle <= times[0] + EARLY_S
    highest = float(clean[early].max())
    if highest <= floor * 10.0 ** (-LEAST_SEEN_DB / 10.0):
        return None, False
    line = highest * 10.0 ** (-SUSTAIN_DB / 10.0)
    low = clean <= line
    if line > floor and low.any():
        first = int(np.argmax(low))
        if first == 0:
            return None, False
        last = int(low.size - 1 - np.argmax(~low[::-1])) + 1
        crossings = [_crossing_s(middle, clean, line, i) for i in {first, last} if i < low.size]
        return float(np.mean(crossings)), False
    seen_db = 10.0 * math.log10(highest / max(float(clean.min()), floor, 1e-300))
    if seen_db < LEAST_SEEN_DB:
        return None, False
    return _drawn_on_s(fit, 10.0 * math.log10(line)), True


def _highest_s(times: FloatArray, total: FloatArray) -> float:
    """Time of the early maximum of the mean level from which the sustain falls."""
    middle, smooth = _mean_level(times, total)
    if not smooth.size:
        return 0.0
    return float(middle[int(np.argmax(smooth[middle <= times[0] + EARLY_S]))])


def _mean_level(times: FloatArray, total: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Means over the smoothing, and the times they stand for; nothing where too little is seen."""
    if times.size < 8:
        return np.zeros(0), np.zeros(0)
    step_s = float(times[-1] - times[0]) / (times.size - 1)
    width = max(1, round(SMOOTHING_S / step_s))
    if total.size < 2 * width:
        return np.zeros(0), np.zeros(0)
    smooth = np.convolve(total, np.ones(width) / width, mode="valid")
    return times[: smooth.size] + 0.5 * (width - 1) * step_s, smooth


def _crossing_s(times: FloatArray, clean: FloatArray, line: float, index: int) -> float:
    """Time at which the level crosses a line between two points, straight in dB."""
    before, after = max(float(clean[index - 1]), 1e-300), max(float(clean[index]), 1e-300)
    if before <= after:
        return float(times[index])
    share = math.log(before / line) / math.log(before / after)
    return float(times[index - 1] + np.clip(share, 0.0, 1.0) * (times[index] - times[index - 1]))


def _drawn_on_s(fit: DecayFit, line_db: float) -> float | None:
    """Where the fitted decay reaches a level, when it is known well enough."""
    if fit.prompt_t60_s is None or fit.prompt_t60_s_se is None or fit.prompt_level_db is None:
        return None
    t60_s, se_s = fit.prompt_t60_s, fit.prompt_t60_s_se
    if fit.after_t60_s is not None and fit.after_t60_s_se is not None:
        if fit.aftersound_level_db is None:
            return None
        doubt = max(fit.after_t60_s_se / fit.after_t60_s, se_s / t60_s)
    elif fit.is_two_stage:
        return None
    else:
        doubt = se_s / t60_s
    if doubt > MAX_SUSTAIN_LOG_SE:
        return None
    t = np.linspace(0.0, fit.after_t60_s or t60_s, STEPS)
    per_decade_db = 20.0 if fit.adds_amplitudes else 10.0
    level = 10.0 ** ((fit.prompt_level_db - 60.0 * t / t60_s) / per_decade_db)
    if fit.after_t60_s is not None and fit.aftersound_level_db is not None:
        after_db = fit.prompt_level_db + fit.aftersound_level_db - 60.0 * t / fit.after_t60_s
        level = level + 10.0 ** (after_db / per_decade_db)
    low = level <= 10.0 ** (line_db / per_decade_db)
    return float(t[int(np.argmax(low))]) if low.any() else None

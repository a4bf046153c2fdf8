"""How does a strike die away: its prompt sound, its aftersound, the release?

The level of all measured partials together over time, and the two stages that were fitted to it,
laid through it in height. Times in seconds from the onset, levels in dB re the loudest moment.

Classes and functions: `DecayCurve`, `decay_curve`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray
from toneapp.desktop.strike_sound import StrikeSound
from toneapp.results import StrikeResult
from toneapp.signal.bands import extract_bands, transform_strike

__all__ = ["DecayCurve", "Stage", "decay_curve"]

SMOOTHING_S = 0.04
"""Mean power over this, as where the sustain is read."""

MOST_PARTIALS = 40
BAND_SHARE, NARROWEST_HZ, WIDEST_HZ = 0.45, 8.0, 60.0
"""Half-width of a band over the fundamental, and its bounds."""

FIT_FROM_S = 0.04
LOWEST_DB = -90.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One stage of the decay as a straight line in dB."""

    name: str
    t60_s: float
    level_db: float  # at the onset
    last_s: float  # where the line ends

    def level_at(self, time_s: float) -> float:
        """Level of the line, in dB."""
        return self.level_db - 60.0 * time_s / self.t60_s


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DecayCurve:
    """Decay of one strike."""

    times_s: FloatArray  # shape (m,)
    level_db: FloatArray  # shape (m,)
    stages: tuple[Stage, ...]  # none, or the prompt sound, or both
    fit_times_s: FloatArray  # shape (k,), from the onset to the release; empty without a fit
    fit_db: FloatArray  # shape (k,), both stages together
    release_s: float | None
    knee_s: float | None
    noise_db: float  # before the blow, in the same bands
    is_of_partials: bool  # else of the whole sound, where no partials were found


def decay_curve(sound: StrikeSound, strike: StrikeResult) -> DecayCurve:
    """Level over time and the stages of the decay.

    Parameters
    ----------
    sound : StrikeSound
    strike : StrikeResult
        Its decay times were measured on the sum of the partials; the lines have these times and
        are moved in height only, to lie through the curve.

    Returns
    -------
    DecayCurve
    """
    times_s, power = _power(sound, strike)
    step_s = float(times_s[1] - times_s[0])
    width = max(1, round(SMOOTHING_S / step_s))
    power = np.convolve(power, np.full(width, 1.0 / width), mode="same")
    is_before = times_s < -SMOOTHING_S
    noise = float(np.median(power[is_before])) if np.any(is_before) else 0.0
    loudest = max(float(power.max()), 1e-30)
    level_db = np.maximum(10.0 * np.log10(np.maximum(power, 1e-30) / loudest), LOWEST_DB)
    hold_s = sound.end_s - sound.onset_s
    release_s = None if sound.release_s is None else sound.release_s - sound.onset_s
    if release_s is not None:
        hold_s = min(hold_s, release_s)
    stages, fit_times_s, fit_db = _stages(strike, times_s, power / loudest, hold_s=hold_s)
    return DecayCurve(
        times_s=times_s,
        level_db=level_db,
        stages=stages,
        fit_times_s=fit_times_s,
        fit_db=fit_db,
        release_s=release_s,
        knee_s=strike.knee_s,
        noise_db=max(10.0 * math.log10(max(noise, 1e-30) / loudest), LOWEST_DB),
        is_of_partials=bool(strike.partials),
    )


def _power(sound: StrikeSound, strike: StrikeResult) -> tuple[FloatArray, FloatArray]:
    """Power of all partials together, or of the whole sound."""
    if not strike.partials:
        width = max(1, round(0.25 * SMOOTHING_S * sound.sample_rate_hz))
        frames = max(sound.samples.size // width, 2)
        power = np.array(
            [float(np.mean(part**2)) for part in np.array_split(sound.samples, frames)]
        )
        times_s = (np.arange(frames) + 0.5) * sound.samples.size / (frames * sound.sample_rate_hz)
        return np.asarray(times_s - sound.onset_s, dtype=np.float64), power
    centres_hz = np.array([partial.hz for partial in strike.partials[:MOST_PARTIALS]])
    half_hz = float(np.clip(BAND_SHARE * float(centres_hz.min()), NARROWEST_HZ, WIDEST_HZ))
    bands = extract_bands(
        transform_strike(sound.samples, sample_rate_hz=sound.sample_rate_hz),
        centres_hz=centres_hz,
        half_width_hz=half_hz,
    )
    power = np.sum(np.abs(bands.envelopes) ** 2, axis=0)
    return np.asarray(bands.times_s - sound.onset_s, dtype=np.float64), np.asarray(power)


def _stages(
    strike: StrikeResult, times_s: FloatArray, power: FloatArray, *, hold_s: float
) -> tuple[tuple[Stage, ...], FloatArray, FloatArray]:
    """Lines of the fitted stages, in the height in which they lie through the curve."""
    prompt_s = strike.prompt_t60_s
    inside = (times_s >= FIT_FROM_S) & (times_s <= hold_s)
    if prompt_s is None or not np.any(inside):
        return (), np.zeros(0), np.zeros(0)
    shape = 10.0 ** (-6.0 * times_s / prompt_s)
    after_s, after_db = strike.after_t60_s, strike.aftersound_level_db
    is_two_stage = after_s is not None and after_db is not None
    if after_s is not None and after_db is not None:
        shape = shape + 10.0 ** (0.1 * after_db - 6.0 * times_s / after_s)
    logs = 10.0 * np.log10(np.maximum(power[inside], 1e-30) / shape[inside])
    height_db = float(np.median(logs))
    last_s = strike.knee_s if is_two_stage and strike.knee_s is not None else hold_s
    stages = [
        Stage(
            name="prompt sound", t60_s=prompt_s, level_db=height_db, last_s=min(2 * last_s, hold_s)
        )
    ]
    if after_s is not None and after_db is not None:
        stages.append(
            Stage(name="aftersound", t60_s=after_s, level_db=height_db + after_db, last_s=hold_s)
        )
    held = (times_s >= 0.0) & (times_s <= hold_s)
    return tuple(stages), times_s[held], height_db + 10.0 * np.log10(shape[held])

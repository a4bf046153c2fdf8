"""How loud, how bright, and with how much of a knock? The measures of a strike's first moments.

Functions: `with_attack`, `with_sound`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from toneapp._typing import FloatArray, IntArray
from toneapp.analysis.strike_task import StrikeTask
from toneapp.measure.brightness import HIGHEST_PARTIAL_HZ, measure_brightness
from toneapp.measure.knock import measure_knock
from toneapp.measure.level import measure_level
from toneapp.measure.loudness import measure_loudness
from toneapp.measure.sharpness import measure_sharpness
from toneapp.measure.stiff_string import partial_frequency_hz
from toneapp.measure.tone import HeldTone
from toneapp.results import Flag, StrikeResult

__all__ = ["with_attack", "with_sound"]

QUIET_DB = 20.0
"""A strike that stands less than this above the room noise is said to be quiet."""


def with_sound(
    result: StrikeResult,
    sound: FloatArray,
    task: StrikeTask,
    *,
    sample_rate_hz: float,
    onset_s: float,
) -> StrikeResult:
    """Add level, loudness and sharpness.

    Parameters
    ----------
    result : StrikeResult
        What is known of the strike.
    sound : ndarray, shape (n,)
        Mono sound that holds it.
    task : StrikeTask
        The strike.
    sample_rate_hz : float
        Sampling rate in Hz.
    onset_s : float
        Onset in s from the first sample.

    Returns
    -------
    StrikeResult
        The same with more in it.
    """
    end_s = onset_s + (task.end_s - result.onset_s)
    level = measure_level(
        sound,
        sample_rate_hz=sample_rate_hz,
        onset_s=onset_s,
        end_s=end_s,
        calibration_db=task.calibration_db,
    )
    loudness = measure_loudness(
        sound,
        sample_rate_hz=sample_rate_hz,
        onset_s=onset_s,
        end_s=end_s,
        calibration_db=task.calibration_db,
    )
    sharpness = measure_sharpness(
        sound,
        sample_rate_hz=sample_rate_hz,
        onset_s=onset_s,
        end_s=end_s,
        calibration_db=task.calibration_db,
        level=level,
    )
    flags = [*result.flags, *level.flags, *loudness.flags, *sharpness.flags]
    noise_dbfs = task.noise.a_weighted_dbfs()
    if level.level_db is not None:
        uncalibrated_db = level.level_db - (task.calibration_db or 0.0)
        if uncalibrated_db < noise_dbfs + QUIET_DB:
            flags.append(Flag.QUIET)
    return replace(
        result,
        level_db=level.level_db,
        peak_dbfs=level.peak_dbfs,
        loudness_lkfs=loudness.loudness_lkfs,
        loudness_sone=loudness.loudness_sone,
        sharpness_acum=sharpness.sharpness_acum,
        noise_dbfs=noise_dbfs,
        flags=tuple(dict.fromkeys(flags)),
    )


def with_attack(
    result: StrikeResult,
    sound: FloatArray,
    tone: HeldTone,
    task: StrikeTask,
    *,
    sample_rate_hz: float,
    onset_s: float,
) -> StrikeResult:
    """Add brightness and knock, which need the partials.

    Parameters
    ----------
    result, sound, task, sample_rate_hz, onset_s
        As in `with_sound`.
    tone : HeldTone
        The strike's partials.

    Returns
    -------
    StrikeResult
        The same with more in it.
    """
    end_s = onset_s + (task.end_s - result.onset_s)
    n, hz = _fitted_series(tone, sample_rate_hz=sample_rate_hz)
    brightness = measure_brightness(
        sound,
        sample_rate_hz=sample_rate_hz,
        onset_s=onset_s,
        partial_hz=hz,
        partial_n=n,
        f1_hz=tone.fit.f1_hz,
        end_s=end_s,
    )
    knock = measure_knock(
        sound,
        sample_rate_hz=sample_rate_hz,
        onset_s=onset_s,
        partial_hz=hz,
        partial_n=n,
        end_s=end_s,
    )
    return replace(
        result,
        brightness=brightness.brightness,
        brightness_se=brightness.brightness_se,
        centroid_hz=brightness.centroid_hz,
        slope_db_per_oct=brightness.slope_db_per_oct,
        attack_db=brightness.partial_db,
        knock_db=knock.knock_db,
        flags=tuple(dict.fromkeys([*result.flags, *brightness.flags, *knock.flags])),
    )


def _fitted_series(tone: HeldTone, *, sample_rate_hz: float) -> tuple[IntArray, FloatArray]:
    """Numbers and frequencies of the fitted series up to 10 kHz or what the rate allows."""
    fit = tone.fit
    b = fit.inharmonicity if fit.inharmonicity is not None else 0.0
    f0 = fit.f0_hz if fit.inharmonicity is not None else fit.f1_hz
    top_hz = min(1.02 * HIGHEST_PARTIAL_HZ, 0.5 * sample_rate_hz)
    n = np.arange(1, max(2, int(top_hz / f0)) + 1)
    hz = partial_frequency_hz(n, f0_hz=f0, inharmonicity=b)
    kept = hz < top_hz
    kept[0] = True
    return n[kept], hz[kept]

"""The levels of several bands over time, and the moments at which they bend downward together.

Conventions: those of `toneapp.measure.release`.

Functions: `band_levels`, `bend_candidates`. Classes: `BandLevels`, `BendCandidate`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from toneapp._typing import BoolArray, FloatArray

__all__ = [
    "APART_S",
    "SMOOTHING_S",
    "SPANS_S",
    "STEP_S",
    "BandLevels",
    "BendCandidate",
    "band_levels",
    "bend_candidates",
]

STEP_S = 0.01  # grid of the search
SMOOTHING_S = 0.03  # mean power over this before the logarithm
BELOW_LOUDEST_DB = 70.0
"""A band so far below the loudest moment of all bands is lost even in a recording without noise:
it holds what leaks into it from the others."""
CLIP_OVER_NOISE_DB = 5.0  # bands are held up here, so that noise neither falls nor rises
VISIBLE_DB = (8.0, 20.0)  # over the noise: a band counts nothing below, fully above
SPANS_S = ((0.10, 0.10), (0.15, 0.20), (0.30, 0.15), (0.30, 0.30), (0.50, 0.30))
# Spans before and after the moment tried: short ones for short strikes, long ones for bass dampers
# that take half a second to fall by 20 dB.
DROP_CLIP_DB = (-8.0, 16.0)  # one band alone must not carry the mean
DROP_DB = 3.0  # mean over many bands that is worth a look
LONE_BAND_DB = 4.5  # beats: added to that for one band, falls with the root of the number
APART_S = 0.3  # s; candidates closer than this are one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandLevels:
    """Levels of bands on an even grid, held above the noise."""

    times: FloatArray  # (n,)
    db: FloatArray  # (k, n), held above the noise
    visible: FloatArray  # (k, n), 0 to 1
    is_lost: BoolArray  # (k, n), in the noise


@dataclass(frozen=True, slots=True, kw_only=True)
class BendCandidate:
    """A moment at which the bands bend downward."""

    time_s: float
    drop_db: float
    bands: float
    score: float  # drop over the drop that is worth a look
    post_s: float


def band_levels(
    times: FloatArray, powers: FloatArray, noise: FloatArray, *, t_start_s: float, t_end_s: float
) -> BandLevels:
    """Smooth the powers of bands, put them on an even grid, and hold them above the noise.

    Parameters
    ----------
    times : ndarray, shape (m,)
        In s from the onset, evenly spaced.
    powers : ndarray, shape (k, m)
        Power of each band, noise included, >= 0.
    noise : ndarray, shape (k,)
        Mean noise power of each band.
    t_start_s, t_end_s : float
        Where to look, in s.

    Returns
    -------
    BandLevels
        From `t_start_s` on, in steps of `STEP_S`.
    """
    step_s = (times[-1] - times[0]) / (times.size - 1)
    grid = np.arange(t_start_s, min(t_end_s, float(times[-1])), STEP_S)
    width = max(1, round(SMOOTHING_S / step_s))
    if width > 1:
        padded = np.pad(powers, ((0, 0), (width // 2, width - 1 - width // 2)), mode="edge")
        powers = np.asarray(sliding_window_view(padded, width, axis=1).mean(axis=2))
    peak = np.maximum(powers.max(axis=1, initial=0.0), 1e-300)
    hidden = 10.0 ** (-0.1 * BELOW_LOUDEST_DB) * float(peak.max(initial=0.0))
    floor_db = 10.0 * np.log10(np.maximum(np.maximum(noise, 1e-10 * peak), hidden))[:, None]
    raw = 10.0 * np.log10(np.maximum(powers, 1e-12 * peak[:, None]))
    db = np.stack([np.interp(grid, times, row) for row in raw])
    low, high = VISIBLE_DB
    visible = np.clip((db - floor_db - low) / (high - low), 0.0, 1.0)
    return BandLevels(
        times=grid,
        db=np.maximum(db, floor_db + CLIP_OVER_NOISE_DB),
        visible=visible,
        is_lost=db < floor_db + CLIP_OVER_NOISE_DB,
    )


def bend_candidates(levels: BandLevels) -> list[BendCandidate]:
    """Find the moments worth a look.

    Parameters
    ----------
    levels : BandLevels

    Returns
    -------
    list of BendCandidate
        The strongest of each span, best first.
    """
    found = []
    for pre_s, post_s in SPANS_S:
        before, after = round(pre_s / STEP_S), round(post_s / STEP_S)
        size = before + after + 1
        if levels.times.size < size:
            continue
        x = np.arange(-before, after + 1) * STEP_S
        bend = np.linalg.pinv(np.column_stack([np.ones(size), x, np.maximum(x, 0.0)]))[2]
        drops = -post_s * (sliding_window_view(levels.db, size, axis=1) @ bend)
        weight = levels.visible[:, before : before + drops.shape[1]]
        total = weight.sum(axis=0)
        mean = (np.clip(drops, *DROP_CLIP_DB) * weight).sum(axis=0) / np.maximum(total, 1e-9)
        bands = total**2 / np.maximum((weight**2).sum(axis=0), 1e-9)
        needed = DROP_DB + LONE_BAND_DB / np.sqrt(np.maximum(bands, 1.0))
        score = np.where(total > 0.3, mean / needed, -np.inf)
        moment = np.arange(score.size)
        for _ in range(2):
            i = int(np.argmax(score))
            if not score[i] > 1.0:
                break
            found.append(
                BendCandidate(
                    time_s=float(levels.times[before + i]),
                    drop_db=float(mean[i]),
                    bands=float(bands[i]),
                    score=float(score[i]),
                    post_s=post_s,
                )
            )
            score = np.where(np.abs(moment - i) * STEP_S > APART_S, score, -np.inf)
    apart: list[BendCandidate] = []
    for candidate in sorted(found, key=lambda c: -c.score):
        if all(abs(candidate.time_s - other.time_s) > APART_S for other in apart):
            apart.append(candidate)
    return apart

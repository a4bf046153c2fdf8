"""When does the damper come down, and what is left after it?

A natural knee turns a fast decay into a slow one; a damper does the opposite, in all partials at
once, and for good. `find_release` looks for the moment at which the levels of several bands
together fall below what their own decay so far lets expect, and do not come back.

Conventions: times in s from the onset; power in any linear unit with the noise in it, one row for
each band (the partials of the struck note); levels in dB.

Functions: `find_release`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from toneapp._typing import FloatArray
from toneapp.measure.release_bend import bend_errors, bend_weights, vertex
from toneapp.measure.release_levels import (
    APART_S,
    SMOOTHING_S,
    SPANS_S,
    STEP_S,
    BandLevels,
    BendCandidate,
    band_levels,
    bend_candidates,
)
from toneapp.results import Flag

__all__ = [
    "HIGHEST_LAST_DAMPER_MIDI",
    "Release",
    "find_release",
]

HIGHEST_LAST_DAMPER_MIDI = 91
"""Dampers end between keys 66 and 71 of 88 (from memory), so above G6 no release is looked for
unless the instrument is known to have more."""

EARLIEST_S = 0.15  # s from the onset; before this the attack itself falls like a damped note
MAX_RECOVERY = 0.12  # a fall that is made good by more than this share was a beat
FALL_SPAN_S = (0.10, 0.25)  # after the moment: where the fall is read
MIN_FALL_DB = 4.0  # below the continued decay, mean over bands (a damped T60 of 2.5 s)
BAND_FALL_DB = 3.0  # a band that has fallen by this takes part ...
MIN_SHARE = 0.65  # ... and so many must, by visibility: a damper lies on all of them
FINAL_RECOVERY = 0.06  # of many bands, none of which comes back, less fall is enough:
FINAL_BANDS = 5.0
FINAL_FALL_DB = 3.0
FINAL_SHARE = 0.5
LIVELY_RECOVERY = (0.2, 0.06)  # of single bands, and of their mean: a lively room's sounds meet in
LIVELY_FALL_DB = 7.0  # step here and there, while a fall so deep ...
LIVELY_SHARE = 0.75  # ... of so many bands goes on in the mean
LONE_BANDS = 2.5  # so few fall late, after twice as many bent and partly came back: of no account
PLAIN_FALL_DB = 15.0
PLAIN_SHARE = 0.9
"""No beat takes so much from nearly all of many bands at once. It is the damper, and the first of
such falls; what comes back later is another sound at the same frequencies, such as a voice."""
DOUBT_SHARE = 1.2
"""A damper lies on all partials at once. Where many of them bent by more than that many times as
much before, for good, the note was let go then, and what falls late is the last of the room."""
DOUBTFUL_RECOVERY = 0.3
PERSIST_S = 0.8  # for so long after the fall the level is watched for recovery
WINDOW_S = (0.45, 0.45)  # before and after the first estimate, to seek the moment exactly in
SEARCH_S = (0.20, 0.30)
EARLIER_S = 0.04  # found so much before the estimate, the moment is sought again about there ...
MOST_LOOKS = 3  # ... at most so often
MOST_SE_S = 0.025  # a bend that fits as well elsewhere is none
BEND_S = 0.03  # to either side, where smoothing rounds the bend
MIN_SLOPE_RATIO = 1.4  # after over before; less is no damper at work


@dataclass(frozen=True, slots=True, kw_only=True)
class Release:
    """The moment the damper acts, when it was seen."""

    release_s: float | None = None  # from the onset
    release_s_se: float | None = None
    drop_db: float | None = None  # below the continued decay, mean over bands, soon after
    slope_before_db_per_s: float | None = None
    slope_after_db_per_s: float | None = None
    bands: float = 0.0  # number of bands that took part, weighted
    suspected_s: float | None = None  # where most speaks for one, though not enough
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bend:
    moment_s: float
    moment_s_se: float
    before: float  # dB/s, as fitted, mean over bands
    after: float
    slope_before: float | None  # dB/s, off the smoothed bend
    slope_after: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fall:
    release: Release
    is_sure: bool  # nothing of it comes back, or it is plain
    is_plain: bool  # too deep for beats, whatever is heard later


def find_release(
    times_s: FloatArray,
    power: FloatArray,
    *,
    noise_power: FloatArray,
    t_start_s: float,
    t_end_s: float,
    has_damper: bool | None = None,
) -> Release:
    """Find the moment at which the damper stops a note.

    Parameters
    ----------
    times_s : ndarray, shape (m,)
        Times in s from the onset, evenly spaced.
    power : ndarray, shape (k, m)
        Power of the note's partials, noise included. Bands as wide as the partials allow see the
        moment best; they must be free of delay.
    noise_power : ndarray, shape (k,)
        Mean noise power of each band.
    t_start_s, t_end_s : float
        Where to look, in s: from the end of the attack (about 0.05 s) to shortly before the next
        onset or the end of the sound.
    has_damper : bool, optional
        ``False`` for a note known to have no damper: then there is no release.

    Returns
    -------
    Release
        With `release_s` ``None`` and ``Flag.NO_RELEASE`` when none is seen.

    Raises
    ------
    ValueError
        If shapes differ, or a value is negative or not finite.

    Notes
    -----
    Piecewise linear regression on the logarithm of several bands, a generalised likelihood ratio
    for a change of slope at an unknown time. For each moment and several spans a straight line
    with a bend is fitted to each band; ``drop`` is what the bend takes away by the end of the
    span, averaged over the bands that stand out of the noise. Beats bend single bands either way
    and cancel in the mean; the fewer the bands, the more is asked. What rises again is a beat.
    The moment itself is where the common bend describes all bands best.

    Does not see: a release after the note has sunk into the noise; a damper that hardly works
    (less than 3 dB below the natural decay after 0.3 s); on one or two bands, a beat whose
    recovery lies in the noise may pass for a release.

    References
    ----------
    .. [1] M. Basseville, I. Nikiforov, "Detection of Abrupt Changes", 1993, chapter 2 (from
       memory): the likelihood ratio with unknown change time.
    .. [2] H.-M. Lehtonen, A. Askenfelt, V. Valimaki, J. Acoust. Soc. Am. 126, EL49 (2009): the
       fast stage while damper and string touch.
    """
    times, powers, noise = _checked(times_s, power, noise_power)
    nothing = Release(flags=(Flag.NO_RELEASE,))
    if has_damper is False or t_end_s - t_start_s < SPANS_S[0][0] + SPANS_S[0][1] + 2 * STEP_S:
        return nothing
    levels = band_levels(times, powers, noise, t_start_s=t_start_s, t_end_s=t_end_s)
    candidates = bend_candidates(levels)
    found = [_refined(levels, candidate) for candidate in candidates]
    # Of several falls the damper's is the deepest: what beats take away is less and comes back.
    seen = [
        (fall, candidate)
        for fall, candidate in zip(found, candidates, strict=True)
        if fall is not None and fall.is_sure
    ]
    lasting = [candidate for candidate in candidates if _may_be_damper(levels, candidate)]
    strongest = max(lasting, key=_strength, default=None)
    suspected_s = None if strongest is None else strongest.time_s
    nothing = replace(nothing, suspected_s=suspected_s)
    if not seen:
        return nothing
    plain = [pair for pair in seen if pair[0].is_plain]
    fall, its_candidate = (
        min(plain, key=lambda pair: pair[0].release.release_s or 0.0)
        if plain
        else max(seen, key=lambda pair: _weight_of(pair[0].release))
    )
    best = fall.release
    doubted = any(
        other is not None
        and other.release.bands >= 2.0 * best.bands
        and (other.release.release_s or 0.0) < (best.release_s or 0.0)
        for other in found
    )
    if best.bands <= LONE_BANDS and doubted:
        return nothing
    is_late = any(
        candidate.time_s < (best.release_s or 0.0) - APART_S
        and _strength(candidate) > DOUBT_SHARE * _strength(its_candidate)
        for candidate in lasting
    )
    return nothing if is_late else best


def _strength(candidate: BendCandidate) -> float:
    """How much a bend takes away, all bands together."""
    return candidate.drop_db * candidate.bands


def _may_be_damper(levels: BandLevels, candidate: BendCandidate) -> bool:
    """Tell a bend of many bands that lasts, or that is too deep for beats, from one of beats."""
    if candidate.bands < FINAL_BANDS:
        return False
    if _recovery(levels, candidate.time_s)[0] <= LIVELY_RECOVERY[0]:
        return True
    fall_db, taking_part = _fall(levels, candidate.time_s)
    return fall_db >= LIVELY_FALL_DB and taking_part >= LIVELY_SHARE


def _weight_of(release: Release) -> float:
    """How much speaks for a fall.

    In a lively room the last band that is left falls deep as well, long after all of them have
    bent together.
    """
    return (release.drop_db or 0.0) * release.bands


def _checked(
    times_s: FloatArray, power: FloatArray, noise_power: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    times = np.asarray(times_s, dtype=np.float64)
    powers = np.asarray(power, dtype=np.float64)
    noise = np.asarray(noise_power, dtype=np.float64)
    if times.ndim != 1 or times.size < 2 or powers.ndim != 2 or powers.shape[1] != times.size:
        raise ValueError(f"power must be (k, m) with the m >= 2 times, got {powers.shape}")
    if noise.shape != (powers.shape[0],):
        raise ValueError(f"noise_power must be ({powers.shape[0]},), got {noise.shape}")
    if not all(np.all(np.isfinite(a)) for a in (times, powers, noise)):
        raise ValueError("times, power and noise_power must be finite")
    if np.any(powers < 0) or np.any(noise < 0):
        raise ValueError("power must not be negative (were these decibels?)")
    return times, powers, noise


def _refined(levels: BandLevels, candidate: BendCandidate) -> _Fall | None:
    """Seek the exact moment around a candidate, and check that it is no beat."""
    bend = _bend(levels, candidate.time_s)
    for _ in range(MOST_LOOKS - 1):
        # Bands that the damper had stopped by the first estimate tell most of an earlier moment.
        if bend is None or bend.moment_s > candidate.time_s - EARLIER_S:
            break
        candidate = replace(candidate, time_s=bend.moment_s)
        bend = _bend(levels, candidate.time_s)
    if bend is None:
        return None
    moment, before, after = bend.moment_s, bend.before, bend.after
    if after > -5.0 or after > MIN_SLOPE_RATIO * min(before, 0.0):
        return None
    if moment < EARLIEST_S:
        return None
    fall_db, taking_part = _fall(levels, moment)
    recovery, of_mean = _recovery(levels, moment)
    is_final = recovery <= FINAL_RECOVERY and candidate.bands >= FINAL_BANDS
    needed_db, needed_share = (
        (FINAL_FALL_DB, FINAL_SHARE) if is_final else (MIN_FALL_DB, MIN_SHARE)
    )
    is_plain = (
        fall_db >= PLAIN_FALL_DB and taking_part >= PLAIN_SHARE and candidate.bands >= FINAL_BANDS
    )
    if fall_db < needed_db or taking_part < needed_share:
        return None
    if recovery > DOUBTFUL_RECOVERY and not is_plain:
        return None
    is_lively = (
        recovery <= LIVELY_RECOVERY[0]
        and of_mean <= LIVELY_RECOVERY[1]
        and fall_db >= LIVELY_FALL_DB
        and taking_part >= LIVELY_SHARE
    )
    release = Release(
        release_s=moment,
        release_s_se=bend.moment_s_se,
        drop_db=fall_db,
        slope_before_db_per_s=bend.slope_before or before,
        slope_after_db_per_s=bend.slope_after or after,
        bands=candidate.bands,
    )
    is_sure = (is_lively or recovery <= MAX_RECOVERY) and bend.moment_s_se <= MOST_SE_S
    return _Fall(release=release, is_sure=is_sure or is_plain, is_plain=is_plain)


def _bend(levels: BandLevels, time_s: float) -> _Bend | None:
    """Place the common bend of all bands near a first estimate."""
    t = levels.times
    inside = (t >= time_s - WINDOW_S[0]) & (t <= time_s + WINDOW_S[1])
    times, db = t[inside], levels.db[:, inside]
    low = max(time_s - SEARCH_S[0], times[0] + 4 * STEP_S, EARLIEST_S)
    high = min(time_s + SEARCH_S[1], times[-1] - 4 * STEP_S)
    moments = np.arange(low, high, STEP_S)
    if moments.size < 3:
        return None
    at = int(np.searchsorted(times, time_s))
    weight = bend_weights(db, levels.visible[:, inside], levels.is_lost[:, inside], at)
    if not weight.any():
        return None
    error, slopes, bends = bend_errors(times, db, weight, moments)
    best = int(np.argmin(error))
    offset, curvature = vertex(error, best)
    moment = float(moments[best] + offset * STEP_S)
    band_weight = weight.sum(axis=1)
    share = band_weight / band_weight.sum()
    points = np.count_nonzero(weight)
    variance = error[best] / max(points - 4 * np.count_nonzero(band_weight), 1)
    correlation = SMOOTHING_S / STEP_S  # neighbouring points share their samples
    se = STEP_S * math.sqrt(max(2.0 * variance * correlation / max(curvature, 1e-9), 0.0))
    return _Bend(
        moment_s=moment,
        moment_s_se=float(min(max(se, STEP_S / 3.0), SEARCH_S[1])),
        before=float(share @ slopes[best]),
        after=float(share @ (slopes[best] + bends[best])),
        slope_before=_slope(times, db, weight, moment - BEND_S, -1),
        slope_after=_slope(times, db, weight, moment + BEND_S, 1),
    )


def _fall(levels: BandLevels, moment: float) -> tuple[float, float]:
    """How far the bands lie below their continued decay, and the share that does."""
    t = levels.times
    before = (t > moment - 0.3) & (t <= moment)
    after = (t > moment + FALL_SPAN_S[0]) & (t <= moment + FALL_SPAN_S[1])
    last = (t > moment - 0.08) & (t <= moment)
    if not last.any() or np.count_nonzero(after) < 3:
        return 0.0, 0.0
    weight = levels.visible[:, last].mean(axis=1)
    if not weight.any():
        return 0.0, 0.0
    x = t[before] - moment
    slope = np.zeros(weight.size)
    if x.size > 8:
        x = x - x.mean()
        # A level that rises before the moment is half a beat, not a decay to continue.
        slope = np.minimum(levels.db[:, before] @ x / (x @ x), 0.0)
    ahead_s = float(np.mean(t[after]) - np.mean(t[last]))
    expected = levels.db[:, last].mean(axis=1) + slope * ahead_s
    fall = expected - levels.db[:, after].mean(axis=1)
    share = weight / weight.sum()
    return float(share @ fall), float(share @ (fall > BAND_FALL_DB))


def _slope(
    times: FloatArray, db: FloatArray, weight: FloatArray, start: float, direction: int
) -> float | None:
    """Mean slope in dB/s over bands before or after a time, off the smoothed bend."""
    side = (times - start) * direction > 0
    x, w = times[side], weight[:, side]
    total = w.sum(axis=1)
    if np.count_nonzero(side) < 5 or not total.any():
        return None
    used = total > 0
    w, y, total = w[used], db[used][:, side], total[used]
    centred = x - (w @ x / total)[:, None]
    spread = np.sum(w * centred**2, axis=1)
    slopes = np.sum(w * centred * y, axis=1) / np.maximum(spread, 1e-12)
    return float(total @ slopes / total.sum()) if np.all(spread > 0) else None


def _recovery(levels: BandLevels, moment: float) -> tuple[float, float]:
    """Share of the fall that is made good again: mean over the bands, and of their mean."""
    t = levels.times
    before = (t > moment - 0.08) & (t <= moment)
    after = (t > moment) & (t <= moment + PERSIST_S)
    if not before.any() or np.count_nonzero(after) < 5:
        return 0.0, 0.0
    weight = levels.visible[:, before].mean(axis=1)
    if not weight.any():
        return 1.0, 1.0
    kernel = np.ones(5) / 5.0
    fall = levels.db[:, before].mean(axis=1)[:, None] - np.stack(
        [np.convolve(row, kernel, mode="valid") for row in levels.db[:, after]]
    )
    single = float(np.sum(weight * _made_good(fall)) / weight.sum())
    together = float(_made_good((weight @ fall / weight.sum())[None])[0])
    return single, together


def _made_good(fall: FloatArray) -> FloatArray:
    """Largest share of the fall of each row that is lost again later."""
    deepest = np.maximum.accumulate(fall, axis=1)
    lost = np.max(deepest - fall, axis=1)
    return np.asarray(np.clip(lost / np.maximum(deepest[:, -1], 1.0), 0.0, 1.0))

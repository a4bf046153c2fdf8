"""When did the blows of a fast repetition fall? Found without knowing the pitch.

A series of blows on one key is a sum of the same partials, started anew by each blow. A predictor
learnt on the whole series takes the partials out, whatever their pitch; what it cannot foretell
are the blows (and, weaker, the thumps of key and damper). The blows are then chosen as the train
of impulses that is strongest and most regular, with gaps where a blow did not speak.

Times in s from the first sample handed in.

Functions: `find_series`, `local_spacing`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd

import numpy as np
import scipy.fft

from toneapp._typing import FloatArray, IntArray

__all__ = ["LEAST_BLOWS", "Series", "find_series", "local_spacing"]

INNER_RATE_HZ = 16000
PREDICTOR_S = 0.02
SMOOTHING_S = 0.006
HOP_S = 0.004
"""The blows are sought below 8 kHz; a predictor of 20 ms parts the partials of all but the lowest
octave, whose blows are told by their noise."""

MEMORY_HOPS = (2, 11)
"""A rise is counted against the highest level 8 to 44 ms before: longer than a period of A0 (36
ms), shorter than the time between the fastest blows."""

SETTLE_S = 0.04
LEAD_S = 0.1
FLOOR_QUANTILE = 0.2
LEAST_RISE_DB = 2.5
MOST_RISE_DB = 16.0
CLOSEST_S = 0.045
"""No action repeats faster than about 15 blows a second (common practice, no source)."""

SLOWEST_PER_S, FASTEST_PER_S = 2.5, 17.0
BLOCK_S = 4.0
PAUSE_S = 0.65
LEAST_BLOWS = 6
"""A pause parts the series of two keys; a series has at least six blows."""

LEVEL_AFTER_S = (0.010, 0.060)
LEVEL_BEFORE_S = (-0.050, -0.008)
LEVEL_RANGE_DB = (-9.0, 6.0)
"""A blow raises the level, or hardly changes it where the strings sound on; a damper or key that
falls back lowers it."""

IRREGULAR_COST = 6.0
MISSING_COST = 0.25
MOST_MISSING = 4
LEAST_SHARE = 0.12
"""Choice of the train: cost of the squared log ratio of a spacing to the usual one, of a missing
blow, the most that may be missing in a row, and the least strength against the usual blow."""

SOFT_REACH = 0.2
SOFT_RISE_DB = 3.5
SOFT_SHARE = 0.25
SOFT_CHANGE_DB = -7.0
"""A soft blow is taken where one is expected, within a fifth of a spacing, when it rises by a
quarter of the usual rise and the level does not fall as it does under a damper."""

LOCAL_SPACINGS = 4

SPEAKS_DB = 22.0
"""What lies farther below the usual blow is the thump of a key whose hammer did not strike."""

BLOW_LEVEL_S = 0.05
BLOW_RMS_S = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """Blows on one key, as heard."""

    times_s: FloatArray  # shape (k,), upward
    level_db: FloatArray  # shape (k,), highest RMS over 20 ms within 50 ms, dBFS
    clearness: float  # usual rise of a blow over what the partials foretell, dB


def find_series(samples: FloatArray, *, sample_rate_hz: float) -> tuple[Series, ...]:
    """Find every series of fast blows in a recording.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound. Series of different keys are parted by a pause of 0.7 s or more.
    sample_rate_hz : float
        Sampling rate in Hz.

    Returns
    -------
    tuple of Series
        In order of time; only those with six blows or more at 2.5 to 17 a second.

    Notes
    -----
    What comes between the series (talk, single blows) is left out when it makes no train.
    """
    inner, rate = _inner_sound(samples, sample_rate_hz=sample_rate_hz)
    # Silence in front, so that a blow with which the recording begins is a rise.
    lead = int(LEAD_S * rate)
    inner = np.concatenate([np.zeros(lead), inner])
    found: list[Series] = []
    for first, last in _stretches(inner, rate=rate):
        start = max(0, int((first - 0.3) * rate))
        part = inner[start : int((last + 0.4) * rate)]
        times, rise = _novelty(part, rate=rate)
        chosen, clearness = _choose_blows(times, rise, part, rate=rate)
        if chosen.size < LEAST_BLOWS:
            continue
        times_s = np.maximum(chosen + (start - lead) / rate, 0.0)
        levels = _blow_levels(samples, times_s, sample_rate_hz=sample_rate_hz)
        speaks = levels > float(np.median(levels)) - SPEAKS_DB
        if np.count_nonzero(speaks) < LEAST_BLOWS:
            continue
        found.append(Series(times_s=times_s[speaks], level_db=levels[speaks], clearness=clearness))
    return tuple(found)


def local_spacing(spacing: FloatArray) -> FloatArray:
    """Usual spacing around each one of a train: the median of four on each side, itself left out.

    Parameters
    ----------
    spacing : ndarray, shape (m,)
        Times between neighbouring blows in s, m >= 2.

    Returns
    -------
    ndarray, shape (m,)
        In s.
    """
    local = np.empty(spacing.size)
    for i in range(spacing.size):
        low, high = max(0, i - LOCAL_SPACINGS), min(spacing.size, i + LOCAL_SPACINGS + 1)
        local[i] = np.median(np.delete(spacing[low:high], i - low))
    return local


def _inner_sound(samples: FloatArray, *, sample_rate_hz: float) -> tuple[FloatArray, float]:
    """Bring the sound to the rate at which the blows are sought, never above its own."""
    from scipy.signal import resample_poly

    rate = round(sample_rate_hz)
    if rate <= INNER_RATE_HZ:
        return samples - samples.mean(), float(rate)
    common = gcd(rate, INNER_RATE_HZ)
    if max(rate, INNER_RATE_HZ) // common > 2000:  # an odd rate: a nearby ratio will do
        step = max(1, rate // INNER_RATE_HZ)
        out = resample_poly(samples, 1, step)
        return np.asarray(out - out.mean()), rate / step
    out = resample_poly(samples, INNER_RATE_HZ // common, rate // common)
    return np.asarray(out - out.mean()), float(INNER_RATE_HZ)


def _stretches(inner: FloatArray, *, rate: float) -> list[tuple[float, float]]:
    """Stretches with blows in quick succession, by a first look at short blocks."""
    block, step = int(BLOCK_S * rate), int(0.5 * BLOCK_S * rate)
    moments: list[float] = []
    for first in range(0, max(inner.size - step, 1), step):
        part = inner[first : first + block]
        if part.size < 0.2 * rate:
            break
        times, rise = _novelty(part, rate=rate)
        index = _rises(times, rise)
        moments.extend((times[index] + first / rate).tolist())
    moments.sort()
    stretches: list[tuple[float, float]] = []
    start = previous = None
    count = 0
    for moment in [*moments, float("inf")]:
        if previous is not None and moment - previous > PAUSE_S:
            assert start is not None
            if count >= LEAST_BLOWS:
                stretches.append((start, previous))
            start = None
        if start is None:
            start, count = moment, 0
        count += 1
        previous = moment
    return stretches


def _novelty(part: FloatArray, *, rate: float) -> tuple[FloatArray, FloatArray]:
    """Rise in dB of what a predictor learnt on the whole stretch cannot foretell."""
    from scipy.linalg import solve_toeplitz
    from scipy.signal import fftconvolve

    n = part.size
    order = min(int(PREDICTOR_S * rate), n // 8)
    size = scipy.fft.next_fast_len(2 * n, real=True)
    correlation = scipy.fft.irfft(np.abs(scipy.fft.rfft(part, size)) ** 2, size)[: order + 1]
    hop = max(1, round(HOP_S * rate))
    times = np.asarray(np.arange(0, n, hop) / rate)
    if correlation[0] <= 0:
        return times, np.zeros(times.size)
    correlation[0] *= 1.0 + 1e-7
    taps = solve_toeplitz(correlation[:-1], correlation[1:])
    error = fftconvolve(part, np.concatenate([[1.0], -taps]))[:n]
    window = np.hanning(max(3, int(2.0 * SMOOTHING_S * rate)))
    power = fftconvolve(error**2, window / window.sum(), mode="same")[::hop]
    power = np.maximum(power, 1e-12 * float(power.max()) + 1e-30)
    level = 10.0 * np.log10(power + np.quantile(power, FLOOR_QUANTILE))
    before = np.full(level.size, -np.inf)
    for back in range(MEMORY_HOPS[0], MEMORY_HOPS[1] + 1):
        before[back:] = np.maximum(before[back:], level[: level.size - back])
    before[: MEMORY_HOPS[0]] = level[: MEMORY_HOPS[0]]
    rise = np.clip(level - before, 0.0, None)
    rise[times < SETTLE_S] = 0.0  # the predictor has no past there
    return times, rise


def _rises(times: FloatArray, rise: FloatArray) -> IntArray:
    """Local maxima of the rise, the stronger of two that are too close."""
    middle = np.flatnonzero(
        (rise[1:-1] >= rise[:-2]) & (rise[1:-1] > rise[2:]) & (rise[1:-1] >= LEAST_RISE_DB)
    )
    middle += 1
    reach = max(1, int(CLOSEST_S / (times[1] - times[0])))
    taken = np.zeros(rise.size, dtype=np.bool_)
    for peak in middle[np.argsort(rise[middle], kind="stable")[::-1]]:
        low, high = max(0, peak - reach), peak + reach + 1
        if not taken[low:high].any():
            taken[peak] = True
    return np.flatnonzero(taken)


def _choose_blows(
    times: FloatArray, rise: FloatArray, part: FloatArray, *, rate: float
) -> tuple[FloatArray, float]:
    """Moments of the strongest and most regular train, and the usual rise of its blows."""
    index = _rises(times, rise)
    if index.size < LEAST_BLOWS:
        return np.zeros(0), 0.0
    moments, rises = times[index], np.minimum(rise[index], MOST_RISE_DB)
    change = np.clip(_level_change(part, moments, rate=rate), *LEVEL_RANGE_DB)
    strength = rises + change
    usual = float(np.quantile(strength, 0.75))
    share = np.clip(strength / max(usual, 1.0), 0.0, 1.5)
    keep = share >= LEAST_SHARE
    if np.count_nonzero(keep) < LEAST_BLOWS:
        return np.zeros(0), 0.0
    strong, share, rises = moments[keep], share[keep], rises[keep]
    best: tuple[float, IntArray] | None = None
    for spacing_s in _possible_spacings(strong, share):
        value, chosen = _best_train(strong, share, spacing_s=spacing_s)
        if best is None or value > best[0]:
            best = (value, chosen)
    if best is None or best[1].size < LEAST_BLOWS:
        return np.zeros(0), 0.0
    train = _with_soft_blows(strong[best[1]], moments, rise[index], change)
    return train, float(np.median(rises[best[1]]))


def _with_soft_blows(
    train: FloatArray, moments: FloatArray, rises: FloatArray, change: FloatArray
) -> FloatArray:
    """Add the soft blows that stand where the train has a gap of about a whole multiple."""
    spacing = np.diff(train)
    local = local_spacing(spacing)
    usual_rise = float(np.median(rises[np.isin(moments, train)]))
    added: list[float] = []
    for i in range(spacing.size):
        whole = round(float(spacing[i] / local[i]))
        for k in range(1, min(whole, MOST_MISSING + 1)):
            expected = float(train[i] + spacing[i] * k / whole)
            near = np.flatnonzero(
                (np.abs(moments - expected) < SOFT_REACH * local[i])
                & (rises > max(SOFT_RISE_DB, SOFT_SHARE * usual_rise))
                & (change > SOFT_CHANGE_DB)
            )
            if near.size:
                added.append(float(moments[near[int(np.argmax(rises[near]))]]))
    return np.unique(np.concatenate([train, np.asarray(added)]))


def _level_change(part: FloatArray, moments: FloatArray, *, rate: float) -> FloatArray:
    """Level just after each moment against just before it, in dB."""
    total = np.concatenate([[0.0], np.cumsum(part**2)])

    def mean_power(span: tuple[float, float]) -> FloatArray:
        first = np.clip(((moments + span[0]) * rate).astype(np.int64), 0, part.size)
        last = np.clip(((moments + span[1]) * rate).astype(np.int64), 0, part.size)
        return np.asarray((total[last] - total[first]) / np.maximum(last - first, 1))

    least = 1e-9 * float(np.mean(part**2)) + 1e-30
    return np.asarray(
        10.0 * np.log10((mean_power(LEVEL_AFTER_S) + least) / (mean_power(LEVEL_BEFORE_S) + least))
    )


def _possible_spacings(moments: FloatArray, share: FloatArray) -> list[float]:
    """Spacings that many pairs of strong moments have."""
    gaps, weights = [], []
    for step in (1, 2, 3):
        gaps.append(moments[step:] - moments[:-step])
        weights.append(np.minimum(share[step:], share[:-step]))
    gap, weight = np.concatenate(gaps), np.concatenate(weights)
    grid = np.geomspace(1.0 / FASTEST_PER_S, 1.0 / SLOWEST_PER_S, 48)
    near = np.exp(-0.5 * (np.log(gap[None, :] / grid[:, None]) / 0.08) ** 2)
    support = (near * weight[None, :]).sum(axis=1)
    peaks = [
        i
        for i in range(grid.size)
        if support[i] >= support[max(i - 1, 0)]
        and support[i] >= support[min(i + 1, grid.size - 1)]
        and support[i] > 0.15 * support.max()
    ]
    return [float(grid[i]) for i in peaks]


def _best_train(
    moments: FloatArray, share: FloatArray, *, spacing_s: float
) -> tuple[float, IntArray]:
    """Train of the highest value for a usual spacing, by dynamic programming."""
    n = moments.size
    value = share.copy()
    origin = np.full(n, -1, dtype=np.int64)
    for i in range(n):
        gap = moments[i] - moments[:i]
        ratio = gap / spacing_s
        whole = np.maximum(np.rint(ratio), 1.0)
        cost = IRREGULAR_COST * np.log(np.maximum(ratio, 1e-3) / whole) ** 2 + MISSING_COST * (
            whole - 1.0
        )
        gain = np.where(whole <= MOST_MISSING + 1, value[:i] - cost, -np.inf)
        if i and gain.max() > 0:
            origin[i] = int(np.argmax(gain))
            value[i] += float(gain.max())
    at = int(np.argmax(value))
    top = float(value[at])
    train = [at]
    while origin[at] >= 0:
        at = int(origin[at])
        train.append(at)
    return top, np.array(train[::-1], dtype=np.int64)


def _blow_levels(samples: FloatArray, times_s: FloatArray, *, sample_rate_hz: float) -> FloatArray:
    """Highest RMS over 20 ms within 50 ms of each blow, in dBFS."""
    width = max(1, int(BLOW_RMS_S * sample_rate_hz))
    total = np.concatenate([[0.0], np.cumsum(samples**2)])
    power = (total[width:] - total[:-width]) / width
    levels = np.empty(times_s.size)
    for i, moment in enumerate(times_s):
        reach = BLOW_LEVEL_S
        if i + 1 < times_s.size:  # never into the next blow
            reach = min(reach, float(times_s[i + 1] - moment) - 0.01)
        first = min(max(0, int((moment - 0.006) * sample_rate_hz)), power.size - 1)
        stop = max(first + 1, int((moment + reach) * sample_rate_hz) - width)
        levels[i] = 10.0 * np.log10(max(float(power[first:stop].max()), 1e-16))
    return levels

"""Was the key let go about here? Releases that a bend in the decay does not show.

Where other strings ring on, a released note falls by some dB at once and then hardly at all:
`find_drop` looks for such a step. A damper that hardly works leaves neither bend nor step, and a
treble note may have almost died when it is let go: both are found more surely when the run tells
how long its keys were held (`expected_holds`, `confirm_release`).

Times in s from the onset.

Functions: `find_drop`, `expected_holds`, `confirm_release`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from toneapp._typing import FloatArray

__all__ = ["confirm_release", "expected_holds", "find_drop"]

NEIGHBOURS = 12
LEAST_NEIGHBOURS = 4
LEAST_SHARE = 0.5
MOST_SPREAD = 0.3
"""The hold is expected when at least half of the twelve nearest damped strikes show a release and
their holds differ by no more than three tenths (robust standard deviation over median)."""

GRID_S = 0.005
DROP_GAP_S = 0.035
DROP_SPAN_S = 0.05
PRE_SPAN_S = 0.12
LEAST_DROP_DB = 6.0
LONE_DROP_DB = 5.0
DROP_SHARE = 0.7
BAND_DROP_DB = 3.0
VISIBLE_DB = 10.0
BACK_SHARE = 0.5
BACK_WITHIN_S = 0.8
GONE_WITHIN_S = 0.2
LEFT_SHARE = 0.5
"""A step: all bands together fall by 6 dB (and 5 dB more for a lone band, less by the root of
their number) within 70 ms, seven in ten of them by 3 dB, and what falls does not come half the way
back within 0.8 s, as a beat does. Where half of the bands were lost in the 0.2 s before, it
was no step of all of them."""

REACH_S = 0.13
BEFORE_S = 0.25
AFTER_S = 0.20
LEAST_BEND_DB = 4.0
LEAST_SLOPE_RATIO = 1.6
SMOOTHING_S = 0.02


def find_drop(
    times_s: FloatArray,
    power: FloatArray,
    *,
    noise_power: FloatArray,
    t_start_s: float,
    t_end_s: float,
    least_drop_db: float = LEAST_DROP_DB,
) -> float | None:
    """Look for a step down of all partials at once that is not made good.

    Parameters
    ----------
    times_s : ndarray, shape (m,)
        Times in s from the onset, evenly spaced.
    power : ndarray, shape (k, m)
        Power of the note's partials, noise included.
    noise_power : ndarray, shape (k,)
        Mean noise power of each band.
    t_start_s, t_end_s : float
        Where to look, in s from the onset.
    least_drop_db : float
        Step that many bands together must make.

    Returns
    -------
    float or None
        Moment of the largest step, in s from the onset.
    """
    first = t_start_s + PRE_SPAN_S + DROP_GAP_S
    last = t_end_s - DROP_GAP_S - DROP_SPAN_S
    if last <= first:
        return None
    grid = np.arange(t_start_s, t_end_s, GRID_S)
    floor = np.maximum(noise_power, 1e-9 * power.max(axis=1))
    level = np.stack(
        [
            np.interp(grid, times_s, 10.0 * np.log10(np.maximum(row, 2.0 * least)))
            for row, least in zip(power, floor, strict=True)
        ]
    )
    above = level - 10.0 * np.log10(floor)[:, None]
    gap, span, pre = (round(x / GRID_S) for x in (DROP_GAP_S, DROP_SPAN_S, PRE_SPAN_S))
    total = np.concatenate([np.zeros((level.shape[0], 1)), np.cumsum(level, axis=1)], axis=1)
    at = np.arange(pre + gap, grid.size - gap - span)
    if at.size == 0:
        return None
    half = pre // 2
    late = (total[:, at - gap] - total[:, at - gap - half]) / half
    early = (total[:, at - gap - half] - total[:, at - gap - 2 * half]) / half
    after = (total[:, at + gap + span] - total[:, at + gap]) / span
    # The natural decay goes on across the gap: it is taken from the two halves before.
    steps = (half / 2 + 2 * gap + span / 2) / half
    expected = late + np.clip(late - early, -6.0, 0.0) * steps
    drop = expected - after
    weight = np.clip((above[:, at - gap] - VISIBLE_DB) / 10.0, 0.0, 1.0)
    bands = weight.sum(axis=0)
    mean = (np.clip(drop, -8.0, 20.0) * weight).sum(axis=0) / np.maximum(bands, 1e-9)
    share = ((drop > BAND_DROP_DB) * weight).sum(axis=0) / np.maximum(bands, 1e-9)
    needed = least_drop_db + LONE_DROP_DB / np.sqrt(np.maximum(bands, 1.0))
    score = np.where((bands > 0.5) & (share >= DROP_SHARE), mean - needed, -np.inf)
    earlier = bands[np.maximum(np.arange(at.size) - round(GONE_WITHIN_S / GRID_S), 0)]
    score = np.where(bands >= LEFT_SHARE * earlier, score, -np.inf)
    watched = round(BACK_WITHIN_S / GRID_S)
    for place in np.argsort(score)[::-1][:40]:
        if score[place] <= 0.0:
            return None
        later = level[:, at[place] + gap + span : at[place] + gap + watched]
        moment = float(grid[at[_step_start(mean, int(place))]])
        if later.size == 0:
            return moment
        back = np.quantile(later, 0.95, axis=1) - after[:, place]
        kept = weight[:, place] * (back < BACK_SHARE * np.maximum(drop[:, place], 0.1))
        if kept.sum() >= DROP_SHARE * bands[place]:
            return moment
    return None


def _step_start(drop: FloatArray, place: int) -> int:
    """First moment near the largest step at which most of it shows: the damper has touched."""
    first = max(0, place - round(2.0 * DROP_GAP_S / GRID_S))
    near = drop[first : place + 1]
    return first + int(np.argmax(near >= 0.6 * drop[place]))


def expected_holds(
    holds_s: Sequence[float | None], has_damper: Sequence[bool]
) -> list[float | None]:
    """Hold to be expected of each strike, by the strikes around it.

    Parameters
    ----------
    holds_s : sequence of float or None, length k
        Time from onset to release of each strike in the order of the run; ``None`` where no
        release was seen.
    has_damper : sequence of bool, length k
        Whether the key may have a damper.

    Returns
    -------
    list of float or None, length k
        ``None`` where the neighbours do not tell.
    """
    damped = np.flatnonzero(np.asarray(has_damper, dtype=np.bool_))
    expected: list[float | None] = [None] * len(holds_s)
    for i in range(len(holds_s)):
        near = damped[damped != i]
        near = near[np.argsort(np.abs(near - i), kind="stable")[:NEIGHBOURS]]
        seen = [hold for j in near if (hold := holds_s[j]) is not None]
        if len(seen) < LEAST_NEIGHBOURS or len(seen) < LEAST_SHARE * near.size:
            continue
        middle = float(np.median(seen))
        spread = 1.4826 * float(np.median(np.abs(np.asarray(seen) - middle)))
        if spread <= MOST_SPREAD * middle:
            expected[i] = middle
    return expected


def confirm_release(
    times_s: FloatArray,
    power: FloatArray,
    *,
    noise_power: FloatArray,
    expected_s: float,
    end_s: float,
) -> float | None:
    """Look for a release near an expected one.

    Parameters
    ----------
    times_s : ndarray, shape (m,)
        Times in s from the onset, evenly spaced.
    power : ndarray, shape (k, m)
        Power of the note's partials, noise included.
    noise_power : ndarray, shape (k,)
        Mean noise power of each band.
    expected_s : float
        Where the release is expected, in s from the onset.
    end_s : float
        End of the sound of this strike, in s.

    Returns
    -------
    float or None
        Release in s from the onset; ``None`` when the level bends nowhere near by 4 dB.

    Notes
    -----
    Two straight lines that meet are fitted to the level of all partials together; the corner that
    leaves the least is the release when the level 0.15 s behind it lies 4 dB below the first line
    and falls 1.6 times as fast.
    """
    step_s = float(times_s[1] - times_s[0])
    total = power.sum(axis=0)
    floor = float(noise_power.sum())
    width = max(1, round(SMOOTHING_S / step_s))
    smooth = np.convolve(total, np.ones(width) / width, mode="same")
    level = 10.0 * np.log10(np.maximum(smooth - floor, 0.3 * floor + 1e-16 * smooth.max()))
    corners = np.arange(max(expected_s - REACH_S, 0.08), expected_s + REACH_S, 0.005)
    best: tuple[float, float, float, float] | None = None
    for corner in corners:
        first, last = max(corner - BEFORE_S, 0.05), min(corner + AFTER_S, end_s)
        part = (times_s >= first) & (times_s <= last)
        x = times_s[part] - corner
        if np.count_nonzero(x > 0) < 3 or np.count_nonzero(x < 0) < 3:
            continue
        basis = np.stack([np.ones(x.size), x, np.maximum(x, 0.0)], axis=1)
        weight, *_ = np.linalg.lstsq(basis, level[part], rcond=None)
        left = float(np.mean((level[part] - basis @ weight) ** 2))
        if best is None or left < best[0]:
            best = (left, float(corner), float(weight[1]), float(weight[2]))
    if best is None:
        return None
    _, corner, slope, bend = best
    falls_faster = slope + bend < LEAST_SLOPE_RATIO * min(slope, 0.0)
    if falls_faster and -bend * 0.15 >= LEAST_BEND_DB:
        return corner
    return find_drop(
        times_s,
        power,
        noise_power=noise_power,
        t_start_s=max(0.04, expected_s - REACH_S - PRE_SPAN_S - DROP_GAP_S),
        t_end_s=min(end_s, expected_s + REACH_S + DROP_SPAN_S + DROP_GAP_S),
        least_drop_db=LEAST_BEND_DB,
    )

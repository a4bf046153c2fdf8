"""Where do the levels of several bands bend downward together?

Conventions: times in s; levels in dB, one row for each band; k bands, n times, j moments tried.

Functions: `bend_weights`, `bend_errors`, `vertex`.
"""

from __future__ import annotations

import numpy as np

from toneapp._typing import BoolArray, FloatArray

__all__ = ["bend_errors", "bend_weights", "vertex"]

TAIL_RANGE_DB = 20.0  # a band's fall is followed so far; below it the room and leaks take over
SECOND_BEND_S = 0.12  # after the damper: it leaks, or the room is heard


def bend_weights(db: FloatArray, visible: FloatArray, is_lost: BoolArray, at: int) -> FloatArray:
    """Weigh each point by how visible its band was, until it has fallen far or is lost.

    Parameters
    ----------
    db, visible : ndarray, shape (k, n)
        Levels, and how far they stand out of the noise, 0 to 1.
    is_lost : ndarray of bool, shape (k, n)
        Where a band is in the noise.
    at : int
        Index of the first estimate of the bend.

    Returns
    -------
    ndarray, shape (k, n)
        Weights, 0 to 1.
    """
    count = db.shape[1]
    at = min(max(at, 1), count - 1)
    band = visible[:, max(0, at - 10) : at + 1].mean(axis=1)
    level = db[:, max(0, at - 10) : at + 1].mean(axis=1)
    gone = (db < level[:, None] - TAIL_RANGE_DB) | is_lost
    gone[:, :at] = False
    first = np.where(gone.any(axis=1), np.argmax(gone, axis=1), count)
    # The first point that is gone still tells that the level fell.
    keep = np.arange(count) <= first[:, None]
    return np.where(keep, band[:, None], 0.0)


def bend_errors(
    times: FloatArray, db: FloatArray, weight: FloatArray, moments: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Fit a straight line with a bend downward to each band, the bend at each of some moments.

    Parameters
    ----------
    times : ndarray, shape (n,)
        Times in s.
    db, weight : ndarray, shape (k, n)
        Levels and their weights.
    moments : ndarray, shape (j,)
        Where the bend is tried, in s.

    Returns
    -------
    error : ndarray, shape (j,)
        Weighted sum of squares of what is left of all bands.
    slope, bend : ndarray, shape (j, k)
        Slope before, and its change, in dB/s; no band bends upward.
    """
    x = times[None, :] - moments[:, None]
    design = np.stack(
        [np.ones_like(x), x, np.maximum(x, 0.0), np.maximum(x - SECOND_BEND_S, 0.0)], axis=2
    )  # (j, n, 4)
    products = design[:, :, :, None] * design[:, :, None, :]
    normal = np.tensordot(weight, products, axes=([1], [1]))  # (k, j, 4, 4)
    target = np.tensordot(weight * db, design, axes=([1], [1]))  # (k, j, 4)
    ridge = 1e-6 * np.eye(4) * (1.0 + weight.sum(axis=1))[:, None, None, None]
    normal = normal + ridge
    full = np.linalg.solve(normal, target[..., None])[..., 0]
    plain = np.linalg.solve(normal[..., :3, :3], target[..., :3, None])[..., 0]
    # Behind the damper the fall may only become slower; a second bend downward would be the
    # release itself, tried too early.
    is_slower = full[..., 3] > 0.0
    explained = np.where(
        is_slower, np.sum(full * target, axis=2), np.sum(plain * target[..., :3], axis=2)
    )
    solution = np.where(is_slower[..., None], full[..., :3], plain)
    # Nor does a damper make a band fall more slowly: that is the knee of a natural decay.
    straight = np.linalg.solve(normal[..., :2, :2], target[..., :2, None])[..., 0]
    is_knee = solution[..., 2] > 0.0
    explained = np.where(is_knee, np.sum(straight * target[..., :2], axis=2), explained)
    solution[..., :2] = np.where(is_knee[..., None], straight, solution[..., :2])
    solution[..., 2] = np.where(is_knee, 0.0, solution[..., 2])
    total = np.sum(weight * db**2, axis=1)[:, None]
    error = np.sum(np.maximum(total - explained, 0.0), axis=0)
    return error, solution[:, :, 1].T, solution[:, :, 2].T


def vertex(error: FloatArray, best: int) -> tuple[float, float]:
    """Place a minimum between grid points by a parabola.

    Parameters
    ----------
    error : ndarray, shape (j,)
        Values on an even grid.
    best : int
        Index of the least.

    Returns
    -------
    offset, curvature : float
        Offset from that point in steps of the grid, within half a step; second difference. Both
        are 0 at an end of the grid.
    """
    if not 0 < best < error.size - 1:
        return 0.0, 0.0
    left, middle, right = error[best - 1 : best + 2]
    curvature = float(left - 2.0 * middle + right)
    if curvature <= 0:
        return 0.0, 0.0
    return float(np.clip(0.5 * (left - right) / curvature, -0.5, 0.5)), curvature

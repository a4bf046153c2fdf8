"""How do several strikes of one note become one value?

Functions: `pool_measured` (a weighted, robust mean with its error), `pool_median`,
`pool_limits` (levels of which some are only upper limits), `common_flags`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from toneapp.results import Flag, StrikeResult

__all__ = ["common_flags", "pool_limits", "pool_measured", "pool_median"]

_HUBER = 2.5


def pool_median(values: Iterable[float | None]) -> float | None:
    """Median of the measured values; None when there is none.

    Examples
    --------
    >>> pool_median([3.0, None, 1.0])
    2.0
    """
    known = [value for value in values if value is not None]
    return float(np.median(known)) if known else None


def pool_measured(
    values: Iterable[tuple[float | None, float | None]],
) -> tuple[float | None, float | None]:
    """Weighted mean of values with standard errors, steady against a wild one.

    Parameters
    ----------
    values : iterable of (float or None, float or None)
        Value and standard error of each strike. A value whose error is unknown or 0 gets the
        median error of the others.

    Returns
    -------
    value, se : float or None
        Weighted mean and its standard error: the larger of what the errors promise and what the
        scatter of three or more values shows. The error is None when nothing tells it.
    """
    known = [(value, se) for value, se in values if value is not None]
    if not known:
        return None, None
    value = np.array([v for v, _ in known])
    told = [se for _, se in known if se is not None and se > 0]
    if value.size == 1:
        return float(value[0]), told[0] if told else None
    common = float(np.median(told)) if told else 1.0
    se = np.array([s if s is not None and s > 0 else common for _, s in known])
    # No strike is trusted beyond twice the precision of the usual one.
    weight = 1.0 / np.maximum(se, 0.5 * common) ** 2
    middle = float(np.median(value))
    distance = np.abs(value - middle)
    spread = max(1.4826 * float(np.median(distance)), common if told else 0.0)
    if spread > 0:
        weight = weight * np.minimum(1.0, _HUBER * spread / np.maximum(distance, 1e-300))
    mean = float(np.sum(weight * value) / np.sum(weight))
    promised = 1.0 / math.sqrt(float(np.sum(1.0 / se**2))) if told else None
    if value.size < 3:
        if promised is None:
            return mean, None
        return mean, max(promised, 0.5 * abs(float(value[1] - value[0])))
    shown = math.sqrt(
        float(np.sum(weight * (value - mean) ** 2) / np.sum(weight)) / (value.size - 1)
    )
    return mean, shown if promised is None else max(promised, shown)


def pool_limits(values: Iterable[tuple[float | None, bool]]) -> float | None:
    """Median of levels; strikes that give only an upper limit count when no other does.

    Parameters
    ----------
    values : iterable of (float or None, bool)
        Level, and whether it is an upper limit.

    Returns
    -------
    float or None
        Median of the levels that are heard, else the lowest limit, else None.

    Examples
    --------
    >>> pool_limits([(-40.0, True), (-45.0, True)]), pool_limits([(-40.0, True), (-30.0, False)])
    (-45.0, -30.0)
    """
    known = [(level, is_limit) for level, is_limit in values if level is not None]
    heard = [level for level, is_limit in known if not is_limit]
    if heard:
        return float(np.median(heard))
    return min((level for level, _ in known), default=None)


def common_flags(strikes: Sequence[StrikeResult]) -> tuple[Flag, ...]:
    """Flags that every strike of a note carries, in the order of the first."""
    first, *others = strikes
    return tuple(flag for flag in first.flags if all(flag in other.flags for other in others))

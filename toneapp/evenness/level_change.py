"""How did a level go between two runs, when either may be hidden by the noise?

Conventions: *after minus before*, in dB; intervals hold the true value in 19 of 20 cases; what was
heard in one run only is bounded by what the other would have shown.

Functions: `level_change`, `level_changes`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from toneapp.evenness.discovery import FALSE_DISCOVERY_RATE, adjust_p_values

__all__ = ["Z95", "LevelChange", "Trend", "TwoLevels", "level_change", "level_changes"]

NOTICED_DB = 3.0
"""Twice the energy: a change that is worth a word (common practice, no source)."""

Z95, Z90 = 1.959964, 1.644854  # normal quantiles, two-sided and one-sided at 5 %


class Trend(StrEnum):
    """Which way a ringing went."""

    LOST = "lost"  # heard before, no longer
    QUIETER = "quieter"
    UNCHANGED = "unchanged"  # within what is noticed, or within chance
    LOUDER = "louder"
    GAINED = "gained"  # heard now, not before
    HIDDEN = "hidden"  # heard in one run only, but the other might not have shown it


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelChange:
    """A level before and after, either of which may be a limit only."""

    before_db: float  # level, or the limit below which it would not have been heard
    after_db: float
    before_is_limit: bool
    after_is_limit: bool
    difference_db: float  # with one limit: at least so far up or down
    low_db: float | None  # ends of the interval; None at the open side of a limit
    high_db: float | None
    trend: Trend


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoLevels:
    """Levels of one thing in both runs, in dB; None stands for what was not heard."""

    before_db: float | None
    after_db: float | None
    limit_before_db: float
    limit_after_db: float
    se_db: float

    def difference_db(self) -> float:
        """Difference, or what it is at least."""
        first = self.limit_before_db if self.before_db is None else self.before_db
        second = self.limit_after_db if self.after_db is None else self.after_db
        return second - first

    def p_value(self) -> float:
        """Probability of such a difference by chance; one-sided against a limit."""
        difference = self.difference_db()
        if self.before_db is None:
            return _upper_tail(difference / self.se_db)
        if self.after_db is None:
            return _upper_tail(-difference / self.se_db)
        return 2.0 * _upper_tail(abs(difference) / self.se_db)


def _upper_tail(z: float) -> float:
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def level_changes(rows: Sequence[TwoLevels]) -> list[LevelChange]:
    """Changes of many things, with the false-discovery rate among those told held at 5 %.

    Parameters
    ----------
    rows : sequence of TwoLevels

    Returns
    -------
    list of LevelChange
        In the same order.
    """
    if not rows:
        return []
    adjusted = adjust_p_values(np.array([min(row.p_value(), 1.0) for row in rows]))
    return [
        level_change(row, is_sure=bool(p <= FALSE_DISCOVERY_RATE))
        for row, p in zip(rows, adjusted, strict=True)
    ]


def level_change(
    two: TwoLevels, *, is_sure: bool, interval: tuple[float, float] | None = None
) -> LevelChange:
    """Put a change together.

    Parameters
    ----------
    two : TwoLevels
        Of which one at least was heard.
    is_sure : bool
        Chance is refused.
    interval : tuple of float, optional
        Of the difference, when it is known better than from the error.

    Returns
    -------
    LevelChange
    """
    difference = two.difference_db()
    low: float | None = None
    high: float | None = None
    if two.before_db is not None and two.after_db is not None:
        low, high = interval or (difference - Z95 * two.se_db, difference + Z95 * two.se_db)
        trend = Trend.UNCHANGED
        if is_sure and abs(difference) > NOTICED_DB:
            trend = Trend.LOUDER if difference > 0 else Trend.QUIETER
    elif two.before_db is not None:
        high = difference + Z90 * two.se_db
        trend = Trend.LOST if is_sure else Trend.HIDDEN
    else:
        assert two.after_db is not None, "a change is of something that was heard"
        low = difference - Z90 * two.se_db
        trend = Trend.GAINED if is_sure else Trend.HIDDEN
    return LevelChange(
        before_db=two.limit_before_db if two.before_db is None else two.before_db,
        after_db=two.limit_after_db if two.after_db is None else two.after_db,
        before_is_limit=two.before_db is None,
        after_is_limit=two.after_db is None,
        difference_db=difference,
        low_db=low,
        high_db=high,
        trend=trend,
    )

"""Where may a strike begin and end when a person moves its bounds?

Functions: `moved_begin`, `moved_end`, `said_bounds`. Classes: `Bounds`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from toneapp.library import StrikeEdit
from toneapp.results import StrikeResult

__all__ = ["SHORTEST_S", "Bounds", "moved_begin", "moved_end", "said_bounds"]

SHORTEST_S = 0.05
"""Least time between the beginning of a strike, its end and its neighbours."""

SAME_S = 0.0005
"""Fields show milliseconds; less is the rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """A strike's beginning and end, and how far they may be moved; in seconds of the recording."""

    begin_s: float
    release_s: float | None  # None: no damper was heard
    earliest_s: float  # its neighbours, or the ends of the recording
    latest_s: float

    def begin_within(self, to_s: float) -> float:
        """Bring a beginning to where it may be."""
        end_s = self.latest_s if self.release_s is None else self.release_s
        return _between(to_s, self.earliest_s, end_s - SHORTEST_S)

    def release_within(self, to_s: float) -> float:
        """Bring an end to where it may be."""
        return _between(to_s, self.begin_s + SHORTEST_S, self.latest_s)


def moved_begin(bounds: Bounds, to_s: float) -> Bounds:
    """Let a strike begin at another moment, as near to it as may be.

    Examples
    --------
    >>> bounds = Bounds(begin_s=1.0, release_s=2.0, earliest_s=0.5, latest_s=3.0)
    >>> moved_begin(bounds, 0.2).begin_s, moved_begin(bounds, 2.5).begin_s
    (0.5, 1.95)
    """
    return replace(bounds, begin_s=bounds.begin_within(to_s))


def moved_end(bounds: Bounds, to_s: float) -> Bounds:
    """Let a strike end at another moment, as near to it as may be.

    Examples
    --------
    >>> bounds = Bounds(begin_s=1.0, release_s=None, earliest_s=0.5, latest_s=3.0)
    >>> moved_end(bounds, 2.2).release_s, moved_end(bounds, 9.0).release_s
    (2.2, 3.0)
    """
    return replace(bounds, release_s=bounds.release_within(to_s))


def said_bounds(
    bounds: Bounds, strike: StrikeResult | None, edit: StrikeEdit | None
) -> tuple[float | None, float | None]:
    """Tell which of the bounds a person has set; None for those that stay as heard."""
    heard = (None, None) if strike is None else (strike.onset_s, strike.release_s)
    said = (None, None) if edit is None else (edit.exact_onset_s, edit.release_s)

    def own(value_s: float | None, heard_s: float | None, said_s: float | None) -> float | None:
        is_heard = value_s is None or (heard_s is not None and abs(value_s - heard_s) < SAME_S)
        return None if is_heard and said_s is None else value_s

    return own(bounds.begin_s, heard[0], said[0]), own(bounds.release_s, heard[1], said[1])


def _between(value: float, low: float, high: float) -> float:
    return min(max(value, low), max(high, low))

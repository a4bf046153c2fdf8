"""Which key was struck fast, and how did it repeat?

Fast blows fall into one another's evidence: one alone may be taken for another key. Several blows
of the series together name it, as they do for a recording that is complete.

Functions: `hear_series`.
"""

from __future__ import annotations

from toneapp._typing import FloatArray
from toneapp.audio.capture.recognition import Recogniser
from toneapp.measure.repetition import KeyRepetition, find_series, measure_repetition
from toneapp.measure.series_pitch import series_support

__all__ = ["hear_series"]


def hear_series(
    samples: FloatArray,
    *,
    sample_rate_hz: int,
    recogniser: Recogniser,
    expected: tuple[int, ...],
    heard: int,
) -> tuple[int, KeyRepetition | None]:
    """Name a series of fast blows and measure it.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono; from before the first blow to after the last.
    sample_rate_hz : int
        Sampling rate.
    recogniser : Recogniser
        Knows the keys and where the instrument stands.
    expected : tuple of int
        Keys that may well come now, the one asked for first.
    heard : int
        What the first blow alone was taken for.

    Returns
    -------
    midi : int
        The key.
    figures : KeyRepetition or None
        None with fewer than six blows.
    """
    found = find_series(samples, sample_rate_hz=sample_rate_hz)
    longest = max(found, key=lambda item: item.times_s.size, default=None)
    if longest is None:
        return heard, None
    support = series_support(longest, samples, sample_rate_hz=sample_rate_hz)
    midi = recogniser.name_support(support, expected=expected)
    return midi, measure_repetition(longest, midi=midi)

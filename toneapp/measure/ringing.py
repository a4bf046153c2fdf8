"""What still sounds after the release? Lines that outlast damper and room.

After a release the sound holds the dying partials of the struck note, the reverberation of the
room, thumps of key and damper, and the lines of strings that are free to sound on. `find_lines`
gives every line with its frequency, level and decay; which string each belongs to is told by
`toneapp.measure.echo`, which needs the whole run.

Times in seconds from the first sample handed in; levels in dB relative to the struck note's own
peak level (its highest RMS over 50 ms).

Functions: `find_lines`, `peak_level`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from toneapp._typing import FloatArray
from toneapp.measure.ringing_clean import clean_lines
from toneapp.measure.ringing_fall import falling_lines
from toneapp.measure.ringing_known import RestSound, keep_rest
from toneapp.measure.ringing_line import AFTER_RELEASE_S, RingLine, ring_peaks
from toneapp.signal.bands import transform_strike

__all__ = ["AFTER_RELEASE_S", "LEAST_S", "RingLine", "find_lines", "peak_level"]

LEAST_S = 0.18
LONGEST_S = 1.6
"""Shortest stretch after the release in which a line can be told from the room, and the longest
that is used."""

LEAST_ABOVE_DB = 11.0
"""A peak of noise stands this far above the mean once in 300 000 bins."""

REPLACED_HZ = 1.5
"""A peak this near to a clean line is that line, or several of them seen as one."""


def peak_level(samples: FloatArray, *, sample_rate_hz: float, onset_s: float) -> float:
    """Highest mean square over 50 ms within 0.4 s of an onset.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound.
    sample_rate_hz : float
        Sampling rate in Hz.
    onset_s : float
        Onset in s from the first sample.

    Returns
    -------
    float
        Mean square, full scale = 1.
    """
    width = max(1, int(0.05 * sample_rate_hz))
    start = int(onset_s * sample_rate_hz)
    part = samples[start : start + 8 * width]
    if part.size < width:
        return float(np.mean(part**2)) if part.size else 0.0
    total = np.concatenate([[0.0], np.cumsum(part**2)])
    return float(np.max(total[width:] - total[:-width]) / width)


def find_lines(
    samples: FloatArray,
    *,
    sample_rate_hz: float,
    onset_s: float,
    release_s: float,
    end_s: float,
    noise_density: Callable[[FloatArray], FloatArray],
) -> tuple[RingLine, ...]:
    """Find the lines that sound on after a release.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound of one strike.
    sample_rate_hz : float
        Sampling rate in Hz.
    onset_s, release_s, end_s : float
        Onset, release, and where the next sound begins, in s from the first sample.
    noise_density : callable
        Room noise in mean square per Hz at given frequencies; hum stands in it as lines.

    Returns
    -------
    tuple of RingLine
        Upward in frequency. Empty when less than 0.18 s follow the release.

    Notes
    -----
    A window with a short rise keeps what decays quickly. Each peak that stands 11 dB over its
    surroundings and over the noise is followed in a band of its own; its level over time, freed
    from noise, is fitted by a straight line in dB with weights from the noise. Where bands fall
    apart into lone decaying sinusoids, those take the place of the peak.
    """
    cut = _after_release(samples, sample_rate_hz, onset_s, release_s, end_s)
    if cut is None:
        return ()
    part, reference = cut
    clean = clean_lines(
        part, sample_rate_hz=sample_rate_hz, reference=reference, noise_density=noise_density
    )
    peaks = ring_peaks(
        part,
        sample_rate_hz=sample_rate_hz,
        reference=reference,
        noise_density=noise_density,
        least_above_db=LEAST_ABOVE_DB,
    )
    falling = falling_lines(
        part,
        peaks,
        sample_rate_hz=sample_rate_hz,
        reference=reference,
        noise_density=noise_density,
    )
    lines = [
        line for line in falling if all(abs(line.hz - other.hz) > REPLACED_HZ for other in clean)
    ]
    return tuple(sorted([*clean, *lines], key=lambda line: line.hz))


def rest_of(
    samples: FloatArray,
    *,
    sample_rate_hz: float,
    onset_s: float,
    release_s: float,
    end_s: float,
    noise_density: Callable[[FloatArray], FloatArray],
) -> RestSound | None:
    """Keep the sound after a release, to look for strings in it that are known later.

    Parameters
    ----------
    samples, sample_rate_hz, onset_s, release_s, end_s, noise_density
        As in `find_lines`.

    Returns
    -------
    RestSound or None
        ``None`` when less than 0.18 s follow the release.
    """
    cut = _after_release(samples, sample_rate_hz, onset_s, release_s, end_s)
    if cut is None:
        return None
    part, reference = cut
    transform = transform_strike(part, sample_rate_hz=sample_rate_hz)
    return keep_rest(transform, reference=reference, noise_density=noise_density)


def _after_release(
    samples: FloatArray, sample_rate_hz: float, onset_s: float, release_s: float, end_s: float
) -> tuple[FloatArray, float] | None:
    """Cut the sound after a release, with the struck note's peak level; None without either."""
    first_s = release_s + 0.5 * AFTER_RELEASE_S
    stop_s = min(end_s, first_s + LONGEST_S)
    if stop_s - first_s < LEAST_S:
        return None
    reference = peak_level(samples, sample_rate_hz=sample_rate_hz, onset_s=onset_s)
    if reference <= 0:
        return None
    return samples[int(first_s * sample_rate_hz) : int(stop_s * sample_rate_hz)], reference

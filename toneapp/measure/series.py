"""Which of the peaks of a spectrum are the partials of one struck string?

A coarse search over f0 and B on a spectrum of the held tone, then tracking of the partials upward
from the lowest, the prediction tightening as it goes. What is found is measured closely by
`toneapp.measure.partial_frequencies` and fitted by `toneapp.measure.series_fit`.

Functions: `find_series`.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass

import numpy as np

from toneapp._typing import BoolArray, FloatArray, IntArray
from toneapp.measure.series_line import GrowingLine
from toneapp.measure.stiff_string import (
    PULL_BELOW_HZ,
    PULL_CENTS,
    inharmonicity_log_sd,
    law_scatter_cents,
    typical_inharmonicity,
)
from toneapp.pitch import midi_to_hz
from toneapp.signal.peaks import PeakList, Spectrum, find_peaks, local_floor, peak_strengths

__all__ = ["SeriesGuess", "find_series"]

MOST_PARTIALS = 30
"""Partials followed at most. Higher up the wound strings of the bass leave the law by more than
the fit gains; with 30, six blow layers of a real grand agreed best (B to 0.5 % from A1 to A4)."""

CENTS_OF_RATIO = 1200.0 / math.log(2.0)
"""Cents in a relative deviation of one."""

RANGE_DB = 70.0
"""Peaks further than this below the strongest partial are not taken for partials."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeriesGuess:
    """A series of partials found among the peaks of a spectrum."""

    f0_hz: float
    inharmonicity: float
    n: IntArray  # shape (k,), partial numbers found
    hz: FloatArray  # shape (k,)
    amplitude: FloatArray  # shape (k,)
    score: float  # explained share of the compressed peak strengths, 0 to 1


def find_series(
    spectrum: Spectrum,
    *,
    pitch: float,
    span_cents: float = 60.0,
    peaks: PeakList | None = None,
) -> SeriesGuess | None:
    """Find the partials of a note among the peaks of a spectrum.

    Parameters
    ----------
    spectrum : Spectrum
        Amplitude spectrum of the held tone.
    pitch : float
        The pitch of f1 as a fractional MIDI number at A4 = 440 Hz.
    span_cents : float
        How far from it the pitch may lie, in cents.
    peaks : PeakList, optional
        Peaks of `spectrum`, when they are at hand.

    Returns
    -------
    SeriesGuess or None
        ``None`` when no peak fits.
    """
    if peaks is None:
        peaks = find_peaks(spectrum, floor=local_floor(spectrum))
    top_hz = min(0.97 * spectrum.bin_hz * (spectrum.amplitude.size - 1), 15000.0)
    peaks = _strong_peaks(peaks)
    best: SeriesGuess | None = None
    strength = _strength(peaks)
    total = float(strength.sum())
    if total <= 0:
        return None
    starts = _coarse_search(peaks, midi=pitch, span_cents=span_cents, top_hz=top_hz)
    for start in starts:
        f0, b, n, chosen = _track(
            peaks, start, midi=pitch, top_hz=top_hz, lobe_hz=spectrum.main_lobe_hz
        )
        if n.size == 0:
            continue
        strong = peaks.amplitude[chosen] > peaks.amplitude[chosen].max() * 10 ** (-RANGE_DB / 20)
        n, chosen = n[strong], chosen[strong]
        fitted = n * f0 * np.sqrt(1.0 + b * n**2)
        off = 1200.0 * np.log2(peaks.hz[chosen] / fitted)
        gain = float(np.sum(strength[chosen] * np.exp(-0.5 * (off / 8.0) ** 2)))
        if best is None or gain / total > best.score:
            best = SeriesGuess(
                f0_hz=f0,
                inharmonicity=b,
                n=n,
                hz=peaks.hz[chosen],
                amplitude=peaks.amplitude[chosen],
                score=gain / total,
            )
    return best


def _coarse_search(
    peaks: PeakList, *, midi: float, span_cents: float, top_hz: float
) -> list[tuple[float, float]]:
    """Best starting pairs (f0, B) on a grid, by summed strength of peaks near the series."""
    strength = _strength(peaks)
    f_mid = midi_to_hz(midi)
    offsets = np.arange(-span_cents, span_cents + 1.0, 3.0)
    spread = np.exp(np.linspace(-1.3, 1.3, 15))
    bs = typical_inharmonicity(float(midi)) * spread
    most = int(np.clip(top_hz / f_mid, 1, 12))
    n = np.arange(1, most + 1)
    f1 = f_mid * 2.0 ** (offsets / 1200.0)
    stiff = n[None, :] * np.sqrt((1.0 + bs[:, None] * n**2) / (1.0 + bs[:, None]))
    predicted = f1[:, None, None] * stiff[None, :, :]
    if peaks.hz.size == 0:
        return []
    log_peaks = np.log2(peaks.hz)
    wanted = np.log2(predicted)
    right = np.clip(np.searchsorted(log_peaks, wanted), 1, max(1, peaks.hz.size - 1))
    left = right - 1
    right = np.minimum(right, peaks.hz.size - 1)
    total = np.zeros(predicted.shape)
    for index in (left, right):
        off = 1200.0 * (log_peaks[index] - wanted)
        total = np.maximum(total, strength[index] * np.exp(-0.5 * (off / 8.0) ** 2))
    prior = -2.0 * (np.log(spread) / inharmonicity_log_sd(midi)) ** 2
    score = total.sum(axis=2) + prior[None, :]
    order = np.argsort(score, axis=None)[::-1]
    starts: list[tuple[float, float]] = []
    for flat in order[:200]:
        i, j = np.unravel_index(flat, score.shape)
        f0 = float(f1[i] / np.sqrt(1.0 + bs[j]))
        if all(
            abs(1200.0 * np.log2(f0 / other)) > 10.0 or abs(np.log(bs[j] / b)) > 0.6
            for other, b in starts
        ):
            starts.append((f0, float(bs[j])))
        if len(starts) == 3:
            break
    return starts


def _track(
    peaks: PeakList,
    start: tuple[float, float],
    *,
    midi: float,
    top_hz: float,
    lobe_hz: float,
) -> tuple[float, float, IntArray, IntArray]:
    """Follow the series upward; returns f0, B, partial numbers and peak indices.

    The reach about each prediction follows from what the partials so far leave open.
    """
    f0, b = start
    prior_b = typical_inharmonicity(float(midi))
    line = GrowingLine(prior_b=prior_b, log_sd=inharmonicity_log_sd(midi))
    law_cents = law_scatter_cents(midi)
    open_cents = 6.0
    all_hz = peaks.hz.tolist()
    above_db = peaks.above_floor_db.tolist()
    numbers: list[int] = []
    chosen: list[int] = []
    misses = 0
    for n in range(1, MOST_PARTIALS + 1):
        predicted = n * f0 * math.sqrt(1.0 + b * n * n)
        if predicted > top_hz:
            break
        if len(line) >= 2:
            open_cents = min(CENTS_OF_RATIO * 0.5 * line.sd_at(n) / (predicted / n) ** 2, 25.0)
        pull = 2.0 * PULL_CENTS if predicted < PULL_BELOW_HZ else 0.0
        reach_cents = 3.0 + 2.0 * math.hypot(law_cents, open_cents) + pull
        reach = max(0.6 * lobe_hz, predicted * (2.0 ** (reach_cents / 1200.0) - 1.0))
        reach = min(reach, 0.35 * f0)
        low = bisect.bisect_left(all_hz, predicted - reach)
        high = bisect.bisect_left(all_hz, predicted + reach)
        if low == high:
            misses += 1
            if misses > 6:
                break
            continue
        values = [
            above_db[i] - 8.0 * ((all_hz[i] - predicted) / reach) ** 2 for i in range(low, high)
        ]
        best = low + values.index(max(values))
        numbers.append(n)
        chosen.append(best)
        misses = 0
        hz = all_hz[best]
        cents = math.hypot(law_cents, PULL_CENTS if hz < PULL_BELOW_HZ else 0.0)
        line.add(n, hz, (CENTS_OF_RATIO / (2.0 * (hz / n) ** 2 * cents)) ** 2)
        if len(line) >= 2:
            f0, b = line.fit()
    return f0, b, np.asarray(numbers, dtype=np.int64), np.asarray(chosen, dtype=np.int64)


def _strength(peaks: PeakList) -> FloatArray:
    """Say how much each peak counts: more than in proportion far above the noise."""
    return peak_strengths(peaks.hz, peaks.amplitude, peaks.above_floor_db) ** 1.5


def _strong_peaks(peaks: PeakList, *, most: int = 400) -> PeakList:
    """Keep the strongest peaks, still upward in frequency."""
    if peaks.hz.size <= most:
        return peaks
    keep: BoolArray = np.zeros(peaks.hz.size, dtype=np.bool_)
    keep[np.argsort(peaks.above_floor_db)[-most:]] = True
    return PeakList(
        hz=peaks.hz[keep],
        amplitude=peaks.amplitude[keep],
        above_floor_db=peaks.above_floor_db[keep],
    )

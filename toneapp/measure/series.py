"""What is the pitch of a struck string, and how stiff is it?

The partials of a stiff string lie at ``f_n = n f0 sqrt(1 + B n^2)`` (Fletcher 1964 [1]_). The
series is found in three steps: a coarse search over f0 and B on a spectrum of the held tone,
tracking of the partials upward from the lowest with the prediction tightening as it goes, and a
joint weighted fit of f0 and B to the frequencies measured in narrow bands.

Functions: `typical_inharmonicity`, `partial_frequency_hz`, `find_series`, `measure_partials`,
`fit_series`.

References
----------
.. [1] H. Fletcher, "Normal vibration frequencies of a stiff piano string", J. Acoust. Soc. Am.
   36, 203 (1964).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import overload

import numpy as np

from toneapp._typing import BoolArray, FloatArray, IntArray
from toneapp.pitch import midi_to_hz, ratio_to_cents
from toneapp.signal.bands import BandSet
from toneapp.signal.peaks import PeakList, Spectrum, find_peaks, local_floor, peak_strengths

__all__ = [
    "PartialFrequencies",
    "SeriesFit",
    "SeriesGuess",
    "find_series",
    "fit_series",
    "measure_partials",
    "partial_frequency_hz",
    "typical_inharmonicity",
]

MOST_PARTIALS = 30
"""Partials followed at most. Higher up the wound strings of the bass leave the law by more than
the fit gains; with 30, six blow layers of a real grand agreed best (B to 0.5 % from A1 to A4)."""

RANGE_DB = 70.0
"""Peaks further than this below the strongest partial are not taken for partials."""

USUAL_SCATTER_CENTS = 0.4
"""Usual scatter of a plain string's partials about the law: three detuned strings in a unison."""

FEW_PARTIALS_SCATTER_CENTS = 0.5
"""Scatter assumed about the law when three partials or fewer leave none to be seen."""

LINE_CENTS = 4.0
"""Half-width within which the lines of a unison are averaged. Over six blow layers of a real
grand f1 repeated best so, in the bass (single lines) and in the middle (three strings)."""

WOUND_LOG_SD = 0.9
PLAIN_LOG_SD = 0.45
"""Spread of ln B between instruments about `typical_inharmonicity`: Young (1952) found the plain
strings of six pianos within a factor 2 of one another; wound strings scatter more."""

PULL_CENTS = 4.0
PULL_BELOW_HZ = 180.0
PULL_ENDS_HZ = 260.0
"""The soundboard's lowest modes pull partials below about 180 Hz by some cents, and less and less
up to middle C. Without the slope between, a partial that lies there 2 cents off was left out of
one blow's fit and not of the next one's."""

SCATTER_FLOOR_CENTS = 0.03
"""No partial is trusted better than this: unison strings, coupling and the two polarisations of
a string move partials by more than their noise does."""


@overload
def typical_inharmonicity(midi: float) -> float: ...
@overload
def typical_inharmonicity(midi: FloatArray) -> FloatArray: ...
def typical_inharmonicity(midi: float | FloatArray) -> float | FloatArray:
    """Inharmonicity coefficient B to be expected at a note, within a factor of about 2.

    Parameters
    ----------
    midi : float or ndarray, shape (k,)
        Note number.

    Returns
    -------
    float or ndarray, shape (k,)
        B, without unit.

    Notes
    -----
    Above middle C it doubles every eight semitones from 3.47e-4 (Young [1]_); the wound strings
    add a part that falls from the lowest note upward (common practice, no source).

    References
    ----------
    .. [1] R. W. Young, "Inharmonicity of plain wire piano strings", J. Acoust. Soc. Am. 24, 267
       (1952).
    """
    midi = np.asarray(midi, dtype=np.float64)
    value = 3.47e-4 * 2.0 ** ((midi - 60.0) / 8.0) + 2.8e-4 * 2.0 ** (-(midi - 21.0) / 10.0)
    return float(value) if value.ndim == 0 else value


@overload
def partial_frequency_hz(n: int, *, f0_hz: float, inharmonicity: float) -> float: ...
@overload
def partial_frequency_hz(
    n: IntArray | FloatArray, *, f0_hz: float, inharmonicity: float
) -> FloatArray: ...
def partial_frequency_hz(
    n: int | IntArray | FloatArray, *, f0_hz: float, inharmonicity: float
) -> float | FloatArray:
    """Frequency of the n-th partial of a stiff string.

    Parameters
    ----------
    n : int or ndarray of int, shape (k,)
        Partial number, from 1.
    f0_hz : float
        Fundamental of the same string without stiffness, in Hz, > 0.
    inharmonicity : float
        Coefficient B, without unit, >= 0.

    Returns
    -------
    float or ndarray, shape (k,)
        Frequency in Hz, ``n * f0 * sqrt(1 + B * n**2)``.

    Raises
    ------
    ValueError
        If `f0_hz` is not positive or `inharmonicity` is negative.

    References
    ----------
    .. [1] H. Fletcher, "Normal vibration frequencies of a stiff piano string",
       J. Acoust. Soc. Am. 36, 203 (1964).

    Examples
    --------
    >>> round(partial_frequency_hz(8, f0_hz=261.626, inharmonicity=3.88465e-4), 3)
    2118.866
    """
    if not f0_hz > 0 or inharmonicity < 0:
        raise ValueError(f"f0 must be > 0 and B >= 0, got {f0_hz} Hz and {inharmonicity}")
    n = np.asarray(n, dtype=np.float64)
    value = n * f0_hz * np.sqrt(1.0 + inharmonicity * n**2)
    return float(value) if value.ndim == 0 else value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeriesGuess:
    """A series of partials found among the peaks of a spectrum."""

    f0_hz: float
    inharmonicity: float
    n: IntArray  # shape (k,), partial numbers found
    hz: FloatArray  # shape (k,)
    amplitude: FloatArray  # shape (k,)
    score: float  # explained share of the compressed peak strengths, 0 to 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartialFrequencies:
    """Frequencies of partials measured in their bands."""

    n: IntArray  # shape (k,)
    hz: FloatArray  # shape (k,), mean over the lines of the unison, by their energy
    peak_hz: FloatArray  # shape (k,), the strongest line
    hz_se: FloatArray  # shape (k,), from the noise alone
    amplitude: FloatArray  # shape (k,), largest of the early envelope
    snr_db: FloatArray  # shape (k,), energy of the band over that of its noise


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeriesFit:
    """Fitted series of a stiff string."""

    f0_hz: float
    f0_hz_se: float
    f1_hz: float
    f1_hz_se: float
    f1_cents_se: float
    inharmonicity: float | None  # None: too few partials to tell
    inharmonicity_se: float | None
    cents_from_fit: FloatArray  # shape (k,), measured minus fitted
    weight: FloatArray  # shape (k,), 0 (left out) to 1
    residual_cents: float  # robust scatter about the fit


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
    prior = -2.0 * (np.log(spread) / _log_sd(midi)) ** 2
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


def _log_sd(midi: float) -> float:
    """Spread of ln B to expect at a note: that of wound strings below E3, of plain ones above."""
    return float(np.interp(midi, [46.0, 58.0], [WOUND_LOG_SD, PLAIN_LOG_SD]))


def _linear_fit(
    n: FloatArray, hz: FloatArray, weight: FloatArray, *, prior_b: float, log_sd: float
) -> tuple[float, float]:
    """Weighted fit of (f_n/n)^2 = f0^2 + f0^2 B n^2 with a weak prior on B; returns f0, B."""
    y = (hz / n) ** 2
    x = n**2
    scale = float(np.median(y))
    # The prior counts as one observation of B, at the weight of one partial at n = 2 that is
    # known to 3 cents.
    w = weight * 1.0
    sw = w.sum()
    xm = (w * x).sum() / sw
    ym = (w * y).sum() / sw
    sxx = (w * (x - xm) ** 2).sum()
    sxy = (w * (x - xm) * (y - ym)).sum()
    prior_sd = prior_b * log_sd
    # Slope in units of relative frequency squared per n^2: var(y) = (2 scale * cents)^2.
    pw = 1.0 / (scale * prior_sd) ** 2
    slope = (sxy + pw * prior_b * scale) / (sxx + pw)
    intercept = ym - slope * xm
    if intercept <= 0:
        return float(np.sqrt(scale)), prior_b
    return float(np.sqrt(intercept)), float(max(slope / intercept, 0.0))


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
    log_sd = _log_sd(midi)
    law_cents = _law_scatter_cents(midi)
    open_cents = 6.0
    numbers: list[int] = []
    chosen: list[int] = []
    misses = 0
    cov: FloatArray | None = None
    for n in range(1, MOST_PARTIALS + 1):
        predicted = n * f0 * np.sqrt(1.0 + b * n * n)
        if predicted > top_hz:
            break
        if cov is not None:
            y_sd = float(np.sqrt(cov[0, 0] + 2.0 * n * n * cov[0, 1] + n**4 * cov[1, 1]))
            open_cents = min(600.0 / np.log(2.0) * y_sd / (predicted / n) ** 2, 25.0)
        pull = 2.0 * PULL_CENTS if predicted < PULL_BELOW_HZ else 0.0
        reach_cents = 3.0 + 2.0 * float(np.hypot(law_cents, open_cents)) + pull
        reach = max(0.6 * lobe_hz, predicted * (2.0 ** (reach_cents / 1200.0) - 1.0))
        reach = min(reach, 0.35 * f0)
        low = int(np.searchsorted(peaks.hz, predicted - reach))
        high = int(np.searchsorted(peaks.hz, predicted + reach))
        if low == high:
            misses += 1
            if misses > 6:
                break
            continue
        inside = np.arange(low, high)
        off = (peaks.hz[inside] - predicted) / reach
        value = peaks.above_floor_db[inside] - 8.0 * off**2
        best = int(inside[np.argmax(value)])
        numbers.append(n)
        chosen.append(best)
        misses = 0
        if len(numbers) >= 2:
            ns = np.asarray(numbers, dtype=np.float64)
            hz = peaks.hz[chosen]
            cents = np.hypot(law_cents, np.where(hz < PULL_BELOW_HZ, PULL_CENTS, 0.0))
            weight = 1.0 / (2.0 * (hz / ns) ** 2 * cents * (np.log(2.0) / 1200.0)) ** 2
            f0, b = _linear_fit(ns, hz, weight, prior_b=prior_b, log_sd=log_sd)
            cov = _covariance(ns, hz, weight, prior_sd=prior_b * log_sd)
    return f0, b, np.asarray(numbers, dtype=np.int64), np.asarray(chosen, dtype=np.int64)


def _law_scatter_cents(midi: float) -> float:
    """Scatter of single partials about the law to expect: 5 cents at A0, 1.5 on plain strings."""
    return float(np.interp(midi, [21.0, 34.0, 46.0, 58.0], [5.0, 3.5, 2.0, 1.5]))


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


def measure_partials(
    bands: BandSet,
    *,
    n: IntArray,
    start_s: float,
    stop_s: float,
    noise_density: FloatArray,
    search_hz: float,
) -> PartialFrequencies:
    """Frequency of each partial from its band, close to the best any estimator can do.

    Parameters
    ----------
    bands : BandSet
        Bands about the expected partials; envelopes of shape (k, m).
    n : ndarray of int, shape (k,)
        Partial numbers.
    start_s, stop_s : float
        The held part of the tone within `bands`, in s.
    noise_density : ndarray, shape (k,)
        Power of the noise in a band's envelope per Hz of bandwidth.
    search_hz : float
        Half-width in Hz about the middle of the band in which the partial may lie.

    Returns
    -------
    PartialFrequencies
        Frequency with its standard error.

    Notes
    -----
    Each envelope is weighted with its own modulus, the matched window of a decaying sinusoid, and
    its spectrum's peak is the frequency; for a damped sinusoid in white noise that reaches the
    Cramer-Rao bound. The standard error is that of a phase slope weighted with the squared
    modulus.
    """
    first, last = np.searchsorted(bands.times_s, [start_s, stop_s])
    z = bands.envelopes[:, first:last]
    t = bands.times_s[first:last]
    k, m = z.shape
    size = int(2 ** np.ceil(np.log2(max(4 * m, 64))))
    noise_power = noise_density * bands.noise_bandwidth_hz
    power = np.maximum(np.abs(z) ** 2 - noise_power[:, None], 0.0)
    weighted = z * np.sqrt(power)
    spectrum = np.abs(np.fft.fftshift(np.fft.fft(weighted, size, axis=1), axes=1))
    axis_hz = (np.arange(size) - size // 2) * (bands.rate_hz / size)
    allowed = np.abs(axis_hz) <= search_hz
    masked = np.where(allowed[None, :], spectrum, 0.0)
    top = np.clip(np.argmax(masked, axis=1), 1, size - 2)
    rows = np.arange(k)
    left, peak, right = (np.log(np.maximum(spectrum[rows, top + j], 1e-300)) for j in (-1, 0, 1))
    bend = left - 2.0 * peak + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    offset_hz = axis_hz[top] + np.clip(shift, -1.0, 1.0) * (bands.rate_hz / size)
    offset_hz = _polish_peak(weighted, t, offset_hz)
    peak_hz = bands.centres_hz + offset_hz
    length_s = float(t[-1] - t[0]) if m > 1 else 1.0
    reach = np.maximum(1.5 / length_s, peak_hz * (2.0 ** (LINE_CENTS / 1200.0) - 1.0))
    distance = axis_hz[None, :] - offset_hz[:, None]
    # Trapezoid: full weight to half the reach, none beyond one and a half.
    share = spectrum**2 * np.clip(1.5 - np.abs(distance) / reach[:, None], 0.0, 1.0)
    offset_hz = offset_hz + (share * distance).sum(axis=1) / np.maximum(share.sum(axis=1), 1e-300)
    total = np.maximum(power.sum(axis=1), 1e-300)
    middle = (power * t).sum(axis=1) / total
    spread = (power * (t[None, :] - middle[:, None]) ** 2).sum(axis=1) / bands.rate_hz
    hz_se = np.sqrt(0.5 * noise_density / np.maximum(spread, 1e-300)) / (2.0 * np.pi)
    early = np.searchsorted(t, t[0] + 0.25) if t.size else 0
    loudest = np.abs(z[:, : max(early, 1)]).max(axis=1) if m else np.zeros(k)
    snr_db = 10.0 * np.log10(total / np.maximum(noise_power * m, 1e-300))
    return PartialFrequencies(
        n=n,
        hz=bands.centres_hz + offset_hz,
        peak_hz=peak_hz,
        hz_se=hz_se,
        amplitude=loudest,
        snr_db=snr_db,
    )


def _polish_peak(weighted: np.ndarray, t: FloatArray, offset_hz: FloatArray) -> FloatArray:
    """Two Newton steps to the peak of |sum w exp(-i 2 pi f t)|^2 from a good start."""
    if t.size < 2:
        return offset_hz
    u = 2.0 * np.pi * (t - t.mean())
    f = offset_hz
    for _ in range(2):
        turned = weighted * np.exp(-1j * np.outer(f, u))
        s0 = turned.sum(axis=1)
        s1 = (turned * (-1j * u)).sum(axis=1)
        s2 = (turned * (-(u**2))).sum(axis=1)
        slope = 2.0 * np.real(s1 * np.conj(s0))
        bend = 2.0 * np.real(s2 * np.conj(s0)) + 2.0 * np.abs(s1) ** 2
        step = np.where(bend < 0, -slope / np.where(bend < 0, bend, -1.0), 0.0)
        limit = 0.25 / max(float(t[-1] - t[0]), 1e-9)
        f = f + np.clip(step, -limit, limit)
    return f


def fit_series(
    partials: PartialFrequencies, *, midi: float, iterations: int = 8
) -> SeriesFit | None:
    """Fit f0 and B of a stiff string to measured partials, jointly and robustly.

    Parameters
    ----------
    partials : PartialFrequencies
        Measured partials, at least one.
    midi : float
        The note, for what to expect of B.
    iterations : int
        Rounds of reweighting.

    Returns
    -------
    SeriesFit or None
        ``None`` without any partial. With a single partial B is not measurable; f1 is then that
        partial, taken back to n = 1 through the expected B.

    Notes
    -----
    ``(f_n/n)^2`` is regressed on ``n^2`` with weights from each partial's standard error, the pull
    of the soundboard, and the scatter about the law found in the same fit (Tukey's
    biweight, cut at 4.7 robust standard deviations).
    """
    if partials.n.size == 0:
        return None
    n = partials.n.astype(np.float64)
    hz = partials.hz
    prior_b = typical_inharmonicity(float(midi))
    noise_cents = 1200.0 / np.log(2.0) * partials.hz_se / hz
    pull = _pull_cents(hz) if n.size > 6 else np.zeros(n.size)
    # What the scatter about the law is, the partials that are pulled cannot tell.
    telling = pull == 0.0 if np.count_nonzero(pull == 0.0) > 3 else np.ones(n.size, dtype=np.bool_)
    scatter = 0.5
    robust = np.ones(n.size)
    f0, b = float(hz[0] / n[0]) / np.sqrt(1.0 + prior_b * n[0] ** 2), prior_b
    off = np.zeros(n.size)
    sigma = np.ones(n.size)
    enough = n.size >= 2 and n.max() >= 2
    for _ in range(iterations if enough else 1):
        sigma = np.sqrt(noise_cents**2 + pull**2 + scatter**2)
        if enough:
            weight = robust / (sigma * (np.log(2.0) / 1200.0) * 2.0 * (hz / n) ** 2) ** 2
            f0, b = _linear_fit(n, hz, weight, prior_b=prior_b, log_sd=_log_sd(midi))
        fitted = n * f0 * np.sqrt(1.0 + b * n**2)
        off = ratio_to_cents(hz / fitted)
        if n.size > 3:
            z = off / np.sqrt(noise_cents**2 + pull**2 + scatter**2)
            spread = 1.4826 * float(np.median(np.abs(z[telling])))
            # Two parameters are fitted: widen for the degrees of freedom that they take.
            spread *= np.sqrt(n.size / max(n.size - 2, 1))
            seen = float(np.clip(scatter * max(spread, 0.2), SCATTER_FLOOR_CENTS, 12.0))
            # The spread of a few partials is itself uncertain: three more at the usual scatter.
            df = n.size - 2
            scatter = float(
                np.sqrt((df * seen**2 + 3.0 * USUAL_SCATTER_CENTS**2) / (df + 3.0))
                if df < 8
                else seen
            )
            u = off / (4.685 * np.sqrt(noise_cents**2 + pull**2 + scatter**2))
            robust = np.where(np.abs(u) < 1.0, (1.0 - u**2) ** 2, 0.0)
            if np.count_nonzero(robust > 0.05) < 3:
                robust = np.ones(n.size)
        else:
            scatter = FEW_PARTIALS_SCATTER_CENTS
    weight = robust / (sigma * (np.log(2.0) / 1200.0) * 2.0 * (hz / n) ** 2) ** 2
    # Neighbouring partials leave the law together; then there is less to average over.
    weight = weight / _persistence(off, robust)
    f0_se, b_se, f1_cents_se = _fit_errors(
        n, hz, weight, f0=f0, b=b, prior_sd=prior_b * _log_sd(midi)
    )
    f1 = f0 * float(np.sqrt(1.0 + b))
    # No string is without stiffness: a fit that finds none has not measured it.
    told = enough and b > 0.0 and b_se < 0.5 * max(b, prior_b)
    return SeriesFit(
        f0_hz=f0,
        f0_hz_se=f0_se,
        f1_hz=f1,
        f1_hz_se=f1 * f1_cents_se * float(np.log(2.0)) / 1200.0,
        f1_cents_se=f1_cents_se,
        inharmonicity=b if told else None,
        inharmonicity_se=b_se if told else None,
        cents_from_fit=off,
        weight=robust,
        residual_cents=scatter if n.size > 3 else float(np.sqrt(np.mean(off**2))),
    )


def _pull_cents(hz: FloatArray) -> FloatArray:
    """How far the soundboard may pull a partial, in cents, shape of `hz`."""
    share = (PULL_ENDS_HZ - hz) / (PULL_ENDS_HZ - PULL_BELOW_HZ)
    return np.asarray(PULL_CENTS * np.clip(share, 0.0, 1.0))


def _persistence(off: FloatArray, robust: FloatArray) -> float:
    """By how much correlation from partial to partial widens the variance of the fit, >= 1."""
    kept = off[robust > 0.05]
    if kept.size < 8:
        return 2.0
    centred = kept - kept.mean()
    total = float(np.sum(centred**2))
    rho = float(np.sum(centred[1:] * centred[:-1])) / total if total > 0 else 0.0
    # The fit takes two degrees of freedom out of the residuals, which lowers rho by about 2/k.
    rho = float(np.clip(rho + 2.0 / kept.size, 0.0, 0.8))
    return (1.0 + rho) / (1.0 - rho)


def _covariance(
    n: FloatArray, hz: FloatArray, weight: FloatArray, *, prior_sd: float
) -> FloatArray:
    """Covariance of intercept and slope of (f_n/n)^2 on n^2, the prior on the slope included."""
    middle, mean_var, slope_var = _spread_of_line(n, hz, weight, prior_sd=prior_sd)
    cross = -middle * slope_var
    return np.array([[mean_var + middle**2 * slope_var, cross], [cross, slope_var]])


def _spread_of_line(
    n: FloatArray, hz: FloatArray, weight: FloatArray, *, prior_sd: float
) -> tuple[float, float, float]:
    """Weighted mean of n^2, and the variances of the line's value there and of its slope.

    These two do not depend on one another, so that nothing cancels where all partials lie far up.
    """
    scale = float(np.median((hz / n) ** 2))
    x = n**2
    total = float(weight.sum())
    middle = float((weight * x).sum()) / total
    apart = float((weight * (x - middle) ** 2).sum())
    return middle, 1.0 / total, 1.0 / (apart + 1.0 / (scale * prior_sd) ** 2)


def _fit_errors(
    n: FloatArray, hz: FloatArray, weight: FloatArray, *, f0: float, b: float, prior_sd: float
) -> tuple[float, float, float]:
    """Standard errors of f0 (Hz), B, and f1 (cents) from the normal matrix of the fit."""
    # Parameters: intercept p = f0^2 and slope q = f0^2 B; the prior acts on q alone.
    middle, mean_var, slope_var = _spread_of_line(n, hz, weight, prior_sd=prior_sd)
    p = f0**2
    f0_se = float(np.sqrt(mean_var + middle**2 * slope_var)) / (2.0 * f0)
    # B = q / p: its derivatives by the value at the middle and by the slope.
    b_se = float(np.sqrt((b / p) ** 2 * mean_var + ((1.0 + b * middle) / p) ** 2 * slope_var))
    f1_squared_var = mean_var + (1.0 - middle) ** 2 * slope_var
    f1_cents_se = 600.0 / np.log(2.0) * np.sqrt(f1_squared_var) / (p * (1.0 + b))
    return f0_se, b_se, float(f1_cents_se)

"""When was a key struck? Candidate onsets of one stretch of a recording.

A first pass looks for a sudden rise of the level in third-octave bands; each candidate is then
placed to the millisecond where the sound stops being predictable from what came before. Whether a
candidate is a strike, and of which note, is for `toneapp.measure.evidence` to say: knocks, talk
and damper thumps are found here as well.

Times in seconds from the first sample handed in.

Functions: `band_levels`, `noise_floor`, `find_candidates`, `place_onset`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

from toneapp._typing import Float32Array, FloatArray

__all__ = ["BandLevels", "band_levels", "find_candidates", "noise_floor", "place_onset"]

FRAME_S = 0.0427
HOP_S = 0.008
"""A frame holds one period of the lowest notes; hops are short against the 20 ms within which
the level of any piano note has risen (common practice, no source)."""

LOWEST_HZ = 60.0
RISE_MEMORY_FRAMES = 7
"""A rise is counted against the highest level of the frames 2 to 7 hops back (16 to 56 ms)."""

RISE_DEADBAND_DB = 3.0
"""Smaller rises in a band are noise or beats."""

LEAST_RISE_DB = 10.0
"""Sum of the rises over all bands that makes a candidate."""

LEAST_SPACING_S = 0.045
"""Two candidates closer than this are one: no action repeats faster than about 15 blows a second
(common practice, no source)."""

STEP_DB = 20.0
LEAST_STEP_S = 0.003
"""Where the loud part begins so much more softly, for so long, with another sound (the thump of
the key let go just before), the blow is the step within it. A hammer's own attack has none."""

_BATCH_FRAMES = 2048


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandLevels:
    """Power in third-octave bands, frame by frame."""

    times_s: FloatArray  # shape (frames,), middle of each frame
    power: FloatArray  # shape (bands, frames), mean square of the sound in the band
    centres_hz: FloatArray  # shape (bands,)


def band_levels(samples: FloatArray | Float32Array, *, sample_rate_hz: float) -> BandLevels:
    """Power in third-octave bands over time.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound, float32 or float64.
    sample_rate_hz : float
        Sampling rate in Hz.

    Returns
    -------
    BandLevels
        Frames of 43 ms every 8 ms, from one frame before the first sample (silence is assumed
        there, so that a sound that starts with the file has an onset).
    """
    frame = 2 * _fast_length(FRAME_S * sample_rate_hz / 2)
    hop = max(1, round(HOP_S * sample_rate_hz))
    padded = np.concatenate(
        [np.zeros(frame, np.float32), samples.astype(np.float32), np.zeros(frame, np.float32)]
    )
    view = np.lib.stride_tricks.sliding_window_view(padded, frame)[::hop]
    window = np.hanning(frame + 1)[:-1].astype(np.float32)
    bin_hz = sample_rate_hz / frame
    top = 0.46 * sample_rate_hz
    edges_hz = [LOWEST_HZ]
    while edges_hz[-1] * 2 ** (1 / 3) < min(top, 14000.0):
        edges_hz.append(edges_hz[-1] * max(2 ** (1 / 3), 1.0 + bin_hz / edges_hz[-1]))
    edges = np.unique(np.round(np.asarray(edges_hz) / bin_hz).astype(np.int64))
    power = np.empty((edges.size - 1, view.shape[0]), dtype=np.float64)
    scale = 2.0 / (float(np.sum(window.astype(np.float64) ** 2)) * frame)
    for first in range(0, view.shape[0], _BATCH_FRAMES):
        block = scipy.fft.rfft(view[first : first + _BATCH_FRAMES] * window, axis=1)
        squared = block.real**2 + block.imag**2
        summed = np.add.reduceat(squared[:, : edges[-1]], edges[:-1], axis=1)
        power[:, first : first + _BATCH_FRAMES] = summed.T * scale
    times = (np.arange(view.shape[0]) * hop - frame / 2) / sample_rate_hz
    centres = (
        np.sqrt(edges[:-1].astype(np.float64) * np.maximum(edges[1:] - 1, edges[:-1])) * bin_hz
    )
    return BandLevels(times_s=np.asarray(times, dtype=np.float64), power=power, centres_hz=centres)


def _fast_length(length: float) -> int:
    """Length near this one whose transform is fast."""
    whole = max(1, round(length))
    near = (scipy.fft.prev_fast_len(whole, real=True), scipy.fft.next_fast_len(whole, real=True))
    return min(near, key=lambda size: abs(size - length))


def noise_floor(levels: BandLevels, *, quantile: float = 0.1) -> FloatArray:
    """Noise power of each band: its level in the quietest moments.

    Parameters
    ----------
    levels : BandLevels
        Levels of a stretch that holds some rest between the notes.
    quantile : float
        Share of the frames taken as rest.

    Returns
    -------
    ndarray, shape (bands,)
        Mean square, never below -140 dBFS. Frames of digital silence do not count.
    """
    loud = levels.power.sum(axis=0) > 1e-13
    power = levels.power[:, loud] if np.count_nonzero(loud) > 8 else levels.power
    return np.maximum(np.quantile(power, quantile, axis=1), 1e-14)


def find_candidates(levels: BandLevels, *, floor: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Moments at which the level rises suddenly in several bands.

    Parameters
    ----------
    levels : BandLevels
        Levels over time.
    floor : ndarray, shape (bands,)
        Noise power of each band.

    Returns
    -------
    times_s : ndarray, shape (k,)
        Candidate onsets, good to about 20 ms.
    rise_db : ndarray, shape (k,)
        Sum over the bands of the rise, in dB.
    """
    # Levels near the noise are compressed, so that its fluctuation makes no rise.
    level = 10.0 * np.log10(levels.power + 4.0 * floor[:, None])
    frames = level.shape[1]
    if frames <= RISE_MEMORY_FRAMES:
        return np.zeros(0), np.zeros(0)
    before = np.full_like(level, -np.inf)
    for back in range(2, RISE_MEMORY_FRAMES + 1):
        np.maximum(before[:, back:], level[:, : frames - back], out=before[:, back:])
    before[:, :2] = level[:, :2]
    rise = np.clip(level - before - RISE_DEADBAND_DB, 0.0, 25.0).sum(axis=0)
    hop_s = float(levels.times_s[1] - levels.times_s[0])
    reach = max(1, int(LEAST_SPACING_S / hop_s))
    picked: list[int] = []
    middle = np.flatnonzero(
        (rise[1:-1] >= rise[:-2]) & (rise[1:-1] > rise[2:]) & (rise[1:-1] >= LEAST_RISE_DB)
    )
    # The strongest first; weaker ones within the spacing are part of the same rise.
    taken = np.zeros(frames, dtype=np.bool_)
    for peak in (middle + 1)[np.argsort(rise[middle + 1])[::-1]]:
        low, high = max(0, peak - reach), min(frames, peak + reach + 1)
        if not taken[low:high].any():
            taken[peak] = True
            picked.append(int(peak))
    order = np.sort(np.asarray(picked, dtype=np.int64))
    return levels.times_s[order], rise[order]


def place_onset(
    samples: FloatArray | Float32Array,
    *,
    sample_rate_hz: float,
    near_s: float,
    earliest_s: float = 0.0,
) -> float:
    """Place an onset where the sound stops being predictable from what came before.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound.
    sample_rate_hz : float
        Sampling rate in Hz.
    near_s : float
        The onset, good to about 30 ms.
    earliest_s : float
        The onset is not placed before this time.

    Returns
    -------
    float
        Onset in s.

    Notes
    -----
    A linear predictor learnt just before takes the ringing of earlier notes out; the onset is the
    split of the prediction error into a quiet and a loud part with the least Akaike information
    (Sleeman and van Eck [1]_). Where that part has a step in it, it is split once more: the thump
    of a key may come some milliseconds before the blow.

    References
    ----------
    .. [1] R. Sleeman, T. van Eck, "Robust automatic P-phase picking: an on-line implementation in
       the analysis of broadband seismogram recordings", Phys. Earth Planet. Inter. 113, 265
       (1999).
    """
    start = int(max(earliest_s, near_s - 0.045) * sample_rate_hz)
    stop = int((near_s + 0.035) * sample_rate_hz)
    start, stop = max(start, 0), min(stop, samples.size)
    if stop - start < 32:
        return near_s
    learn_from = max(0, start - int(0.12 * sample_rate_hz))
    error = _prediction_error(samples[learn_from:stop], learn=start - learn_from)[
        start - learn_from :
    ]
    # Look no further than the loudest moment: behind it the split would be a decay.
    width = max(1, int(0.001 * sample_rate_hz))
    energy = np.convolve(error**2, np.ones(width) / width, mode="same")
    last = int(np.argmax(energy)) + width
    error = error[: max(last, 16)]
    split = _split(error)
    if split is None:
        return near_s
    later = _split(error[split:])
    if later is not None and later >= LEAST_STEP_S * sample_rate_hz:
        power = error[split:] ** 2
        if power[later:].mean() > 10.0 ** (STEP_DB / 10.0) * power[:later].mean():
            split += later
    return float(start + split) / sample_rate_hz


def _split(error: FloatArray) -> int | None:
    """Split into a quiet and a loud part with the least Akaike information."""
    squared = np.cumsum(error**2)
    n = error.size
    k = np.arange(8, n - 4)
    if k.size == 0 or squared[-1] <= 0:
        return None
    total = squared[-1]
    first = np.maximum(squared[k - 1] / k, total * 1e-14)
    second = np.maximum((total - squared[k - 1]) / (n - k), total * 1e-14)
    information = k * np.log(first) + (n - k) * np.log(second)
    return int(k[int(np.argmin(information))])


def _prediction_error(
    samples: FloatArray | Float32Array, *, learn: int, order: int = 24
) -> FloatArray:
    """Error of a linear predictor learnt on the first `learn` samples."""
    past = samples[:learn].astype(np.float64)
    if learn < 8 * order or float(np.max(np.abs(past), initial=0.0)) < 1e-7:
        return np.diff(samples.astype(np.float64), prepend=samples[:1].astype(np.float64))
    import scipy.linalg

    size = scipy.fft.next_fast_len(2 * learn, real=True)
    power = np.abs(scipy.fft.rfft(past * np.hanning(learn), size)) ** 2
    correlation = scipy.fft.irfft(power, size)[: order + 1]
    correlation[0] *= 1.0 + 1e-6
    taps = scipy.linalg.solve_toeplitz(correlation[:-1], correlation[1:])
    full = np.concatenate([[1.0], -taps])
    return np.convolve(samples.astype(np.float64), full)[: samples.size]

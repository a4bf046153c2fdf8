"""First pass over a recording: where might a key have been struck, and how noisy is the room?

The recording is read in chunks of less than a minute; each is independent of the others, so that
several processes can share them and memory does not grow with the length.

Functions: `scan_chunk`, `plan_chunks`, `merge_scans`.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft

from toneapp._typing import BoolArray, Float32Array, FloatArray
from toneapp.measure.evidence import StrikeEvidence, gather_evidence
from toneapp.measure.onsets import (
    LEAST_SPACING_S,
    band_levels,
    find_candidates,
    noise_floor,
    place_onset,
)

__all__ = ["Candidate", "ChunkScan", "NoiseSpectrum", "merge_scans", "plan_chunks", "scan_chunk"]

CHUNK_S = 40.0
MARGIN_S = 0.6
"""Sound read on both sides of a chunk, for the evidence of onsets near its ends."""

STRONG_RISE_DB = 40.0
"""Rise of a candidate that bounds its neighbours' stretches: most others are beats or thumps."""

ECHO_S = 0.12
ECHO_SHARE = 0.35
"""An onset within 0.12 s of another that rose three times as much is not another blow."""

NOISE_FRAME_S = 0.17
NOISE_QUANTILE = 0.15
SHORT_FRAMES = 60
VERY_SHORT_FRAMES = 18
STEADY_RATIO = 2.5
LINE_RATIO = 6.0
ENVELOPE_BINS = 25
ENVELOPE_QUANTILE = 0.2
"""A recording of less than 60 frames (10 s) may hold a single note and no rest. Lines that stand 8
dB out of the lower envelope of the spectrum and fall in the meantime (median over quantile beyond
2.5; hum stays below 1.5) are a string's and no noise. In less than 18 frames (3 s) a bass string
does not fall by so much, and all lines are taken for its own."""

_QUANTILE_OF_MEAN = -float(np.log(1.0 - NOISE_QUANTILE))
"""For noise the power in a bin is exponentially distributed; its quantile q lies at -ln(1-q) of
the mean."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A moment at which a key may have been struck."""

    onset_s: float  # in the recording
    rise_db: float  # summed over the bands
    evidence: StrikeEvidence


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoiseSpectrum:
    """Noise of the room: power per Hz."""

    density: FloatArray  # shape (bins,), mean square per Hz, full scale = 1
    bin_hz: float

    def at(self, hz: FloatArray) -> FloatArray:
        """Power per Hz at some frequencies, shape of `hz`."""
        index = np.clip(np.round(hz / self.bin_hz).astype(np.int64), 0, self.density.size - 1)
        return np.asarray(self.density[index])

    @property
    def power(self) -> float:
        """Mean square of the noise over all frequencies."""
        return float(self.density.sum() * self.bin_hz)

    def a_weighted_dbfs(self) -> float:
        """A-weighted level in dB re the mean square of a full-scale sine."""
        from toneapp.signal.weighting import a_weighting_db

        hz = (np.arange(1, self.density.size)) * self.bin_hz
        weighted = self.density[1:] * 10.0 ** (a_weighting_db(hz) / 10.0)
        return float(10.0 * np.log10(max(2.0 * weighted.sum() * self.bin_hz, 1e-20)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChunkScan:
    """What one chunk holds."""

    candidates: tuple[Candidate, ...]
    noise: NoiseSpectrum
    peak: float
    clipped_samples: int


def plan_chunks(duration_s: float) -> list[tuple[float, float]]:
    """Split a recording into chunks of about equal length, in s."""
    count = max(1, round(duration_s / CHUNK_S))
    edges = np.linspace(0.0, duration_s, count + 1)
    return [(float(a), float(b)) for a, b in itertools.pairwise(edges)]


def scan_chunk(
    samples: Float32Array,
    *,
    sample_rate_hz: float,
    first_s: float,
    chunk: tuple[float, float],
) -> ChunkScan:
    """Find the candidate strikes of one chunk.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        The chunk with its margins.
    sample_rate_hz : float
        Sampling rate in Hz.
    first_s : float
        Time of the first sample in the recording, in s.
    chunk : tuple of float
        Start and end of the chunk in the recording, in s; onsets outside belong to other chunks.

    Returns
    -------
    ChunkScan
        Candidates upward in time.
    """
    sound = samples - np.float32(samples.mean()) if samples.size else samples
    peak = float(np.max(np.abs(samples), initial=0.0))
    clipped = int(np.count_nonzero(np.abs(samples) >= 0.999)) if peak >= 0.999 else 0
    noise = _noise_spectrum(sound, sample_rate_hz=sample_rate_hz)
    if samples.size < 0.05 * sample_rate_hz or peak <= 1e-7:
        return ChunkScan(candidates=(), noise=noise, peak=peak, clipped_samples=clipped)
    levels = band_levels(sound, sample_rate_hz=sample_rate_hz)
    times, rises = find_candidates(levels, floor=noise_floor(levels))
    placed = [
        (
            place_onset(
                sound,
                sample_rate_hz=sample_rate_hz,
                near_s=float(t),
                earliest_s=float(t) - 0.045,
            ),
            float(rise),
        )
        for t, rise in zip(times, rises, strict=True)
    ]
    placed = _without_doubles(placed)
    candidates = []
    for i, (onset, rise) in enumerate(placed):
        at = onset + first_s
        if not chunk[0] <= at < chunk[1]:
            continue
        before = [o for o, r in placed[:i] if r >= min(STRONG_RISE_DB, rise)]
        after = [o for o, r in placed[i + 1 :] if r >= STRONG_RISE_DB]
        evidence = gather_evidence(
            sound,
            sample_rate_hz=sample_rate_hz,
            onset_s=onset,
            before_s=onset - before[-1] if before else np.inf,
            after_s=(after[0] if after else samples.size / sample_rate_hz) - onset,
        )
        candidates.append(Candidate(onset_s=at, rise_db=rise, evidence=evidence))
    return ChunkScan(candidates=tuple(candidates), noise=noise, peak=peak, clipped_samples=clipped)


def _without_doubles(placed: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Drop onsets that were placed on the same moment as a stronger one."""
    kept: list[tuple[float, float]] = []
    for onset, rise in sorted(placed):
        if kept and onset - kept[-1][0] < LEAST_SPACING_S:
            if rise > kept[-1][1]:
                kept[-1] = (min(onset, kept[-1][0]) if kept[-1][1] > 0.5 * rise else onset, rise)
        else:
            kept.append((onset, rise))
    return kept


def _noise_spectrum(sound: Float32Array, *, sample_rate_hz: float) -> NoiseSpectrum:
    """Power per Hz in the quietest moments of each bin."""
    frame = scipy.fft.next_fast_len(int(NOISE_FRAME_S * sample_rate_hz), real=True)
    count = sound.size // frame
    bin_hz = sample_rate_hz / frame
    if count < 1:
        return NoiseSpectrum(density=np.full(frame // 2 + 1, 1e-20), bin_hz=bin_hz)
    window = np.hanning(frame + 1)[:-1].astype(np.float32)
    blocks = sound[: count * frame].reshape(count, frame)
    heard = np.max(np.abs(blocks), axis=1) > 1e-7
    if np.count_nonzero(heard) >= 4:
        blocks = blocks[heard]
    spectrum = scipy.fft.rfft(blocks * window, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    power *= np.float32(2.0 / (sample_rate_hz * float(np.sum(window.astype(np.float64) ** 2))))
    power.sort(axis=0)  # all of a column is sorted faster than one value of it is picked
    low = _of_sorted(power, NOISE_QUANTILE) / _QUANTILE_OF_MEAN
    if power.shape[0] < SHORT_FRAMES:
        is_falling = _of_sorted(power, 0.5) > STEADY_RATIO * _QUANTILE_OF_MEAN * low
        low = _without_strings(low, is_falling | (power.shape[0] < VERY_SHORT_FRAMES))
    return NoiseSpectrum(density=np.maximum(low, 1e-20), bin_hz=bin_hz)


def _of_sorted(power: Float32Array, quantile: float) -> FloatArray:
    """Quantile of each column of an array that is sorted down its columns."""
    place = quantile * (power.shape[0] - 1)
    first = min(int(place), max(power.shape[0] - 2, 0))
    last = min(first + 1, power.shape[0] - 1)
    share = place - first
    return np.asarray((1.0 - share) * power[first] + share * power[last], dtype=np.float64)


def _without_strings(low: FloatArray, may_be_string: BoolArray) -> FloatArray:
    """Take the lines of a string that never rested out of a noise spectrum."""
    half = ENVELOPE_BINS // 2
    around = np.lib.stride_tricks.sliding_window_view(np.pad(low, half, mode="edge"), 2 * half + 1)
    envelope = np.quantile(around, ENVELOPE_QUANTILE, axis=1)
    return np.asarray(np.where(may_be_string & (low > LINE_RATIO * envelope), envelope, low))


def _without_echoes(candidates: list[Candidate]) -> list[Candidate]:
    """Drop weak onsets close behind a far stronger one: they are part of the same blow."""
    kept: list[Candidate] = []
    for item in candidates:
        is_echo = any(
            item.onset_s - other.onset_s < ECHO_S and item.rise_db < ECHO_SHARE * other.rise_db
            for other in kept[-3:]
        )
        if not is_echo:
            kept.append(item)
    return kept


def merge_scans(
    scans: Sequence[ChunkScan],
) -> tuple[list[Candidate], NoiseSpectrum, float, int]:
    """Join the chunks: candidates in time order, room noise, peak, clipped samples.

    A bin's noise is that of the quieter chunks: in the others a string of that pitch sounds.
    """
    candidates = [item for scan in scans for item in scan.candidates]
    candidates.sort(key=lambda item: item.onset_s)
    kept: list[Candidate] = []
    for item in candidates:
        if kept and item.onset_s - kept[-1].onset_s < LEAST_SPACING_S:
            if item.rise_db > kept[-1].rise_db:
                kept[-1] = item
        else:
            kept.append(item)
    density = np.quantile(np.stack([scan.noise.density for scan in scans]), 0.25, axis=0)
    # A short median over frequency: a quantile of few frames is uneven from bin to bin. Lines that
    # stand well out of it (hum) are kept.
    padded = np.pad(density, 3, mode="edge")
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(padded, 7), axis=1)
    density = np.where(density > 6.0 * smooth, density, smooth)
    noise = NoiseSpectrum(density=density, bin_hz=scans[0].noise.bin_hz)
    return (
        _without_echoes(kept),
        noise,
        max(scan.peak for scan in scans),
        sum(scan.clipped_samples for scan in scans),
    )

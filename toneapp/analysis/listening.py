"""What is heard in a recording, and which key does each sound belong to?

Functions and classes: `listen`, `name_strikes`, `Listening`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from toneapp.analysis.labels import NamedStrike
from toneapp.analysis.scan import (
    MARGIN_S,
    Candidate,
    ChunkScan,
    NoiseSpectrum,
    merge_scans,
    plan_chunks,
    scan_chunk,
)
from toneapp.analysis.workers import Crew
from toneapp.audio import SoundFileHandle
from toneapp.measure.labelling import Label, RunLabels
from toneapp.results import UnexpectedSound

__all__ = ["Listening", "listen", "name_strikes"]

LOUD_NOISE_RISE_DB = 8.0
"""A noise that lifts the level by more than this ends the measured part of a strike."""

LEAST_SHARING = 4
"""Fewest recordings of a folder from which a common noise is taken."""


class Listening:
    """Candidates of all recordings of a run in their order, and the noise."""

    def __init__(self) -> None:
        self.candidates: list[tuple[int, Candidate]] = []
        self.times_s: list[float] = []  # on one time line through all recordings
        self.noises: list[NoiseSpectrum] = []
        self.peak = 0.0
        self.clipped_samples = 0

    @property
    def noise(self) -> NoiseSpectrum:
        """Noise of the first recording, for the figures of the run."""
        return self.noises[0]


def listen(
    handles: list[SoundFileHandle], *, crew: Crew, report: Callable[[float], None]
) -> Listening:
    """Scan all recordings, chunk by chunk.

    Parameters
    ----------
    handles : list of SoundFileHandle
        The recordings of a run in their order.
    crew : Crew
        Who shares the work.
    report : callable
        Called with the share done, 0 to 1.

    Returns
    -------
    Listening
        All candidates in the order of time.
    """
    tasks = [(h, chunk) for h in handles for chunk in plan_chunks(h.frames / h.sample_rate_hz)]
    scans = crew.do(_scan, tasks, report=report)
    return _join(handles, tasks, scans)


def name_strikes(
    heard: Listening, run: RunLabels
) -> tuple[list[NamedStrike], list[UnexpectedSound]]:
    """Turn labels into strikes, and into sounds that fit no expected note."""
    strikes: list[NamedStrike] = []
    unexpected: list[UnexpectedSound] = []
    for (source, candidate), label in zip(heard.candidates, run.labels, strict=True):
        if label.midi is None:
            if candidate.evidence.rise_db >= LOUD_NOISE_RISE_DB:
                unexpected.append(UnexpectedSound(onset_s=candidate.onset_s, kind="noise"))
            continue
        if label.is_unexpected:
            unexpected.append(UnexpectedSound(onset_s=candidate.onset_s, midi=label.midi))
        strikes.append(_named(source, candidate, label))
    return strikes, unexpected


def _named(source: int, candidate: Candidate, label: Label) -> NamedStrike:
    """One strike from its label."""
    assert label.midi is not None
    return NamedStrike(
        onset_s=candidate.onset_s,
        midi=label.midi,
        pitch=label.pitch,
        source=source,
        is_unexpected=label.is_unexpected,
        is_second_blow=label.is_second_blow,
        is_uncertain=label.margin < 0.0,
    )


def _join(
    handles: list[SoundFileHandle],
    tasks: list[tuple[SoundFileHandle, tuple[float, float]]],
    scans: list[ChunkScan],
) -> Listening:
    """Join the scans of all chunks, recording by recording."""
    heard = Listening()
    offset_s = 0.0
    for index, handle in enumerate(handles):
        own = [scan for (h, _), scan in zip(tasks, scans, strict=True) if h is handle]
        candidates, noise, peak, clipped = merge_scans(own)
        heard.candidates.extend((index, candidate) for candidate in candidates)
        heard.times_s.extend(offset_s + candidate.onset_s for candidate in candidates)
        heard.noises.append(noise)
        heard.peak = max(heard.peak, peak)
        heard.clipped_samples += clipped
        offset_s += handle.frames / handle.sample_rate_hz
    heard.noises = _shared(heard.noises)
    return heard


def _shared(noises: list[NoiseSpectrum]) -> list[NoiseSpectrum]:
    """Noise of each recording, no louder than that of the quieter ones of the same folder.

    Recordings of single notes often hold no rest; another note's holds no string of that pitch.
    """
    if len(noises) < LEAST_SHARING or len({noise.density.size for noise in noises}) > 1:
        return noises
    usual = np.quantile(np.stack([noise.density for noise in noises]), 0.25, axis=0)
    return [
        NoiseSpectrum(density=np.minimum(noise.density, usual), bin_hz=noise.bin_hz)
        for noise in noises
    ]


def _scan(task: tuple[SoundFileHandle, tuple[float, float]]) -> ChunkScan:
    """Scan one chunk; runs in a worker."""
    handle, chunk = task
    rate = handle.sample_rate_hz
    start = max(0, int((chunk[0] - MARGIN_S) * rate))
    stop = min(handle.frames, int((chunk[1] + MARGIN_S) * rate) + 1)
    with handle.open() as source:
        samples = source.read(start, stop)
    return scan_chunk(
        samples,
        sample_rate_hz=rate,
        first_s=start / rate,
        chunk=(chunk[0], chunk[1] if stop < handle.frames else float("inf")),
    )

"""The sound of one strike, read from the library's recording.

Runs in a worker: it opens the file, reads the stretch that belongs to the strike, and closes it.

Classes and functions: `StrikeSound`, `read_strike`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from toneapp._typing import FloatArray
from toneapp.audio import SoundFileHandle
from toneapp.audio.inspection import open_with_libsndfile
from toneapp.errors import AudioFileError
from toneapp.results import StrikeResult

__all__ = ["LEAD_S", "StrikeSound", "read_strike"]

LEAD_S = 0.3
"""Sound before the onset, which tells what was there already."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrikeSound:
    """Sound of one strike, with its times counted from the first sample."""

    samples: FloatArray  # shape (n,), full scale of the library's file = 1
    sample_rate_hz: float
    onset_s: float
    release_s: float | None
    end_s: float

    def part(self, first_s: float, last_s: float) -> FloatArray:
        """Samples between two times, as far as there are any."""
        first = max(round(first_s * self.sample_rate_hz), 0)
        return self.samples[first : max(round(last_s * self.sample_rate_hz), first)]


def read_strike(path: Path, strike: StrikeResult, *, channel_use: str) -> StrikeSound:
    """Read the sound of a strike.

    Parameters
    ----------
    path : Path
        Recording of the library.
    strike : StrikeResult
        With times in seconds of that recording.
    channel_use : str
        `RunResult.channel_use`.

    Returns
    -------
    StrikeSound

    Raises
    ------
    AudioFileError
        If the file cannot be read or ends before the strike.
    """
    with open_with_libsndfile(path) as file:
        handle = SoundFileHandle(
            path=str(path),
            decoded_path=None,
            sample_rate_hz=file.samplerate,
            frames=file.frames,
            channels=file.channels,
            channel_use=channel_use,
            problems=(),
        )
    rate_hz = handle.sample_rate_hz
    first = max(round((strike.onset_s - LEAD_S) * rate_hz), 0)
    with handle.open() as source:
        samples = source.read(first, max(round(strike.end_s * rate_hz), first))
    first_s = first / rate_hz
    if samples.size < 0.1 * rate_hz:
        raise AudioFileError(
            f"the recording ends before the strike on {strike.note} at {strike.onset_s:.1f} s; "
            "measure the run again"
        )
    release_s = strike.release_s
    return StrikeSound(
        samples=np.asarray(samples, dtype=np.float64),
        sample_rate_hz=float(rate_hz),
        onset_s=strike.onset_s - first_s,
        release_s=None if release_s is None else release_s - first_s,
        end_s=samples.size / rate_hz,
    )

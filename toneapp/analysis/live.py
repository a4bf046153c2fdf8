"""One blow of a run that is being recorded: measured at once, with what is known so far.

The same measures in the same order as for a recording that is complete (`measure_strike`), so that
the figures shown while recording are those of the result, but for what only the whole run tells:
the trend, and releases that the neighbours' holds suggest.

Classes: `LiveMeasure`.
"""

from __future__ import annotations

import numpy as np
import scipy.fft

from toneapp._typing import Float32Array
from toneapp.analysis.labels import NamedStrike
from toneapp.analysis.scan import ChunkScan, NoiseSpectrum, merge_scans
from toneapp.analysis.strike import StrikeTask, measure_strike
from toneapp.analysis.voices import without_voices
from toneapp.audio.capture import BlowSound
from toneapp.results import Flag, StrikeResult

__all__ = ["LiveMeasure"]

LEAST_S = 0.08
QUIETEST_DENSITY = 1e-20
FRAME_S = 0.17
"""Length of the moments that the room's sound is made of; their spectra are averaged."""


class LiveMeasure:
    """Measures the blows of one run.

    Parameters
    ----------
    calibration_db : float, optional
        Sound pressure level of full scale in dB, if known.
    """

    def __init__(self, *, calibration_db: float | None = None) -> None:
        self._calibration_db = calibration_db
        self._noise: NoiseSpectrum | None = None
        self._noise_of: tuple[int, int] | None = None  # version of the room, sampling rate

    def __call__(self, blow: BlowSound) -> StrikeResult | None:
        """Measure one blow.

        Parameters
        ----------
        blow : BlowSound
            Its sound and what it was taken for.

        Returns
        -------
        StrikeResult or None
            ``None`` when it is shorter than 80 ms or turns out to be no struck string.
        """
        if blow.end_s - blow.onset_s < LEAST_S:
            return None
        task = StrikeTask(
            strike=NamedStrike(
                onset_s=blow.onset_s,
                midi=blow.midi,
                pitch=blow.pitch,
                is_unexpected=not blow.is_expected,
            ),
            end_s=blow.end_s,
            is_cut_short=blow.is_cut,
            noise=self._noise_spectrum(blow),
            has_damper=blow.has_damper,
            calibration_db=self._calibration_db,
        )
        measured = measure_strike(
            blow.samples.astype(np.float64),
            sample_rate_hz=blow.sample_rate_hz,
            first_s=blow.first_s,
            task=task,
        )
        if Flag.CLIPPED in measured.result.flags:
            return measured.result  # cut tops make a string's partials harmonic, as a voice's are
        strings, _voices = without_voices([measured])
        return strings[0].result if strings else None

    def _noise_spectrum(self, blow: BlowSound) -> NoiseSpectrum:
        key = (blow.room_version, blow.sample_rate_hz)
        if self._noise is None or self._noise_of != key:
            self._noise = _mean_spectrum(blow.room, sample_rate_hz=blow.sample_rate_hz)
            self._noise_of = key
        return self._noise


def _mean_spectrum(room: Float32Array, *, sample_rate_hz: int) -> NoiseSpectrum:
    """Power per Hz of quiet moments that lie one after the other."""
    length = int(FRAME_S * sample_rate_hz)
    bin_hz = sample_rate_hz / length
    count = room.size // length
    if count == 0:
        return NoiseSpectrum(density=np.full(length // 2 + 1, QUIETEST_DENSITY), bin_hz=bin_hz)
    window = np.hanning(length + 1)[:-1]
    blocks = room[: count * length].reshape(count, length).astype(np.float64)
    blocks = (blocks - blocks.mean()) * window
    spectrum = scipy.fft.rfft(blocks, axis=1)
    power = (spectrum.real**2 + spectrum.imag**2).mean(axis=0)
    density = np.maximum(
        power * 2.0 / (sample_rate_hz * float(np.sum(window**2))), QUIETEST_DENSITY
    )
    raw = ChunkScan(
        candidates=(),
        noise=NoiseSpectrum(density=density, bin_hz=bin_hz),
        peak=0.0,
        clipped_samples=0,
    )
    return merge_scans([raw])[1]

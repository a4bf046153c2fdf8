"""Which partials does a strike hold, and what still sounds after its release?

Curves for drawing, made of short stretches of the sound; levels in dB, frequencies in Hz.

Classes and functions: `SpectrumCurve`, `SeriesMark`, `EchoMark`, `HeldSpectrum`, `AfterSpectrum`,
`held_spectrum`, `after_spectrum`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray
from toneapp.desktop.note_view import echo_text
from toneapp.desktop.strike_sound import StrikeSound
from toneapp.measure.ringing import AFTER_RELEASE_S, LEAST_S, LONGEST_S, peak_level
from toneapp.measure.stiff_string import partial_frequency_hz
from toneapp.results import StrikeResult
from toneapp.signal.peaks import Spectrum, amplitude_spectrum

__all__ = [
    "AfterSpectrum",
    "EchoMark",
    "HeldSpectrum",
    "SeriesMark",
    "SpectrumCurve",
    "after_spectrum",
    "held_spectrum",
]

FROM_ONSET_S = 0.03
"""The held spectrum begins after the knock of the blow."""

LONGEST_HELD_S = 1.5
LEAST_HELD_S = 0.05
MOST_POINTS = 3000
"""More than a wide screen has columns."""

LOWEST_HZ = 20.0
BEYOND = 1.06
"""A spectrum is drawn so far beyond its highest partial or echo string."""

LEAST_TOP_HZ = 2000.0
RANGE_DB = 110.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpectrumCurve:
    """A spectrum with no more points than can be seen."""

    hz: FloatArray  # shape (m,)
    level_db: FloatArray  # shape (m,)
    duration_s: float  # of the stretch it was made of

    def level_at(self, hz: float) -> float:
        """Level of the curve at a frequency, in dB."""
        near = np.abs(self.hz - hz) <= 1.5 * float(self.hz[1] - self.hz[0])
        return float(self.level_db[near].max()) if near.any() else float(self.level_db.min())


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesMark:
    """A partial of the fitted series."""

    n: int
    hz: float
    level_db: float  # of the curve there
    is_measured: bool  # stands in the table of partials


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoMark:
    """An echo string in the spectrum after the release."""

    text: str
    hz: float
    level_db: float  # as measured, re the strike


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeldSpectrum:
    """Spectrum of the held note, dB re full scale."""

    curve: SpectrumCurve
    series: tuple[SeriesMark, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AfterSpectrum:
    """Spectrum after the release, dB re the strike's own peak level."""

    curve: SpectrumCurve
    echoes: tuple[EchoMark, ...]


def held_spectrum(sound: StrikeSound, strike: StrikeResult) -> HeldSpectrum | None:
    """Spectrum of the held part of a strike, with the partials of the fitted series.

    Parameters
    ----------
    sound : StrikeSound
    strike : StrikeResult
        What was measured of it.

    Returns
    -------
    HeldSpectrum or None
        None when less than 0.05 s is held.
    """
    first_s = sound.onset_s + FROM_ONSET_S
    last_s = min(sound.end_s, first_s + LONGEST_HELD_S)
    if sound.release_s is not None:
        last_s = min(last_s, sound.release_s)
    if last_s - first_s < LEAST_HELD_S:
        return None
    spectrum = amplitude_spectrum(sound.part(first_s, last_s), sample_rate_hz=sound.sample_rate_hz)
    highest = max((partial.hz for partial in strike.partials), default=0.0)
    top_hz = max(BEYOND * highest, LEAST_TOP_HZ, 3.0 * (strike.f1_hz or 0.0))
    curve = _curve(spectrum, offset_db=0.0, top_hz=top_hz, duration_s=last_s - first_s)
    return HeldSpectrum(curve=curve, series=_series(strike, curve, top_hz=top_hz))


def after_spectrum(sound: StrikeSound, strike: StrikeResult) -> AfterSpectrum | None:
    """Spectrum after the release, with the echo strings that were found.

    Parameters
    ----------
    sound : StrikeSound
    strike : StrikeResult

    Returns
    -------
    AfterSpectrum or None
        None without a release or with less than 0.18 s after it.
    """
    if sound.release_s is None:
        return None
    first_s = sound.release_s + 0.5 * AFTER_RELEASE_S
    last_s = min(sound.end_s, first_s + LONGEST_S)
    if last_s - first_s < LEAST_S:
        return None
    reference = peak_level(
        sound.samples, sample_rate_hz=sound.sample_rate_hz, onset_s=sound.onset_s
    )
    if reference <= 0.0:
        return None
    spectrum = amplitude_spectrum(sound.part(first_s, last_s), sample_rate_hz=sound.sample_rate_hz)
    highest = max((echo.hz for echo in strike.ringing), default=0.0)
    top_hz = max(BEYOND * highest, LEAST_TOP_HZ, 4.0 * (strike.f1_hz or 0.0))
    # An amplitude A has the mean square A**2 / 2.
    offset_db = -10.0 * float(np.log10(2.0 * reference))
    curve = _curve(spectrum, offset_db=offset_db, top_hz=top_hz, duration_s=last_s - first_s)
    echoes = tuple(
        EchoMark(text=echo_text(echo), hz=echo.hz, level_db=echo.level_db)
        for echo in sorted(strike.ringing, key=lambda item: item.hz)
    )
    return AfterSpectrum(curve=curve, echoes=echoes)


def _curve(
    spectrum: Spectrum, *, offset_db: float, top_hz: float, duration_s: float
) -> SpectrumCurve:
    """Highest bin of each column that can be seen."""
    first = max(int(LOWEST_HZ / spectrum.bin_hz), 1)
    last = min(int(top_hz / spectrum.bin_hz) + 1, spectrum.amplitude.size)
    bins = spectrum.amplitude[first:last]
    width = max(1, -(-bins.size // MOST_POINTS))
    starts = np.arange(0, bins.size, width)
    highest = np.maximum.reduceat(bins, starts)
    level_db = 20.0 * np.log10(np.maximum(highest, 1e-12)) + offset_db
    level_db = np.maximum(level_db, level_db.max() - RANGE_DB)
    hz = (first + starts + 0.5 * (width - 1)) * spectrum.bin_hz
    return SpectrumCurve(
        hz=np.asarray(hz, dtype=np.float64),
        level_db=np.asarray(level_db, dtype=np.float64),
        duration_s=duration_s,
    )


def _series(
    strike: StrikeResult, curve: SpectrumCurve, *, top_hz: float
) -> tuple[SeriesMark, ...]:
    if strike.f0_hz is None:
        return ()
    measured = {partial.n for partial in strike.partials}
    marks = []
    for n in range(1, max(measured, default=1) + 1):
        hz = partial_frequency_hz(n, f0_hz=strike.f0_hz, inharmonicity=strike.B or 0.0)
        if hz <= top_hz:
            marks.append(
                SeriesMark(n=n, hz=hz, level_db=curve.level_at(hz), is_measured=n in measured)
            )
    return tuple(marks)

"""What are the partials of one strike, and what does each do over time?

The held tone of one strike is found, its series of partials fitted, and a narrow band laid about
every partial for the measures of decay, damping and brightness to use.

Times in seconds from the onset of the strike.

Functions: `measure_tone`, `sounding_end_s`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from toneapp._typing import FloatArray
from toneapp.measure.partial_frequencies import PartialFrequencies, measure_partials
from toneapp.measure.series import SeriesGuess, find_series
from toneapp.measure.series_fit import SeriesFit, fit_series
from toneapp.measure.stiff_string import partial_frequency_hz
from toneapp.signal.bands import BandSet, StrikeTransform, extract_bands, transform_strike
from toneapp.signal.peaks import amplitude_spectrum, find_peaks, local_floor

__all__ = ["HeldTone", "measure_tone", "sounding_end_s", "spectrum_window_s"]

ATTACK_S = 0.03
"""Left out after the onset: the knock, and the first moments in which the pitch settles."""

NARROWEST_HZ = 10.0
WIDEST_HZ = 80.0
SPACING_SHARE = 0.5
"""Half-width of a band: less than half the spacing of the partials, so that no band hears its
neighbour; at most 80 Hz, which answers in 12 ms; at least 10 Hz for the lowest strings."""

LINES_CENTS = 8.0
"""Within this, the lines about a partial are those of its strings, and the strongest is reported;
on a real grand the lines of a unison that has drifted lie up to 5 cents apart."""

LEAST_LINE_SNR = 4.0
"""A line stands this many times above the noise's amplitude in its spectrum, or it is not one."""

LONGEST_FIT_S = 4.0
SOUNDING_RANGE_DB = 32.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeldTone:
    """Partials of one strike and their bands."""

    partials: PartialFrequencies
    fit: SeriesFit
    peak_hz: FloatArray  # shape (k,), strongest line in a long-window spectrum of the held tone
    bands: BandSet  # about the partials; times from the onset
    noise_power: FloatArray  # shape (k,), of each band's envelope
    transform: StrikeTransform
    onset_offset_s: float  # time of the onset within the transformed sound
    hold_s: float  # length of the held tone that was used for the pitch
    half_width_hz: float  # of each band


def spectrum_window_s(midi: int) -> float:
    """Length of the held tone used for the spectrum, in s: shorter where notes die sooner.

    Examples
    --------
    >>> spectrum_window_s(60), round(spectrum_window_s(108), 2)
    (2.5, 0.62)
    """
    return float(min(2.5, 2.5 * 2.0 ** (-(midi - 72) / 18.0)))


def sounding_end_s(samples: FloatArray, *, sample_rate_hz: float, noise_power: float) -> float:
    """Time at which a strike has fallen by 32 dB or into the noise, in s from its first sample.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        The sound from the onset on.
    sample_rate_hz : float
        Sampling rate in Hz.
    noise_power : float
        Mean square of the room noise.

    Returns
    -------
    float
        Time in s; the whole length when the sound lasts so long.
    """
    width = max(1, int(0.02 * sample_rate_hz))
    count = samples.size // width
    if count < 3:
        return samples.size / sample_rate_hz
    power = (samples[: count * width].reshape(count, width) ** 2).mean(axis=1)
    smooth = np.convolve(power, np.ones(3) / 3.0, mode="same")
    early = float(smooth[: max(3, int(0.2 / 0.02))].max())
    least = max(early * 10.0 ** (-SOUNDING_RANGE_DB / 10.0), 1.6 * noise_power)
    heard = np.flatnonzero(smooth > least)
    return float((heard[-1] + 1) * width / sample_rate_hz) if heard.size else 0.05


def measure_tone(
    samples: FloatArray,
    *,
    sample_rate_hz: float,
    onset_s: float,
    midi: int,
    pitch: float,
    noise_density: Callable[[FloatArray], FloatArray],
    noise_power: float,
    held_until_s: float | None = None,
    span_cents: float = 40.0,
) -> HeldTone | None:
    """Find the partials of one strike, fit their series, and lay bands about them.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound from shortly before the onset up to where the strike may be followed.
    sample_rate_hz : float
        Sampling rate in Hz.
    onset_s : float
        Onset in s from the first sample.
    midi : int
        The key.
    pitch : float
        The pitch heard, as a fractional MIDI number at A4 = 440 Hz, good to `span_cents`.
    noise_density : callable
        Room noise in mean square per Hz at given frequencies (ndarray in, ndarray out).
    noise_power : float
        Mean square of the room noise over all frequencies.
    held_until_s : float, optional
        Release, in s from the onset, when it is known.
    span_cents : float
        How far from `pitch` the note may lie.

    Returns
    -------
    HeldTone or None
        ``None`` when no partial fits.
    """
    onset = int(onset_s * sample_rate_hz)
    attack_s = ATTACK_S if midi < 84 else 0.5 * ATTACK_S
    end_s = sounding_end_s(samples[onset:], sample_rate_hz=sample_rate_hz, noise_power=noise_power)
    if held_until_s is not None:
        end_s = min(end_s, held_until_s)
    window_s = max(min(spectrum_window_s(midi), end_s), attack_s + 0.06)
    held = samples[onset + int(attack_s * sample_rate_hz) : onset + int(window_s * sample_rate_hz)]
    if held.size < 0.04 * sample_rate_hz:
        return None
    spectrum = amplitude_spectrum(held, sample_rate_hz=sample_rate_hz)
    # The amplitude of noise in a bin follows from its density and the window's noise bandwidth.
    bins_hz = np.asarray(np.arange(spectrum.amplitude.size) * spectrum.bin_hz, dtype=np.float64)
    noise = np.sqrt(2.0 * noise_density(bins_hz) * 0.75 * spectrum.main_lobe_hz)
    floor = np.maximum(local_floor(spectrum), noise)
    peaks = find_peaks(spectrum, floor=floor)
    guess = find_series(spectrum, pitch=pitch, span_cents=span_cents, peaks=peaks)
    if guess is None:
        return None
    return _with_bands(
        samples,
        guess,
        sample_rate_hz=sample_rate_hz,
        onset_s=onset_s,
        midi=midi,
        attack_s=attack_s,
        lines_until_s=max(
            window_s,
            min(
                spectrum_window_s(midi),
                np.inf if held_until_s is None else held_until_s,
                samples.size / sample_rate_hz - onset_s,
            ),
        ),
        hold_s=min(end_s, 2.0 * spectrum_window_s(midi), LONGEST_FIT_S),
        noise_density=noise_density,
    )


def _strongest_lines(
    bands: BandSet,
    hz: FloatArray,
    *,
    half_width_hz: float,
    start_s: float,
    stop_s: float,
    noise_density: FloatArray,
) -> FloatArray:
    """Strongest of the lines within `LINES_CENTS` of each partial, shape of `hz`.

    A Hann-windowed spectrum of each band over the whole window, also where the sound has fallen
    far, so finely sampled that two lines that just run into one another show the true place of
    their joint peak. A line that the noise hides there stays where it was first found.
    """
    inside = (bands.times_s >= start_s) & (bands.times_s < stop_s)
    z = bands.envelopes[:, inside]
    window = np.hanning(z.shape[1] + 2)[1:-1]
    size = int(2 ** np.ceil(np.log2(max(8 * z.shape[1], 64))))
    spectrum = np.abs(np.fft.fft(z * window, size, axis=1))
    offset_hz = np.fft.fftfreq(size, 1.0 / bands.rate_hz)
    # Undo the raised cosine of the band, or lines far from its middle count for too little.
    response = 0.5 + 0.5 * np.cos(np.pi * np.minimum(np.abs(offset_hz) / half_width_hz, 1.0))
    level = spectrum / np.maximum(response, 0.05)
    away_hz = bands.centres_hz[:, None] + offset_hz[None, :] - hz[:, None]
    reach_hz = np.maximum(hz * (2.0 ** (LINES_CENTS / 1200.0) - 1.0), 0.5 / (stop_s - start_s))
    level = np.where(np.abs(away_hz) <= reach_hz[:, None], level, 0.0)
    rows, top = np.arange(hz.size), np.argmax(level, axis=1)
    left, peak, right = (level[rows, (top + k) % size] for k in (-1, 0, 1))
    noise = np.sqrt(noise_density * bands.rate_hz * np.sum(window**2))
    # At the edge of the reach there is no peak.
    is_line = (left > 0) & (right > 0) & (left < peak) & (peak > LEAST_LINE_SNR * noise)
    a, b, c = (np.log(np.maximum(v, 1e-300)) for v in (left, peak, right))
    bend = np.where(is_line, a - 2.0 * b + c, -1.0)
    shift = np.clip(np.where(is_line, 0.5 * (a - c), 0.0) / np.minimum(bend, -1e-12), -0.5, 0.5)
    found = bands.centres_hz + offset_hz[top] + shift * bands.rate_hz / size
    return np.asarray(np.where(is_line, found, hz), dtype=np.float64)


def _with_bands(
    samples: FloatArray,
    guess: SeriesGuess,
    *,
    sample_rate_hz: float,
    onset_s: float,
    midi: int,
    attack_s: float,
    lines_until_s: float,
    hold_s: float,
    noise_density: Callable[[FloatArray], FloatArray],
) -> HeldTone | None:
    """Measure the partials of a guessed series in bands and fit them."""
    half_width_hz = float(np.clip(SPACING_SHARE * guess.f0_hz, NARROWEST_HZ, WIDEST_HZ))
    transform = transform_strike(samples, sample_rate_hz=sample_rate_hz)
    centres = partial_frequency_hz(guess.n, f0_hz=guess.f0_hz, inharmonicity=guess.inharmonicity)
    # Where the peak lies off the series, the band follows the peak.
    centres = np.where(np.abs(guess.hz - centres) > 0.15 * half_width_hz, guess.hz, centres)
    bands = extract_bands(transform, centres_hz=centres, half_width_hz=half_width_hz)
    bands = replace(bands, times_s=bands.times_s - onset_s)
    density = noise_density(bands.centres_hz)
    # An envelope of modulus A stands for a mean square of A^2/2, hence twice.
    envelope_density = 2.0 * density
    settle_s = attack_s + min(0.03, 0.25 / half_width_hz)
    partials = measure_partials(
        bands,
        n=guess.n,
        start_s=settle_s,
        stop_s=max(hold_s, settle_s + 0.05),
        noise_density=envelope_density,
        search_hz=min(0.6 * half_width_hz, 15.0),
    )
    fit = fit_series(partials, midi=midi)
    if fit is None:
        return None
    return HeldTone(
        partials=partials,
        fit=fit,
        peak_hz=_strongest_lines(
            bands,
            guess.hz,
            half_width_hz=half_width_hz,
            start_s=attack_s,
            stop_s=lines_until_s,
            noise_density=envelope_density,
        ),
        bands=bands,
        noise_power=envelope_density * bands.noise_bandwidth_hz,
        transform=transform,
        onset_offset_s=onset_s,
        hold_s=hold_s,
        half_width_hz=half_width_hz,
    )

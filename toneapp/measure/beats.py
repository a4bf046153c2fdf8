"""Do the strings of a unison beat, how fast and how deep?

Two modes of nearly the same frequency make a partial swell and sink at the difference of their
frequencies. The complex envelope of a partial is taken apart into a few damped modes; the two
strongest beat when both are heard together for at least one and a half cycles.

Conventions: times in s from the onset; complex envelopes relative to any fixed frequency in the
partial's band; beat rates in Hz, depth in dB from peak to trough.

Functions: `measure_beats`, `beat_depth_db`, `unison_spread_cents`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toneapp._typing import ComplexArray, FloatArray
from toneapp.results import Flag

__all__ = ["Beat", "NoteBeats", "beat_depth_db", "measure_beats", "unison_spread_cents"]

MIN_CYCLES = 1.5  # fewer cannot be told from a knee
MIN_SPAN_S = 1.0  # s; a shorter hold shows only beats above 1.5 Hz, faster than most unisons'
MIN_POINTS = 24
MAX_SPAN_S = 5.0  # beats are heard within this, and the cost grows with the square
MODE_RATE_HZ = 40.0  # envelopes are averaged down to this
MAX_BEAT_HZ = 12.0  # faster is roughness, not a beat: common practice, no source
MAX_MODES = 4  # three strings move in two directions each, but not all are heard
WEAKEST = 0.01  # singular value over the largest; below 40 dB modes are shape errors of the band
NOISE_FACTOR = 1.5  # singular values of pure noise stay below this times their expected largest
MAX_DIFFERENCE_DB = 20.0  # weaker motion below the stronger; the depth is then 1.7 dB
TOGETHER_DB = 15.0  # both are heard while they differ by less than this (depth 3.1 dB)
MAX_LEFT = 0.1  # share of the energy that the modes may leave unexplained
HEARD_DB = 40.0  # fall of the sound within which a beat is heard as one
CROWD_RATIO = 0.7  # third motion over the second (3 dB)
MAX_RELATIVE_SE = 0.1
MIN_DEPTH_DB = 1.5
DEEPEST_DB = 40.0  # equal motions have no bottom; this is what is reported
AGREEMENT = 0.25  # by which spreads from two partials may differ


@dataclass(frozen=True, slots=True, kw_only=True)
class Beat:
    """Beat of one partial."""

    beat_hz: float | None = None
    beat_hz_se: float | None = None
    depth_db: float | None = None  # peak to trough
    slowest_hz: float | None = None  # slower beats could not be seen
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteBeats:
    """Beats of the partials handed in, and what they say about the unison."""

    partials: tuple[Beat, ...] = ()
    beat_hz: float | None = None  # of the lowest partial that beats
    depth_db: float | None = None
    unison_spread_cents: float | None = None
    flags: tuple[Flag, ...] = ()


def beat_depth_db(level_difference_db: float) -> float:
    """Depth of the beat of two steady tones, peak to trough.

    Parameters
    ----------
    level_difference_db : float
        Level of the weaker below the stronger, in dB, > 0.

    Returns
    -------
    float
        ``20 lg((1 + x) / (1 - x))`` in dB, with ``x`` the ratio of the amplitudes.

    Raises
    ------
    ValueError
        If the tones are equally strong: the trough is then without bottom.

    Examples
    --------
    >>> round(beat_depth_db(6.0), 2)
    9.57
    """
    if not level_difference_db > 0:
        raise ValueError(f"the level difference must be positive, got {level_difference_db}")
    x = 10.0 ** (-level_difference_db / 20.0)
    return 20.0 * math.log10((1.0 + x) / (1.0 - x))


def unison_spread_cents(beat_hz: float, *, partial_hz: float) -> float:
    """Distance of two strings whose partial beats at a rate.

    Parameters
    ----------
    beat_hz : float
        Beat rate in Hz, >= 0.
    partial_hz : float
        Frequency of the partial in Hz, > 0; that of the lower string.

    Returns
    -------
    float
        Cents. Strings that share a bridge are further apart than this: coupling slows the beat
        and can stop it altogether (Weinreich 1977).

    Raises
    ------
    ValueError
        If a frequency is out of range.

    Examples
    --------
    >>> round(unison_spread_cents(0.5, partial_hz=440.0), 3)
    1.966
    """
    if not (beat_hz >= 0 and partial_hz > 0):
        raise ValueError(f"frequencies out of range: beat {beat_hz}, partial {partial_hz}")
    return 1200.0 * math.log2(1.0 + beat_hz / partial_hz)


def measure_beats(
    times_s: FloatArray,
    envelope: ComplexArray,
    *,
    partial_hz: FloatArray,
    noise_power: FloatArray,
    t_start_s: float,
    t_end_s: float,
) -> NoteBeats:
    """Measure the beats of the lowest partials of a note.

    Parameters
    ----------
    times_s : ndarray, shape (m,)
        Times in s from the onset, evenly spaced.
    envelope : ndarray of complex, shape (k, m)
        Envelopes of partials 1 to k; three are enough.
    partial_hz : ndarray, shape (k,)
        Their frequencies in Hz.
    noise_power : ndarray, shape (k,)
        Mean square of the noise in each envelope.
    t_start_s, t_end_s : float
        The held part, in s.

    Returns
    -------
    NoteBeats
        Per partial and for the note. ``None`` without a flag: no beat faster than `slowest_hz`.
        With ``Flag.BEATS_UNRESOLVED``: the hold is too short to say, or the partials disagree.

    Raises
    ------
    ValueError
        If shapes differ, or a value is not finite or out of range.

    Notes
    -----
    Damped modes by ESPRIT on a Hankel matrix of the envelope [2]_, as many as stand out of the
    noise and at most four, amplitudes by least squares. This tells a beat from a knee (two modes
    of one frequency), which the power alone cannot do when the modes decay differently. Depth is
    that of the two strongest motions at the start: ``20 lg((1 + x) / (1 - x))``.

    No beat does not prove that the strings agree: strings 1.26 cents apart at C4 may not beat at
    all when the bridge couples them [1]_. A single string can beat too (a false beat); the spread
    is given only when the partials that beat agree on it.

    References
    ----------
    .. [1] G. Weinreich, "Coupled piano strings", J. Acoust. Soc. Am. 62, 1474 (1977).
    .. [2] R. Roy, T. Kailath, "ESPRIT - estimation of signal parameters via rotational invariance
       techniques", IEEE Trans. ASSP 37, 984 (1989) (from memory).
    """
    times = np.asarray(times_s, dtype=np.float64)
    envelopes = np.asarray(envelope, dtype=np.complex128)
    noise = np.asarray(noise_power, dtype=np.float64)
    hz = np.asarray(partial_hz, dtype=np.float64)
    if envelopes.ndim != 2 or envelopes.shape[1] != times.size:
        raise ValueError(f"envelope must be (k, {times.size}) like the times: {envelopes.shape}")
    if noise.shape != (envelopes.shape[0],) or hz.shape != noise.shape:
        raise ValueError("partial_hz and noise_power must have one entry for each envelope")
    if not all(np.all(np.isfinite(a)) for a in (times, envelopes, noise, hz)):
        raise ValueError("times, envelope, noise_power and partial_hz must be finite")
    if np.any(noise < 0) or np.any(hz <= 0):
        raise ValueError("noise_power must not be negative and partial_hz must be positive")
    inside = (times >= t_start_s) & (times <= min(t_end_s, t_start_s + MAX_SPAN_S))
    beats = tuple(
        _beat(times[inside], row[inside], float(level))
        for row, level in zip(envelopes, noise, strict=True)
    )
    return _summed_up(beats, hz)


def _summed_up(beats: tuple[Beat, ...], hz: FloatArray) -> NoteBeats:
    heard = [(beat, f) for beat, f in zip(beats, hz, strict=True) if beat.beat_hz is not None]
    if not heard:
        unresolved = any(Flag.BEATS_UNRESOLVED in beat.flags for beat in beats) or not beats
        return NoteBeats(partials=beats, flags=(Flag.BEATS_UNRESOLVED,) if unresolved else ())
    spreads = [unison_spread_cents(beat.beat_hz or 0.0, partial_hz=float(f)) for beat, f in heard]
    middle = float(np.median(spreads))
    agree = all(abs(spread / middle - 1.0) <= AGREEMENT for spread in spreads)
    return NoteBeats(
        partials=beats,
        beat_hz=heard[0][0].beat_hz,
        depth_db=heard[0][0].depth_db,
        unison_spread_cents=middle if agree else None,
        flags=() if agree else (Flag.BEATS_UNRESOLVED,),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Modes:
    """Damped modes ``c exp((2 pi i f - d) t)``, t from the start of the span."""

    hz: FloatArray  # (q,)
    damping: FloatArray  # (q,), 1/s
    amplitude: ComplexArray  # (q,)
    hz_covariance: FloatArray  # (q, q)
    left: float  # share of the energy not explained


def _beat(times: FloatArray, envelope: ComplexArray, noise: float) -> Beat:
    """Take one partial apart and see whether its two strongest modes beat."""
    unresolved = Beat(flags=(Flag.BEATS_UNRESOLVED,))
    if times.size < MIN_POINTS:
        return unresolved
    rate_hz = (times.size - 1) / float(times[-1] - times[0])
    step = max(1, int(rate_hz / MODE_RATE_HZ))
    count = times.size // step
    z = envelope[: count * step].reshape(count, step).mean(axis=1)
    rate_hz /= step
    noise /= step
    # A noisy end adds nothing; keep what stands out of the noise.
    heard = np.flatnonzero(np.convolve(np.abs(z) ** 2, np.ones(5) / 5.0, mode="same") > 4 * noise)
    z = z[: int(heard[-1]) + 1] if heard.size else z[:0]
    span_s = z.size / rate_hz
    if z.size < MIN_POINTS or span_s < MIN_SPAN_S:
        return unresolved
    slowest_hz = MIN_CYCLES / span_s
    modes = _modes(z, rate_hz=rate_hz, noise=noise)
    if modes is None or modes.left > MAX_LEFT:
        return Beat(slowest_hz=slowest_hz, flags=(Flag.BEATS_UNRESOLVED,))
    return _strongest_pair(modes, span_s=span_s, slowest_hz=slowest_hz)


def _modes(z: ComplexArray, *, rate_hz: float, noise: float) -> _Modes | None:
    """Modes of an envelope, by ESPRIT."""
    n = z.size
    rows = n // 3
    hankel = np.lib.stride_tricks.sliding_window_view(z, n - rows + 1)[:rows]
    gram = hankel @ hankel.conj().T
    values, vectors = np.linalg.eigh(gram)
    singular = np.sqrt(np.maximum(values[::-1], 0.0))
    expected = math.sqrt(noise) * (math.sqrt(rows) + math.sqrt(n - rows + 1))
    threshold = max(WEAKEST * singular[0], NOISE_FACTOR * expected)
    order = min(int(np.count_nonzero(singular > threshold)), MAX_MODES)
    if order == 0:
        return None
    subspace = vectors[:, ::-1][:, :order]
    shift = np.linalg.lstsq(subspace[:-1], subspace[1:], rcond=None)[0]
    poles = np.linalg.eigvals(shift)
    # A mode that grows is none; keep it from blowing the fit up.
    poles = np.where(np.abs(poles) > 1.0, poles / np.abs(poles), poles)
    poles = poles[np.abs(poles) > 1e-3]
    if poles.size == 0:
        return None
    t = np.arange(n)
    basis = poles[None, :] ** t[:, None]
    amplitude = np.linalg.lstsq(basis, z, rcond=None)[0]
    residual = z - basis @ amplitude
    energy = float(np.sum(np.abs(z) ** 2)) - n * noise
    left = max(float(np.sum(np.abs(residual) ** 2)) - n * noise, 0.0) / max(energy, 1e-300)
    # Covariance: derivatives by amplitude (real, imaginary), frequency and damping.
    parts = basis * amplitude
    derivatives = np.hstack([basis, 1j * basis, 1j * t[:, None] * parts, -t[:, None] * parts])
    jacobian = np.vstack([derivatives.real, derivatives.imag])
    scatter = float(np.sum(np.abs(residual) ** 2)) / max(2 * n - jacobian.shape[1], 1)
    inverse = np.linalg.pinv(jacobian.T @ jacobian) * scatter
    q = poles.size
    to_hz = rate_hz / (2.0 * np.pi)
    return _Modes(
        hz=np.angle(poles) * to_hz,
        damping=-np.log(np.abs(poles)) * rate_hz,
        amplitude=amplitude.astype(np.complex128),
        hz_covariance=inverse[2 * q : 3 * q, 2 * q : 3 * q] * to_hz**2,
        left=left,
    )


def _strongest_pair(modes: _Modes, *, span_s: float, slowest_hz: float) -> Beat:
    """Beat of the two modes that are strongest at the start."""
    nothing = Beat(slowest_hz=slowest_hz)
    if modes.hz.size < 2:
        return nothing
    first, second = np.argsort(np.abs(modes.amplitude))[::-1][:2]
    beat_hz = abs(float(modes.hz[first] - modes.hz[second]))
    if beat_hz > MAX_BEAT_HZ:
        return nothing
    t = np.linspace(0.0, span_s, 200)
    ratio_db = (
        20.0
        * np.log10(
            np.maximum(
                abs(modes.amplitude[second]) / max(abs(modes.amplitude[first]), 1e-300), 1e-9
            )
        )
        - (20.0 / math.log(10.0)) * (modes.damping[second] - modes.damping[first]) * t
    )
    nearest_db = abs(float(ratio_db[0]))
    if nearest_db > MAX_DIFFERENCE_DB:
        return nothing
    limit_db = max(TOGETHER_DB, nearest_db + 3.0)
    level_db = (
        20.0 * np.log10(np.maximum(abs(modes.amplitude[first]), 1e-300))
        - (20.0 / math.log(10.0)) * modes.damping[first] * t
    )
    level_db = np.maximum(level_db, level_db + ratio_db)
    is_heard = (np.abs(ratio_db) < limit_db) & (level_db > level_db[0] - HEARD_DB)
    together_s = span_s * float(np.mean(is_heard))
    if beat_hz * together_s < MIN_CYCLES:
        # Less than it takes: a knee, or a beat too slow for this hold.
        is_slow = beat_hz * together_s > 0.25
        return Beat(slowest_hz=slowest_hz, flags=(Flag.BEATS_UNRESOLVED,) if is_slow else ())
    depth_db = DEEPEST_DB if nearest_db < 0.18 else min(beat_depth_db(nearest_db), DEEPEST_DB)
    if depth_db < MIN_DEPTH_DB:
        return nothing
    covariance = modes.hz_covariance
    variance = covariance[first, first] + covariance[second, second]
    beat_se = math.sqrt(max(float(variance - 2.0 * covariance[first, second]), 0.0))
    others = np.delete(np.abs(modes.amplitude), [first, second])
    crowded = others.size > 0 and others.max() > CROWD_RATIO * abs(modes.amplitude[second])
    if beat_se > MAX_RELATIVE_SE * beat_hz or crowded:
        # Three motions of like strength ripple, but not at one rate.
        return Beat(slowest_hz=slowest_hz, flags=(Flag.BEATS_UNRESOLVED,))
    return Beat(
        beat_hz=beat_hz,
        beat_hz_se=beat_se,
        depth_db=depth_db,
        slowest_hz=slowest_hz,
    )

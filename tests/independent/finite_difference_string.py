"""A stiff, lossy string struck by a felt hammer, solved in the time domain.

A second source of notes with known truth. It shares no code and no idea of a note with
`toneapp.simulate`: nothing here is put together from partials. The string's equation

    u_tt = c^2 u_xx - kappa^2 u_xxxx - 2 sigma0 u_t + 2 sigma1 u_txx + (force of the hammer)

is stepped on a grid with hinged ends, the hammer is a mass behind a spring ``F = K x**p``. What
the scheme itself makes of each mode (frequency and decay) follows from its own dispersion
relation, so the truth is exact for the samples that come out, numerical dispersion included.

Once the hammer has left, the scheme is linear with constant coefficients, and its sine modes are
exact on this grid: the state is then carried on mode by mode, which gives the same samples as
stepping (a test compares) in a small part of the time. A release raises sigma0 at one moment.

References
----------
.. [1] A. Chaigne and A. Askenfelt, "Numerical simulations of piano strings I", J. Acoust. Soc.
   Am. 95, 1112 (1994): model, hammer, strings of C4 and C7 (parameters as found in public code
   that uses them and from memory; those of C2 are not taken from there).
.. [2] J. Bensa, S. Bilbao, R. Kronland-Martinet, J. O. Smith, "The simulation of piano string
   vibration: from physical models to finite difference schemes and digital waveguides", J.
   Acoust. Soc. Am. 114, 1095 (2003): the loss term used here, well posed where that of [1] is
   not, and its stability limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class String:
    """One string and the hammer that strikes it."""

    length_m: float
    mass_kg: float
    tension_n: float
    eps: float  # stiffness kappa^2 / (c^2 L^2); B is pi^2 times it for hinged ends
    strike_ratio: float
    hammer_mass_kg: float
    hammer_stiffness: float  # K of F = K x**p, in N / m**p
    hammer_exponent: float
    sigma0_per_s: float  # loss of every mode alike
    sigma1_m2_per_s: float  # loss that grows with the square of the mode

    @property
    def f0_hz(self) -> float:
        """Frequency without stiffness."""
        return math.sqrt(self.tension_n / (self.mass_kg * self.length_m)) / 2.0

    @property
    def inharmonicity(self) -> float:
        """B of Fletcher's series."""
        return math.pi**2 * self.eps


C2 = String(
    length_m=1.90,
    mass_kg=750.0 / (4.0 * 65.406**2 * 1.90),  # whatever gives the pitch
    tension_n=750.0,
    eps=1.0e-5,
    strike_ratio=0.12,
    hammer_mass_kg=4.9e-3,
    hammer_stiffness=4.0e8,
    hammer_exponent=2.3,
    sigma0_per_s=0.5,
    sigma1_m2_per_s=1.2e-3,
)
C4 = String(
    length_m=0.62,
    mass_kg=3.93e-3,
    tension_n=670.0,
    eps=3.82e-5,
    strike_ratio=0.12,
    hammer_mass_kg=2.97e-3,
    hammer_stiffness=4.5e9,
    hammer_exponent=2.5,
    sigma0_per_s=0.8,
    sigma1_m2_per_s=6.0e-4,
)
A4 = String(
    length_m=0.40,
    mass_kg=700.0 / (4.0 * 440.0**2 * 0.40),
    tension_n=700.0,
    eps=7.5e-5,
    strike_ratio=0.12,
    hammer_mass_kg=2.8e-3,
    hammer_stiffness=1.2e10,
    hammer_exponent=2.6,
    sigma0_per_s=1.2,
    sigma1_m2_per_s=4.0e-4,
)
C7 = String(
    length_m=0.09,
    mass_kg=0.467e-3,
    tension_n=750.0,
    eps=8.67e-4,
    strike_ratio=1.0 / 16.0,
    hammer_mass_kg=2.2e-3,
    hammer_stiffness=1.0e12,
    hammer_exponent=3.0,
    sigma0_per_s=5.0,
    sigma1_m2_per_s=1.0e-4,
)
STRINGS = {36: C2, 60: C4, 69: A4, 96: C7}
"""Strings by MIDI number; C7 lies 16 cents sharp of equal temperament without its stiffness."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StringNote:
    """Sound of one note and its truth."""

    audio: FloatArray  # (n,), peak 0.5
    sample_rate_hz: int
    onset_s: float
    release_s: float | None
    f0_hz: float  # of Fletcher's series through the scheme's first partials
    B: float
    partial_hz: FloatArray  # (m,) partials 1, 2, ... of the scheme
    t60_s: FloatArray  # (m,) held
    damped_t60_s: FloatArray  # (m,) after the release
    contact_s: float  # how long the hammer touched the string


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grid:
    """Steps and constants of the scheme."""

    step_s: float
    spacing_m: float
    intervals: int
    c2: float
    kappa2: float
    sigma1: float


def _grid(string: String, rate_hz: float) -> _Grid:
    """Choose the finest stable grid (reference 2)."""
    k = 1.0 / rate_hz
    c2 = string.tension_n * string.length_m / string.mass_kg
    kappa2 = string.eps * c2 * string.length_m**2
    a = c2 * k**2 + 4.0 * string.sigma1_m2_per_s * k
    limit = math.sqrt(0.5 * (a + math.sqrt(a**2 + 16.0 * kappa2 * k**2)))
    intervals = int(string.length_m / (1.0001 * limit))
    return _Grid(
        step_s=k,
        spacing_m=string.length_m / intervals,
        intervals=intervals,
        c2=c2,
        kappa2=kappa2,
        sigma1=string.sigma1_m2_per_s,
    )


def mode_factors(string: String, rate_hz: float, *, sigma0_per_s: float) -> NDArray[np.complex128]:
    """Factor by which each sine mode of the grid moves on in one step, shape (modes,).

    The dispersion relation of the scheme: with ``p = 4 / h^2 sin^2(m pi h / 2 L)``, the roots of
    ``z^2 (1 + s0 k) - z (2 - k^2 (c^2 p + kappa^2 p^2) - 2 s1 k p) + (1 - s0 k - 2 s1 k p)``.
    """
    grid = _grid(string, rate_hz)
    k = grid.step_s
    m = np.arange(1, grid.intervals)
    p = 4.0 / grid.spacing_m**2 * np.sin(0.5 * np.pi * m / grid.intervals) ** 2
    first = 1.0 + sigma0_per_s * k
    middle = 2.0 - k**2 * (grid.c2 * p + grid.kappa2 * p**2) - 2.0 * grid.sigma1 * k * p
    last = 1.0 - sigma0_per_s * k - 2.0 * grid.sigma1 * k * p
    root = np.sqrt((middle**2 - 4.0 * first * last).astype(np.complex128))
    return np.asarray((middle + root) / (2.0 * first))


def _step_until_free(
    string: String, rate_hz: float, velocity_m_per_s: float, *, extra_steps: int = 0
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Step string and hammer until the hammer has left for good.

    Returns
    -------
    earlier, now : ndarray, shape (intervals + 1,)
        Displacement at the last two steps, in m.
    bridge : ndarray
        Displacement next to the bridge at every step so far.
    contact_s : float
        From first to last touch.
    """
    grid = _grid(string, rate_hz)
    k, h, count = grid.step_s, grid.spacing_m, grid.intervals
    x = np.arange(count + 1) * h
    half_width = max(0.006, 1.01 * h)  # of the felt on the string, in m
    at = string.strike_ratio * string.length_m
    felt = np.where(np.abs(x - at) < half_width, np.cos(0.5 * np.pi * (x - at) / half_width), 0.0)
    felt = np.clip(felt, 0.0, None)
    felt[[0, -1]] = 0.0
    felt /= felt.sum() * h
    density = string.mass_kg / string.length_m
    tension = grid.c2 * k**2 / h**2
    stiffness = grid.kappa2 * k**2 / h**4
    loss = 2.0 * grid.sigma1 * k / h**2
    old = np.zeros(count + 3)  # one ghost point beyond each end
    now = np.zeros(count + 3)
    hammer_old, hammer = -velocity_m_per_s * k, 0.0
    scale = 1.0 / (1.0 + string.sigma0_per_s * k)
    bridge: list[float] = []
    last_touch = 0
    patience = max(int(0.002 * rate_hz), int(3.0 * rate_hz * string.length_m / math.sqrt(grid.c2)))
    step = 0
    while step - last_touch < patience + extra_steps:
        step += 1
        squeeze = hammer - h * float(felt @ now[1:-1])
        force = string.hammer_stiffness * squeeze**string.hammer_exponent if squeeze > 0 else 0.0
        if force > 0.0:
            last_touch = step
        second = now[2:] - 2.0 * now[1:-1] + now[:-2]
        bent = np.zeros(count + 3)
        bent[1:-1] = second
        fourth = bent[2:] - 2.0 * second + bent[:-2]
        second_old = old[2:] - 2.0 * old[1:-1] + old[:-2]
        following = np.zeros(count + 3)
        following[1:-1] = scale * (
            2.0 * now[1:-1]
            - (1.0 - string.sigma0_per_s * k) * old[1:-1]
            + tension * second
            - stiffness * fourth
            + loss * (second - second_old)
            + k**2 * force / density * felt
        )
        following[[1, -2]] = 0.0
        following[0], following[-1] = -following[2], -following[-3]  # hinged
        hammer_old, hammer = (
            hammer,
            2.0 * hammer - hammer_old - k**2 * force / string.hammer_mass_kg,
        )
        old, now = now, following
        bridge.append(float(now[-3]))
    return old[1:-1], now[1:-1], np.array(bridge), last_touch * k


def _carry_on(
    earlier: FloatArray,
    now: FloatArray,
    factors: NDArray[np.complex128],
    steps: NDArray[np.int64],
) -> tuple[FloatArray, NDArray[np.complex128], FloatArray]:
    """Bridge displacement at later steps, from the sine modes of two neighbouring states.

    Returns the displacement, the complex mode amplitudes and the modes' size at the bridge.
    """
    count = now.size - 1
    m = np.arange(1, count)
    sines = np.sin(np.pi * np.outer(m, np.arange(count + 1)) / count)
    a_now, a_earlier = 2.0 / count * (sines @ now), 2.0 / count * (sines @ earlier)
    # a(n) = 2 Re(q z^n): two equations for the complex q from a(0) and a(-1). The second root is
    # the conjugate of the first for every mode that oscillates.
    z = factors
    inverse = 1.0 / z
    q = (a_earlier - a_now * np.conj(inverse)) / (inverse - np.conj(inverse))
    at_bridge = sines[:, count - 1]
    out = np.zeros(steps.size)
    log_z = np.log(z)
    for start in range(0, steps.size, 4096):
        part = steps[start : start + 4096]
        out[start : start + part.size] = 2.0 * np.real(
            (q * at_bridge) @ np.exp(np.multiply.outer(log_z, part))
        )
    return out, q, at_bridge


def struck_string(
    string: String,
    *,
    velocity_m_per_s: float = 2.5,
    hold_s: float | None = None,
    damped_t60_s: float = 0.25,
    length_s: float = 3.0,
    onset_s: float = 0.3,
    sample_rate_hz: int = 48000,
    oversampling: int = 4,
    detune_cents: float = 0.0,
) -> StringNote:
    """Sound of one struck string: the force on its bridge.

    Parameters
    ----------
    string : String
        String and hammer.
    velocity_m_per_s : float
        Speed of the hammer.
    hold_s : float or None
        Time from the blow to the release; None holds to the end.
    damped_t60_s : float
        T60 of the lowest modes with the damper on, which acts on all alike and at once.
    length_s, onset_s : float
        Length of the sound, and silence before the blow.
    sample_rate_hz, oversampling : int
        Rate of the sound, and steps of the scheme for each of its samples.
    detune_cents : float
        Tension is changed to move the pitch by this much.
    """
    ratio = 2.0 ** (detune_cents / 600.0)
    tuned = String(
        **{
            name: getattr(string, name) * (ratio if name == "tension_n" else 1.0)
            for name in String.__slots__
        }
    )
    rate = float(sample_rate_hz * oversampling)
    earlier, now, contact, contact_s = _step_until_free(tuned, rate, velocity_m_per_s)
    free = mode_factors(tuned, rate, sigma0_per_s=tuned.sigma0_per_s)
    damped_sigma = math.log(1000.0) / damped_t60_s
    damped = mode_factors(tuned, rate, sigma0_per_s=damped_sigma)
    total = int((length_s - onset_s) * rate)
    release = total if hold_s is None else int(hold_s * rate)
    head = contact.size
    held_steps = np.arange(1, max(1, release - head + 1))
    held, _, _ = _carry_on(earlier, now, free, held_steps)
    pieces = [contact, held]
    if hold_s is not None:
        count = now.size - 1
        before, at_release = (
            _state_at(earlier, now, free, held_steps.size - 1),
            _state_at(earlier, now, free, held_steps.size),
        )
        assert before.size == count + 1
        tail, _, _ = _carry_on(before, at_release, damped, np.arange(1, total - release + 1))
        pieces.append(tail)
    wave = np.concatenate(pieces)[:total]
    wave = _halve_rate(wave, oversampling)
    silence = np.zeros(round(onset_s * sample_rate_hz))
    audio = np.concatenate([silence, wave])
    hz = np.angle(free) * rate / (2.0 * np.pi)
    audible = hz < 0.45 * sample_rate_hz
    hz = hz[audible]
    n = np.arange(1, hz.size + 1, dtype=np.float64)
    low = n <= max(3, min(hz.size, 16))
    slope, intercept = np.polyfit(n[low] ** 2, (hz[low] / n[low]) ** 2, 1)
    per_step = math.log(1000.0) / rate
    return StringNote(
        audio=0.5 * audio / float(np.max(np.abs(audio))),
        sample_rate_hz=sample_rate_hz,
        onset_s=onset_s,
        release_s=None if hold_s is None else onset_s + hold_s,
        f0_hz=math.sqrt(intercept),
        B=float(slope / intercept),
        partial_hz=hz,
        t60_s=-per_step / np.log(np.abs(free[audible])),
        damped_t60_s=-per_step / np.log(np.abs(damped[audible])),
        contact_s=contact_s,
    )


def _state_at(
    earlier: FloatArray, now: FloatArray, factors: NDArray[np.complex128], step: int
) -> FloatArray:
    """Displacement of the whole string a number of steps on."""
    count = now.size - 1
    _, q, _ = _carry_on(earlier, now, factors, np.zeros(1, dtype=np.int64))
    m = np.arange(1, count)
    sines = np.sin(np.pi * np.outer(m, np.arange(count + 1)) / count)
    return np.asarray((2.0 * np.real(q * factors**step)) @ sines)


def _halve_rate(wave: FloatArray, factor: int) -> FloatArray:
    """Keep every `factor`-th sample after removing what would fold back."""
    if factor == 1:
        return wave
    taps = np.arange(-64 * factor, 64 * factor + 1)
    kernel = np.sinc(0.92 * taps / factor) * np.blackman(taps.size)
    kernel /= kernel.sum()
    return np.asarray(np.convolve(wave, kernel, mode="same")[::factor])

"""How does a felt hammer's blow turn into the strengths of the partials?

The force of a felt hammer follows F = K x**p; its time of contact shrinks with speed, so a harder
blow is brighter. Functions: `contact_time_s`, `pulse_spectrum`.
"""

from __future__ import annotations

import numpy as np

from toneapp._typing import FloatArray
from toneapp.simulate.instrument import REFERENCE_VELOCITY_M_PER_S

__all__ = ["contact_time_s", "pulse_spectrum"]

LOBE_CYCLES = 1.2
"""Corner of the main lobe times the nominal time of contact."""
EDGE_CYCLES = 4.8
"""Corner of the edges' spectrum times the actual time of contact."""
EDGE_SHARE = 0.1
"""Strength of the edges beside the main lobe, for a nominal hammer at 2 m/s."""


def contact_time_s(
    velocity_m_per_s: float, *, reference_s: float, felt_exponent: float, softness_oct: float = 0.0
) -> float:
    """Time a hammer stays on the string.

    Parameters
    ----------
    velocity_m_per_s : float
        Hammer speed, > 0.
    reference_s : float
        Contact time at 2 m/s, in seconds.
    felt_exponent : float
        p of the felt law F = K x**p.
    softness_oct : float
        Octaves by which this hammer's contact is longer than nominal.

    Returns
    -------
    float
        Seconds.

    Notes
    -----
    For a mass on a spring F = K x**p the time of contact goes as v**((1 - p) / (1 + p)), which is
    Fmax**((1 - p) / (2 p)).

    References
    ----------
    .. [1] D. E. Hall and A. Askenfelt, "Piano string excitation V: Spectra for real hammers and
       strings", J. Acoust. Soc. Am. 83, 1627 (1988).
    """
    if not velocity_m_per_s > 0:
        raise ValueError(f"hammer speed must be positive, got {velocity_m_per_s} m/s")
    power = (1.0 - felt_exponent) / (1.0 + felt_exponent)
    ratio = velocity_m_per_s / REFERENCE_VELOCITY_M_PER_S
    return float(reference_s * ratio**power * 2.0**softness_oct)


def pulse_spectrum(
    frequency_hz: FloatArray, *, contact_s: float, nominal_contact_s: float
) -> FloatArray:
    """Magnitude of the spectrum of the force pulse, about 1 at low frequency.

    Parameters
    ----------
    frequency_hz : ndarray
        Frequencies in Hz.
    contact_s : float
        Time of contact of this blow.
    nominal_contact_s : float
        Time of contact of this key's nominal hammer at 2 m/s.

    Returns
    -------
    ndarray
        Magnitudes, same shape.

    Notes
    -----
    The main lobe is the whole push, which the masses of hammer and string decide. The edges that
    the string's returning waves cut into it are the steeper the stiffer the felt: their share
    grows as the square of ``nominal_contact_s / contact_s``, their corner as that ratio. The
    constants are set so that brightness grows with level as on recordings of a grand at six
    strengths of blow (0.06 octaves per dB in the bass, 0.04 to 0.06 at C4, 0.01 at A6, level
    A-weighted).
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    lobe = (1.0 + (f * nominal_contact_s / LOBE_CYCLES) ** 2) ** -2.0
    edges = (1.0 + (f * contact_s / EDGE_CYCLES) ** 2) ** -2.5
    return np.asarray(lobe + EDGE_SHARE * (nominal_contact_s / contact_s) ** 2 * edges)

"""At which frequencies does a stiff string sound, and what is to be expected of a piano's?

The partials lie at ``f_n = n f0 sqrt(1 + B n^2)`` (Fletcher 1964 [1]_).

Functions: `typical_inharmonicity`, `inharmonicity_log_sd`, `law_scatter_cents`, `pull_cents`,
`partial_frequency_hz`.

References
----------
.. [1] H. Fletcher, "Normal vibration frequencies of a stiff piano string", J. Acoust. Soc. Am.
   36, 203 (1964).
"""

from __future__ import annotations

from typing import overload

import numpy as np

from toneapp._typing import FloatArray, IntArray

__all__ = [
    "PULL_BELOW_HZ",
    "PULL_CENTS",
    "inharmonicity_log_sd",
    "law_scatter_cents",
    "partial_frequency_hz",
    "pull_cents",
    "typical_inharmonicity",
]

WOUND_LOG_SD = 0.9
PLAIN_LOG_SD = 0.45
"""Spread of ln B between instruments about `typical_inharmonicity`: Young (1952) found the plain
strings of six pianos within a factor 2 of one another; wound strings scatter more."""

PULL_CENTS = 4.0
PULL_BELOW_HZ = 180.0
PULL_ENDS_HZ = 260.0
"""The soundboard's lowest modes pull partials below about 180 Hz by some cents, and less and less
up to middle C. Without the slope between, a partial that lies there 2 cents off was left out of
one blow's fit and not of the next one's."""


@overload
def typical_inharmonicity(midi: float) -> float: ...
@overload
def typical_inharmonicity(midi: FloatArray) -> FloatArray: ...
def typical_inharmonicity(midi: float | FloatArray) -> float | FloatArray:
    """Inharmonicity coefficient B to be expected at a note, within a factor of about 2.

    Parameters
    ----------
    midi : float or ndarray, shape (k,)
        Note number.

    Returns
    -------
    float or ndarray, shape (k,)
        B, without unit.

    Notes
    -----
    Above middle C it doubles every eight semitones from 3.47e-4 (Young [1]_); the wound strings
    add a part that falls from the lowest note upward (common practice, no source).

    References
    ----------
    .. [1] R. W. Young, "Inharmonicity of plain wire piano strings", J. Acoust. Soc. Am. 24, 267
       (1952).
    """
    midi = np.asarray(midi, dtype=np.float64)
    value = 3.47e-4 * 2.0 ** ((midi - 60.0) / 8.0) + 2.8e-4 * 2.0 ** (-(midi - 21.0) / 10.0)
    return float(value) if value.ndim == 0 else value


def inharmonicity_log_sd(midi: float) -> float:
    """Spread of ln B to expect at a note: that of wound strings below E3, of plain ones above."""
    return float(np.interp(midi, [46.0, 58.0], [WOUND_LOG_SD, PLAIN_LOG_SD]))


def law_scatter_cents(midi: float) -> float:
    """Scatter of single partials about the law to expect: 5 cents at A0, 1.5 on plain strings."""
    return float(np.interp(midi, [21.0, 34.0, 46.0, 58.0], [5.0, 3.5, 2.0, 1.5]))


def pull_cents(hz: FloatArray) -> FloatArray:
    """How far the soundboard may pull a partial, in cents, shape of `hz`."""
    share = (PULL_ENDS_HZ - hz) / (PULL_ENDS_HZ - PULL_BELOW_HZ)
    return np.asarray(PULL_CENTS * np.clip(share, 0.0, 1.0))


@overload
def partial_frequency_hz(n: int, *, f0_hz: float, inharmonicity: float) -> float: ...
@overload
def partial_frequency_hz(
    n: IntArray | FloatArray, *, f0_hz: float, inharmonicity: float
) -> FloatArray: ...
def partial_frequency_hz(
    n: int | IntArray | FloatArray, *, f0_hz: float, inharmonicity: float
) -> float | FloatArray:
    """Frequency of the n-th partial of a stiff string.

    Parameters
    ----------
    n : int or ndarray of int, shape (k,)
        Partial number, from 1.
    f0_hz : float
        Fundamental of the same string without stiffness, in Hz, > 0.
    inharmonicity : float
        Coefficient B, without unit, >= 0.

    Returns
    -------
    float or ndarray, shape (k,)
        Frequency in Hz, ``n * f0 * sqrt(1 + B * n**2)``.

    Raises
    ------
    ValueError
        If `f0_hz` is not positive or `inharmonicity` is negative.

    References
    ----------
    .. [1] H. Fletcher, "Normal vibration frequencies of a stiff piano string",
       J. Acoust. Soc. Am. 36, 203 (1964).

    Examples
    --------
    >>> round(partial_frequency_hz(8, f0_hz=261.626, inharmonicity=3.88465e-4), 3)
    2118.866
    """
    if not f0_hz > 0 or inharmonicity < 0:
        raise ValueError(f"f0 must be > 0 and B >= 0, got {f0_hz} Hz and {inharmonicity}")
    n = np.asarray(n, dtype=np.float64)
    value = n * f0_hz * np.sqrt(1.0 + inharmonicity * n**2)
    return float(value) if value.ndim == 0 else value

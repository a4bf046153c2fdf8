"""Notes, frequencies and cents: how are they converted into one another?

Conventions: MIDI note numbers (A4 = 69, A0 = 21, C8 = 108), frequencies in Hz, cents against
twelve-tone equal temperament. Note names use ``#`` for the raised notes ("D#4"); flats and the
signs ♯ and ♭ are understood on input.

Functions: `midi_to_hz`, `hz_to_midi`, `hz_to_cents`, `cents_to_ratio`, `ratio_to_cents`,
`note_name`, `parse_note`.
"""

from __future__ import annotations

import math
import re
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "A4_HZ",
    "A4_MIDI",
    "cents_to_ratio",
    "hz_to_cents",
    "hz_to_midi",
    "midi_to_hz",
    "note_name",
    "parse_note",
    "ratio_to_cents",
]

A4_MIDI = 69
A4_HZ = 440.0
"""Standard tuning frequency in Hz (ISO 16:1975)."""

_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_SHIFTS = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}
_NOTE_PATTERN = re.compile(r"^([A-Ga-g])([#♯b♭]?)(-?\d{1,2})$")


@overload
def midi_to_hz(midi: float, *, a4_hz: float = A4_HZ) -> float: ...
@overload
def midi_to_hz(midi: NDArray[np.generic], *, a4_hz: float = A4_HZ) -> NDArray[np.float64]: ...
def midi_to_hz(
    midi: float | NDArray[np.generic], *, a4_hz: float = A4_HZ
) -> float | NDArray[np.float64]:
    """Frequency of a note in equal temperament.

    Parameters
    ----------
    midi : float or ndarray, shape (k,)
        MIDI note number; fractions are allowed.
    a4_hz : float
        Frequency of A4 in Hz, > 0.

    Returns
    -------
    float or ndarray, shape (k,)
        Frequency in Hz.

    References
    ----------
    .. [1] ISO 16:1975, Acoustics - Standard tuning frequency.

    Examples
    --------
    >>> round(midi_to_hz(60), 4)
    261.6256
    """
    if isinstance(midi, np.ndarray):
        return np.asarray(a4_hz * 2.0 ** ((midi.astype(np.float64) - A4_MIDI) / 12.0))
    return float(a4_hz * 2.0 ** ((midi - A4_MIDI) / 12.0))


def hz_to_midi(frequency_hz: float, *, a4_hz: float = A4_HZ) -> float:
    """MIDI note number, with its fraction, of a frequency (inverse of `midi_to_hz`).

    Parameters
    ----------
    frequency_hz : float
        Frequency in Hz, > 0.
    a4_hz : float
        Frequency of A4 in Hz, > 0.

    Returns
    -------
    float
        MIDI note number.

    Raises
    ------
    ValueError
        If a frequency is not positive.
    """
    if not frequency_hz > 0 or not a4_hz > 0:
        raise ValueError(f"frequencies must be positive, got {frequency_hz} and A4 {a4_hz}")
    return A4_MIDI + 12.0 * math.log2(frequency_hz / a4_hz)


def hz_to_cents(frequency_hz: float, *, midi: int, a4_hz: float = A4_HZ) -> float:
    """Distance of a frequency from the equal-tempered frequency of a note.

    Parameters
    ----------
    frequency_hz : float
        Frequency in Hz, > 0.
    midi : int
        The note it is compared with.
    a4_hz : float
        Frequency of A4 in Hz, > 0.

    Returns
    -------
    float
        Cents; positive when the frequency is sharp.

    Examples
    --------
    >>> round(hz_to_cents(441.0, midi=69), 4)
    3.9302
    """
    return 100.0 * (hz_to_midi(frequency_hz, a4_hz=a4_hz) - midi)


def cents_to_ratio(cents: ArrayLike) -> NDArray[np.float64]:
    """Frequency ratio of an interval in cents, same shape as the input."""
    return np.asarray(2.0 ** (np.asarray(cents, dtype=np.float64) / 1200.0))


def ratio_to_cents(ratio: ArrayLike) -> NDArray[np.float64]:
    """Interval in cents of a frequency ratio > 0, same shape as the input."""
    return np.asarray(1200.0 * np.log2(np.asarray(ratio, dtype=np.float64)))


def note_name(midi: int) -> str:
    """Name of a note, such as ``"D#4"``.

    Examples
    --------
    >>> note_name(21), note_name(63), note_name(108)
    ('A0', 'D#4', 'C8')
    """
    octave, step = divmod(int(midi), 12)
    return f"{_NAMES[step]}{octave - 1}"


def parse_note(text: str) -> int:
    """MIDI note number of a note name.

    Parameters
    ----------
    text : str
        A letter, at most one sign (``#``, ``♯``, ``b`` or ``♭``) and the octave, with C4 the
        middle C.

    Returns
    -------
    int
        MIDI note number.

    Raises
    ------
    ValueError
        If the text is not a note name.

    Examples
    --------
    >>> parse_note("Eb4"), parse_note("c8")
    (63, 108)
    """
    found = _NOTE_PATTERN.match(text.strip())
    if found is None:
        raise ValueError(f"{text!r} is not a note name such as A0 or D#4")
    letter, sign, octave = found.groups()
    return 12 * (int(octave) + 1) + _STEPS[letter.upper()] + _SHIFTS[sign]

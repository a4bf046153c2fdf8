"""What is fixed about a simulated piano?

`PianoSpec` holds the instrument: one `NoteSpec` for each key, one `Soundboard`, and lengths of
string that belong to no key (`BackLength`). Frequencies in Hz, times in seconds, cents for
tuning, octaves of brightness for hammer hardness. `toneapp.simulate.piano` draws random ones.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from toneapp._typing import ComplexArray, FloatArray
from toneapp.keyboard import Compass, KeyboardLayout

__all__ = ["REFERENCE_VELOCITY_M_PER_S", "BackLength", "NoteSpec", "PianoSpec", "Soundboard"]

REFERENCE_VELOCITY_M_PER_S = 2.0
"""Hammer speed of a medium blow; 1 to 6 m/s spans normal playing (Russell & Rossing 1998)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteSpec:
    """One key: its strings, hammer and damper. Change single values with `dataclasses.replace`."""

    midi: int
    f0_hz: float  # mean of the strings, without stiffness
    B: float  # inharmonicity coefficient (Fletcher 1964)
    string_cents: tuple[float, ...]  # each string of the unison from the mean
    string_gains: tuple[float, ...]  # how fully the hammer meets each string, about 1
    wound: bool
    partial_deviation_cents: tuple[float, ...]  # of partials 1, 2, ... from the law
    strike_ratio: float  # striking point over speaking length
    contact_time_s: float  # at 2 m/s, nominal hammer
    felt_exponent: float  # p of F = K x**p (Hall & Askenfelt 1988: 2.2 to 3.5)
    hardness_oct: float  # hammer truth, in octaves of brightness from the nominal hammer's
    level_offset_db: float  # of the note from the instrument's level trend
    level_trend_db: float  # the trend itself, relative to the middle of the keyboard
    knock_db: float  # blow noise relative to the note
    prompt_t60_s: float  # of the first partial: all strings moving together
    after_t60_s: float  # of the first partial: strings moving against each other
    partial_rate_scatter: tuple[float, ...]  # factor on the bridge loss of each partial
    decay_slope: float  # bridge loss ~ (f / f1)**this
    reactive_ratio: float  # imaginary over real part of the bridge coupling
    horizontal_coupling: float  # bridge coupling of the motion along the board, re across it
    horizontal_excitation: float  # what the hammer gives to that motion
    horizontal_cents: float  # its tuning; large values are a false beat
    damped_t60_s: float | None  # first partial on a sound damper; None: no damper
    damper_strength: float  # 1 = sound; 0.03 = leaks badly (multiplies the damping rate)
    damper_ratio: float  # position of the damper over speaking length
    damper_time_s: float  # from first touch to full weight

    @property
    def f1_hz(self) -> float:
        """First partial of the law, ``f0 * sqrt(1 + B)``, in Hz."""
        return self.f0_hz * math.sqrt(1.0 + self.B)

    @property
    def has_damper(self) -> bool:
        """Tell whether a damper falls on the strings when the key is let go."""
        return self.damped_t60_s is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Soundboard:
    """Radiation over frequency, and the low modes that pull the lowest partials of the bass."""

    grid_hz: tuple[float, ...]
    response_db: tuple[float, ...]  # at `grid_hz`; joined linearly over log frequency
    phase_rad: tuple[float, ...]
    mode_hz: tuple[float, ...]
    mode_t60_s: tuple[float, ...]
    pull_hz: tuple[float, ...]  # modes strong enough to pull strings
    pull_width_hz: tuple[float, ...]
    pull_cents: tuple[float, ...]  # largest pull of each, for a bass string

    def gain(self, frequency_hz: FloatArray) -> ComplexArray:
        """Complex radiation gain at frequencies in Hz, same shape."""
        where = np.log(np.maximum(frequency_hz, 1.0))
        grid = np.log(self.grid_hz)
        level = np.interp(where, grid, self.response_db)
        phase = np.interp(where, grid, self.phase_rad)
        return np.asarray(10.0 ** (level / 20.0) * np.exp(1j * phase))

    def pull(self, frequency_hz: FloatArray) -> FloatArray:
        """Displacement in cents of string partials at these frequencies.

        A mode below the partial pushes it up, one above draws it down (dispersion shape of a
        resonance); each mode's largest pull lies half a width from its centre.
        """
        total = np.zeros_like(frequency_hz)
        for hz, width, cents in zip(
            self.pull_hz, self.pull_width_hz, self.pull_cents, strict=True
        ):
            x = 2.0 * (frequency_hz - hz) / width
            total += cents * 2.0 * x / (1.0 + x**2)
        return np.asarray(total)


@dataclass(frozen=True, slots=True, kw_only=True)
class BackLength:
    """A length of string beyond the bridge: it answers and is never damped."""

    hz: float
    t60_s: float
    coupling: float  # to the bridge, 1/s**0.5; 1 is much


@dataclass(frozen=True, slots=True, kw_only=True)
class PianoSpec:
    """One simulated instrument."""

    kind: Literal["upright", "grand"]
    compass: Compass
    a4_hz: float
    first_plain_midi: int
    last_damper_midi: int
    bass_bridge_top_midi: int
    notes: tuple[NoteSpec, ...]  # one for each key, upward
    soundboard: Soundboard
    sympathy: float = 0.5  # share of the bridge motion that reaches other strings
    key_noise_db: float = -48.0  # thump of key and damper at release, re a medium blow
    back_lengths: tuple[BackLength, ...] = ()

    @property
    def layout(self) -> KeyboardLayout:
        """Compass and breaks, in the vocabulary of the measures."""
        return KeyboardLayout(
            compass=self.compass,
            first_plain_midi=self.first_plain_midi,
            last_damper_midi=self.last_damper_midi,
            bass_bridge_top_midi=self.bass_bridge_top_midi,
        )

    def note(self, midi: int) -> NoteSpec:
        """Return the key with this MIDI number.

        Raises
        ------
        ValueError
            If the instrument has no such key.
        """
        if midi not in self.compass:
            raise ValueError(f"the compass {self.compass} has no key {midi}")
        return self.notes[midi - self.compass.lowest_midi]

    def with_note(self, midi: int, **changes: Any) -> PianoSpec:
        """Return the same instrument with values of one key's `NoteSpec` replaced."""
        changed = dataclasses.replace(self.note(midi), **changes)
        notes = tuple(changed if note.midi == midi else note for note in self.notes)
        return dataclasses.replace(self, notes=notes)

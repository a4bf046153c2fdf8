"""Which instrument stands in the invented workshop that the demonstration measures?

Everything here is made up: an old upright before its hammers are worked on, recorded as a run of
three blows a key (soft, medium, firm). What is wrong with it is known, so that the reader can see
what the measurement finds of it.

Functions: `perform_demonstration`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toneapp.keyboard import KeyboardLayout
from toneapp.simulate.piano import Faults, make_piano
from toneapp.simulate.plan import chromatic_plan
from toneapp.simulate.rendering import Performance, prepare
from toneapp.simulate.room import Room

__all__ = ["Demonstration", "perform_demonstration"]

_DRAW = 20
"""Start of the random draws: the demonstration is the same on every machine."""

_HAMMERS_OCT = {35: 0.5, 44: -0.55, 50: 0.6, 57: -0.5, 63: 0.7, 69: -0.6, 76: 0.55, 81: -0.5}
"""Hammers that are harder (+) or softer (-) than their neighbours', in octaves of brightness."""

_LEVELS_DB = {53: -6.0, 72: 5.0}
"""Keys that speak too softly or too loudly for the blow, in dB."""

_LONG_HOLD_S = 2.2
_SHORT_HOLD_S = 1.4
_SHORT_FROM_MIDI = 65  # treble strings have died away by then


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Demonstration:
    """The run of the invented workshop."""

    name: str  # also the name of its files
    layout: KeyboardLayout
    performance: Performance
    hard_hammers: tuple[int, ...]  # MIDI numbers
    soft_hammers: tuple[int, ...]
    loud_keys: tuple[int, ...]
    quiet_keys: tuple[int, ...]


def perform_demonstration() -> Demonstration:
    """Build the instrument and play the run; the sound itself is made block by block.

    Returns
    -------
    Demonstration
        The run, ready to be heard, and what is wrong with the instrument.
    """
    rng = np.random.default_rng(_DRAW)
    piano = make_piano(
        rng, kind="upright", faults=Faults(hardness_oct=_HAMMERS_OCT, level_db=_LEVELS_DB)
    )
    blows = chromatic_plan(
        piano.compass,
        rng=rng,
        dynamics=("soft", "medium", "firm"),
        hold_s=lambda midi: _SHORT_HOLD_S if midi >= _SHORT_FROM_MIDI else _LONG_HOLD_S,
        gap_s=0.5,
    )
    room = Room(t60_s=0.4, snr_db=55.0)
    return Demonstration(
        name="old-upright-before",
        layout=KeyboardLayout(
            compass=piano.compass,
            first_plain_midi=piano.first_plain_midi,
            last_damper_midi=piano.last_damper_midi,
            bass_bridge_top_midi=piano.bass_bridge_top_midi,
        ),
        performance=prepare(piano, blows, room, rng=rng),
        hard_hammers=tuple(midi for midi, size in _HAMMERS_OCT.items() if size > 0),
        soft_hammers=tuple(midi for midi, size in _HAMMERS_OCT.items() if size < 0),
        loud_keys=tuple(midi for midi, size in _LEVELS_DB.items() if size > 0),
        quiet_keys=tuple(midi for midi, size in _LEVELS_DB.items() if size < 0),
    )

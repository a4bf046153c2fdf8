"""Everything drawn of one strike, made in one go by a worker.

Classes and functions: `NotePictures`, `note_pictures`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from toneapp.desktop.decay_view import DecayCurve, decay_curve
from toneapp.desktop.spectrum_view import (
    AfterSpectrum,
    HeldSpectrum,
    after_spectrum,
    held_spectrum,
)
from toneapp.desktop.strike_sound import StrikeSound, read_strike
from toneapp.results import StrikeResult

__all__ = ["NotePictures", "note_pictures"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NotePictures:
    """Sound of one strike and what is drawn of it."""

    strike: StrikeResult
    sound: StrikeSound
    held: HeldSpectrum | None
    decay: DecayCurve
    after: AfterSpectrum | None


def note_pictures(path: Path, strike: StrikeResult, *, channel_use: str) -> NotePictures:
    """Read a strike and prepare its drawings; parameters and errors as in `read_strike`."""
    sound = read_strike(path, strike, channel_use=channel_use)
    return NotePictures(
        strike=strike,
        sound=sound,
        held=held_spectrum(sound, strike),
        decay=decay_curve(sound, strike),
        after=after_spectrum(sound, strike),
    )

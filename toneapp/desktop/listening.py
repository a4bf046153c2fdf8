"""What is heard of a strike: all of it, only what comes after the release, or before and after?

Makes clips of a strike's sound. Two strikes are brought to the same loudness by their measured
BS.1770 loudness; the louder one is turned down, so that nothing is cut off. What comes after the
release is faint and is turned up, by no more than `MOST_GAIN_DB` and never beyond the strike's
own peak, so that nobody is startled.

Classes and functions: `Clip`, `whole_clip`, `after_clip`, `no_release_text`, `matched_gains_db`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toneapp._typing import Float32Array, FloatArray
from toneapp.desktop.strike_sound import StrikeSound
from toneapp.results import Flag, StrikeResult
from toneapp.wording import flag_text, quantity_text

__all__ = ["Clip", "after_clip", "matched_gains_db", "no_release_text", "whole_clip"]

FADE_IN_S, FADE_OUT_S = 0.005, 0.06
LEAD_IN_S = 0.05
MOST_GAIN_DB = 40.0
"""More would be mostly the noise of the room."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clip:
    """A sound to be played, and how its level was changed."""

    samples: Float32Array  # shape (n,), within -1 to 1
    sample_rate_hz: float
    gain_db: float
    text: str  # what is heard, for the person

    @property
    def duration_s(self) -> float:
        """Length, in seconds."""
        return self.samples.size / self.sample_rate_hz


def whole_clip(
    sound: StrikeSound, strike: StrikeResult, *, gain_db: float = 0.0, name: str = ""
) -> Clip:
    """Make a clip of a whole strike.

    Parameters
    ----------
    sound : StrikeSound
    strike : StrikeResult
    gain_db : float
        Change of level; at most 0 for sounds that reach full scale.
    name : str
        Of the run, when two are heard one after the other.

    Returns
    -------
    Clip
    """
    part = sound.part(sound.onset_s - LEAD_IN_S, sound.end_s)
    text = f"{strike.note}{', ' if name else ''}{name}"
    if gain_db:
        text += f", turned {'up' if gain_db > 0 else 'down'} by {_size(gain_db)}"
    return _clip(part, sound.sample_rate_hz, gain_db=gain_db, text=text)


def after_clip(sound: StrikeSound, strike: StrikeResult) -> Clip | None:
    """Make a clip of what sounds after the release, turned up.

    Parameters
    ----------
    sound : StrikeSound
    strike : StrikeResult

    Returns
    -------
    Clip or None
        None without a release (see `no_release_text`).
    """
    if sound.release_s is None or sound.end_s - sound.release_s < FADE_OUT_S:
        return None
    part = sound.part(sound.release_s, sound.end_s)
    peak = float(np.max(np.abs(part), initial=0.0))
    ceiling = float(np.max(np.abs(sound.samples)))
    room_db = 20.0 * math.log10(ceiling / peak) if peak > 0.0 else 0.0
    gain_db = min(max(room_db, 0.0), MOST_GAIN_DB)
    text = f"{strike.note} after the release, turned up by {_size(gain_db)}"
    return _clip(part, sound.sample_rate_hz, gain_db=gain_db, text=text)


def no_release_text(strike: StrikeResult) -> str:
    """Say why there is nothing to hear after the release of a strike."""
    return f"{strike.note}: {flag_text(Flag.NO_RELEASE)}, so there is nothing after a release"


def matched_gains_db(one: StrikeResult, two: StrikeResult) -> tuple[float, float] | None:
    """Gains that bring two strikes to the loudness of the softer one.

    Parameters
    ----------
    one, two : StrikeResult

    Returns
    -------
    tuple of float or None
        In dB, at most 0 each; None when a loudness was not measured.

    Examples
    --------
    >>> def strike(loudness):
    ...     return StrikeResult(
    ...         midi=60, note="C4", onset_s=0.0, end_s=1.0, loudness_lkfs=loudness
    ...     )
    >>> matched_gains_db(strike(-30.0), strike(-24.5))
    (0.0, -5.5)
    """
    if one.loudness_lkfs is None or two.loudness_lkfs is None:
        return None
    softer = min(one.loudness_lkfs, two.loudness_lkfs)
    return softer - one.loudness_lkfs, softer - two.loudness_lkfs


def _size(gain_db: float) -> str:
    return quantity_text(abs(gain_db), "dB", decimals=0 if abs(gain_db) >= 10 else 1)


def _clip(part: FloatArray, sample_rate_hz: float, *, gain_db: float, text: str) -> Clip:
    samples = part * 10.0 ** (gain_db / 20.0)
    for seconds, is_start in ((FADE_IN_S, True), (FADE_OUT_S, False)):
        size = min(round(seconds * sample_rate_hz), samples.size)
        ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(size) + 0.5) / max(size, 1))
        if is_start:
            samples[:size] *= ramp
        else:
            samples[samples.size - size :] *= ramp[::-1]
    return Clip(
        samples=np.clip(samples, -1.0, 1.0).astype(np.float32),
        sample_rate_hz=sample_rate_hz,
        gain_db=gain_db,
        text=text,
    )

"""Is a blow good, and if not, why not?

Functions and classes: `judge_blow`, `LevelBook`, `BlowSound`, `Measure`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from toneapp._typing import Float32Array
from toneapp.audio.capture.events import Ask, Reason, RunKind, Touch
from toneapp.results import Flag, StrikeResult

__all__ = ["BlowSound", "LevelBook", "Measure", "judge_blow"]

HOLD_SHARE = 0.75
"""A note let go after three quarters of the wanted hold is long enough: hands count no tenths."""

LEAST_SHORT_HOLD_S = 0.08
"""A blow of a ring-on run shorter than this has not set the string in motion."""

LEAST_AFTER_S = 0.7
"""Silence that a ring-on run needs after the release."""

NEIGHBOUR_KEYS = 6
LEAST_NEIGHBOURS = 3
SOFTER_DB = 12.0
"""A blow that is 12 dB softer than its neighbours did not go through; the scatter of a hand is
2 dB, and unevenness of more than 6 dB has not been met (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlowSound:
    """One blow, ready to be measured."""

    samples: Float32Array  # mono, from shortly before the onset to `end_s`
    sample_rate_hz: int
    first_s: float  # time of the first sample in the run
    onset_s: float
    end_s: float
    midi: int
    pitch: float  # as heard, in semitones (MIDI) at A4 = 440 Hz
    is_expected: bool  # a key that may be played now
    is_cut: bool  # by the next blow
    has_damper: bool | None
    room: Float32Array  # quiet sound of the room, in pieces; may be empty
    room_version: int  # the same number, the same sound


Measure = Callable[[BlowSound], StrikeResult | None]
"""Measures one blow; ``None`` when it is no struck string, or too little of one."""


class LevelBook:
    """Levels of the blows that count, by key and touch."""

    def __init__(self) -> None:
        self._levels: dict[Touch, dict[int, float]] = defaultdict(dict)

    def enter(self, midi: int, touch: Touch, level_db: float) -> None:
        """Take a blow down; the last one on a key with a touch counts."""
        self._levels[touch][midi] = level_db

    def usual_db(self, midi: int, touch: Touch) -> float | None:
        """Median of the keys around struck with the same touch; None with too few of them."""
        near = [
            level
            for key, level in self._levels[touch].items()
            if key != midi and abs(key - midi) <= NEIGHBOUR_KEYS
        ]
        return float(np.median(near)) if len(near) >= LEAST_NEIGHBOURS else None

    def softer_db(self, midi: int, touch: Touch) -> float | None:
        """Level of the next softer touch on the same key."""
        order = (Touch.SOFT, Touch.MEDIUM, Touch.FIRM)
        if touch not in order:
            return None
        softer = [
            self._levels[item][midi]
            for item in order[: order.index(touch)]
            if midi in self._levels[item]
        ]
        return softer[-1] if softer else None


def judge_blow(
    result: StrikeResult | None,
    *,
    ask: Ask,
    kind: RunKind,
    hold_s: float | None,
    after_s: float | None,
    is_cut: bool,
    noises: int,
    second_blows: int,
    usual_db: float | None,
    has_lost_sound: bool,
    is_accepted_key: bool,
) -> tuple[Reason, ...]:
    """Say what speaks against a blow.

    Parameters
    ----------
    result : StrikeResult or None
        What was measured.
    ask : Ask
        What was asked for.
    kind : RunKind
        What the run is for.
    hold_s : float or None
        How long it was held; ``None`` when it died away unreleased.
    after_s : float or None
        Sound heard after the release.
    is_cut : bool
        Whether the next blow ended it.
    noises, second_blows : int
        Onsets while it sounded that were no note, and of the same key.
    usual_db : float or None
        Level of the neighbours.
    has_lost_sound : bool
        Whether samples are missing in it.
    is_accepted_key : bool
        Whether the key is one that may be played now.

    Returns
    -------
    tuple of Reason
        The most important first; ``(Reason.GOOD,)`` when nothing speaks against it.
    """
    reasons = []
    if not is_accepted_key:
        reasons.append(Reason.WRONG_KEY)
    if has_lost_sound:
        reasons.append(Reason.LOST_SOUND)
    flags = result.flags if result is not None else ()
    if Flag.CLIPPED in flags:
        reasons.append(Reason.CLIPPED)
    if second_blows:
        reasons.append(Reason.DOUBLE_BLOW)
    if noises:
        reasons.append(Reason.NOISE)
    least_s = LEAST_SHORT_HOLD_S if kind is RunKind.RING_ON else HOLD_SHARE * ask.hold_s
    if hold_s is not None and hold_s < least_s:
        reasons.append(Reason.TOO_SHORT)
    if kind is RunKind.RING_ON and is_cut and (after_s is None or after_s < LEAST_AFTER_S):
        reasons.append(Reason.NEXT_TOO_SOON)
    level_db = result.level_db if result is not None else None
    if Flag.QUIET in flags or (
        level_db is not None and usual_db is not None and level_db < usual_db - SOFTER_DB
    ):
        reasons.append(Reason.TOO_SOFT)
    if result is None or Flag.NO_PITCH in flags:
        reasons.append(Reason.NO_PITCH)
    return tuple(reasons) or (Reason.GOOD,)

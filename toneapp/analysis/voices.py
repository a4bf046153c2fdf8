"""Is it a struck string at all? Voices, knocks and the clatter of keys among the strikes found.

Functions: `without_voices`, `is_clatter`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from toneapp.analysis.strike import MeasuredStrike
from toneapp.measure.stiff_string import typical_inharmonicity
from toneapp.results import Flag, StrikeResult, UnexpectedSound

__all__ = ["is_clatter", "without_voices"]

VOICE_RESIDUAL_CENTS = 4.5
WOUND_TOP = 40
VOICE_TOP = 76
"""Partials that scatter more than this about the law are no plain string's. Below E2 wound strings
may; above E5, where no voice speaks, the lines of three strings may."""

LEAST_PARTIALS_MIDI = (21.0, 45.0, 60.0, 72.0)
LEAST_PARTIALS = (6.0, 5.0, 3.0, 1.0)
"""Fewest partials of a struck note over the keyboard; the softest blows on a real grand show 20 in
the bass and 10 at middle C."""

RESOLVING_S = 0.5

HARMONIC_SHARE = 0.2
HARMONIC_KEYS = 9
LEAST_KEYS = 4
"""Share of the usual inharmonicity below which partials count as harmonic; the lowest measured on
a long grand is half the usual. Where the strings around, within so many keys, have less than the
usual, it is a share of theirs."""

FAR_BELOW_DB = 45.0
NEAREST = 12
"""A doubtful strike in the noise, so far below the blows on the nearest keys, is the thump of a
damper on a string that had died away. The softest blow of a hand lies 20 to 30 dB below the
firmest (common practice, no source)."""

RELEASE_BELOW_DB = 20.0
"""A sound in the noise on the key struck last, whose release was not found, and so far below that
blow, is the thump of that release."""

NOT_STRUCK_DB = 15.0
STRUCK_NEAREST = 12
LEAST_STRUCK = 3
"""A sound in which no partial of the named string was set going, and which brought its partials so
much less than the blows on the nearest keys did, is the thump of a key let go while strings sound.
Among legato blows of the bass, where the note before holds the low partials, none lies 10 dB below
its neighbours (measured on simulated runs)."""

ODD_BELOW_DB = 20.0
ODD_RISING_MIDI = (45.0, 84.0)
ODD_RISING = (5.0, 1.0)
"""Fewest of its twelve lowest partials that a blow sets going over the keyboard, where it fits no
order or its name is in doubt, and it lies so far below its neighbours. Modes of the case make one
or two that fit a string by chance."""

USUAL_LAST_DAMPER = 89
"""Highest key with a damper on most pianos, F6 (common practice, no source)."""

CLATTER_S = (-0.08, 0.2)
"""Around a release key and damper make a noise that belongs to it."""


def without_voices(
    measured: Sequence[MeasuredStrike],
) -> tuple[list[MeasuredStrike], list[UnexpectedSound]]:
    """Take out what was doubtful as a strike and turned out to have no string's series."""
    kept: list[MeasuredStrike] = []
    voices: list[UnexpectedSound] = []
    blows = [item.result for item in measured if Flag.QUIET not in item.result.flags]
    last: StrikeResult | None = None
    for item in measured:
        result = item.result
        if Flag.LABEL_GIVEN in result.flags:
            kept.append(item)
            last = result
            continue
        doubtful = Flag.NOTE_UNCERTAIN in result.flags or Flag.UNEXPECTED in result.flags
        residual = result.series_residual_cents
        scattered = residual is not None and residual > VOICE_RESIDUAL_CENTS
        has_series = Flag.NO_PITCH not in result.flags and not (
            scattered and result.midi > WOUND_TOP
        )
        is_nothing = Flag.NO_PITCH in result.flags and Flag.QUIET in result.flags
        is_voice = (scattered and WOUND_TOP < result.midi < VOICE_TOP) or _is_harmonic(
            result, blows
        )
        is_thump = Flag.NOTE_UNCERTAIN in result.flags and _is_far_below(result, blows)
        is_thump |= last is not None and _is_release_of(last, result)
        is_thump |= _is_not_struck(item, measured)
        if (
            is_voice
            or is_nothing
            or is_thump
            or _has_too_little(result)
            or (doubtful and not has_series)
        ):
            voices.append(UnexpectedSound(onset_s=result.onset_s, kind="noise"))
        else:
            kept.append(item)
            last = result
    return kept, voices


def is_clatter(onset_s: float, results: Sequence[StrikeResult]) -> bool:
    """Tell the thump of a key or damper that is let go from a noise of its own."""
    return any(
        result.release_s is not None and CLATTER_S[0] < onset_s - result.release_s < CLATTER_S[1]
        for result in results
    )


def _is_far_below(result: StrikeResult, blows: Sequence[StrikeResult]) -> bool:
    """Tell what stands in the noise, far below the blows on the keys around it."""
    levels = sorted(
        (abs(blow.midi - result.midi), blow.level_db)
        for blow in blows
        if blow.level_db is not None
    )
    if Flag.QUIET not in result.flags or result.level_db is None or len(levels) < NEAREST:
        return False
    usual_db = float(np.median([level for _, level in levels[:NEAREST]]))
    return result.level_db < usual_db - FAR_BELOW_DB


def _is_release_of(blow: StrikeResult, sound: StrikeResult) -> bool:
    """Tell the thump at the release of a key from a further blow on it."""
    return (
        sound.midi == blow.midi <= USUAL_LAST_DAMPER
        and blow.release_s is None
        and Flag.QUIET in sound.flags
        and sound.level_db is not None
        and blow.level_db is not None
        and sound.level_db < blow.level_db - RELEASE_BELOW_DB
    )


def _is_not_struck(item: MeasuredStrike, measured: Sequence[MeasuredStrike]) -> bool:
    """Tell a sound that set no string of the named key going."""
    if item.rise is None:
        return False
    fresh = sorted(
        (abs(other.result.midi - item.result.midi), other.rise.fresh_db)
        for other in measured
        if other is not item and other.rise is not None
    )[:STRUCK_NEAREST]
    if len(fresh) < LEAST_STRUCK:
        return False
    below_db = float(np.median([fresh_db for _, fresh_db in fresh])) - item.rise.fresh_db
    if item.rise.rising == 0:
        return below_db > NOT_STRUCK_DB
    is_odd = Flag.UNEXPECTED in item.result.flags or Flag.NOTE_UNCERTAIN in item.result.flags
    least = float(np.interp(item.result.midi, ODD_RISING_MIDI, ODD_RISING))
    return is_odd and item.rise.rising < least and below_db > ODD_BELOW_DB


def _stiffness_around(result: StrikeResult, blows: Sequence[StrikeResult]) -> float:
    """Inharmonicity of the strings around over the usual one, 1 at most."""
    shares = [
        blow.B / typical_inharmonicity(float(blow.midi))
        for blow in blows
        if blow.B is not None and 0 < abs(blow.midi - result.midi) <= HARMONIC_KEYS
    ]
    return min(float(np.median(shares)), 1.0) if len(shares) >= LEAST_KEYS else 1.0


def _is_harmonic(result: StrikeResult, blows: Sequence[StrikeResult]) -> bool:
    """Tell a voice by its harmonic partials: no string is free of stiffness.

    Partials that keep to a harmonic series to a fifth of a cent are an electronic instrument's.
    """
    if result.B is None or result.series_residual_cents is None or result.midi >= VOICE_TOP:
        return False
    usual = _stiffness_around(result, blows) * typical_inharmonicity(float(result.midi))
    return HARMONIC_SHARE * usual > result.B and result.series_residual_cents > 0.2


def _has_too_little(result: StrikeResult) -> bool:
    """Tell a knock that was read as a low note: a low string has many partials, near the law."""
    if result.series_residual_cents is None:
        return False
    count = len(result.partials)
    least = float(np.interp(result.midi, LEAST_PARTIALS_MIDI, LEAST_PARTIALS))
    if result.end_s - result.onset_s < RESOLVING_S:
        least *= 0.5  # too short to part the partials of a low note
    scattered = result.series_residual_cents > VOICE_RESIDUAL_CENTS
    return count < least or (result.midi <= WOUND_TOP and scattered and count < 2 * least)

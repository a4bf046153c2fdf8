"""Does the recording hold struck strings at all, or speech, music, noise?

A struck string is told by its partials: they keep closely to a stiff string's law, with a
stiffness like a piano's. A voice glides and its partials are harmonic, a knock has few, noise
none. One doubtful strike among good ones says nothing; where hardly any is good, the recording is
no run.

Functions: `judge_sounds`, `without_syllables`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum, auto

import numpy as np

from toneapp.analysis.strike import MeasuredStrike
from toneapp.measure.stiff_string import typical_inharmonicity
from toneapp.pitch import midi_to_hz
from toneapp.results import Flag, StrikeResult, UnexpectedSound

__all__ = ["Verdict", "judge_sounds", "without_syllables"]

HIGH_MIDI = 84
"""From C6 up a string shows too few partials to be told by them; no voice speaks there."""

STIFFNESS = (0.35, 5.0)
"""Share of the usual stiffness that a piano's strings may have. Young (1952) found the plain
strings of six pianos within a factor 2; the wound strings of the smallest uprights have more."""

STIFFNESS_SE = 0.15
HARMONIC_STIFFNESS = 0.3
HARMONIC_RESIDUAL_CENTS = 0.5

PARTIALS_MIDI = (21.0, 40.0, 55.0)
PARTIALS = (6.0, 8.0, 4.0)
CENTS_SE_MIDI = (36.0, 42.0, 70.0, 74.0)
CENTS_SE = (5.0, 1.0, 1.0, 3.0)
"""Fewest partials of a sure string, and the largest error of its pitch. The blows of a real grand
have 19 and more up to A3 and a fifth of a cent from C3 to C5; of spoken syllables that pass for a
string, most have an error of more than a cent."""

HIGH_CENTS_SE = 5.0
HIGH_SUSTAIN_S = 0.06
"""What falls by 20 dB in less is a click; the shortest string takes a tenth of a second."""

FEW_SHARE = 0.5
"""With fewer sure strings than this among the strikes, something else was recorded as well."""

HARDLY_ANY_SHARE = 0.1
MANY_SOUNDS = 20
"""Among more sounds than this, a share of strings below a tenth comes by chance: of the syllables
of ten minutes of synthetic speech in four languages, one in forty passed for a string."""

LEAST_HARMONIC = 3

SYLLABLES_S = 0.8
SYLLABLES = 2
"""What is no sure string and has two noises so near is one more syllable of somebody who speaks:
three to six syllables follow each other in a second (common practice, no source)."""


class _Kind(Enum):
    STRING = auto()
    HARMONIC = auto()  # a clear tone of an electronic instrument, an organ, a wind instrument
    DOUBTFUL = auto()


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What is left of a recording's strikes, and what is to be said about it."""

    kept: list[MeasuredStrike]  # none: the recording holds no struck string
    dropped: list[UnexpectedSound]
    problems: tuple[str, ...] = ()


def without_syllables(
    measured: Sequence[MeasuredStrike], *, noises_s: Sequence[float], sample_rate_hz: float
) -> tuple[list[MeasuredStrike], list[UnexpectedSound]]:
    """Take out single syllables, among others that are no strike, which passed for a string.

    Parameters
    ----------
    measured : sequence of MeasuredStrike
        All that was taken for a strike.
    noises_s : sequence of float
        Onsets in s of other sudden sounds, the thumps at releases left out.
    sample_rate_hz : float
        Sampling rate in Hz.

    Returns
    -------
    kept : list of MeasuredStrike
    voices : list of UnexpectedSound
    """
    # What fits no expected key, among noises, is most likely another of them.
    odd_s = [item.result.onset_s for item in measured if Flag.UNEXPECTED in item.result.flags]
    at = np.array([*noises_s, *odd_s])
    kept: list[MeasuredStrike] = []
    voices: list[UnexpectedSound] = []
    for item in measured:
        apart_s = np.abs(at - item.result.onset_s)
        near = np.count_nonzero((apart_s > 0.0) & (apart_s <= SYLLABLES_S))
        if near >= SYLLABLES and _kind(item.result, sample_rate_hz) is _Kind.DOUBTFUL:
            voices.append(UnexpectedSound(onset_s=item.result.onset_s, kind="noise"))
        else:
            kept.append(item)
    return kept, voices


def judge_sounds(
    measured: Sequence[MeasuredStrike], *, noises: int, sample_rate_hz: float
) -> Verdict:
    """Tell struck strings from what else makes a sound.

    Parameters
    ----------
    measured : sequence of MeasuredStrike
        All that was taken for a strike.
    noises : int
        Other sudden sounds of the recording.
    sample_rate_hz : float
        Its sampling rate in Hz.

    Returns
    -------
    Verdict
        All strikes where most of them are strings. The doubtful ones are left out where other
        sounds outnumber the strings; everything is, where no string is among them. What the user
        has named is kept.
    """
    kinds = [_kind(item.result, sample_rate_hz) for item in measured]
    tones = [kind is not _Kind.DOUBTFUL for kind in kinds]
    sure, heard = sum(tones), len(measured) + noises
    is_by_chance = heard > MANY_SOUNDS and sure < HARDLY_ANY_SHARE * heard
    is_voice = _Kind.STRING not in kinds and noises > sure
    if sure == 0 or is_by_chance or is_voice:
        return Verdict(kept=[], dropped=[])
    kept, dropped = list(measured), []
    problems: tuple[str, ...] = ()
    if sure < FEW_SHARE * len(measured) or noises > 2 * sure + 4:
        if noises > sure:
            kept = [item for item, is_tone in zip(measured, tones, strict=True) if is_tone]
            dropped = [
                UnexpectedSound(onset_s=item.result.onset_s, kind="noise")
                for item, is_tone in zip(measured, tones, strict=True)
                if not is_tone
            ]
        what = "is clearly a struck string" if sure == 1 else "are clearly struck strings"
        problems = (
            f"only {sure} of {heard} sounds {what}; the rest may be talk, music or noise: check "
            "the notes, or record again without them",
        )
    harmonic = sum(kind is _Kind.HARMONIC for kind in kinds)
    if harmonic >= LEAST_HARMONIC and harmonic > 0.5 * sure:
        problems += (
            f"{harmonic} of {len(measured)} notes have harmonic partials, without the stiffness "
            "of a piano's strings; is it a piano that was recorded?",
        )
    return Verdict(kept=kept, dropped=dropped, problems=problems)


def _kind(result: StrikeResult, sample_rate_hz: float) -> _Kind:
    """Tell one strike by its partials."""
    if Flag.LABEL_GIVEN in result.flags:
        return _Kind.STRING
    if Flag.NO_PITCH in result.flags or result.cents_se is None:
        return _Kind.DOUBTFUL
    if result.midi >= HIGH_MIDI:
        return _Kind.STRING if _is_high_string(result) else _Kind.DOUBTFUL
    count, residual = len(result.partials), result.series_residual_cents or 0.0
    share = 0.0 if result.B is None else result.B / typical_inharmonicity(float(result.midi))
    there = 0.46 * sample_rate_hz / midi_to_hz(result.midi)
    least = min(float(np.interp(result.midi, PARTIALS_MIDI, PARTIALS)), max(0.6 * there, 1.0))
    if count < least:
        return _Kind.DOUBTFUL
    if (
        share < HARMONIC_STIFFNESS
        and count > LEAST_HARMONIC
        and residual < (HARMONIC_RESIDUAL_CENTS)
    ):
        is_clear = result.cents_se < HARMONIC_RESIDUAL_CENTS
        return _Kind.HARMONIC if is_clear else _Kind.DOUBTFUL
    is_stiff = (
        result.B is not None
        and STIFFNESS[0] <= share <= STIFFNESS[1]
        and (result.B_se or 0.0) <= STIFFNESS_SE * result.B
    )
    is_near = result.cents_se <= float(np.interp(result.midi, CENTS_SE_MIDI, CENTS_SE))
    return _Kind.STRING if is_stiff and is_near else _Kind.DOUBTFUL


def _is_high_string(result: StrikeResult) -> bool:
    """Tell a string of the top octaves, which has one to five partials."""
    if Flag.F1_INFERRED in result.flags or (result.cents_se or 0.0) > HIGH_CENTS_SE:
        return False
    if result.sustain_20db_s is not None:
        return result.sustain_20db_s > HIGH_SUSTAIN_S
    return len(result.partials) > 1

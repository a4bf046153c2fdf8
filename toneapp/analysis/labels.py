"""Labels that the user gives by hand, and how they override what was heard.

Functions: `apply_given_labels`, `check_labels`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from toneapp.errors import InputError

__all__ = ["GivenLabel", "NamedStrike", "apply_given_labels", "check_labels"]

BEYOND_END_S = 0.05
"""A label so little behind the end of the recording is one that was rounded."""

SAME_ONSET_S = 0.15
"""A label belongs to the strike nearest to it within this time: labels set by hand on a waveform
are seldom off by more (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenLabel:
    """A label from the user: at this time this key was struck, or no key at all."""

    onset_s: float  # near the strike that is meant
    midi: int | None  # None: what is heard there is no strike
    exact_onset_s: float | None = None  # where it begins, in place of what was heard
    release_s: float | None = None  # where the damper acts, in place of what was heard
    # Where the user wrote it, for messages.
    place: str = field(default="", repr=False, compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedStrike:
    """A strike with its key, before it is measured."""

    onset_s: float
    midi: int
    pitch: float  # fractional MIDI number at A4 = 440 Hz
    source: int = 0  # index of the recording within the run
    is_given: bool = False
    is_unexpected: bool = False
    is_second_blow: bool = False
    is_uncertain: bool = False
    release_s: float | None = None  # in the recording, as the user says
    has_given_bounds: bool = False


def check_labels(given: Sequence[GivenLabel], *, duration_s: float) -> None:
    """Refuse labels that lie beyond the end of the recording.

    Parameters
    ----------
    given : sequence of GivenLabel
        Labels by hand.
    duration_s : float
        Length of the recording in s.

    Raises
    ------
    InputError
        If one does; the message names the line where the user wrote it.
    """
    for label in given:
        times = (label.onset_s, label.exact_onset_s, label.release_s)
        latest_s = max(time_s for time_s in times if time_s is not None)
        if latest_s > duration_s + BEYOND_END_S:
            raise InputError(
                f"{label.place or 'a label'}: {latest_s:g} s lies beyond the end of the recording "
                f"({duration_s:.2f} s); times count in seconds from its start, correct it"
            )


def apply_given_labels(
    strikes: Sequence[NamedStrike], given: Sequence[GivenLabel], *, detune_semitones: float
) -> list[NamedStrike]:
    """Let the user's labels override what was heard.

    Parameters
    ----------
    strikes : sequence of NamedStrike
        As heard.
    given : sequence of GivenLabel
        Labels by hand. One without a strike near it makes a strike; one without a key removes the
        strike near it. Onset and release that one gives stand in place of those heard.
    detune_semitones : float
        Where the instrument stands against A4 = 440 Hz, for strikes that were not heard.

    Returns
    -------
    list of NamedStrike
        Upward in time.
    """
    from dataclasses import replace

    kept = list(strikes)
    for label in given:
        near = [
            (abs(strike.onset_s - label.onset_s), i)
            for i, strike in enumerate(kept)
            if abs(strike.onset_s - label.onset_s) <= SAME_ONSET_S
        ]
        index = min(near)[1] if near else None
        if label.midi is None:
            if index is not None:
                del kept[index]
            continue
        has_bounds = label.exact_onset_s is not None or label.release_s is not None
        if index is None:
            kept.append(
                NamedStrike(
                    onset_s=label.onset_s if label.exact_onset_s is None else label.exact_onset_s,
                    midi=label.midi,
                    pitch=label.midi + detune_semitones,
                    is_given=True,
                    release_s=label.release_s,
                    has_given_bounds=has_bounds,
                )
            )
            continue
        heard = kept[index]
        # The pitch heard stands when it is that key's; otherwise the key says where to look.
        is_same = abs(heard.pitch - label.midi - detune_semitones) < 0.8
        kept[index] = replace(
            heard,
            onset_s=heard.onset_s if label.exact_onset_s is None else label.exact_onset_s,
            midi=label.midi,
            pitch=heard.pitch if is_same else label.midi + detune_semitones,
            is_given=True,
            is_unexpected=False,
            is_uncertain=False,
            release_s=label.release_s,
            has_given_bounds=has_bounds,
        )
    return sorted(kept, key=lambda strike: (strike.source, strike.onset_s))

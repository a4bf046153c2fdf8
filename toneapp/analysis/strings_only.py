"""Which of all that was measured is a struck string? Voices, knocks and syllables are left out.

Functions and classes: `StringsOnly`, `strings_only`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from toneapp.analysis.plausibility import judge_sounds, without_syllables
from toneapp.analysis.strike import MeasuredStrike
from toneapp.analysis.voices import is_clatter, without_voices
from toneapp.results import StrikeResult, UnexpectedSound

__all__ = ["StringsOnly", "strings_only"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StringsOnly:
    """The struck strings of a recording, and what else was heard."""

    measured: list[MeasuredStrike]  # none: nothing in it is clearly a struck string
    others: tuple[UnexpectedSound, ...]  # what had been taken for a strike
    sounds: int  # strikes and noises together
    problems: tuple[str, ...]

    def unexpected(
        self, known: Sequence[UnexpectedSound], results: Sequence[StrikeResult]
    ) -> tuple[UnexpectedSound, ...]:
        """Join the other sounds to those known before, but for the thumps of releases."""
        own = {item.onset_s for item in self.others}
        kept = [
            item
            for item in known
            if item.onset_s not in own
            and not (item.kind == "noise" and is_clatter(item.onset_s, results))
        ]
        return tuple(sorted([*kept, *self.others], key=lambda item: item.onset_s))


def strings_only(
    every: Sequence[MeasuredStrike],
    unexpected: Sequence[UnexpectedSound],
    *,
    sample_rate_hz: float,
) -> StringsOnly:
    """Leave out what was measured as a strike and is none.

    Parameters
    ----------
    every : sequence of MeasuredStrike
        All that was taken for a strike.
    unexpected : sequence of UnexpectedSound
        Sounds that were taken for something else before.
    sample_rate_hz : float
        Sampling rate in Hz.

    Returns
    -------
    StringsOnly
        The strikes in their order.
    """
    measured, voices = without_voices(every)
    syllables: list[UnexpectedSound] = []
    if not any(item.result.source for item in every):  # times of several recordings do not compare
        strings = [item.result for item in measured]
        measured, syllables = without_syllables(
            measured,
            noises_s=[
                item.onset_s
                for item in [*unexpected, *voices]
                if item.kind == "noise" and not is_clatter(item.onset_s, strings)
            ],
            sample_rate_hz=sample_rate_hz,
        )
    others = [*voices, *syllables]
    noises = len(others) + sum(item.kind == "noise" for item in unexpected)
    verdict = judge_sounds(measured, noises=noises, sample_rate_hz=sample_rate_hz)
    return StringsOnly(
        measured=verdict.kept,
        others=(*others, *verdict.dropped),
        sounds=len(measured) + noises,
        problems=verdict.problems,
    )

"""What is the result of a run, once a person has had a say about its strikes?

A discarded strike is left out at once. A strike under another key has to be measured anew, and is
left out until then. The notes are pooled and judged again from the strikes that count.

Functions: `edited_strikes`, `judged_again`, `edit_of`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

from toneapp.evenness import judge_evenness
from toneapp.keyboard import KeyboardLayout
from toneapp.library.rows import EditAction, StrikeEdit
from toneapp.results import RunResult, StrikeResult

__all__ = ["SAME_ONSET_S", "edit_of", "edited_strikes", "judged_again"]

SAME_ONSET_S = 0.15
"""What a person says belongs to the strike nearest to it within this time; measuring again moves
onsets by far less, and two blows on keys are farther apart (common practice, no source)."""


def edit_of(strike: StrikeResult, edits: Sequence[StrikeEdit]) -> StrikeEdit | None:
    """Return what a person said about a strike, the nearest in time."""
    near = [
        edit
        for edit in edits
        if edit.part == strike.source and abs(edit.onset_s - strike.onset_s) <= SAME_ONSET_S
    ]
    return min(near, key=lambda edit: abs(edit.onset_s - strike.onset_s), default=None)


def edited_strikes(
    result: RunResult, settings: str, edits: Sequence[StrikeEdit]
) -> tuple[tuple[StrikeResult, ...], tuple[str, ...]]:
    """Strikes of a result, and what has to be said about those that wait for a measurement."""
    try:
        measured_with = json.loads(settings).get("labels", [])
    except (ValueError, AttributeError):
        measured_with = []
    strikes = []
    waiting = 0
    for strike in result.strikes:
        edit = edit_of(strike, edits)
        if edit is None or [edit.part, edit.onset_s, edit.midi] in measured_with:
            if edit is None or edit.action is EditAction.RELABEL:
                strikes.append(strike)
        elif edit.action is EditAction.RELABEL and edit.midi != strike.midi:
            waiting += 1
        elif edit.action is EditAction.RELABEL:
            strikes.append(strike)
    problems: tuple[str, ...] = ()
    if waiting:
        noun = "strike waits" if waiting == 1 else "strikes wait"
        problems = (f"{waiting} {noun} to be measured under another key; measure the run again",)
    return tuple(strikes), problems


def judged_again(
    result: RunResult,
    strikes: tuple[StrikeResult, ...],
    problems: tuple[str, ...],
    layout: KeyboardLayout,
) -> RunResult:
    """Give the result for other strikes of the same run."""
    notes, evenness = judge_evenness(strikes, layout=layout)
    played = {strike.midi for strike in strikes}
    return replace(
        result,
        strikes=strikes,
        notes=notes,
        evenness=evenness,
        missing=tuple(midi for midi in layout.compass if midi not in played),
        problems=result.problems + problems,
    )

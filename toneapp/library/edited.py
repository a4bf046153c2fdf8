"""What is the result of a run, once a person has had a say about its strikes?

A discarded strike is left out at once. A strike under another key has to be measured anew, and is
left out until then. The notes are pooled and judged again from the strikes that count.

Functions: `edited_strikes`, `judged_again`, `edit_of`, `label_facts`, `is_measuring_due`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

from toneapp.evenness import judge_evenness
from toneapp.keyboard import KeyboardLayout
from toneapp.library.rows import EditAction, StrikeEdit
from toneapp.results import RunResult, StrikeResult

__all__ = [
    "SAME_ONSET_S",
    "edit_of",
    "edited_strikes",
    "is_measuring_due",
    "judged_again",
    "label_facts",
]

SAME_ONSET_S = 0.15
"""What a person says belongs to the strike nearest to it within this time; measuring again moves
onsets by far less, and two blows on keys are farther apart (common practice, no source)."""


def label_facts(edit: StrikeEdit) -> list[str | float | int | None]:
    """Return what of an edit a measurement depends on, as it stands in the settings."""
    facts: list[str | float | int | None] = [edit.part, edit.onset_s, edit.midi]
    if edit.exact_onset_s is not None or edit.release_s is not None:
        facts += [edit.exact_onset_s, edit.release_s]
    return facts


def _measured_labels(settings: str) -> list[list[str | float | int | None]]:
    try:
        return list(json.loads(settings).get("labels", []))
    except (ValueError, AttributeError, TypeError):
        return []


def is_measuring_due(settings: str, edits: Sequence[StrikeEdit]) -> bool:
    """Tell whether what was said about strikes counts only after another measurement.

    Parameters
    ----------
    settings : str
        With which the result was measured.
    edits : sequence of StrikeEdit
        What was said by now.

    Returns
    -------
    bool
        False while strikes were only left out: that counts at once.
    """
    before = _measured_labels(settings)
    said = [label_facts(edit) for edit in edits]
    waits = any(
        label_facts(edit) not in before for edit in edits if edit.action is EditAction.RELABEL
    )
    return waits or any(facts not in said for facts in before)


def edit_of(strike: StrikeResult, edits: Sequence[StrikeEdit]) -> StrikeEdit | None:
    """Return what a person said about a strike, the nearest in time."""
    near = [
        edit
        for edit in edits
        if edit.part == strike.source and edit.distance_s(strike.onset_s) <= SAME_ONSET_S
    ]
    return min(near, key=lambda edit: edit.distance_s(strike.onset_s), default=None)


def edited_strikes(
    result: RunResult, settings: str, edits: Sequence[StrikeEdit]
) -> tuple[tuple[StrikeResult, ...], tuple[str, ...]]:
    """Strikes of a result, and what has to be said about those that wait for a measurement."""
    measured_with = _measured_labels(settings)
    strikes = []
    waiting = unbounded = 0
    for strike in result.strikes:
        edit = edit_of(strike, edits)
        if edit is None or label_facts(edit) in measured_with:
            if edit is None or edit.action is EditAction.RELABEL:
                strikes.append(strike)
        elif edit.action is EditAction.RELABEL and edit.midi != strike.midi:
            waiting += 1
        elif edit.action is EditAction.RELABEL:
            strikes.append(strike)
            unbounded += edit.exact_onset_s is not None or edit.release_s is not None
    problems: tuple[str, ...] = ()
    for count, how in ((waiting, "under another key"), (unbounded, "within other bounds")):
        if count:
            noun = "strike waits" if count == 1 else "strikes wait"
            problems += (f"{count} {noun} to be measured {how}; measure the run again",)
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

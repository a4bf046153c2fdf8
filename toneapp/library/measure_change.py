"""How is the change of one measure over the notes of an instrument put together?

Conventions: differences are *after minus before*; intervals hold the true value in 19 of 20
cases.

Classes and functions: `MeasureChange`, `estimates_of`, `change_of`, `paired_change_of`, `gain_of`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from toneapp.evenness import (
    Difference,
    EvennessGain,
    NoteChanges,
    NoteEstimates,
    PairedBlows,
    common_shift,
    evenness_gain,
    note_changes,
    paired_difference,
    widened,
)
from toneapp.results import NoteResult

__all__ = ["MeasureChange", "change_of", "estimates_of", "gain_of", "paired_change_of"]

_BOOTSTRAP_KEY = 1986  # fixed, so that the same two runs always give the same interval


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasureChange:
    """Change of one measure over the notes that both runs have."""

    measure: str
    unit: str
    changes: NoteChanges | None  # None when no error is known; of level: less the shift
    overall: Difference | None  # mean over the notes, paired
    shift: Difference | None  # what most notes share
    gain: EvennessGain | None  # of evenness, where the measure has a trend
    notes: int  # that both runs have


def estimates_of(
    notes: Sequence[NoteResult],
    value: Callable[[NoteResult], float | None],
    se: Callable[[NoteResult], float | None],
) -> NoteEstimates | None:
    """Values and errors of the notes that have both."""
    rows = [
        (note.midi, v, e, note.strikes)
        for note in notes
        if (v := value(note)) is not None and (e := se(note)) is not None
    ]
    if not rows:
        return None
    midi, values, errors, strikes = zip(*rows, strict=True)
    # The errors borrow from all notes, so their degrees of freedom are those of the whole run.
    df = max(float(sum(strikes) - len(rows)), float(len(rows) - 1), 1.0)
    return NoteEstimates(
        midi=np.array(midi, dtype=np.int64),
        value=np.array(values, dtype=np.float64),
        se=np.array(errors, dtype=np.float64),
        df=np.full(len(rows), df),
    )


def change_of(
    measure: str,
    unit: str,
    audible: float,
    before: NoteEstimates | None,
    after: NoteEstimates | None,
    gain: EvennessGain | None,
    *,
    is_relative: bool = False,
) -> MeasureChange:
    """Hold two runs against each other; `is_relative` takes out the shift that notes share."""
    if before is None or after is None:
        return MeasureChange(
            measure=measure, unit=unit, changes=None, overall=None, shift=None, gain=gain, notes=0
        )
    changes = note_changes(*widened(before, after), audible=audible)
    _, at, to = np.intersect1d(before.midi, after.midi, return_indices=True)
    shift = common_shift(changes)
    if is_relative and shift is not None:
        at_equal_gain = NoteEstimates(
            midi=after.midi, value=after.value - shift.value, se=after.se, df=after.df
        )
        changes = note_changes(*widened(before, at_equal_gain), audible=audible)
    return MeasureChange(
        measure=measure,
        unit=unit,
        changes=changes if changes.midi.size else None,
        overall=paired_difference(before.value[at], after.value[to]),
        shift=shift,
        gain=gain,
        notes=int(changes.midi.size),
    )


def paired_change_of(
    measure: str,
    unit: str,
    audible: float,
    midi: Sequence[int],
    blows: PairedBlows | None,
    gain: EvennessGain | None,
    *,
    is_relative: bool = False,
) -> MeasureChange:
    """Change of a measure that was told by differences of pairs."""
    if blows is None:
        return change_of(measure, unit, audible, None, None, gain)
    notes = np.array(midi, dtype=np.int64)
    nothing = np.zeros(notes.size)
    df = np.full(notes.size, blows.df)
    return change_of(
        measure, unit, audible,
        NoteEstimates(midi=notes, value=nothing, se=nothing, df=df),
        NoteEstimates(midi=notes, value=blows.difference, se=blows.se, df=df),
        gain, is_relative=is_relative,
    )  # fmt: skip


def gain_of(
    pairs: Sequence[tuple[NoteResult, NoteResult]],
    residual: Callable[[NoteResult], float | None],
    se: Callable[[NoteResult], float | None],
) -> EvennessGain | None:
    """Gain of evenness over the notes that have a residual and its error in both runs."""
    rows = [
        row
        for first, second in pairs
        if None not in (row := (residual(first), se(first), residual(second), se(second)))
    ]
    if not rows:
        return None
    columns = np.array(rows, dtype=np.float64).T
    return evenness_gain(*columns, rng=np.random.default_rng(_BOOTSTRAP_KEY))

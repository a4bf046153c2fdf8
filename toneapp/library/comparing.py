"""What changed between two runs of an instrument?

`compare_before_after` gives the change of every note with its interval, the shift that all notes
share, the gain of evenness, and what besides the instrument may have changed.

Conventions: differences are *after minus before*; intervals hold the true value in 19 of 20
cases.

Functions: `compare_before_after`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray
from toneapp.errors import InputError
from toneapp.evenness import (
    AUDIBLE_BRIGHTNESS_OCT,
    AUDIBLE_DECAY_LN,
    AUDIBLE_LEVEL_DB,
    Difference,
    EvennessGain,
    NoteChanges,
    NoteEstimates,
    common_shift,
    estimate_notes,
    evenness_gain,
    note_changes,
    paired_difference,
    same_blow,
)
from toneapp.library.comparison_words import setup_warnings
from toneapp.library.rows import Instrument, Run
from toneapp.results import NoteResult, RunResult, StrikeResult

__all__ = [
    "BeforeAfter",
    "MeasureChange",
    "RunOfInstrument",
    "compare_before_after",
]

AUDIBLE_CENTS = 3.0
"""Change of pitch that is heard beside an unchanged note (common practice, no source)."""

AUDIBLE_RING_DB = 6.0
"""Change of what rings on that is worth a word (common practice, no source)."""

_BOOTSTRAP_KEY = 1986  # fixed, so that the same two runs always give the same interval


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOfInstrument:
    """A measured run with its facts."""

    instrument: Instrument
    run: Run
    result: RunResult

    @property
    def title(self) -> str:
        """Name of instrument and condition, for a heading."""
        return f"{self.instrument.name}, {self.run.condition or self.run.recorded_at[:10]}"


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BeforeAfter:
    """Two runs of one instrument held against each other."""

    before: RunOfInstrument
    after: RunOfInstrument
    measures: tuple[MeasureChange, ...]
    only_before: tuple[int, ...]  # notes of one run only
    only_after: tuple[int, ...]
    warnings: tuple[str, ...]


def compare_before_after(before: RunOfInstrument, after: RunOfInstrument) -> BeforeAfter:
    """Compare two runs of one instrument, note by note.

    Parameters
    ----------
    before, after : RunOfInstrument
        In the order of the work.

    Returns
    -------
    BeforeAfter

    Raises
    ------
    InputError
        If the runs are of different instruments, or the same run twice.

    Notes
    -----
    Level and brightness use the errors that the run's own touch scatter gives. Where the input
    was set alike, the brightness of the second run is brought to the blows of the first. The
    interval of a gain of evenness is a bootstrap over the notes.
    """
    if before.instrument.id != after.instrument.id:
        raise InputError(
            "before and after are runs of one instrument; use the comparison of instruments"
        )
    if before.run.id == after.run.id:
        raise InputError("before and after are one and the same run; choose another")
    first = {note.midi: note for note in before.result.notes}
    second = {note.midi: note for note in after.result.notes}
    common = sorted(first.keys() & second.keys())
    is_alike = _is_set_alike(before.run, after.run)
    pairs = [(first[midi], second[midi]) for midi in common]
    measures = (
        _level_change(before.result, after.result, pairs),
        _brightness_change(before.result, after.result, pairs, is_alike=is_alike),
        _strike_change(
            "prompt decay", "ln ratio", AUDIBLE_DECAY_LN, before.result, after.result,
            lambda strike: math.log(strike.prompt_t60_s) if strike.prompt_t60_s else None,
        ),
        _strike_change(
            "sustain", "ln ratio", AUDIBLE_DECAY_LN, before.result, after.result,
            lambda strike: math.log(strike.sustain_20db_s) if strike.sustain_20db_s else None,
        ),
        _strike_change(
            "pitch", "cents", AUDIBLE_CENTS, before.result, after.result,
            lambda strike: strike.cents,
        ),
        _strike_change(
            "ring-on level", "dB", AUDIBLE_RING_DB, before.result, after.result,
            lambda strike: None if strike.ring_level_is_limit else strike.ring_level_db,
        ),
    )  # fmt: skip
    return BeforeAfter(
        before=before,
        after=after,
        measures=measures,
        only_before=tuple(sorted(first.keys() - second.keys())),
        only_after=tuple(sorted(second.keys() - first.keys())),
        warnings=setup_warnings(before.run, before.result, after.run, after.result),
    )


def _is_set_alike(before: Run, after: Run) -> bool:
    """Tell whether input and microphone are said to be unchanged."""
    return all(
        bool(first) and first.strip().casefold() == second.strip().casefold()
        for first, second in (
            (before.gain_note, after.gain_note),
            (before.microphone, after.microphone),
            (before.place, after.place),
        )
    )


def _estimates(
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


def _change(
    measure: str,
    unit: str,
    audible: float,
    before: NoteEstimates | None,
    after: NoteEstimates | None,
    gain: EvennessGain | None,
    *,
    is_relative: bool = False,
) -> MeasureChange:
    if before is None or after is None:
        return MeasureChange(
            measure=measure, unit=unit, changes=None, overall=None, shift=None, gain=gain, notes=0
        )
    changes = note_changes(before, after, audible=audible)
    _, at, to = np.intersect1d(before.midi, after.midi, return_indices=True)
    shift = common_shift(changes)
    if is_relative and shift is not None:
        at_equal_gain = NoteEstimates(
            midi=after.midi, value=after.value - shift.value, se=after.se, df=after.df
        )
        changes = note_changes(before, at_equal_gain, audible=audible)
    return MeasureChange(
        measure=measure,
        unit=unit,
        changes=changes if changes.midi.size else None,
        overall=paired_difference(before.value[at], after.value[to]),
        shift=shift,
        gain=gain,
        notes=int(changes.midi.size),
    )


def _gain(
    pairs: Sequence[tuple[NoteResult, NoteResult]],
    residual: Callable[[NoteResult], float | None],
    se: Callable[[NoteResult], float | None],
) -> EvennessGain | None:
    rows = [
        row
        for first, second in pairs
        if None not in (row := (residual(first), se(first), residual(second), se(second)))
    ]
    if not rows:
        return None
    columns = np.array(rows, dtype=np.float64).T
    return evenness_gain(*columns, rng=np.random.default_rng(_BOOTSTRAP_KEY))


def _level_change(
    before: RunResult, after: RunResult, pairs: Sequence[tuple[NoteResult, NoteResult]]
) -> MeasureChange:
    return _change(
        "level",
        "dB",
        AUDIBLE_LEVEL_DB,
        _estimates(before.notes, lambda n: n.level_db, lambda n: n.level_se),
        _estimates(after.notes, lambda n: n.level_db, lambda n: n.level_se),
        _gain(pairs, lambda n: n.level_residual_db, lambda n: n.level_se),
        is_relative=True,
    )


def _brightness_change(
    before: RunResult,
    after: RunResult,
    pairs: Sequence[tuple[NoteResult, NoteResult]],
    *,
    is_alike: bool,
) -> MeasureChange:
    first = _estimates(before.notes, lambda n: n.brightness, lambda n: n.brightness_se)
    second = _estimates(after.notes, lambda n: n.brightness, lambda n: n.brightness_se)
    if is_alike and second is not None:
        second = _at_earlier_blow(second, {a.midi: (b, a) for b, a in pairs})
    return _change(
        "brightness",
        "oct",
        AUDIBLE_BRIGHTNESS_OCT,
        first,
        second,
        _gain(pairs, lambda n: n.brightness_residual, lambda n: n.brightness_se),
    )


def _at_earlier_blow(
    estimates: NoteEstimates, pairs: dict[int, tuple[NoteResult, NoteResult]]
) -> NoteEstimates:
    """Bring brightness to the usual blow of the run before, where slope and blows are known."""
    value = estimates.value.copy()
    for place, midi in enumerate(estimates.midi.tolist()):
        if midi not in pairs:
            continue
        before, after = pairs[midi]
        slope = after.brightness_slope_oct_per_db
        if slope is None or before.level_trend_db is None or after.level_trend_db is None:
            continue
        value[place] = same_blow(
            value[place : place + 1],
            np.array([slope]),
            from_level_db=np.array([after.level_trend_db]),
            to_level_db=np.array([before.level_trend_db]),
        )[0]
    return NoteEstimates(midi=estimates.midi, value=value, se=estimates.se, df=estimates.df)


def _strike_change(
    measure: str,
    unit: str,
    audible: float,
    before: RunResult,
    after: RunResult,
    value: Callable[[StrikeResult], float | None],
) -> MeasureChange:
    """Change of a measure whose scatter is told by the strikes of the run themselves."""
    first, second = _by_note(before, value), _by_note(after, value)
    if any(len(blows) > 1 for blows in first.values()) and any(
        len(blows) > 1 for blows in second.values()
    ):
        return _change(measure, unit, audible, estimate_notes(first), estimate_notes(second), None)
    # Without repeated blows the error of a note is not known, that of all together is.
    common = sorted(first.keys() & second.keys())
    return MeasureChange(
        measure=measure,
        unit=unit,
        changes=None,
        overall=paired_difference(_means(first, common), _means(second, common)),
        shift=None,
        gain=None,
        notes=len(common),
    )


def _by_note(
    run: RunResult, value: Callable[[StrikeResult], float | None]
) -> dict[int, list[float]]:
    values: dict[int, list[float]] = {}
    for strike in run.strikes:
        found = value(strike)
        if found is not None:
            values.setdefault(strike.midi, []).append(found)
    return values


def _means(values: dict[int, list[float]], midis: Sequence[int]) -> FloatArray:
    return np.array([float(np.mean(values[midi])) for midi in midis], dtype=np.float64)

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
    NoteEstimates,
    estimate_notes,
    paired_brightness,
    paired_change,
    same_blow,
)
from toneapp.library.as_heard import (
    heard_brightness,
    heard_brightness_se,
    heard_level_db,
    heard_level_se,
)
from toneapp.library.comparison_words import ONE_BLOW_WARNING, setup_warnings
from toneapp.library.measure_change import (
    MeasureChange,
    change_of,
    estimates_of,
    gain_of,
    paired_change_of,
)
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

LEAST_SHARE = 0.5
"""Two single blows agree no better than to this share of what is audible."""

LEAST_CENTS = 0.3
"""But for the pitch, which does not hang on the blow."""


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
    was set alike, the brightness of the second run is brought to the blows of the first. With one
    blow on each key in a run, hand and hammer are told apart from both runs together
    (`toneapp.evenness.paired_brightness`). Errors are never narrower than the notes scatter
    between the runs (`toneapp.evenness.widened`). The interval of a gain of evenness is a
    bootstrap over the notes.
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
    is_one_blow = _has_one_blow(before.result) or _has_one_blow(after.result)
    if is_one_blow:
        hammers = _one_blow_changes(before.result, after.result, pairs, is_alike=is_alike)
    else:
        hammers = (
            _level_change(before.result, after.result, pairs),
            _brightness_change(before.result, after.result, pairs, is_alike=is_alike),
        )
    measures = (
        *hammers,
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
            lambda strike: strike.cents, least_scatter=LEAST_CENTS,
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
        warnings=setup_warnings(before.run, before.result, after.run, after.result)
        + ((ONE_BLOW_WARNING,) if is_one_blow else ()),
    )


def _has_one_blow(run: RunResult) -> bool:
    """Tell whether no key was struck again, so that the run cannot tell the hand's scatter."""
    return all(note.strikes < 2 for note in run.notes)


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


def _one_blow_changes(
    before: RunResult,
    after: RunResult,
    pairs: Sequence[tuple[NoteResult, NoteResult]],
    *,
    is_alike: bool,
) -> tuple[MeasureChange, MeasureChange]:
    """Change of level and brightness where the hand is told only by both runs together."""
    first = _blow_means(before)
    second = _blow_means(after)
    midi = sorted(first.keys() & second.keys())
    change = np.array([second[m] - first[m] for m in midi]).reshape(-1, 2)
    level_db, brightness_oct = change.T
    return (
        paired_change_of(
            "level", "dB", AUDIBLE_LEVEL_DB, midi,
            paired_change(level_db, least_scatter=LEAST_SHARE * AUDIBLE_LEVEL_DB),
            gain_of(pairs, lambda n: n.level_residual_db, lambda n: n.level_se),
            is_relative=True,
        ),
        paired_change_of(
            "brightness", "oct", AUDIBLE_BRIGHTNESS_OCT, midi,
            paired_brightness(
                np.array(midi, dtype=np.float64), level_db, brightness_oct, is_gain_alike=is_alike
            ),
            gain_of(pairs, lambda n: n.brightness_residual, lambda n: n.brightness_se),
        ),
    )  # fmt: skip


def _blow_means(run: RunResult) -> dict[int, FloatArray]:
    """Mean level and brightness of the strikes on each note that have both."""
    rows: dict[int, list[tuple[float, float]]] = {}
    for strike in run.strikes:
        if strike.level_db is not None and strike.brightness is not None:
            rows.setdefault(strike.midi, []).append((strike.level_db, strike.brightness))
    return {midi: np.mean(np.array(blows), axis=0) for midi, blows in rows.items()}


def _level_change(
    before: RunResult, after: RunResult, pairs: Sequence[tuple[NoteResult, NoteResult]]
) -> MeasureChange:
    return change_of(
        "level",
        "dB",
        AUDIBLE_LEVEL_DB,
        estimates_of(before.notes, heard_level_db, heard_level_se),
        estimates_of(after.notes, heard_level_db, heard_level_se),
        gain_of(pairs, lambda n: n.level_residual_db, lambda n: n.level_se),
        is_relative=True,
    )


def _brightness_change(
    before: RunResult,
    after: RunResult,
    pairs: Sequence[tuple[NoteResult, NoteResult]],
    *,
    is_alike: bool,
) -> MeasureChange:
    first = estimates_of(before.notes, heard_brightness, heard_brightness_se)
    second = estimates_of(after.notes, heard_brightness, heard_brightness_se)
    if is_alike and second is not None:
        second = _at_earlier_blow(second, {a.midi: (b, a) for b, a in pairs})
    return change_of(
        "brightness",
        "oct",
        AUDIBLE_BRIGHTNESS_OCT,
        first,
        second,
        gain_of(pairs, lambda n: n.brightness_residual, lambda n: n.brightness_se),
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
    *,
    least_scatter: float | None = None,
) -> MeasureChange:
    """Change of a measure whose scatter is told by the strikes of the run themselves."""
    first, second = _by_note(before, value), _by_note(after, value)
    if any(len(blows) > 1 for blows in first.values()) and any(
        len(blows) > 1 for blows in second.values()
    ):
        return change_of(
            measure, unit, audible, estimate_notes(first), estimate_notes(second), None
        )
    # Without repeated blows the error of a note is told by how the others differ.
    common = sorted(first.keys() & second.keys())
    change = _means(second, common) - _means(first, common)
    least = LEAST_SHARE * audible if least_scatter is None else least_scatter
    blows = paired_change(change, least_scatter=least)
    return paired_change_of(measure, unit, audible, common, blows, None)


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

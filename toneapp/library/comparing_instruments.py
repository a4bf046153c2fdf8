"""How do the runs of several instruments compare?

`compare_instruments` puts 2 to 6 runs side by side, in measures that do not depend on the gain
unless all runs are calibrated, and says what besides the instruments may differ.

Conventions: differences are *other minus first*; intervals hold the true value in 19 of 20 cases.

Functions: `compare_instruments`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from toneapp.errors import InputError
from toneapp.evenness import Difference, paired_difference
from toneapp.library.comparing import RunOfInstrument
from toneapp.library.comparison_words import different_rooms
from toneapp.results import NoteResult, RunResult

__all__ = [
    "MOST_INSTRUMENTS",
    "InstrumentFigure",
    "InstrumentsComparison",
    "compare_instruments",
]

MOST_INSTRUMENTS = 6
_FEW_PAIRS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentFigure:
    """One figure of one run."""

    value: float | None  # None when it was not measured
    low: float | None = None  # ends of the interval, where there is one
    high: float | None = None
    notes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InstrumentsComparison:
    """Runs of several instruments side by side."""

    runs: tuple[RunOfInstrument, ...]
    figures: tuple[tuple[str, str, tuple[InstrumentFigure, ...]], ...]  # measure, unit, one a run
    differences: tuple[tuple[str, str, tuple[Difference | None, ...]], ...]  # to the first run
    warnings: tuple[str, ...]


def compare_instruments(runs: Sequence[RunOfInstrument]) -> InstrumentsComparison:
    """Put runs side by side.

    Parameters
    ----------
    runs : sequence of RunOfInstrument
        From 2 to 6, each once. Differences refer to the first.

    Returns
    -------
    InstrumentsComparison

    Raises
    ------
    InputError
        If there are fewer or more, or one comes twice.

    Notes
    -----
    The median of a measure has the interval of the median by order statistics (the binomial
    interval); an evenness that of its bootstrap error. Levels appear only when all runs are
    calibrated.
    """
    if not 2 <= len(runs) <= MOST_INSTRUMENTS:
        raise InputError(f"choose from 2 to {MOST_INSTRUMENTS} runs to compare, not {len(runs)}")
    if len({item.run.id for item in runs}) < len(runs):
        raise InputError("a run stands there twice; choose each run once")
    results = [item.result for item in runs]
    is_calibrated = all(result.calibration_db is not None for result in results)
    figures = [
        ("unevenness of brightness", "oct", tuple(
            _figure_with_se(r.evenness.brightness_oct, r.evenness.brightness_oct_se, len(r.notes))
            for r in results
        )),
        ("unevenness of level", "dB", tuple(
            _figure_with_se(r.evenness.level_db, r.evenness.level_db_se, len(r.notes))
            for r in results
        )),
        ("scatter of tuning", "cents", tuple(
            _figure_with_se(r.evenness.tuning_cents, r.evenness.tuning_cents_se, len(r.notes))
            for r in results
        )),
        ("raised notes", "", tuple(
            InstrumentFigure(
                value=float(sum(bool(note.raised) for note in r.notes)) if _is_judged(r) else None,
                notes=len(r.notes),
            )
            for r in results
        )),
    ]  # fmt: skip
    measures = _NOTE_MEASURES + (_LEVEL_MEASURE if is_calibrated else ())
    figures += [
        (name, unit, tuple(_median_figure([value(n) for n in r.notes]) for r in results))
        for name, unit, value, _ in measures
    ]
    differences = tuple(
        (name, unit, tuple(_paired(results[0], other, value) for other in results[1:]))
        for name, unit, _, value in measures
    )
    return InstrumentsComparison(
        runs=tuple(runs),
        figures=tuple(figures),
        differences=differences,
        warnings=different_rooms([(item.run, item.result) for item in runs]),
    )


def _is_judged(result: RunResult) -> bool:
    """Tell whether notes could be held against a trend at all."""
    return any(
        note.level_residual_db is not None or note.brightness_residual is not None
        for note in result.notes
    )


def _log(value: float | None) -> float | None:
    return math.log(value) if value else None


_NoteValue = Callable[[NoteResult], float | None]
_NOTE_MEASURES: tuple[tuple[str, str, _NoteValue, _NoteValue], ...] = (
    ("brightness", "oct", lambda n: n.brightness, lambda n: n.brightness),
    ("prompt decay T60", "s", lambda n: n.prompt_t60_s, lambda n: _log(n.prompt_t60_s)),
    ("sustain", "s", lambda n: n.sustain_20db_s, lambda n: _log(n.sustain_20db_s)),
    ("damped T60", "s", lambda n: n.damped_t60_s, lambda n: _log(n.damped_t60_s)),
    ("ring-on level", "dB", lambda n: n.ring_level_db, lambda n: n.ring_level_db),
)
"""Name, unit, value for the median, value for the paired difference (times as logarithms)."""

_LEVEL_MEASURE: tuple[tuple[str, str, _NoteValue, _NoteValue], ...] = (
    ("level", "dB SPL", lambda n: n.level_db, lambda n: n.level_db),
)


def _figure_with_se(value: float | None, se: float | None, notes: int) -> InstrumentFigure:
    if value is None or se is None:
        return InstrumentFigure(value=value, notes=notes)
    return InstrumentFigure(
        value=value, low=max(value - 1.96 * se, 0.0), high=value + 1.96 * se, notes=notes
    )


def _median_figure(values: Sequence[float | None]) -> InstrumentFigure:
    known = np.sort(np.array([value for value in values if value is not None]))
    if known.size == 0:
        return InstrumentFigure(value=None)
    ends = _median_ranks(known.size)
    return InstrumentFigure(
        value=float(np.median(known)),
        low=None if ends is None else float(known[ends[0]]),
        high=None if ends is None else float(known[ends[1]]),
        notes=int(known.size),
    )


def _median_ranks(n: int) -> tuple[int, int] | None:
    """Ranks (from 0) of the order statistics that hold the median in at least 19 of 20 cases.

    W. R. Thompson, Ann. Math. Stat. 7, 122 (1936); None with fewer than six values.
    """
    from scipy.special import bdtr

    lower = -1
    while bdtr(lower + 1, n, 0.5) <= 0.025:
        lower += 1
    return None if lower < 0 else (lower, n - 1 - lower)


def _paired(first: RunResult, other: RunResult, value: _NoteValue) -> Difference | None:
    mine = {note.midi: value(note) for note in first.notes}
    pairs = [
        (a, b)
        for note in other.notes
        if (a := mine.get(note.midi)) is not None and (b := value(note)) is not None
    ]
    if len(pairs) < _FEW_PAIRS:
        return None
    columns = np.array(pairs, dtype=np.float64)
    return paired_difference(columns[:, 0], columns[:, 1])

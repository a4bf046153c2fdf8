"""What stands on the comparison page: runs, figures with intervals, lanes, warnings.

Turns runs side by side into what is drawn and listed; knows nothing of Qt. Measures that depend
on the gain appear only when all runs are calibrated.

Classes and functions: `CompareView`, `CompareLane`, `CompareSeries`, `CompareRow`,
`compare_view`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from toneapp.evenness import Difference, lowess
from toneapp.keyboard import Compass
from toneapp.library import BeforeAfter, InstrumentFigure, InstrumentsComparison, MeasureChange
from toneapp.pitch import note_name
from toneapp.results import NoteResult
from toneapp.wording import LN_RATIO, NOT_MEASURED, as_read, quantity_text, unit_as_read

__all__ = [
    "CompareLane",
    "CompareRow",
    "CompareSeries",
    "CompareView",
    "compare_view",
]

LINE_KEYS = 13
LEAST_FOR_LINE = 9
"""Keys that a point of a line looks at, and fewest keys that make a line."""

_DECIMALS = {"dB": 1, "oct": 2, "%": 0, "cents": 1, "s": 2, "dB SPL": 1, "": 0}
_MOST_CHANGED = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareSeries:
    """One run: its number in the pictures and its name."""

    number: int  # from 1
    title: str
    short: str = ""  # over a column


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparePoint:
    """One key of one run."""

    midi: int
    value: float
    se: float | None = None  # standard error, in the unit of the lane


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareLane:
    """One measure over the keyboard, of all runs."""

    title: str
    unit: str
    is_logarithmic: bool
    points: tuple[tuple[ComparePoint, ...], ...]  # one tuple a run, upward
    lines: tuple[tuple[ComparePoint, ...], ...]  # smooth course of each run, or empty
    sentence: str  # what the measure means
    short_unit: str = ""  # behind a value
    is_usual: bool = True  # shown without being asked for

    @property
    def is_empty(self) -> bool:
        """Whether no run has a value."""
        return not any(self.points)

    def _point_at(self, series: int, midi: int) -> ComparePoint | None:
        return next((p for p in self.points[series] if p.midi == midi), None)

    def text_at(self, midi: int) -> str:
        """Say the values of a key with uncertainty and unit, run after run."""
        decimals = 2 if self.short_unit in ("s", "oct") else 1
        points = [self._point_at(place, midi) for place in range(len(self.points))]
        texts = [
            "\N{EN DASH}"
            if point is None
            else quantity_text(point.value, "", se=point.se, decimals=decimals)
            for point in points
        ]
        return f"{self.title} {' | '.join(texts)} {self.short_unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareRow:
    """One line of a table."""

    name: str
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareView:
    """What the page shows."""

    series: tuple[CompareSeries, ...]
    lanes: tuple[CompareLane, ...]
    compass: Compass
    warnings: tuple[str, ...]
    figures: tuple[CompareRow, ...]  # one cell a run
    differences: tuple[CompareRow, ...]  # to the first run, one cell for each other run
    changes: tuple[CompareRow, ...]  # before and after: change, gain of evenness, notes changed
    is_before_after: bool


def compare_view(
    comparison: InstrumentsComparison, before_after: BeforeAfter | None = None
) -> CompareView:
    """Prepare the page.

    Parameters
    ----------
    comparison : InstrumentsComparison
        From 2 to 6 runs.
    before_after : BeforeAfter, optional
        When these are two runs of one instrument.

    Returns
    -------
    CompareView
    """
    runs = comparison.runs
    is_calibrated = all(item.result.calibration_db is not None for item in runs)
    measures = _LANES + (_LEVEL_LANES if is_calibrated else ())
    notes = [item.result.notes for item in runs]
    lanes = tuple(_lane(measure, notes) for measure in measures)
    warnings = comparison.warnings if before_after is None else before_after.warnings
    midis = [note.midi for group in notes for note in group]
    compasses = [item.instrument.compass for item in runs]
    is_one = len({item.instrument.id for item in runs}) == 1
    return CompareView(
        series=tuple(
            CompareSeries(
                number=number,
                title=f"{item.title} ({item.run.recorded_at[:10]})",
                short=item.run.condition if is_one else item.instrument.name,
            )
            for number, item in enumerate(runs, 1)
        ),
        lanes=tuple(lane for lane in lanes if not lane.is_empty),
        compass=Compass(
            lowest_midi=min([*midis, *(c.lowest_midi for c in compasses)]),
            highest_midi=max([*midis, *(c.highest_midi for c in compasses)]),
        ),
        warnings=warnings,
        figures=tuple(
            CompareRow(
                name=f"{name} ({unit})" if unit else name,
                cells=tuple(_figure_text(figure, unit) for figure in figures),
            )
            for name, unit, figures in comparison.figures
        ),
        differences=tuple(
            CompareRow(
                name=f"{name} ({unit_as_read(unit)})",
                cells=tuple(_difference_text(item, unit) for item in items),
            )
            for name, unit, items in (
                (name, LN_RATIO if unit == "s" else unit, items)
                for name, unit, items in comparison.differences
            )
        ),
        changes=()
        if before_after is None
        else tuple(_change_row(item) for item in before_after.measures),
        is_before_after=before_after is not None,
    )


def _lane(measure: _Measure, notes: Sequence[Sequence[NoteResult]]) -> CompareLane:
    points = tuple(
        tuple(
            ComparePoint(midi=note.midi, value=found, se=measure.error(note, found))
            for note in sorted(group, key=lambda note: note.midi)
            if (found := measure.value(note)) is not None
            and (found > 0 or not measure.is_logarithmic)
        )
        for group in notes
    )
    return CompareLane(
        title=measure.title,
        unit=measure.unit,
        is_logarithmic=measure.is_logarithmic,
        points=points,
        lines=tuple(
            _line(row, is_logarithmic=measure.is_logarithmic) if measure.has_line else ()
            for row in points
        ),
        sentence=measure.sentence,
        short_unit=measure.short_unit,
        is_usual=measure.is_usual,
    )


def _line(points: Sequence[ComparePoint], *, is_logarithmic: bool) -> tuple[ComparePoint, ...]:
    """Smooth course through the keys of one run (LOWESS)."""
    if len(points) < LEAST_FOR_LINE:
        return ()
    x = np.array([point.midi for point in points], dtype=np.float64)
    y = np.array([point.value for point in points], dtype=np.float64)
    if is_logarithmic:
        y = np.log(y)
    smooth = lowess(x, y, span=min(LINE_KEYS / x.size, 1.0))
    if is_logarithmic:
        smooth = np.exp(smooth)
    return tuple(
        ComparePoint(midi=point.midi, value=float(value))
        for point, value in zip(points, smooth, strict=True)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measure:
    """What one lane shows."""

    title: str
    unit: str
    value: Callable[[NoteResult], float | None]
    sentence: str
    short_unit: str
    se: Callable[[NoteResult], float | None] = lambda _note: None
    is_logarithmic: bool = False
    has_line: bool = True
    is_usual: bool = True
    is_error_relative: bool = False

    def error(self, note: NoteResult, value: float) -> float | None:
        """Return the standard error of a value, in the unit of the lane."""
        se = self.se(note)
        return se * value if se is not None and self.is_error_relative else se


_LANES = (
    _Measure(
        title="Brightness",
        unit="octaves above f₁",
        short_unit="oct",
        value=lambda n: n.brightness,
        se=lambda n: n.brightness_se,
        sentence="How far the centre of the spectrum lies above the fundamental, at equal blow.",
    ),
    _Measure(
        title="Brightness, evenness",
        unit="octaves from own trend",
        short_unit="oct",
        value=lambda n: n.brightness_residual,
        se=lambda n: n.brightness_se,
        sentence="How far each note leaves its instrument's own smooth trend; 0 is even.",
        has_line=False,
    ),
    _Measure(
        title="Level, evenness",
        unit="dB from own trend",
        short_unit="dB",
        value=lambda n: n.level_residual_db,
        se=lambda n: n.level_se,
        sentence="How far each note leaves its instrument's own smooth trend; 0 is even.",
        has_line=False,
    ),
    _Measure(
        title="Prompt decay",
        unit="s (T60)",
        short_unit="s",
        value=lambda n: n.prompt_t60_s,
        se=lambda n: n.prompt_t60_se,
        is_error_relative=True,
        sentence="How long the first, louder part of the sound would take to fall by 60 dB.",
        is_logarithmic=True,
    ),
    _Measure(
        title="Sustain",
        unit="s to −20 dB",
        short_unit="s",
        value=lambda n: n.sustain_20db_s,
        sentence="How long the held note takes to fall by 20 dB.",
        is_logarithmic=True,
        is_usual=False,
    ),
    _Measure(
        title="Damped decay",
        unit="s (T60)",
        short_unit="s",
        value=lambda n: n.damped_t60_s,
        se=lambda n: n.damped_t60_s_se,
        sentence="How long the note takes to die under its damper.",
        is_logarithmic=True,
    ),
    _Measure(
        title="Ring-on",
        unit="dB, 0.5 s after release",
        short_unit="dB",
        value=lambda n: n.ring_level_db,
        sentence="What is left half a second after the release, against just before it.",
    ),
    _Measure(
        title="Tuning",
        unit="cents from own trend",
        short_unit="cents",
        value=lambda n: n.cents_residual,
        se=lambda n: n.cents_se,
        sentence="How far the note lies from the smooth stretch of its own instrument.",
        has_line=False,
        is_usual=False,
    ),
)

_LEVEL_LANES = (
    _Measure(
        title="Level",
        unit="dB SPL, A-weighted",
        short_unit="dB",
        value=lambda n: n.level_db,
        se=lambda n: n.level_se,
        sentence="How loud the note is in its first half second; all runs are calibrated.",
    ),
)
"""Depends on the gain, so only for runs that are all calibrated."""


def _text(value: float, unit: str, *, is_signed: bool = False) -> str:
    number, shown = as_read(value, unit)
    return quantity_text(number, "", decimals=_DECIMALS.get(shown, 2), is_signed=is_signed)


def _figure_text(figure: InstrumentFigure, unit: str) -> str:
    if figure.value is None:
        return NOT_MEASURED
    text = _text(figure.value, unit)
    if figure.low is None or figure.high is None:
        return text
    return f"{text}  [{_text(figure.low, unit)}, {_text(figure.high, unit)}]"


def _difference_text(difference: Difference | None, unit: str) -> str:
    if difference is None:
        return NOT_MEASURED
    low = _text(difference.low, unit, is_signed=True)
    high = _text(difference.high, unit, is_signed=True)
    return f"{_text(difference.value, unit, is_signed=True)}  [{low}, {high}]"


def _change_row(item: MeasureChange) -> CompareRow:
    gain = NOT_MEASURED
    if item.gain is not None:
        low = _text(item.gain.low, item.unit, is_signed=True)
        high = _text(item.gain.high, item.unit, is_signed=True)
        gain = f"{_text(item.gain.gain, item.unit, is_signed=True)}  [{low}, {high}]"
    elif item.measure not in ("level", "brightness"):
        gain = ""
    changed = NOT_MEASURED
    if item.changes is not None:
        midis = [
            int(m)
            for m, is_one in zip(item.changes.midi, item.changes.is_changed, strict=True)
            if is_one
        ]
        names = ", ".join(note_name(midi) for midi in midis[:_MOST_CHANGED])
        more = f" and {len(midis) - _MOST_CHANGED} more" if len(midis) > _MOST_CHANGED else ""
        changed = f"{len(midis)} of {item.notes}" + (f": {names}{more}" if midis else "")
    return CompareRow(
        name=f"{item.measure} ({unit_as_read(item.unit)})",
        cells=(_difference_text(item.overall, item.unit), gain, changed),
    )

"""What stands in the lanes above the keyboard?

Turns a run into lanes of points, trend and uncertainty, ready to be drawn; knows nothing of Qt.
Values are in the unit that the lane names; a lane on a logarithmic scale holds positive values.

Functions: `run_lanes`, `value_range`, `ticks`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from toneapp.results import NoteResult, Raised, RunResult
from toneapp.wording import COVERAGE, quantity_text

__all__ = ["Lane", "LanePoint", "Mark", "run_lanes", "ticks", "value_range"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A raised note: which way it leaves the trend, in a word."""

    text: str  # such as "C#4 dull"
    is_upward: bool  # above the trend


@dataclass(frozen=True, slots=True, kw_only=True)
class LanePoint:
    """One key in one lane."""

    midi: int
    value: float
    low: float | None = None  # ends of the uncertainty, COVERAGE standard errors on either side
    high: float | None = None
    trend: float | None = None
    mark: Mark | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One quantity over the keyboard."""

    title: str
    unit: str
    is_logarithmic: bool
    points: tuple[LanePoint, ...]  # upward
    note: str = ""  # one figure for the whole lane, such as the unevenness


_UPWARD = {Raised.BRIGHT, Raised.LOUD, Raised.LONG}


def run_lanes(run: RunResult) -> tuple[Lane, ...]:
    """Prepare the lanes of a run, from top to bottom.

    Parameters
    ----------
    run : RunResult

    Returns
    -------
    tuple of Lane
        Level, brightness, prompt decay, pitch and inharmonicity. A key whose value could not be
        measured is left out of its lane.
    """
    even = run.evenness
    level_unit = "dBFS" if run.calibration_db is None else "dB SPL"
    return (
        _lane(
            run,
            "Level",
            f"{level_unit}, A-weighted",
            _level_point,
            note=_unevenness_note(even.level_db, even.level_db_se, "dB", 2),
        ),
        _lane(
            run,
            "Brightness",
            "octaves above f₁, at equal blow",
            _brightness_point,
            note=_unevenness_note(even.brightness_oct, even.brightness_oct_se, "oct", 3),
        ),
        _lane(run, "Prompt decay", "T60 in s", _decay_point, is_logarithmic=True),
        _lane(
            run,
            "Pitch",
            f"cents from equal temperament at {run.a4_reference_hz:g} Hz",
            _pitch_point,
            note=_unevenness_note(even.tuning_cents, even.tuning_cents_se, "cents", 2),
        ),
        _lane(run, "Inharmonicity", "B", _inharmonicity_point, is_logarithmic=True),
    )


def value_range(lane: Lane) -> tuple[float, float]:
    """Lowest and highest value that a lane should show, with a margin.

    Parameters
    ----------
    lane : Lane
        With at least one point.

    Returns
    -------
    tuple of float
        In the lane's unit. Values and trend lie inside; uncertainties may reach beyond.
    """
    values = [point.value for point in lane.points]
    values += [point.trend for point in lane.points if point.trend is not None]
    if lane.is_logarithmic:
        low, high = math.log10(min(values)), math.log10(max(values))
        margin = max(0.12 * (high - low), 0.1)
        return 10.0 ** (low - margin), 10.0 ** (high + margin)
    low, high = min(values), max(values)
    margin = max(0.2 * (high - low), 0.01 * max(abs(low), abs(high)), 1e-6)
    return low - margin, high + margin


def ticks(low: float, high: float, *, is_logarithmic: bool, most: int = 5) -> list[float]:
    """Round values for the scale of a lane.

    Parameters
    ----------
    low, high : float
        Ends of the lane, ``low < high``; positive when logarithmic.
    is_logarithmic : bool
        Kind of scale.
    most : int
        No more ticks than this.

    Returns
    -------
    list of float
        Upward, within the ends; at least two with the default `most`, on a linear scale.

    Examples
    --------
    >>> ticks(-31.0, -12.0, is_logarithmic=False)
    [-30.0, -25.0, -20.0, -15.0]
    >>> ticks(0.4, 30.0, is_logarithmic=True)
    [1.0, 3.0, 10.0, 30.0]
    """
    if is_logarithmic:
        return _logarithmic_ticks(low, high, most)
    exponent = math.floor(math.log10(high - low)) - 1
    while True:
        for step in (1.0, 2.0, 5.0):
            width = step * 10.0**exponent
            first, last = math.ceil(low / width), math.floor(high / width)
            if last - first + 1 <= most:
                return [round(k * width, max(0, 2 - exponent)) for k in range(first, last + 1)]
        exponent += 1


def _logarithmic_ticks(low: float, high: float, most: int) -> list[float]:
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    for steps in ((1, 2, 3, 4, 5, 6, 7, 8, 9), (1, 2, 5), (1, 3), (1,)):
        found = [step * 10.0**decade for decade in decades for step in steps]
        inside = [float(f"{value:.3g}") for value in found if low <= value <= high]
        if len(inside) <= most:
            return inside
    return inside[:: -(-len(inside) // most)]  # every second decade, or every third, ...


_PointOf = Callable[[NoteResult], LanePoint | None]


def _lane(
    run: RunResult,
    title: str,
    unit: str,
    point_of: _PointOf,
    *,
    is_logarithmic: bool = False,
    note: str = "",
) -> Lane:
    found = [point_of(item) for item in sorted(run.notes, key=lambda item: item.midi)]
    points = tuple(point for point in found if point is not None)
    return Lane(title=title, unit=unit, is_logarithmic=is_logarithmic, points=points, note=note)


def _unevenness_note(value: float | None, se: float | None, unit: str, decimals: int) -> str:
    return f"unevenness {quantity_text(value, unit, se=se, decimals=decimals)}"


def _mark(note: NoteResult, ways: Sequence[Raised]) -> Mark | None:
    way = next((way for way in note.raised if way in ways), None)
    if way is None:
        return None
    return Mark(text=f"{note.note} {way.value}", is_upward=way in _UPWARD)


def _ends(value: float, se: float | None) -> tuple[float | None, float | None]:
    if se is None:
        return None, None
    return value - COVERAGE * se, value + COVERAGE * se


def _level_point(note: NoteResult) -> LanePoint | None:
    if note.level_db is None:
        return None
    low, high = _ends(note.level_db, note.level_se)
    return LanePoint(
        midi=note.midi,
        value=note.level_db,
        low=low,
        high=high,
        trend=note.level_trend_db,
        mark=_mark(note, (Raised.LOUD, Raised.SOFT)),
    )


def _brightness_point(note: NoteResult) -> LanePoint | None:
    if note.brightness is None:
        return None
    low, high = _ends(note.brightness, note.brightness_se)
    return LanePoint(
        midi=note.midi,
        value=note.brightness,
        low=low,
        high=high,
        trend=note.brightness_trend,
        mark=_mark(note, (Raised.BRIGHT, Raised.DULL)),
    )


def _decay_point(note: NoteResult) -> LanePoint | None:
    t60_s = note.prompt_t60_s
    if t60_s is None or not t60_s > 0:
        return None
    residual = note.prompt_t60_residual
    spread = None if note.prompt_t60_se is None else math.exp(COVERAGE * note.prompt_t60_se)
    return LanePoint(
        midi=note.midi,
        value=t60_s,
        low=None if spread is None else t60_s / spread,
        high=None if spread is None else t60_s * spread,
        trend=None if residual is None else t60_s / math.exp(residual),
        mark=_mark(note, (Raised.SHORT, Raised.LONG)),
    )


def _pitch_point(note: NoteResult) -> LanePoint | None:
    if note.cents is None:
        return None
    low, high = _ends(note.cents, note.cents_se)
    residual = note.cents_residual
    return LanePoint(
        midi=note.midi,
        value=note.cents,
        low=low,
        high=high,
        trend=None if residual is None else note.cents - residual,
    )


def _inharmonicity_point(note: NoteResult) -> LanePoint | None:
    if note.B is None or not note.B > 0:  # a treble note may come out slightly negative
        return None
    low, high = _ends(note.B, note.B_se)
    return LanePoint(midi=note.midi, value=note.B, low=low, high=high)

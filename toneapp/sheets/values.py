"""Which value has each key of a run, measure by measure, as the charts and sentences take it?

Classes and functions: `KeyValue`, `KeyValues`, `Measure`, `MEASURES`, `key_values`, `trend_of`.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from toneapp.evenness import fit_trend
from toneapp.keyboard import KeyboardLayout
from toneapp.results import NoteResult, Raised, RunResult

__all__ = ["MEASURES", "KeyValue", "KeyValues", "Measure", "key_values", "trend_of"]

FEWEST_FOR_A_LINE = 20
"""Values from which a smooth line is drawn: fewer, and it would show chance."""

_BRIGHTNESS = (Raised.BRIGHT, Raised.DULL)
_LEVEL = (Raised.LOUD, Raised.SOFT)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyValue:
    """One measured value of one key."""

    midi: int
    value: float
    se: float | None = None
    is_limit: bool = False  # the true value lies below
    is_raised: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyValues:
    """One measure of one run, key by key, upward."""

    measure: str
    values: tuple[KeyValue, ...]

    def by_key(self) -> dict[int, KeyValue]:
        """Values by MIDI number."""
        return {item.midi: item for item in self.values}


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """How a measure is shown."""

    name: str  # its words are those under "measures" of this name
    unit: str
    is_logarithmic: bool = False
    is_residual: bool = False  # from the instrument's own trend


MEASURES = {
    measure.name: measure
    for measure in (
        Measure(name="brightness", unit="oct"),
        Measure(name="decay", unit="s", is_logarithmic=True),
        Measure(name="sustain", unit="s", is_logarithmic=True),
        Measure(name="evenness_brightness", unit="oct", is_residual=True),
        Measure(name="evenness_level", unit="dB", is_residual=True),
        Measure(name="damping", unit="s", is_logarithmic=True),
        Measure(name="ring_on", unit="dB"),
        Measure(name="tuning", unit="cents", is_residual=True),
    )
}
"""In the order of the charts."""

_Value = Callable[[NoteResult], tuple[float | None, float | None, bool]]


def _ways(note: NoteResult, ways: Sequence[Raised]) -> bool:
    return any(way in ways for way in note.raised)


def _positive(value: float | None) -> float | None:
    return value if value is not None and value > 0 else None


_OF_NOTE: dict[str, _Value] = {
    "brightness": lambda n: (n.brightness, n.brightness_se, _ways(n, _BRIGHTNESS)),
    "decay": lambda n: (_positive(n.prompt_t60_s), None, False),
    "sustain": lambda n: (_positive(n.sustain_20db_s), None, False),
    "evenness_brightness": lambda n: (
        n.brightness_residual, n.brightness_se, _ways(n, _BRIGHTNESS),
    ),
    "evenness_level": lambda n: (n.level_residual_db, n.level_se, _ways(n, _LEVEL)),
    "damping": lambda n: (_positive(n.damped_t60_s), None, False),
    "tuning": lambda n: (n.cents_residual, n.cents_se, False),
}  # fmt: skip


def key_values(result: RunResult, measure: str) -> KeyValues:
    """Values of a measure over the keys of a run.

    Parameters
    ----------
    result : RunResult
    measure : str
        A name of `MEASURES`.

    Returns
    -------
    KeyValues
        Keys whose value could not be measured are left out.
    """
    if measure == "ring_on":
        return KeyValues(measure=measure, values=_ring_on(result))
    of_note = _OF_NOTE[measure]
    found = []
    for note in sorted(result.notes, key=lambda note: note.midi):
        value, se, is_raised = of_note(note)
        if value is not None and math.isfinite(value):
            found.append(KeyValue(midi=note.midi, value=value, se=se, is_raised=is_raised))
    return KeyValues(measure=measure, values=tuple(found))


def _ring_on(result: RunResult) -> tuple[KeyValue, ...]:
    """Median level after the release; of a key with limits only, the lowest of them."""
    measured: dict[int, list[float]] = defaultdict(list)
    limits: dict[int, list[float]] = defaultdict(list)
    for strike in result.strikes:
        if strike.ring_level_db is not None:
            kind = limits if strike.ring_level_is_limit else measured
            kind[strike.midi].append(strike.ring_level_db)
    return tuple(
        KeyValue(midi=midi, value=median(measured[midi]))
        if midi in measured
        else KeyValue(midi=midi, value=min(limits[midi]), is_limit=True)
        for midi in sorted(measured.keys() | limits.keys())
    )


def trend_of(
    values: KeyValues, layout: KeyboardLayout, *, is_logarithmic: bool
) -> tuple[tuple[int, float], ...]:
    """Smooth line through the values of a measure, as `toneapp.evenness.fit_trend` draws it.

    Parameters
    ----------
    values : KeyValues
    layout : KeyboardLayout
        Its breaks are where the line may step.
    is_logarithmic : bool
        Fit the logarithms.

    Returns
    -------
    tuple of (int, float)
        MIDI numbers and heights; empty with fewer than `FEWEST_FOR_A_LINE` values.
    """
    known = [item for item in values.values if not item.is_limit]
    if len(known) < FEWEST_FOR_A_LINE:
        return ()
    midi = np.array([item.midi for item in known], dtype=np.float64)
    y = np.array([item.value for item in known], dtype=np.float64)
    trend = fit_trend(
        midi,
        np.log(y) if is_logarithmic else y,
        breaks=[float(first) for first in layout.breaks()],
    )
    if trend is None:
        return ()
    fitted = np.exp(trend.fitted) if is_logarithmic else trend.fitted
    return tuple((item.midi, float(height)) for item, height in zip(known, fitted, strict=True))

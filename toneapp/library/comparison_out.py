"""How is a comparison told: in the terminal, as a table, as JSON?

Functions: `before_after_text`, `before_after_csv`, `before_after_json`, `instruments_text`,
`instruments_csv`, `instruments_json`.
"""

from __future__ import annotations

import textwrap
from typing import Any

from toneapp.evenness import Difference, EvennessGain
from toneapp.library.comparing import BeforeAfter, MeasureChange, RunOfInstrument
from toneapp.library.comparing_instruments import InstrumentFigure, InstrumentsComparison
from toneapp.library.export import table_csv
from toneapp.pitch import note_name
from toneapp.wording import (
    LN_RATIO,
    NOT_MEASURED,
    as_read,
    note_list_text,
    quantity_text,
    unit_as_read,
)

__all__ = [
    "before_after_csv", "before_after_json", "before_after_text", "instruments_csv",
    "instruments_json", "instruments_text",
]  # fmt: skip

BEFORE_AFTER_FORMAT = "toneapp-before-after/1"
INSTRUMENTS_FORMAT = "toneapp-comparison/1"

WIDTH = 79
_DECIMALS = {"dB": 1, "oct": 3, "%": 1, "cents": 1, "s": 2, "dB SPL": 1, "": 0}


def before_after_text(comparison: BeforeAfter) -> str:
    """Tell two runs of one instrument in lines of at most 79 signs."""
    lines = _fold(f"Before: {_run_title(comparison.before)}")
    lines += _fold(f"After:  {_run_title(comparison.after)}")
    lines += _warning_lines(comparison.warnings)
    lines += ["", "Gain of evenness (positive: the notes lie closer together now)"]
    gains = [item for item in comparison.measures if item.gain is not None]
    for item in gains:
        assert item.gain is not None
        lines.append(f"  {item.measure:<14} {_gain_text(item.gain, item.unit)}")
    if not gains:
        lines.append("  not measured: fewer than seven notes with a trend in both runs")
    lines += ["", "Change over all notes (after minus before)"]
    for item in comparison.measures:
        lines.append(f"  {item.measure:<14} {_overall_text(item)}")
    lines += ["", "Notes that changed beyond what is heard and what chance does"]
    for item in comparison.measures:
        lines += _changed_lines(item)
    for what, notes in (("before", comparison.only_before), ("after", comparison.only_after)):
        if notes:
            lines += _fold(f"Only in the run {what}: {note_list_text(notes)}")
    lines += ["", "In brackets the interval that holds the true value in 19 of 20 cases."]
    return "\n".join(lines) + "\n"


def before_after_json(comparison: BeforeAfter) -> dict[str, Any]:
    """Turn two runs of one instrument into the objects of JSON; null is not measured."""
    return {
        "format": BEFORE_AFTER_FORMAT,
        "before": _run_json(comparison.before),
        "after": _run_json(comparison.after),
        "warnings": list(comparison.warnings),
        "only_before": list(comparison.only_before),
        "only_after": list(comparison.only_after),
        "measures": [
            {
                "measure": item.measure,
                "unit": item.unit,
                "notes_in_common": item.notes,
                "overall": _difference_json(item.overall),
                "common_shift": _difference_json(item.shift),
                "evenness_gain": _gain_json(item.gain),
                "notes": _notes_json(item),
            }
            for item in comparison.measures
        ],
    }


def before_after_csv(comparison: BeforeAfter) -> bytes:
    """Write the changes of all notes as a table, one row a note and measure."""
    rows = [
        [item.measure, unit_as_read(item.unit), note["midi"], note["note"]]
        + [_short(number) for number in _numbers_read(note, item.unit)]
        + [note["is_changed"]]
        for item in comparison.measures
        for note in _notes_json(item)
    ]
    header = (
        "measure", "unit", "midi", "note", "difference", "se", "low", "high", "p adjusted",
        "changed",
    )  # fmt: skip
    return table_csv(header, rows)


def instruments_text(comparison: InstrumentsComparison) -> str:
    """Tell runs side by side, in lines of 33 signs and 17 more for each run."""
    lines = []
    for number, item in enumerate(comparison.runs, 1):
        lines += _fold(f"[{number}] {_run_title(item)}")
    lines += _warning_lines(comparison.warnings)
    width = 17
    head = f"  {'':<31}" + "".join(
        f"{f'[{n}]':>{width}}" for n in range(1, len(comparison.runs) + 1)
    )
    lines += ["", "Median over the notes, or figure of the run", head]
    for name, unit, figures in comparison.figures:
        label = f"{name} ({unit})" if unit else name
        lines.append(
            f"  {label:<31}" + "".join(f"{_figure_text(f, unit):>{width}}" for f in figures)
        )
        ranges = "".join(f"{_range_text(f, unit):>{width}}" for f in figures)
        if ranges.strip():
            lines.append(f"  {'':<31}{ranges}")
    lines += ["", "Difference to [1] over the notes in common (times in per cent)"]
    for name, unit, differences in comparison.differences:
        shown = LN_RATIO if unit == "s" else unit
        for number, difference in enumerate(differences, 2):
            text = NOT_MEASURED if difference is None else _difference_text(difference, shown)
            lines.append(f"  {name:<18}[{number}]  {text}")
    lines += ["", "In brackets the interval that holds the true value in 19 of 20 cases."]
    return "\n".join(lines) + "\n"


def instruments_json(comparison: InstrumentsComparison) -> dict[str, Any]:
    """Turn runs side by side into the objects of JSON; null is not measured."""
    return {
        "format": INSTRUMENTS_FORMAT,
        "runs": [_run_json(item) for item in comparison.runs],
        "warnings": list(comparison.warnings),
        "figures": [
            {
                "measure": name,
                "unit": unit,
                "values": [
                    {"value": f.value, "low": f.low, "high": f.high, "notes": f.notes}
                    for f in figures
                ],
            }
            for name, unit, figures in comparison.figures
        ],
        "differences_to_first": [
            {
                "measure": name,
                "unit": LN_RATIO if unit == "s" else unit,
                "values": [_difference_json(difference) for difference in differences],
            }
            for name, unit, differences in comparison.differences
        ],
    }


def instruments_csv(comparison: InstrumentsComparison) -> bytes:
    """Write runs side by side as a table, one row a figure and run."""
    rows = [
        [
            name,
            unit,
            item.run.id,
            item.instrument.name,
            item.run.condition,
            _short(figure.value),
            _short(figure.low),
            _short(figure.high),
            figure.notes,
        ]
        for name, unit, figures in comparison.figures
        for item, figure in zip(comparison.runs, figures, strict=True)
    ]
    header = ("measure", "unit", "run", "instrument", "condition", "value", "low", "high", "notes")
    return table_csv(header, rows)


def _short(value: float | None) -> float | None:
    """Six digits: more than any of these figures is sure of, and readable in a cell."""
    return None if value is None else float(f"{value:.6g}")


def _run_title(item: RunOfInstrument) -> str:
    return f"run {item.run.id}: {item.title} ({item.run.recorded_at[:10]})"


def _run_json(item: RunOfInstrument) -> dict[str, Any]:
    return {
        "run": item.run.id,
        "uid": item.run.uid,
        "instrument": item.instrument.name,
        "condition": item.run.condition,
        "recorded_at": item.run.recorded_at,
        "measures_version": item.result.measures_version,
    }


def _difference_json(difference: Difference | None) -> dict[str, float] | None:
    if difference is None:
        return None
    return {
        "value": difference.value,
        "se": difference.se,
        "low": difference.low,
        "high": difference.high,
        "p_value": difference.p_value,
    }


def _gain_json(gain: EvennessGain | None) -> dict[str, float] | None:
    if gain is None:
        return None
    return {
        "before": gain.before,
        "after": gain.after,
        "gain": gain.gain,
        "low": gain.low,
        "high": gain.high,
        "notes": gain.notes,
    }


def _notes_json(item: MeasureChange) -> list[dict[str, Any]]:
    if item.changes is None:
        return []
    c = item.changes
    return [
        {
            "midi": int(c.midi[i]),
            "note": note_name(int(c.midi[i])),
            "difference": float(c.difference[i]),
            "se": float(c.se[i]),
            "low": float(c.low[i]),
            "high": float(c.high[i]),
            "p_adjusted": float(c.p_adjusted[i]),
            "is_changed": bool(c.is_changed[i]),
        }
        for i in range(c.midi.size)
    ]


def _numbers_read(note: dict[str, Any], unit: str) -> tuple[float, ...]:
    """Difference of a key, its error, both ends of its interval and its chance, as read."""
    difference, low, high = (
        as_read(note[name], unit)[0] for name in ("difference", "low", "high")
    )
    se = note["se"] * (100.0 + difference if unit == LN_RATIO else 1.0)
    return difference, se, low, high, note["p_adjusted"]


def _value(value: float, unit: str, *, is_signed: bool = False) -> str:
    number, shown = as_read(value, unit)
    return quantity_text(number, "", decimals=_DECIMALS.get(shown, 2), is_signed=is_signed)


def _difference_text(difference: Difference, unit: str) -> str:
    low = _value(difference.low, unit, is_signed=True)
    high = _value(difference.high, unit, is_signed=True)
    return f"{_value(difference.value, unit, is_signed=True)} {unit_as_read(unit)} [{low}, {high}]"


def _gain_text(gain: EvennessGain, unit: str) -> str:
    low, high = _value(gain.low, unit, is_signed=True), _value(gain.high, unit, is_signed=True)
    return (
        f"{_value(gain.gain, unit, is_signed=True)} {unit} [{low}, {high}], from "
        f"{_value(gain.before, unit)} to {_value(gain.after, unit)} over {gain.notes} notes"
    )


def _overall_text(item: MeasureChange) -> str:
    if item.overall is None:
        return NOT_MEASURED
    return f"{_difference_text(item.overall, item.unit)} over {item.notes} notes"


def _changed_lines(item: MeasureChange) -> list[str]:
    if item.changes is None:
        return [
            f"  {item.measure}: {NOT_MEASURED} (needs repeated blows in both runs, or seven keys "
            "that both have)"
        ]
    c = item.changes
    changed = [i for i in range(c.midi.size) if c.is_changed[i]]
    if not changed:
        return [f"  {item.measure}: none of {c.midi.size}"]
    lines = [f"  {item.measure}: {len(changed)} of {c.midi.size}"]
    for i in changed:
        low = _value(float(c.low[i]), item.unit, is_signed=True)
        high = _value(float(c.high[i]), item.unit, is_signed=True)
        size = _value(float(c.difference[i]), item.unit, is_signed=True)
        lines.append(
            f"    {note_name(int(c.midi[i])):<5} {size} {unit_as_read(item.unit)} [{low}, {high}]"
        )
    return lines


def _figure_text(figure: InstrumentFigure, unit: str) -> str:
    return "-" if figure.value is None else _value(figure.value, unit)


def _range_text(figure: InstrumentFigure, unit: str) -> str:
    if figure.low is None or figure.high is None:
        return ""
    return f"[{_value(figure.low, unit)}, {_value(figure.high, unit)}]"


def _warning_lines(warnings: tuple[str, ...]) -> list[str]:
    if not warnings:
        return []
    return ["", "Mind", *(line for text in warnings for line in _fold(f"  - {text}", 4))]


def _fold(text: str, indent: int = 2) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=" " * indent) or [""]

"""What do several kinds of sheet have in common?

Functions: `run_facts`, `measure_chart`, `method_bullets`, `sentences_from_library`, `short_name`,
`compass_of`, `common_facts`, `text_cell`, `number_cell`, `made_today`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

from toneapp.keyboard import Compass
from toneapp.library import RunOfInstrument
from toneapp.pitch import note_name
from toneapp.results import RunResult
from toneapp.sheets.blocks import Cell, Chart, Part, Rich, Table, plain
from toneapp.sheets.charts import ChartRun, lanes_chart, overlay_chart
from toneapp.sheets.drawing import Drawing
from toneapp.sheets.figures import DECIMALS, Figure
from toneapp.sheets.typed import Typed, clean_text, shortened, typed
from toneapp.sheets.values import MEASURES, KeyValues, Measure, key_values, trend_of
from toneapp.sheets.words import Say
from toneapp.wording import note_list_text, quantity_text

__all__ = [
    "common_facts",
    "compass_of",
    "column_heads",
    "evenness_text",
    "lowered",
    "made_today",
    "measure_chart",
    "method_bullets",
    "number_cell",
    "raised_count",
    "run_facts",
    "sentences_from_library",
    "short_name",
    "text_cell",
    "values_table",
]

_SHORT, _COLUMN, _ALL_COLUMNS = 40, 24, 96
"""Letters of a name within a sentence and in the head of a column."""


def short_name(name: str, most: int = _SHORT) -> Typed:
    """Name for within a sentence."""
    return Typed(text=shortened(clean_text(name), most))


def column_heads(say: Say, labels: Sequence[str], names: Sequence[str]) -> tuple[Rich, ...]:
    """Heads of the runs' columns; the fewer there are, the longer the names may be."""
    most = max(_COLUMN, _ALL_COLUMNS // max(len(labels), 1))
    return tuple(
        say.rich("common.column", label=label, name=short_name(name, most))
        if name.strip()
        else (label,)
        for label, name in zip(labels, names, strict=True)
    )


def text_cell(*parts: Part) -> Cell:
    """Cell of words."""
    return Cell(text=parts)


def number_cell(*parts: Part) -> Cell:
    """Cell of figures, to the right."""
    return Cell(text=parts, is_number=True)


def made_today(say: Say, today: date) -> str:
    """When the sheet was made."""
    return say.text("common.made_on", day=say.place.day(today))


def sentences_from_library(say: Say, texts: Sequence[str]) -> tuple[Rich, ...]:
    """Make sentences of the library's warnings, which may quote what a person typed."""
    return tuple((Typed(text=_sentence(say, text)),) for text in texts)


def _sentence(say: Say, text: str) -> str:
    text = clean_text(text)
    if "'" not in text and '"' not in text:  # numbers in quoted words are a person's own
        text = say.place.numbers(text)
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def lowered(text: str) -> str:
    """Words that begin a heading, as they stand within a sentence."""
    return text[:1].lower() + text[1:]


def compass_of(results: Sequence[RunResult]) -> Compass:
    """Keys that charts of these runs have to show."""
    compasses = [Compass.parse(result.compass) for result in results]
    return Compass(
        lowest_midi=min(compass.lowest_midi for compass in compasses),
        highest_midi=max(compass.highest_midi for compass in compasses),
    )


def evenness_text(say: Say, value: float | None, se: float | None, unit: str) -> Figure:
    """An unevenness with its uncertainty."""
    decimals = 3 if unit == "oct" else DECIMALS[unit]
    return say.quantity(value, unit, se=se, decimals=decimals)


def raised_count(say: Say, result: RunResult) -> Figure:
    """How many notes leave the trend, where notes could be held against one."""
    judged = [
        note
        for note in result.notes
        if note.level_residual_db is not None or note.brightness_residual is not None
    ]
    if not judged:
        return Figure(text=say.text("common.not_judged"), value=None, unit="")
    count = sum(bool(note.raised) for note in result.notes)
    return Figure(text=str(count), value=float(count), unit="")


def run_facts(
    say: Say,
    runs: Sequence[RunOfInstrument],
    labels: Sequence[str],
    *,
    heads: Sequence[Rich] | None = None,
) -> Table:
    """Facts of runs, one column each; rows in which nothing is known are left out."""
    rows = [(name, [fact(say, item) for item in runs]) for name, fact in _FACTS.items()]
    empty = {say.text("common.not_noted"), say.text("common.none")}
    kept = [
        (name, values)
        for name, values in rows
        if name == "dampers" or any(plain(value) not in empty for value in values)
    ]
    heads = heads or [
        say.rich("common.column", label=label, name=typed(item.instrument.name))
        for label, item in zip(labels, runs, strict=True)
    ]
    return Table(
        caption=say.text("facts.caption"),
        head=((say.text("facts.instrument"),), *heads),
        rows=tuple(
            (text_cell(say.text(f"facts.{name}")), *(Cell(text=value) for value in values))
            for name, values in kept
        ),
    )


_Fact = Callable[[Say, RunOfInstrument], Rich]


def _typed_fact(text_of: Callable[[RunOfInstrument], str]) -> _Fact:
    """Fact that a person typed."""

    def fact(say: Say, item: RunOfInstrument) -> Rich:
        text = clean_text(text_of(item))
        return (Typed(text=text),) if text else _not_noted(say)

    return fact


_FACTS: dict[str, _Fact] = {
    "condition": _typed_fact(lambda item: item.run.condition),
    "maker": _typed_fact(lambda item: f"{item.instrument.maker} {item.instrument.model}"),
    "year": _typed_fact(lambda item: item.instrument.year),
    "serial": _typed_fact(lambda item: item.instrument.serial),
    "kind": lambda say, item: (say.text(f"facts.{item.instrument.kind.value}"),),
    "compass": lambda _say, item: (str(item.instrument.compass).replace("-", "\N{EN DASH}"),),
    "recorded": lambda say, item: (say.day(item.run.recorded_at),),
    "purpose": lambda say, item: (say.text(f"facts.{item.run.purpose.value}"),),
    "place": _typed_fact(lambda item: item.run.place),
    "microphone": _typed_fact(lambda item: item.run.microphone),
    "distance": lambda say, item: say.distance(item.run.distance_m),
    "strikes": lambda say, item: say.rich(
        "facts.strikes_of", strikes=len(item.result.strikes), notes=len(item.result.notes)
    ),
    "a4": lambda say, item: _known(say, item.result.a4_measured_hz, "Hz"),
    "room": lambda say, item: _known(say, item.result.room_t60_s, "s"),
    "noise": lambda say, item: _known(say, item.result.noise_dbfs, "dBFS"),
    "rate": lambda say, item: (_rate(say, item.result),),
    "calibration": lambda say, item: (
        _not_noted(say) if item.result.calibration_db is None else (say.text("common.yes"),)
    ),
    "dampers": lambda say, item: _suspects(say, item.result),
    "missing": lambda say, item: (note_list_text(item.result.missing) or say.text("common.none"),),
    "problems": lambda say, item: (
        typed("; ".join(item.result.problems))
        if item.result.problems
        else say.text("common.none"),
    ),
}
"""In the order of the rows."""


def _rate(say: Say, result: RunResult) -> Figure:
    return say.quantity(result.sample_rate_hz / 1000.0, "kHz", decimals=1)


def _not_noted(say: Say) -> Rich:
    return (say.text("common.not_noted"),)


def _known(say: Say, value: float | None, unit: str) -> Rich:
    return _not_noted(say) if value is None else (say.quantity(value, unit),)


def _suspects(say: Say, result: RunResult) -> Rich:
    if result.ring_on is None or not result.ring_on.strikes_heard:
        return _not_noted(say)
    suspects = result.ring_on.suspects
    if not suspects:
        return (say.text("common.none"),)
    return (note_list_text(damper.midi for damper in suspects),)


def method_bullets(
    say: Say, runs: Sequence[RunOfInstrument], labels: Sequence[str], names: Sequence[str]
) -> tuple[Rich, ...]:
    """How was it measured?"""
    found = []
    for item, label, name in zip(runs, labels, names, strict=True):
        result = item.result
        called: Rich = (label,)
        if name.strip():
            called = say.rich("common.run_name", name=short_name(name), label=label)
        found.append(
            say.rich(
                "method.run",
                name=called,
                strikes=len(result.strikes),
                notes=len(result.notes),
                day=say.day(item.run.recorded_at),
                rate=_rate(say, result),
                noise=say.quantity(result.noise_dbfs, "dBFS"),
                room=say.quantity(result.room_t60_s, "s"),
            )
        )
    return tuple(found)


def measure_chart(
    say: Say,
    measure_name: str,
    runs: Sequence[RunOfInstrument],
    labels: Sequence[str],
    names: Sequence[str],
) -> Chart:
    """Chart of a measure for some runs, with its words and its table."""
    measure = MEASURES[measure_name]
    values = [key_values(item.result, measure_name) for item in runs]
    title = say.text(f"measures.{measure_name}")
    unit = say.text(f"measures.{measure_name}_unit")
    chart_runs = [
        ChartRun(
            label=label,
            name=clean_text(name),
            values=of_run.values,
            trend=()
            if measure.is_residual
            else trend_of(of_run, item.instrument.layout(), is_logarithmic=measure.is_logarithmic),
        )
        for label, name, of_run, item in zip(labels, names, values, runs, strict=True)
    ]
    compass = compass_of([item.result for item in runs])
    nothing = say.text("common.no_values")
    drawing = (
        lanes_chart(title, unit, chart_runs, compass, nothing=nothing, numbers=say.place.numbers)
        if measure.is_residual
        else overlay_chart(
            title, unit, chart_runs, compass, is_logarithmic=measure.is_logarithmic,
            nothing=nothing, numbers=say.place.numbers,
        )
    )  # fmt: skip
    return _chart(say, measure, drawing, values, labels, names)


def _chart(
    say: Say,
    measure: Measure,
    drawing: Drawing,
    values: Sequence[KeyValues],
    labels: Sequence[str],
    names: Sequence[str],
) -> Chart:
    what = say.text(f"measures.{measure.name}_what")
    return Chart(
        name=measure.name.replace("_", "-"),
        drawing=drawing,
        alt=say.text("common.chart_alt", what=f"{drawing.title}: {what}"),
        caption=(what,),
        table=values_table(say, measure, drawing.title, values, labels, names),
    )


def values_table(
    say: Say,
    measure: Measure,
    title: str,
    values: Sequence[KeyValues],
    labels: Sequence[str],
    names: Sequence[str],
) -> Table:
    """The values behind a chart, one row a key."""
    by_key = [of_run.by_key() for of_run in values]
    decimals = DECIMALS[measure.unit]
    rows = []
    for midi in sorted({midi for of_run in by_key for midi in of_run}):
        cells = [text_cell(note_name(midi))]
        for of_run in by_key:
            item = of_run.get(midi)
            if item is None:
                cells.append(number_cell(say.text("common.no_values")))
                continue
            figure = Figure(
                text=say.place.numbers(
                    quantity_text(
                        item.value, "", se=item.se, decimals=decimals,
                        is_signed=measure.is_residual,
                    )
                ),
                value=item.value, unit=measure.unit, se=item.se,
            )  # fmt: skip
            cells.append(
                Cell(text=say.rich("common.at_most", value=figure), is_number=True)
                if item.is_limit
                else number_cell(figure)
            )
        rows.append(tuple(cells))
    unit = say.text(f"measures.{measure.name}_unit")
    return Table(
        caption=say.text("common.chart_values", title=f"{title} ({unit})"),
        head=((say.text("common.note"),), *column_heads(say, labels, names)),
        rows=tuple(rows),
    )


def common_facts(runs: Sequence[RunOfInstrument]) -> tuple[tuple[str, object], ...]:
    """What the JSON form says of the runs besides what is shown."""
    return (
        (
            "runs",
            [
                {
                    "run": item.run.id,
                    "uid": item.run.uid,
                    "instrument": item.instrument.name,
                    "condition": item.run.condition,
                    "recorded_at": item.run.recorded_at,
                    "measures_version": item.result.measures_version,
                }
                for item in runs
            ],
        ),
    )

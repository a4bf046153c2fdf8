"""What does a sheet say that holds two runs of one instrument against one another?

Functions: `change_sheet`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from toneapp.evenness import (
    AUDIBLE_BRIGHTNESS_OCT,
    AUDIBLE_DECAY_LN,
    AUDIBLE_LEVEL_DB,
    Difference,
    EvennessGain,
)
from toneapp.library import BeforeAfter, MeasureChange
from toneapp.pitch import note_name
from toneapp.sheets.blocks import (
    Block,
    Bullets,
    Cell,
    Chart,
    Heading,
    Notice,
    Rich,
    Sheet,
    Table,
)
from toneapp.sheets.charts import ChartDifference, difference_chart
from toneapp.sheets.clips import ClipSet
from toneapp.sheets.comparison import listening, made_with, percent_figure
from toneapp.sheets.figures import DECIMALS, Figure
from toneapp.sheets.parts import (
    common_facts,
    compass_of,
    evenness_text,
    lowered,
    made_today,
    measure_chart,
    method_bullets,
    number_cell,
    raised_count,
    run_facts,
    sentences_from_library,
    short_name,
    text_cell,
)
from toneapp.sheets.settings import SheetSettings
from toneapp.sheets.words import Say
from toneapp.wording import LN_RATIO, as_read, note_list_text, quantity_text, unit_as_read

__all__ = ["change_sheet"]

_CHARTS = ("brightness", "evenness_brightness", "evenness_level", "sustain", "damping", "ring_on")
_DIFFERENCE_CHARTS = {
    "level": AUDIBLE_LEVEL_DB,
    "brightness": AUDIBLE_BRIGHTNESS_OCT,
    "prompt decay": AUDIBLE_DECAY_LN,
    "sustain": AUDIBLE_DECAY_LN,
    "pitch": 3.0,  # cents; as for the judgement of the notes (common practice, no source)
}
"""Measures with a chart of their change, and what is hardly heard of it in the measure's unit."""


def change_sheet(
    comparison: BeforeAfter,
    settings: SheetSettings,
    *,
    today: date,
    clips: ClipSet | None = None,
) -> Sheet:
    """Make the sheet of what changed at one instrument.

    Parameters
    ----------
    comparison : BeforeAfter
        As the library gives it.
    settings : SheetSettings
        Language and place.
    today : date
        Stands on the sheet.
    clips : ClipSet, optional
        Sounds before and after.

    Returns
    -------
    Sheet
    """
    say = Say(settings)
    runs = (comparison.before, comparison.after)
    labels = (say.text("change.before"), say.text("change.after"))
    names = ("", "")  # the conditions stand in the facts
    heads: list[Rich] = [(label,) for label in labels]
    blocks: list[Block] = [
        run_facts(say, runs, labels, heads=heads),
        Heading(text=say.text("change.summary")),
        Bullets(items=_summary(say, comparison)),
        Notice(title=say.text("change.cannot"), items=_warnings(say, comparison)),
    ]
    if clips is not None:
        blocks += listening(say, clips, "listen.text_change", labels, names)
    blocks += [Heading(text=say.text("change.charts"))]
    for name in _CHARTS:
        chart = measure_chart(say, name, runs, labels, names)
        if chart.table.rows:
            blocks.append(chart)
    blocks += [
        _difference_chart(say, comparison, item)
        for item in comparison.measures
        if item.measure in _DIFFERENCE_CHARTS and item.changes is not None
    ]
    blocks += [
        Heading(text=say.text("change.figures")),
        _gains(say, comparison.measures),
        _overall(say, comparison.measures),
        Heading(text=say.text("change.method")),
        Bullets(
            items=(
                *method_bullets(say, runs, labels, names),
                *((say.text(f"method.{key}"),) for key in _METHOD),
            ),
            is_small=True,
        ),
        made_with(say, runs),
    ]
    name = comparison.before.instrument.name
    return Sheet(
        kind="change",
        title=say.rich("change.title", name=short_name(name, 500)),
        subtitle=say.rich(
            "change.subtitle",
            before=_condition(say, comparison, is_after=False),
            after=_condition(say, comparison, is_after=True),
        ),
        subject=say.text("change.subject"),
        made=made_today(say, today),
        blocks=tuple(blocks),
        facts=common_facts(runs),
    )


_METHOD = ("change", "gain", "evenness", "blow", "room", "scope")


def _condition(say: Say, comparison: BeforeAfter, *, is_after: bool) -> Rich:
    item = comparison.after if is_after else comparison.before
    day = say.day(item.run.recorded_at)
    if not item.run.condition.strip():
        return (day,)
    return (short_name(item.run.condition, 120), f" ({day})")


def _warnings(say: Say, comparison: BeforeAfter) -> tuple[Rich, ...]:
    if not comparison.warnings:
        return ((say.text("change.nothing_known"),),)
    return sentences_from_library(say, comparison.warnings)


def _title(say: Say, measure: str) -> str:
    return say.text(f"rows.{measure}")


def _summary(say: Say, comparison: BeforeAfter) -> tuple[Rich, ...]:
    """Plain sentences: what stands out, what changed key by key, how even the whole is."""
    items: list[Rich] = [
        say.rich(
            "change.raised",
            before=raised_count(say, comparison.before.result),
            after=raised_count(say, comparison.after.result),
        ),
        *_damper_sentences(say, comparison),
    ]
    for item in comparison.measures:
        if item.measure == "level" and item.shift is not None:
            shift = say.interval(
                item.shift.value, item.shift.low, item.shift.high, item.unit, is_signed=True
            )
            items.append(say.rich("change.level_shift", shift=shift))
        items.append(_changed_sentence(say, item))
    gains = [
        _gain_sentence(say, item.measure, item.gain, item.unit)
        for item in comparison.measures
        if item.gain is not None and item.measure in ("level", "brightness")
    ]
    items += gains or [say.rich("change.no_gain")]
    for what, notes in (("before", comparison.only_before), ("after", comparison.only_after)):
        if notes:
            items.append(say.rich(f"change.only_{what}", notes=note_list_text(notes)))
    return tuple(items)


def _damper_sentences(say: Say, comparison: BeforeAfter) -> list[Rich]:
    """How many dampers seem to leak, where both runs let it be heard."""
    counts = []
    for one in (comparison.before, comparison.after):
        ring_on = one.result.ring_on
        if ring_on is None or not ring_on.strikes_heard:
            return []
        counts.append(len(ring_on.suspects))
    if not any(counts):
        return []
    before, after = (Figure(text=str(n), value=float(n), unit="") for n in counts)
    return [say.rich("change.dampers", before=before, after=after)]


def _gain_sentence(say: Say, measure: str, gain: EvennessGain, unit: str) -> Rich:
    kind = "gain" if gain.low > 0 else "loss" if gain.high < 0 else "open"
    return say.rich(
        f"change.{kind}_{measure}",
        before=evenness_text(say, gain.before, None, unit),
        after=evenness_text(say, gain.after, None, unit),
        gain=_gain_figure(say, gain, unit),
    )


def _gain_figure(say: Say, gain: EvennessGain, unit: str) -> Figure:
    if unit != "oct":
        return say.interval(gain.gain, gain.low, gain.high, unit, is_signed=True)
    low, high = (
        quantity_text(end, "", decimals=3, is_signed=True) for end in (gain.low, gain.high)
    )
    separator = "; " if say.place.decimal == "," else ", "
    text = quantity_text(gain.gain, say.unit(unit), decimals=3, is_signed=True)
    return Figure(
        text=say.place.numbers(f"{text} [{low}{separator}{high}]"),
        value=gain.gain, unit=unit, low=gain.low, high=gain.high,
    )  # fmt: skip


def _changed_sentence(say: Say, item: MeasureChange) -> Rich:
    measure = _title(say, item.measure)
    if item.changes is None:
        return say.rich("change.changed_unknown", measure=measure)
    changes = item.changes
    keys = changes.midi.size
    risen = changes.midi[changes.is_changed & (changes.difference > 0)].tolist()
    fallen = changes.midi[changes.is_changed & (changes.difference < 0)].tolist()
    if not risen and not fallen:
        return say.rich("change.changed_none", measure=measure, keys=keys)
    ways = [
        say.text(f"change.{way}", notes=note_list_text(midis))
        for way, midis in (("risen", risen), ("fallen", fallen))
        if midis
    ]
    return say.rich(
        "change.changed",
        measure=measure,
        count=len(risen) + len(fallen),
        keys=keys,
        ways="; ".join(ways),
    )


def _gains(say: Say, measures: Sequence[MeasureChange]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for item in measures:
        if item.gain is None:
            continue
        rows.append(
            (
                text_cell(_title(say, item.measure)),
                number_cell(evenness_text(say, item.gain.before, None, item.unit)),
                number_cell(evenness_text(say, item.gain.after, None, item.unit)),
                number_cell(_gain_figure(say, item.gain, item.unit)),
            )
        )
    if not rows:
        rows.append((text_cell(say.text("change.no_gain")), *(text_cell("") for _ in range(3))))
    return Table(
        caption=say.text("change.gains_caption"),
        head=(
            (" ",),
            (say.text("change.gain_head_before"),),
            (say.text("change.gain_head_after"),),
            (say.text("change.gain_head_gain"),),
        ),
        rows=tuple(rows),
        note=(say.text("common.interval_note"),),
    )


def _overall(say: Say, measures: Sequence[MeasureChange]) -> Table:
    rows = []
    for item in measures:
        shown = unit_as_read(item.unit)
        changed = (
            say.text("common.no_values")
            if item.changes is None
            else str(int(item.changes.is_changed.sum()))
        )
        rows.append(
            (
                text_cell(f"{_title(say, item.measure)}, {say.unit(shown)}"),
                _overall_cell(say, item.overall, item.unit),
                number_cell(str(item.notes)),
                number_cell(changed),
            )
        )
    return Table(
        caption=say.text("change.overall_caption"),
        head=(
            (" ",),
            (say.text("change.overall_head"),),
            (say.text("change.overall_keys"),),
            (say.text("change.overall_changed"),),
        ),
        rows=tuple(rows),
        note=(say.text("common.interval_note"),),
    )


def _overall_cell(say: Say, overall: Difference | None, unit: str) -> Cell:
    if unit == LN_RATIO:
        return number_cell(percent_figure(say, overall))
    if overall is None:
        return number_cell(say.interval(None, None, None, unit))
    return number_cell(
        say.interval(
            overall.value, overall.low, overall.high, unit, is_signed=True, shows_unit=False
        )
    )


def _difference_chart(say: Say, comparison: BeforeAfter, item: MeasureChange) -> Chart:
    changes = item.changes
    assert changes is not None
    unit = unit_as_read(item.unit)

    def shown(value: float) -> float:
        return as_read(value, item.unit)[0]

    points = [
        ChartDifference(
            midi=int(changes.midi[i]),
            value=shown(float(changes.difference[i])),
            low=shown(float(changes.low[i])),
            high=shown(float(changes.high[i])),
            is_changed=bool(changes.is_changed[i]),
        )
        for i in range(changes.midi.size)
    ]
    title = say.text("change.difference_title", measure=lowered(_title(say, item.measure)))
    drawing = difference_chart(
        title,
        say.unit(unit),
        points,
        compass_of([comparison.before.result, comparison.after.result]),
        audible=(
            shown(-_DIFFERENCE_CHARTS[item.measure]),
            shown(_DIFFERENCE_CHARTS[item.measure]),
        ),
        nothing=say.text("common.no_values"),
        numbers=say.place.numbers,
    )
    what = say.text("change.difference_what")
    decimals = 3 if item.unit == "oct" else DECIMALS[unit]
    rows = []
    for point in points:
        low, high = (
            quantity_text(end, "", decimals=decimals, is_signed=True)
            for end in (point.low, point.high)
        )
        text = quantity_text(point.value, "", decimals=decimals, is_signed=True)
        figure = Figure(
            text=say.place.numbers(text), value=point.value, unit=unit, low=point.low,
            high=point.high,
        )  # fmt: skip
        rows.append(
            (
                text_cell(note_name(point.midi)),
                number_cell(figure),
                number_cell(say.place.numbers(low)),
                number_cell(say.place.numbers(high)),
                text_cell(say.text("common.yes") if point.is_changed else ""),
            )
        )
    return Chart(
        name=f"change-{item.measure.replace(' ', '-')}",
        drawing=drawing,
        alt=say.text("common.chart_alt", what=f"{title}: {what}"),
        caption=(what,),
        table=Table(
            caption=say.text("common.chart_values", title=f"{title} ({say.unit(unit)})"),
            head=(
                (say.text("common.note"),),
                (say.text("change.overall_head"),),
                (say.text("change.from"),),
                (say.text("change.to"),),
                (say.text("change.is_changed"),),
            ),
            rows=tuple(rows),
        ),
    )

"""What does a sheet say that holds the runs of 2 to 6 instruments against one another?

Functions: `comparison_sheet`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from datetime import date

import numpy as np

from toneapp import __version__
from toneapp.evenness import Difference, adjust_p_values
from toneapp.library import InstrumentFigure, InstrumentsComparison, RunOfInstrument
from toneapp.results import RunResult
from toneapp.sheets.blocks import (
    Block,
    Bullets,
    Cell,
    Heading,
    Listening,
    Notice,
    Paragraph,
    Part,
    Rich,
    Sheet,
    Table,
)
from toneapp.sheets.clips import ClipSet
from toneapp.sheets.figures import Figure
from toneapp.sheets.parts import (
    column_heads,
    common_facts,
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
from toneapp.sheets.regions import AUDIBLE, FALSE_DISCOVERY_RATE, compare_regions
from toneapp.sheets.settings import SheetSettings
from toneapp.sheets.values import MEASURES, key_values
from toneapp.sheets.words import Say
from toneapp.wording import percent_change

__all__ = ["LETTERS", "comparison_sheet", "percent_figure"]

LETTERS = "ABCDEF"


def comparison_sheet(
    comparison: InstrumentsComparison,
    settings: SheetSettings,
    *,
    today: date,
    clips: ClipSet | None = None,
) -> Sheet:
    """Make the comparison sheet.

    Parameters
    ----------
    comparison : InstrumentsComparison
        As the library gives it.
    settings : SheetSettings
        Language and place.
    today : date
        Stands on the sheet.
    clips : ClipSet, optional
        Sounds of the runs, in their order.

    Returns
    -------
    Sheet
    """
    say = Say(settings)
    runs = comparison.runs
    labels = LETTERS[: len(runs)]
    names = _names(runs)
    blocks: list[Block] = [run_facts(say, runs, labels, heads=_full_heads(say, labels, names))]
    blocks += [Heading(text=say.text("comparison.summary"))]
    blocks += [Bullets(items=_summary(say, comparison, labels, names))]
    blocks += [
        Notice(title=say.text("comparison.cannot"), items=_cautions(say, comparison, labels))
    ]
    if clips is not None:
        blocks += listening(say, clips, "listen.text_compare", labels, names)
    blocks += [Heading(text=say.text("comparison.charts"))]
    blocks += [measure_chart(say, name, runs, labels, names) for name in MEASURES]
    blocks += [Heading(text=say.text("comparison.figures"))]
    blocks += [_figures(say, comparison, labels, names)]
    blocks += [_differences(say, comparison, labels, names)]
    blocks += [Heading(text=say.text("comparison.method"))]
    blocks += [
        Bullets(
            items=(
                *method_bullets(say, runs, labels, names),
                *((say.text(f"method.{key}"),) for key in _METHOD),
            ),
            is_small=True,
        ),
        made_with(say, runs),
    ]
    title = "title" if len({item.instrument.id for item in runs}) == len(runs) else "title_runs"
    return Sheet(
        kind="comparison",
        title=say.rich(f"comparison.{title}", count=len(runs)),
        subtitle=say.listing(
            say.rich("common.run_name", name=short_name(name), label=label)
            for name, label in zip(names, labels, strict=True)
        ),
        subject=say.text("comparison.subject"),
        made=made_today(say, today),
        blocks=tuple(blocks),
        facts=common_facts(runs),
    )


_OF_THE_HOLD = frozenset({"decay", "sustain", "damping", "ring_on"})
"""Measures that depend on how long the keys were held."""

_METHOD = ("own", "blow", "evenness", "sentences", "region_interval", "room", "scope")


def listening(
    say: Say, clips: ClipSet, words: str, labels: Sequence[str], names: Sequence[str]
) -> list[Block]:
    """Heading and sounds, or why there are none."""
    if not clips.clips:
        return [
            Heading(text=say.text("listen.heading")),
            Paragraph(text=(say.text("listen.not_possible"),)),
        ]
    target = say.quantity(clips.target_lkfs, "LKFS", decimals=1)
    text = (*say.rich(words, target=target), " ", say.text("listen.why"))
    return [
        Heading(text=say.text("listen.heading")),
        Listening(
            text=text,
            clips=clips,
            labels=tuple(labels),
            names=column_heads(say, labels, names),
        ),
    ]


def made_with(say: Say, runs: Sequence[RunOfInstrument]) -> Paragraph:
    """Which program and measures, and what the intervals mean."""
    versions = sorted({item.result.measures_version for item in runs})
    text = say.text(
        "common.made_with",
        version=__version__,
        measures=", ".join(str(version) for version in versions),
    )
    return Paragraph(text=(f"{text} {say.text('common.interval_note')}",), is_small=True)


def percent_figure(say: Say, difference: Difference | None) -> Figure:
    """Change of a time in per cent, from the difference of the logarithms."""
    if difference is None:
        return say.interval(None, None, None, "%")
    value, low, high = (
        percent_change(part) for part in (difference.value, difference.low, difference.high)
    )
    return say.interval(value, low, high, "%", is_signed=True, shows_unit=False)


def _names(runs: Sequence[RunOfInstrument]) -> list[str]:
    """Names of the instruments; with the condition where an instrument comes twice."""
    ids = [item.instrument.id for item in runs]
    names = [item.instrument.name for item in runs]
    return [
        item.title if ids.count(item.instrument.id) > 1 or names.count(name) > 1 else name
        for item, name in zip(runs, names, strict=True)
    ]


def _full_heads(say: Say, labels: Sequence[str], names: Sequence[str]) -> list[Rich]:
    most = 160 // len(names)
    return [
        say.rich("common.column", label=label, name=short_name(name, most))
        for label, name in zip(labels, names, strict=True)
    ]


def _summary(
    say: Say, comparison: InstrumentsComparison, labels: Sequence[str], names: Sequence[str]
) -> tuple[Rich, ...]:
    """Plain sentences, generated from the figures."""
    runs = comparison.runs
    tuning = next(
        figures for name, _, figures in comparison.figures if name == "scatter of tuning"
    )
    called: list[Rich] = [
        say.rich("common.run_name", name=short_name(name), label=label)
        for name, label in zip(names, labels, strict=True)
    ]
    results = [item.result for item in runs]
    values = [{name: key_values(result, name) for name in AUDIBLE} for result in results]
    differences, measured = compare_regions(values)
    items: list[Rich] = []
    alike: list[Rich] = []
    missing: list[Rich] = []
    is_alike = len({item.run.purpose for item in runs}) == 1
    if not is_alike:
        items.append(say.rich("comparison.purposes"))
    for measure in AUDIBLE:
        if not is_alike and measure in _OF_THE_HOLD:
            continue
        own = [item for item in differences if item.measure == measure]
        if not own:
            title = (lowered(say.text(f"measures.{measure}")),)
            (alike if measure in measured else missing).append(title)
        items += [
            say.rich(
                f"comparison.{measure}_more",
                region=say.text(f"comparison.region_{item.region.name}"),
                a=called[item.more],
                b=called[item.less],
                size=say.quantity(item.size.value, MEASURES[measure].unit, se=item.size.se),
                keys=item.keys,
            )
            for item in own
        ]
    if alike:
        items.append(say.rich("comparison.nothing_in", measures=say.listing(alike)))
    if missing:
        items.append(say.rich("comparison.not_in_common", measures=say.listing(missing)))
    items += _evenness_sentences(say, results, called)
    items.append(
        say.rich(
            "comparison.tuning",
            values=say.listing(
                say.rich(
                    "comparison.value_of",
                    name=name,
                    value=say.quantity(figure.value, "cents", se=_se(figure)),
                )
                for name, figure in zip(called, tuning, strict=True)
            ),
        )
    )
    items.append(
        say.rich(
            "comparison.raised",
            values=say.listing(
                say.rich("comparison.value_of", name=name, value=raised_count(say, result))
                for name, result in zip(called, results, strict=True)
            ),
        )
    )
    return tuple(items)


def _se(figure: InstrumentFigure) -> float | None:
    """Standard error behind the upper end of an interval of 19 in 20 cases."""
    if figure.value is None or figure.high is None:
        return None
    return (figure.high - figure.value) / 1.96


def _evenness_sentences(
    say: Say, results: Sequence[RunResult], called: Sequence[Rich]
) -> list[Rich]:
    found: list[Rich] = []
    for what, unit, pairs in (
        (
            "brightness",
            "oct",
            [(r.evenness.brightness_oct, r.evenness.brightness_oct_se) for r in results],
        ),
        ("level", "dB", [(r.evenness.level_db, r.evenness.level_db_se) for r in results]),
    ):
        known = [
            (value, se, place)
            for place, (value, se) in enumerate(pairs)
            if value is not None and se is not None
        ]
        if len(known) > 1:
            (low, low_se, a), (high, high_se, b) = min(known), max(known)
            if _are_apart(known):
                found.append(
                    say.rich(
                        f"comparison.even_{what}",
                        a=called[a],
                        b=called[b],
                        value_a=evenness_text(say, low, low_se, unit),
                        value_b=evenness_text(say, high, high_se, unit),
                    )
                )
                continue
        told = known if len(known) > 1 else [(value, se, n) for n, (value, se) in enumerate(pairs)]
        found.append(
            say.rich(
                f"comparison.even_{'alike' if len(known) > 1 else 'unknown'}",
                measure=lowered(say.text(f"measures.{what}")),
                values=say.listing(
                    say.rich(
                        "comparison.value_of",
                        name=called[place],
                        value=evenness_text(say, value, se, unit),
                    )
                    for value, se, place in told
                ),
            )
        )
    return found


def _are_apart(known: Sequence[tuple[float, float, int]]) -> bool:
    """Tell whether the least and the most even run differ, with all pairs judged together."""
    pairs = list(itertools.combinations(sorted(known), 2))
    p_values = [
        math.erfc((high - low) / max(math.hypot(low_se, high_se), 1e-12) / math.sqrt(2.0))
        for (low, low_se, _), (high, high_se, _) in pairs
    ]
    adjusted = adjust_p_values(np.array(p_values))
    return bool(adjusted[pairs.index((min(known), max(known)))] <= FALSE_DISCOVERY_RATE)


def _cautions(
    say: Say, comparison: InstrumentsComparison, labels: Sequence[str]
) -> tuple[Rich, ...]:
    """What cannot be compared comes first, then what the library has to say."""
    bare = [
        label
        for label, item in zip(labels, comparison.runs, strict=True)
        if item.result.calibration_db is None
    ]
    level: Rich = (
        say.rich("comparison.no_level", runs=", ".join(bare))
        if bare
        else say.rich("comparison.level_compared")
    )
    others = [text for text in comparison.warnings if "not all runs are calibrated" not in text]
    return (level, *sentences_from_library(say, others))


def _figures(
    say: Say, comparison: InstrumentsComparison, labels: Sequence[str], names: Sequence[str]
) -> Table:
    rows = []
    for name, unit, figures in comparison.figures:
        cells = [_row_head(say, name, unit)]
        cells += [
            number_cell(say.interval(f.value, f.low, f.high, unit, shows_unit=False))
            for f in figures
        ]
        rows.append(tuple(cells))
    return Table(
        caption=say.text("comparison.figures_caption"),
        head=((" ",), *column_heads(say, labels, names)),
        rows=tuple(rows),
        note=(say.text("common.interval_note"),),
    )


def _row_head(say: Say, name: str, unit: str) -> Cell:
    words = say.text(f"rows.{name}")
    return text_cell(f"{words}, {say.unit(unit)}" if unit else words)


def _differences(
    say: Say, comparison: InstrumentsComparison, labels: Sequence[str], names: Sequence[str]
) -> Table:
    rows = []
    for name, unit, differences in comparison.differences:
        shown = "%" if unit == "s" else unit
        cells = [_row_head(say, name, shown)]
        cells += [number_cell(_difference(say, difference, unit)) for difference in differences]
        rows.append(tuple(cells))
    heads = column_heads(say, labels[1:], names[1:])
    return Table(
        caption=say.text("comparison.differences_caption"),
        head=((" ",), *heads),
        rows=tuple(rows),
        note=(say.text("common.interval_note"),),
    )


def _difference(say: Say, difference: Difference | None, unit: str) -> Part:
    if unit == "s":
        return percent_figure(say, difference)
    if difference is None:
        return say.interval(None, None, None, unit)
    return say.interval(
        difference.value, difference.low, difference.high, unit, is_signed=True, shows_unit=False
    )

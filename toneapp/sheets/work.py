"""What goes to the bench on paper: the worklist of a run, the worksheet of an instrument?

Functions: `worklist_sheet`, `worksheet_sheet`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from datetime import date
from statistics import median

from toneapp.library import (
    HandSet,
    Instrument,
    ItemState,
    KeyMeasurement,
    RunOfInstrument,
    WorkEntry,
    Worklist,
    WorksheetItem,
)
from toneapp.pitch import note_name
from toneapp.sheets.blocks import (
    Block,
    Bullets,
    Cell,
    Heading,
    Notice,
    Paragraph,
    Rich,
    Sheet,
    Table,
    Tick,
    Ticks,
)
from toneapp.sheets.comparison import made_with
from toneapp.sheets.figures import Figure
from toneapp.sheets.parts import common_facts, made_today, number_cell, short_name, text_cell
from toneapp.sheets.settings import SheetSettings
from toneapp.sheets.typed import typed
from toneapp.sheets.words import Say
from toneapp.wording import note_list_text

__all__ = ["worklist_sheet", "worksheet_sheet"]

WORKSHEET_CAUTIONS = ("tension", "tipping", "dust", "undo", "caution")
"""Words of the dangers of any work on a piano; the last one defers to others."""

_LONGEST_NAME = 500


def worklist_sheet(
    item: RunOfInstrument, worklist: Worklist, settings: SheetSettings, *, today: date
) -> Sheet:
    """Make the sheet of what is to be done after a run.

    Parameters
    ----------
    item : RunOfInstrument
        The run.
    worklist : Worklist
        Its worklist, as the library gives it.
    settings : SheetSettings
        Language and place.
    today : date
        Stands on the sheet.

    Returns
    -------
    Sheet
        Cautions stand before the work, steps that can be undone before those that cannot.
    """
    say = Say(settings)
    blocks: list[Block] = []
    if not worklist.entries:
        words = "work.empty" if worklist.judged else "work.empty_unknown"
        parts = {"judged": worklist.judged} if worklist.judged else {}
        blocks.append(Paragraph(text=say.rich(words, **parts)))
    else:
        done = sum(entry.is_done for entry in worklist.entries)
        blocks.append(
            Paragraph(text=say.rich("work.count", count=len(worklist.entries), done=done))
        )
        cautions = dict.fromkeys(text for entry in worklist.entries for text in entry.cautions)
        blocks.append(
            Notice(
                title=say.text("work.cautions"),
                items=(*((text,) for text in cautions), (worklist.defer,)),
            )
        )
        blocks.append(Ticks(items=tuple(_entry_tick(say, entry) for entry in worklist.entries)))
        blocks += _advice(say, worklist.entries)
    blocks.append(made_with(say, [item]))
    return Sheet(
        kind="worklist",
        title=say.rich("work.title", name=short_name(item.instrument.name, _LONGEST_NAME)),
        subtitle=say.rich(
            "work.subtitle",
            condition=short_name(item.run.condition or item.run.purpose.value, 200),
            day=say.day(item.run.recorded_at),
        ),
        subject=say.text("work.subject"),
        made=made_today(say, today),
        blocks=tuple(blocks),
        is_large=True,
        facts=common_facts([item]),
    )


def _entry_tick(say: Say, entry: WorkEntry) -> Tick:
    reason = say.place.numbers(entry.reason)
    return Tick(
        key=entry.note if entry.midi else say.text("work.no_key"),
        title=(entry.title,),
        reason=(Figure(text=reason, value=entry.size, unit=entry.unit, se=entry.size_se),),
        steps=(say.rich("work.first_step", step=entry.check_first[0]),)
        if entry.check_first and not entry.is_done
        else (),
        is_done=entry.is_done,
        done_note=_done_note(say, entry),
    )


def _done_note(say: Say, entry: WorkEntry) -> Rich:
    if not entry.is_done:
        return ()
    if not entry.done_note.strip():
        return (say.text("work.done"),)
    return say.rich("work.done_note", note=typed(entry.done_note))


def _advice(say: Say, entries: Sequence[WorkEntry]) -> list[Block]:
    """Advice once for each kind of finding that is still open, with its keys."""
    groups: dict[str, list[WorkEntry]] = defaultdict(list)
    for entry in entries:
        if not entry.is_done:
            groups[entry.subject].append(entry)
    blocks: list[Block] = []
    if groups:
        blocks.append(Heading(text=say.text("work.advice")))
    for group in groups.values():
        one = group[0]
        keys = note_list_text(entry.midi for entry in group if entry.midi)
        title = say.text("work.keys", title=one.title, keys=keys) if keys else one.title
        blocks += [Heading(text=title, level=3), Paragraph(text=(one.why,))]
        for words, steps in (
            ("first", one.check_first),
            ("reversible", one.reversible),
            ("irreversible", one.irreversible),
        ):
            if steps:
                blocks.append(Heading(text=say.text(f"work.{words}"), level=4))
                blocks.append(Bullets(items=tuple((step,) for step in steps)))
    return blocks


def worksheet_sheet(
    instrument: Instrument,
    items: Sequence[WorksheetItem],
    settings: SheetSettings,
    *,
    today: date,
    weights: HandSet | None = None,
) -> Sheet:
    """Make the sheet of what was found at an instrument and what is done.

    Parameters
    ----------
    instrument : Instrument
    items : sequence of WorksheetItem
        Its worksheet, in order.
    settings : SheetSettings
        Language, place and unit of lengths.
    today : date
        Stands on the sheet.
    weights : HandSet, optional
        What was measured by hand.

    Returns
    -------
    Sheet
    """
    say = Say(settings)
    blocks: list[Block] = []
    if items:
        open_count = sum(item.state is ItemState.OPEN for item in items)
        minutes = sum(item.minutes or 0 for item in items)
        blocks.append(
            Paragraph(
                text=say.rich(
                    "worksheet.open", open=open_count, done=len(items) - open_count,
                    minutes=minutes,
                )
            )
        )  # fmt: skip
    else:
        blocks.append(Paragraph(text=say.rich("worksheet.empty")))
    blocks.append(
        Notice(
            title=say.text("work.cautions"),
            items=tuple(say.rich(f"worksheet.{key}") for key in WORKSHEET_CAUTIONS),
        )
    )
    for area in dict.fromkeys(item.area for item in items):
        blocks.append(Heading(text=typed(area).text))
        blocks.append(
            Ticks(items=tuple(_item_tick(say, item) for item in items if item.area == area))
        )
    if weights is not None and weights.keys:
        blocks += _weights(say, weights)
    facts = [
        say.text(f"facts.{instrument.kind.value}"), instrument.maker, instrument.model,
        instrument.serial, instrument.year, instrument.owner, instrument.place,
    ]  # fmt: skip
    return Sheet(
        kind="worksheet",
        title=say.rich("worksheet.title", name=short_name(instrument.name, _LONGEST_NAME)),
        subtitle=say.rich(
            "worksheet.subtitle",
            facts=say.listing((short_name(fact, 120),) for fact in facts if fact.strip()),
        ),
        subject=say.text("worksheet.subject"),
        made=made_today(say, today),
        blocks=tuple(blocks),
        is_large=True,
        facts=(("instrument", instrument.name), ("uid", instrument.uid)),
    )


def _item_tick(say: Say, item: WorksheetItem) -> Tick:
    title = item.finding if item.finding.strip() else item.action
    steps: list[Rich] = []
    if item.action.strip() and item.action != title:
        steps.append(say.rich("worksheet.action", action=typed(item.action)))
    if item.note.strip():
        steps.append(say.rich("worksheet.note", note=typed(item.note)))
    is_done = item.state is ItemState.DONE
    done: Rich = ()
    if is_done:
        day = say.day(item.done_at) if item.done_at else ""
        done = (say.text("work.done") + (f", {day}" if day else ""),)
    if item.minutes is not None:
        minutes = say.text("worksheet.minutes", minutes=item.minutes)
        done = (*done, f", {minutes}") if done else (minutes,)
    return Tick(
        key="" if item.midi is None else note_name(item.midi),
        title=(typed(title),),
        steps=tuple(steps),
        is_done=is_done,
        done_note=done,
    )


_Weight = Callable[[KeyMeasurement], float | None]
_WEIGHTS: tuple[tuple[str, _Weight, bool], ...] = (
    ("down", lambda key: key.down_weight_g, False),
    ("up", lambda key: key.up_weight_g, False),
    ("friction", lambda key: key.friction_g, False),
    ("balance", lambda key: key.balance_weight_g, False),
    ("dip", lambda key: key.key_dip_mm, True),
)
"""Word, value, and whether it is a length."""


def _weights(say: Say, weights: HandSet) -> list[Block]:
    """Weights and dip of each key, and their medians; columns without a value are left out."""
    columns = [
        column for column in _WEIGHTS if any(column[1](key) is not None for key in weights.keys)
    ]

    def cell(value: float | None, *, is_length: bool) -> Cell:
        if value is None:
            return number_cell("")
        if is_length:
            return number_cell(say.length(value))
        return number_cell(say.quantity(value, "g", decimals=1))

    middle = [text_cell(say.text("worksheet.median", count=len(weights.keys)))]
    for _, value_of, is_length in columns:
        known = [value for key in weights.keys if (value := value_of(key)) is not None]
        middle.append(cell(median(known), is_length=is_length))
    rows = [
        (
            text_cell(note_name(key.midi)),
            *(cell(value_of(key), is_length=is_length) for _, value_of, is_length in columns),
        )
        for key in sorted(weights.keys, key=lambda key: key.midi)
    ]
    day = say.day(weights.measured_at)
    caption = (
        say.text("worksheet.weights_caption", title=typed(weights.title), day=day)
        if weights.title.strip()
        else say.text("worksheet.weights_caption_bare", day=day)
    )
    return [
        Heading(text=say.text("worksheet.weights")),
        Table(
            caption=caption,
            head=(
                (say.text("worksheet.key"),),
                *((say.text(f"worksheet.{name}"),) for name, _, _ in columns),
            ),
            rows=(tuple(middle), *rows),
        ),
    ]

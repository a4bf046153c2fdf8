"""What stands on the sheets, held against the library's own figures."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from invented import invent_strikes, join

from toneapp.keyboard import KeyboardLayout
from toneapp.library import (
    Instrument,
    Library,
    Purpose,
    Run,
    RunOfInstrument,
    Worklist,
    compare_instruments,
    instruments_json,
)
from toneapp.results import RunResult
from toneapp.sheets import (
    Sheet,
    SheetSettings,
    comparison_sheet,
    make_comparison,
    make_worklist,
    make_worksheet,
    worklist_sheet,
)
from toneapp.sheets.blocks import (
    Bullets,
    Chart,
    Heading,
    Listening,
    Notice,
    Paragraph,
    Table,
    Ticks,
    plain,
)
from toneapp.sheets.figures import Figure
from toneapp.wording import quantity_text


def sentences(sheet: Sheet) -> list[str]:
    return [
        plain(item)
        for block in sheet.blocks
        if isinstance(block, Bullets | Notice)
        for item in block.items
    ]


def the(sheet: Sheet, *parts: str) -> str:
    """The one sentence that has all the parts."""
    (found,) = [text for text in sentences(sheet) if all(part in text for part in parts)]
    return found


def tables(sheet: Sheet) -> list[Table]:
    return [block for block in sheet.blocks if isinstance(block, Table)]


def test_the_longer_sustain_is_said_with_its_size(comparison: Sheet, workshop: Library) -> None:
    upright, grand = (
        {n.midi: n.sustain_20db_s for n in workshop.run_with_result(run_id).result.notes}
        for run_id in (1, 3)
    )
    difference = np.array([(grand[m] or 0.0) - (upright[m] or 0.0) for m in range(60, 84)])
    size = quantity_text(
        float(difference.mean()), "s", decimals=2,
        se=float(difference.std(ddof=1)) / 24**0.5,
    )  # fmt: skip
    assert the(comparison, "In the two octaves above middle C", "keeps sounding") == (
        "In the two octaves above middle C, Small grand (B) keeps sounding "
        f"{size} longer than Old upright (A) (20 dB, mean of 24 keys)."
    )


def test_the_figures_are_those_of_the_library(comparison: Sheet, workshop: Library) -> None:
    theirs = instruments_json(workshop.compare_instruments([1, 3]))
    _, figures, differences = tables(comparison)
    assert len(figures.rows) == len(theirs["figures"])
    for row, entry in zip(figures.rows, theirs["figures"], strict=True):
        for cell, value in zip(row[1:], entry["values"], strict=True):
            (figure,) = cell.text
            assert isinstance(figure, Figure)
            assert (figure.value, figure.low, figure.high) == (
                value["value"], value["low"], value["high"],
            )  # fmt: skip
            if value["value"] is not None:
                assert figure.text.startswith(
                    quantity_text(
                        value["value"],
                        "",
                        decimals={"dB": 1, "cents": 1, "": 0}.get(entry["unit"], 2),
                    )
                )
    for row, entry in zip(differences.rows, theirs["differences_to_first"], strict=True):
        (figure,) = row[1].text
        value = entry["values"][0]
        assert isinstance(figure, Figure)
        if value is None:
            assert figure.value is None
        elif entry["unit"] == "ln ratio":
            assert figure.unit == "%"
            assert figure.value == pytest.approx(100 * (np.exp(value["value"]) - 1))
            assert figure.low == pytest.approx(100 * (np.exp(value["low"]) - 1))
        else:
            assert (figure.value, figure.low) == (value["value"], value["low"])


def test_what_cannot_be_compared_is_said(comparison: Sheet, hostile: Sheet) -> None:
    assert the(comparison, "Loudness is not compared").startswith(
        "Loudness is not compared. Not calibrated in sound pressure level: A, B"
    )
    assert the(hostile, "The place differs")
    assert the(hostile, "The microphone differs")
    assert not [text for text in sentences(comparison) if "is brighter than" in text]
    (notice,) = [block for block in comparison.blocks if isinstance(block, Notice)]
    assert "cannot be compared" in notice.title


def test_what_was_not_measured_or_judged_is_not_said_to_be_alike(
    settings: SheetSettings, today: date
) -> None:
    strikes = invent_strikes(np.random.default_rng(1))
    few = join([s for s in strikes if s.midi in (50, 55, 60)], layout=KeyboardLayout())
    full = join(strikes, layout=KeyboardLayout())
    sheet = comparison_sheet(
        compare_instruments([_item(1, few), _item(2, full)]), settings, today=today
    )
    assert the(sheet, "Evenness of brightness is not compared", "Piano 1 (A): not measured")
    assert not [text for text in sentences(sheet) if "cannot be told apart" in text]
    assert the(sheet, "Notes that leave").endswith("Piano 1 (A): not judged, Piano 2 (B): 0.")
    rows = {plain(row[0].text): plain(row[1].text) for row in tables(sheet)[1].rows}
    assert rows["Notes off the trend"] == "not measured"


def _item(number: int, result: RunResult, *, name: str = "") -> RunOfInstrument:
    return RunOfInstrument(
        instrument=Instrument(name=name or f"Piano {number}", id=number),
        run=Run(instrument_id=number, id=number, recorded_at="2024-05-01"),
        result=result,
    )


def test_calibrated_runs_have_their_level_compared(today: date) -> None:
    rng = np.random.default_rng(3)
    results = [
        replace(join(invent_strikes(rng), layout=KeyboardLayout()), calibration_db=94.0)
        for _ in range(2)
    ]
    comparison = compare_instruments([_item(n, r) for n, r in enumerate(results, 1)])
    sheet = comparison_sheet(comparison, SheetSettings(), today=today)
    assert the(sheet, "All runs are calibrated")
    assert not [text for text in sentences(sheet) if "Loudness is not compared" in text]
    assert any(plain(row[0].text) == "Level, dB SPL" for row in tables(sheet)[1].rows)


def test_held_and_short_blows_are_not_compared_in_words(today: date) -> None:
    rng = np.random.default_rng(3)
    first, second = (join(invent_strikes(rng), layout=KeyboardLayout()) for _ in range(2))
    longer = replace(
        second,
        notes=tuple(replace(n, sustain_20db_s=3 * (n.sustain_20db_s or 1)) for n in second.notes),
    )
    one, other = _item(1, first), _item(2, longer)
    short = replace(other, run=replace(other.run, purpose=Purpose.RING_ON))
    alike = comparison_sheet(compare_instruments([one, other]), SheetSettings(), today=today)
    mixed = comparison_sheet(compare_instruments([one, short]), SheetSettings(), today=today)
    assert [text for text in sentences(alike) if "keeps sounding" in text]
    assert not [text for text in sentences(mixed) if "keeps sounding" in text]
    assert the(mixed, "recorded for different purposes, with held and with short blows")


def test_runs_in_which_little_was_measured_make_a_sheet(today: date) -> None:
    bare = RunResult(sample_rate_hz=48_000, duration_s=1.0, a4_reference_hz=440.0)
    comparison = compare_instruments([_item(1, bare), _item(2, bare)])
    sheet = comparison_sheet(comparison, SheetSettings(), today=today)
    assert the(sheet, "Not compared, since it was not measured")
    charts = [block for block in sheet.blocks if isinstance(block, Chart)]
    assert all(chart.table.rows == () for chart in charts)


def test_runs_of_the_same_name_are_told_apart(workshop: Library, today: date) -> None:
    sheet = make_comparison(workshop, [1, 2], SheetSettings(), today=today)
    assert plain(sheet.title) == "Comparison of 2 runs"
    assert "Old upright, before refacing (A), Old upright, after refacing (B)" in plain(
        sheet.subtitle
    )


def test_a_page_with_sound_has_the_runs_in_their_order(comparison: Sheet) -> None:
    (listening,) = [block for block in comparison.blocks if isinstance(block, Listening)]
    assert [plain(name) for name in listening.names] == ["A  Old upright", "B  Small grand"]
    assert listening.labels == ("A", "B")


def test_the_changed_notes_and_the_gain_are_named(change: Sheet) -> None:
    assert the(change, "Brightness: 5 of 54 keys changed") == (
        "Brightness: 5 of 54 keys changed; risen at A3, A4; fallen at D3, D#4, E5."
    )
    assert the(change, "more even in brightness than before")
    assert the(change, "leave the instrument's own trend").startswith(
        "Notes that leave the instrument's own trend: 5 before, 0 after."
    )
    (listening,) = [block for block in change.blocks if isinstance(block, Listening)]
    singles = [clip.midis[0] for clip in listening.clips.clips if not clip.is_scale]
    assert singles == [50, 57, 63, 69, 76]


def test_the_worklist_warns_first_and_goes_from_look_to_undo_to_last(
    workshop: Library, settings: SheetSettings, today: date
) -> None:
    sheet = make_worklist(workshop, 1, settings, today=today)
    worklist = workshop.worklist(1)
    kinds = [type(block) for block in sheet.blocks]
    assert kinds.index(Notice) < kinds.index(Ticks)
    notice = next(block for block in sheet.blocks if isinstance(block, Notice))
    cautions = [plain(item) for item in notice.items]
    assert {text for entry in worklist.entries for text in entry.cautions} < set(cautions)
    assert cautions[-1] == worklist.defer
    ticks = next(block for block in sheet.blocks if isinstance(block, Ticks))
    assert [(t.key, plain(t.reason)) for t in ticks.items] == [
        (entry.note, entry.reason) for entry in worklist.entries
    ]
    assert len(ticks.items) >= 6
    heads = [b.text for b in sheet.blocks if isinstance(b, Heading) and b.level == 4]
    assert heads[:3] == [
        "Look first at", "Then, what can be undone", "Last, what cannot be undone",
    ]  # fmt: skip
    assert sheet.is_large


def test_done_entries_are_ticked(workshop: Library, settings: SheetSettings, today: date) -> None:
    item = workshop.run_with_result(1)
    worklist = workshop.worklist(1)
    first = replace(worklist.entries[0], is_done=True, done_note="shaped\u202e")
    done = Worklist(entries=(first, *worklist.entries[1:]), judged=54, defer=worklist.defer)
    sheet = worklist_sheet(item, done, settings, today=today)
    ticks = next(block for block in sheet.blocks if isinstance(block, Ticks))
    assert [tick.is_done for tick in ticks.items[:2]] == [True, False]
    assert plain(ticks.items[0].done_note) == "Done: shaped"
    assert ticks.items[0].steps == ()


@pytest.mark.parametrize(("judged", "part"), [(54, "Nothing to do: all 54"), (0, "no note")])
def test_an_empty_worklist_says_why(
    judged: int, part: str, workshop: Library, settings: SheetSettings, today: date
) -> None:
    empty = Worklist(entries=(), judged=judged, defer="")
    sheet = worklist_sheet(workshop.run_with_result(2), empty, settings, today=today)
    (first, *_) = [block for block in sheet.blocks if isinstance(block, Paragraph)]
    assert part in plain(first.text)


def test_the_worksheet_has_its_items_and_weights(
    workshop: Library, settings: SheetSettings, today: date
) -> None:
    inches = replace(settings, lengths_name="inch")
    sheet = make_worksheet(workshop, 1, inches, today=today)
    items = workshop.worksheets.items(1)
    ticks = [tick for block in sheet.blocks if isinstance(block, Ticks) for tick in block.items]
    assert len(ticks) == len(items)
    (table,) = tables(sheet)
    rows = {plain(row[0].text): [plain(cell.text) for cell in row[1:]] for row in table.rows}
    # Friction (D - U) / 2 and balance weight (D + U) / 2; 10.1 mm / 25.4 = 0.40 in.
    assert rows["C4"] == ["52.0 g", "24.0 g", "14.0 g", "38.0 g", "0.40 in"]
    assert rows["D4"] == ["50.0 g", "22.0 g", "14.0 g", "36.0 g", ""]
    # The usual dangers stand before the work, and the last word has a technician.
    kinds = [type(block) for block in sheet.blocks]
    assert kinds.index(Notice) < kinds.index(Ticks)
    said = " ".join(sentences(sheet))
    assert all(word in said for word in ("string", "tilter", "dust mask", "undone"))
    assert "qualified piano technician" in sentences(sheet)[-1]


def test_a_worksheet_without_items_says_so(
    tmp_path: Path, settings: SheetSettings, today: date
) -> None:
    with Library(tmp_path / "library") as library:
        piano = library.instruments.add(Instrument(name="New"))
        sheet = make_worksheet(library, piano.id, settings, today=today)
    assert isinstance(sheet.blocks[0], Paragraph)
    assert "no item" in plain(sheet.blocks[0].text)

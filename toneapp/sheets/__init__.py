"""Sheets: comparison, before and after, worklist and worksheet, on paper and for the screen.

Three steps: `make_comparison` and its siblings take figures out of the library and put them into
a `Sheet` of words, tables and drawings (`toneapp.sheets.blocks`); `sheet_pdf` and `sheet_html` set
it; `write_sheet` writes the file. All words stand in ``words.toml``; whose letterhead, which paper
and which place in `SheetSettings`. Nothing here knows of a window.
"""

from __future__ import annotations

from toneapp.sheets.blocks import Sheet, figures_of
from toneapp.sheets.change import change_sheet
from toneapp.sheets.clips import ClipSet, RunSound, make_clips
from toneapp.sheets.comparison import comparison_sheet
from toneapp.sheets.drawing import Drawing, drawing_svg
from toneapp.sheets.html import sheet_html
from toneapp.sheets.making import (
    make_change,
    make_comparison,
    make_worklist,
    make_worksheet,
    run_sound,
)
from toneapp.sheets.pdf import drawing_pdf, drawing_png, sheet_pages, sheet_pdf
from toneapp.sheets.places import Lengths, Paper, load_places
from toneapp.sheets.settings import (
    SETTINGS_FILE,
    Letterhead,
    Logo,
    SheetSettings,
    load_settings,
    read_logo,
    save_settings,
    settings_text,
)
from toneapp.sheets.words import languages
from toneapp.sheets.work import worklist_sheet, worksheet_sheet
from toneapp.sheets.writing import (
    CHART_FORMS,
    is_page_for_screen,
    sheet_json,
    write_charts,
    write_sheet,
)

__all__ = [
    # out of the library
    "make_change",
    "make_comparison",
    "make_worklist",
    "make_worksheet",
    # out of results
    "ClipSet",
    "RunSound",
    "Sheet",
    "change_sheet",
    "comparison_sheet",
    "figures_of",
    "make_clips",
    "run_sound",
    "worklist_sheet",
    "worksheet_sheet",
    # onto paper and screen
    "CHART_FORMS",
    "Drawing",
    "drawing_pdf",
    "drawing_png",
    "drawing_svg",
    "is_page_for_screen",
    "sheet_html",
    "sheet_json",
    "sheet_pages",
    "sheet_pdf",
    "write_charts",
    "write_sheet",
    # settings
    "SETTINGS_FILE",
    "Lengths",
    "Letterhead",
    "Logo",
    "Paper",
    "SheetSettings",
    "languages",
    "load_places",
    "load_settings",
    "read_logo",
    "save_settings",
    "settings_text",
]

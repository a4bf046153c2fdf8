"""The library: instruments, runs, worksheets and comparisons, kept so that nothing is lost.

A folder with ``library.sqlite`` and ``audio/``. The standard library's sqlite3 is used and not
an object-relational layer: the care that counts here (one write transaction, the order of file
and row, a copy before a migration, waiting for others) is in SQL and pragmas anyway, rows become
frozen dataclasses in a few lines, and the program starts faster with one dependency fewer.

`Library` is the way in; the other names are what it takes and returns.
"""

from __future__ import annotations

from toneapp.library.archive_in import ArchiveView, OnDuplicate
from toneapp.library.comparing import (
    BeforeAfter,
    MeasureChange,
    RunOfInstrument,
    compare_before_after,
)
from toneapp.library.comparing_instruments import (
    InstrumentFigure,
    InstrumentsComparison,
    compare_instruments,
)
from toneapp.library.comparison_out import (
    before_after_csv,
    before_after_json,
    before_after_text,
    instruments_csv,
    instruments_json,
    instruments_text,
)
from toneapp.library.faults import LibraryConflict
from toneapp.library.hand import hand_csv, hand_text, parse_hand_table
from toneapp.library.library import Leftover, Library
from toneapp.library.measuring import Analyse, take_source
from toneapp.library.place import LIBRARY_VARIABLE, default_folder
from toneapp.library.rows import (
    Act,
    BinItem,
    EditAction,
    HandSet,
    Instrument,
    InstrumentKind,
    ItemState,
    KeyMeasurement,
    Purpose,
    Recording,
    Run,
    RunFigures,
    SearchHit,
    StrikeEdit,
    StrikeLabel,
    StringCount,
    Take,
    WorksheetItem,
)
from toneapp.library.templates import Template, TemplateItem, template_text
from toneapp.library.worklists import WorkEntry, Worklist, list_work, worklist_text
from toneapp.library.worksheets import worksheet_text
from toneapp.library.writer import Change

__all__ = [
    # the way in
    "LIBRARY_VARIABLE",
    "Change",
    "Leftover",
    "Library",
    "LibraryConflict",
    "default_folder",
    # rows
    "Act",
    "BinItem",
    "EditAction",
    "HandSet",
    "Instrument",
    "InstrumentKind",
    "ItemState",
    "KeyMeasurement",
    "Purpose",
    "Recording",
    "Run",
    "RunFigures",
    "SearchHit",
    "StrikeEdit",
    "StrikeLabel",
    "StringCount",
    "Take",
    "WorksheetItem",
    # measuring
    "Analyse",
    "take_source",
    # work
    "Template",
    "TemplateItem",
    "WorkEntry",
    "Worklist",
    "list_work",
    "template_text",
    "worklist_text",
    "worksheet_text",
    # hand measurements
    "hand_csv",
    "hand_text",
    "parse_hand_table",
    # comparison
    "BeforeAfter",
    "InstrumentFigure",
    "InstrumentsComparison",
    "MeasureChange",
    "RunOfInstrument",
    "before_after_csv",
    "before_after_json",
    "before_after_text",
    "compare_before_after",
    "compare_instruments",
    "instruments_csv",
    "instruments_json",
    "instruments_text",
    # archives
    "ArchiveView",
    "OnDuplicate",
]

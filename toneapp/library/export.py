"""How does everything in the library come out for a spreadsheet or another program?

One JSON file with all rows and measured values, and one table a subject. Sounds are left to the
archive.

Functions: `library_json`, `library_tables`, `table_csv`.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Any

from toneapp.library.archive import EXPORTED_COLUMNS, library_rows
from toneapp.library.database import Database
from toneapp.library.writer import now_text
from toneapp.pitch import note_name
from toneapp.tables import safe_cell

__all__ = ["LIBRARY_FORMAT", "library_json", "library_tables", "table_csv"]

LIBRARY_FORMAT = "toneapp-library/1"


def library_json(database: Database) -> bytes:
    """Write all rows and measured values as JSON text in UTF-8.

    Returns
    -------
    bytes
        An object with ``format``, ``made_at`` and ``instruments``; each row holds the rows that
        belong to it. What lies in the bin is left out.
    """
    rows = library_rows(database, None)
    for result in _results(rows):
        result["content"] = json.loads(result["content"])
    data = {"format": LIBRARY_FORMAT, "made_at": now_text(), "instruments": rows}
    return (json.dumps(data, ensure_ascii=False, indent=1) + "\n").encode("utf-8")


def library_tables(database: Database) -> dict[str, bytes]:
    """Write one table a subject.

    Returns
    -------
    dict of str to bytes
        CSV text by file name: instruments, runs, notes (all measured notes of all runs), worksheet
        and weights. UTF-8 with a mark at the start where texts of a person are in it, which
        spreadsheets need to read accents.
    """
    instruments = library_rows(database, None)
    runs = [(item, run) for item in instruments for run in item["run"]]
    notes: list[list[Any]] = []
    note_columns: list[str] = []
    for item, run in runs:
        for take in run["take"]:
            for result in take["result"][-1:]:
                for note in json.loads(result["content"])["notes"]:
                    note_columns = note_columns or list(note)
                    head = [item["name"], run["condition"], run["recorded_at"], take["number"]]
                    notes.append(head + [_plain(note.get(name)) for name in note_columns])
    instrument_columns = EXPORTED_COLUMNS["instrument"]
    run_columns = EXPORTED_COLUMNS["run"]
    item_columns = EXPORTED_COLUMNS["worksheet_item"]
    key_columns = EXPORTED_COLUMNS["hand_value"]
    return {
        "instruments.csv": table_csv(
            instrument_columns,
            ([item[name] for name in instrument_columns] for item in instruments),
        ),
        "runs.csv": table_csv(
            ("instrument", *run_columns),
            ([item["name"], *(run[name] for name in run_columns)] for item, run in runs),
        ),
        "notes.csv": table_csv(
            ("instrument", "condition", "recorded_at", "take", *note_columns), notes
        ),
        "worksheet.csv": table_csv(
            ("instrument", *item_columns),
            (
                [item["name"], *(line[name] for name in item_columns)]
                for item in instruments
                for line in item["worksheet_item"]
            ),
        ),
        "weights.csv": table_csv(
            ("instrument", "title", "measured_at", "note", *key_columns),
            (
                [item["name"], sitting["title"], sitting["measured_at"], note_name(key["midi"])]
                + [key[name] for name in key_columns]
                for item in instruments
                for sitting in item["hand_set"]
                for key in sitting["hand_value"]
            ),
        ),
    }


def table_csv(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    """Write a table: commas, decimal point, empty for unknown, lines ended by CR LF."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    table = text.getvalue()
    # The mark tells a spreadsheet of letters beyond ASCII; unneeded, it spoils the first header.
    return table.encode("ascii" if table.isascii() else "utf-8-sig")


def _results(rows: Iterable[dict[str, Any]]) -> Iterable[dict[str, Any]]:
    for item in rows:
        for run in item["run"]:
            for take in run["take"]:
                yield from take["result"]


def _plain(value: Any) -> Any:
    return " ".join(map(str, value)) if isinstance(value, list) else value


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return format(Decimal(repr(value)), "f")
    return safe_cell(str(value))

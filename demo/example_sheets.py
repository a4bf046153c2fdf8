"""Example sheets of the invented workshop.

``python demo/example_sheets.py [FOLDER]`` simulates and measures its runs (a few minutes) and
writes every kind of sheet, for paper and for the screen, and all charts into the folder
(``demo/output`` without one). The library stays in it, so that a second call only writes the
sheets again.
"""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path

from toneapp.desktop.example_workshop import EXAMPLE_RUNS, ExampleRun, build_example
from toneapp.library import Library, Purpose
from toneapp.measured_library import analyse_with
from toneapp.sheets import (
    Letterhead,
    Sheet,
    SheetSettings,
    make_change,
    make_comparison,
    make_worklist,
    make_worksheet,
    write_charts,
    write_sheet,
)

MADE = date(2024, 5, 2)

FOR_SALE = ExampleRun(
    instrument="Small grand",
    condition="for sale",
    purpose=Purpose.EVENNESS,
    recorded_at="2024-04-20T10:00:00Z",
    draw=5,
    is_after=True,
)
"""Held notes, to be compared with the upright's."""

SETTINGS = SheetSettings(
    letterhead=Letterhead(
        workshop="Workshop by the river",
        address=("1 River Lane", "Invented Town"),
        contact="telephone 000 000",
    )
)


def main(folder: Path) -> None:
    """Write the sheets into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    with Library(folder / "library") as library:
        runs = library.runs.all()
        if not runs:
            print("Simulating and measuring the workshop ...")
            build_example(
                library,
                analyse_with(1),
                progress=lambda _share: None,
                runs=(*EXAMPLE_RUNS, FOR_SALE),
            )
            runs = library.runs.all()
        before, after, leaking, fitted, for_sale = (run.id for run in runs)
        if not library.worksheets.items(runs[0].instrument_id):
            library.worksheets.begin(runs[0].instrument_id, library.templates()["upright"])
            library.raise_items(before)
        upright = runs[0].instrument_id

        def both(name: str, *, has_sound: bool) -> Sheet:
            if name == "comparison":
                return make_comparison(
                    library, [after, for_sale], SETTINGS, today=MADE, has_sound=has_sound
                )
            ids = (before, after) if name == "before-after" else (leaking, fitted)
            return make_change(library, *ids, SETTINGS, today=MADE, has_sound=has_sound)

        for name in ("comparison", "before-after", "dampers-before-after"):
            write_sheet(both(name, has_sound=False), SETTINGS, folder / f"{name}.pdf")
            sheet = both(name, has_sound=True)
            write_sheet(sheet, SETTINGS, folder / f"{name}.html")
            write_charts(sheet, folder / f"{name}-charts", form="svg")
        for name, sheet in (
            ("worklist", make_worklist(library, before, SETTINGS, today=MADE)),
            ("damper-worklist", make_worklist(library, leaking, SETTINGS, today=MADE)),
            ("worksheet", make_worksheet(library, upright, SETTINGS, today=MADE)),
        ):
            for ending in ("pdf", "html"):
                write_sheet(sheet, SETTINGS, folder / f"{name}.{ending}")
    print(f"The sheets are in {folder}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "output")

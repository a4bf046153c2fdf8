"""Into which files does a sheet go?

Functions: `write_sheet`, `write_charts`, `sheet_json`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from toneapp.errors import InputError, OutputError
from toneapp.saving import write_atomically
from toneapp.sheets.blocks import (
    Block,
    Bullets,
    Chart,
    Heading,
    Listening,
    Notice,
    Paragraph,
    Rich,
    Sheet,
    Table,
    Ticks,
    plain,
)
from toneapp.sheets.drawing import drawing_svg
from toneapp.sheets.figures import Figure
from toneapp.sheets.html import sheet_html
from toneapp.sheets.pdf import drawing_pdf, drawing_png, sheet_pdf
from toneapp.sheets.settings import SheetSettings

__all__ = ["CHART_FORMS", "SHEET_FORMAT", "is_page_for_screen", "sheet_json", "write_charts",
           "write_sheet"]  # fmt: skip

SHEET_FORMAT = "toneapp-sheet/1"

CHART_FORMS = ("svg", "png", "pdf")

_SCREEN_ENDINGS = (".html", ".htm")


def is_page_for_screen(path: str | Path) -> bool:
    """Tell whether a file name asks for HTML (which can have sound) or PDF.

    Raises
    ------
    InputError
        If it asks for neither.
    """
    ending = Path(path).suffix.lower()
    if ending not in (".pdf", *_SCREEN_ENDINGS):
        raise InputError(f"{path} names no kind of sheet; let it end in .pdf or .html")
    return ending in _SCREEN_ENDINGS


def write_sheet(sheet: Sheet, settings: SheetSettings, path: str | Path) -> None:
    """Write a sheet as PDF or HTML, by the ending of the name.

    Raises
    ------
    InputError
        If the name ends otherwise, or the logo is damaged.
    OutputError
        If the file cannot be written; an earlier one is still there.
    """
    is_screen = is_page_for_screen(path)
    content = sheet_html(sheet, settings) if is_screen else sheet_pdf(sheet, settings)
    write_atomically(path, content)


def write_charts(sheet: Sheet, folder: str | Path, *, form: str = "svg") -> tuple[Path, ...]:
    """Write every chart of a sheet as a file of its own.

    Parameters
    ----------
    sheet : Sheet
    folder : str or Path
        Made if it is not there.
    form : str
        One of `CHART_FORMS`.

    Returns
    -------
    tuple of Path
        The files; empty when the sheet has no chart.

    Raises
    ------
    InputError
        If the form is not known.
    OutputError
        If a file cannot be written.
    """
    if form not in CHART_FORMS:
        raise InputError(f"charts are written as {', '.join(CHART_FORMS)}, not as {form!r}")
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise OutputError(
            f"the folder {folder} cannot be made: {exc.strerror}; choose another"
        ) from exc
    paths = []
    for block in sheet.blocks:
        if isinstance(block, Chart):
            if form == "svg":
                content = drawing_svg(block.drawing, alt=block.alt).encode("utf-8")
            elif form == "png":
                content = drawing_png(block.drawing)
            else:
                content = drawing_pdf(block.drawing)
            paths.append(folder / f"{block.name}.{form}")
            write_atomically(paths[-1], content)
    return tuple(paths)


def sheet_json(sheet: Sheet) -> dict[str, Any]:
    """Turn a sheet into the objects of JSON.

    Returns
    -------
    dict
        Each figure as its text on the sheet with the numbers behind it; null is not measured.
    """
    return {
        "format": SHEET_FORMAT,
        "kind": sheet.kind,
        "title": plain(sheet.title),
        "subtitle": plain(sheet.subtitle),
        "made": sheet.made,
        **dict(sheet.facts),
        "blocks": [_block(block) for block in sheet.blocks],
    }


def _block(block: Block) -> dict[str, Any]:
    if isinstance(block, Heading):
        return {"kind": "heading", "text": block.text}
    if isinstance(block, Paragraph):
        return {"kind": "paragraph", **_rich(block.text)}
    if isinstance(block, Bullets):
        return {"kind": "sentences", "items": [_rich(item) for item in block.items]}
    if isinstance(block, Notice):
        items = [_rich(item) for item in block.items]
        return {"kind": "notice", "title": block.title, "items": items}
    if isinstance(block, Table):
        return {"kind": "table", **_table(block)}
    if isinstance(block, Chart):
        return {
            "kind": "chart",
            "name": block.name,
            "title": block.drawing.title,
            "values": _table(block.table),
        }
    if isinstance(block, Ticks):
        items = [
            {
                "key": item.key,
                "title": plain(item.title),
                "reason": _rich(item.reason),
                "steps": [plain(step) for step in item.steps],
                "is_done": item.is_done,
                "done": plain(item.done_note),
            }
            for item in block.items
        ]
        return {"kind": "work", "items": items}
    return _listening(block)


def _listening(block: Listening) -> dict[str, Any]:
    return {
        "kind": "sounds",
        "target_lkfs": block.clips.target_lkfs,
        "clips": [
            {
                "name": clip.name,
                "midi": list(clip.midis),
                "duration_s": clip.duration_s,
                "gains_db": [version.gain_db for version in clip.versions],
                "bytes": [len(version.content) for version in clip.versions],
            }
            for clip in block.clips.clips
        ],
    }


def _table(table: Table) -> dict[str, Any]:
    return {
        "caption": table.caption,
        "head": [plain(head) for head in table.head],
        "rows": [[_rich(cell.text) for cell in row] for row in table.rows],
    }


def _rich(text: Rich) -> dict[str, Any]:
    found: dict[str, Any] = {"text": plain(text)}
    figures = [
        {
            "text": part.text,
            "value": part.value,
            "unit": part.unit,
            "se": part.se,
            "low": part.low,
            "high": part.high,
        }
        for part in text
        if isinstance(part, Figure)
    ]
    if figures:
        found["figures"] = figures
    return found

"""How does a sheet become a PDF, and a drawing a picture?

Paper is set by Typst (the library ``typst``): from one layout file (``sheet.typ``) and the sheet
as data it makes a tagged, accessible PDF with embedded fonts and page numbers, and from a
drawing's SVG a PNG or a PDF. No text of the sheet is read as markup, and nothing is fetched.

Functions: `sheet_pdf`, `sheet_pages`, `drawing_png`, `drawing_pdf`.

References
----------
.. [1] ISO 14289-1:2014, Electronic document file format enhancement for accessibility (PDF/UA-1).
"""

from __future__ import annotations

import json
import logging
from importlib.resources import as_file, files
from typing import Any, Final, Literal

from toneapp.errors import InputError
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
from toneapp.sheets.drawing import Drawing, drawing_svg
from toneapp.sheets.figures import Figure
from toneapp.sheets.places import MM_PER_INCH, Paper
from toneapp.sheets.settings import Letterhead, SheetSettings
from toneapp.sheets.typed import Typed, isolated, shortened
from toneapp.sheets.words import Say

__all__ = ["drawing_pdf", "drawing_png", "sheet_pages", "sheet_pdf"]

logger = logging.getLogger(__name__)

ACCESSIBLE: Final = "ua-1"

_ATTEMPTS = ((False, True), (True, True), (True, False))
"""Fonts of the system as well, and held to PDF/UA-1: first as strict as can be."""

_PICTURE = """
#set page(width: auto, height: auto, margin: 9pt)
#set document(title: sys.inputs.title)
#set text(font: ("Inter", "DejaVu Sans"))
#image(bytes(sys.inputs.svg), format: "svg", alt: sys.inputs.title)
"""

_INCHES_WIDE = {Paper.A4: 210.0 / MM_PER_INCH, Paper.LETTER: 8.5}  # ISO 216; ANSI/ASME Y14.1

_UNITS_PER_INCH = 96.0  # SVG's own unit
_MARGIN_UNITS = 12.0  # the 9 pt of `_PICTURE`


def sheet_pdf(sheet: Sheet, settings: SheetSettings) -> bytes:
    """Set a sheet on paper.

    Parameters
    ----------
    sheet : Sheet
    settings : SheetSettings
        Letterhead, paper and language.

    Returns
    -------
    bytes
        A tagged PDF; it conforms to PDF/UA-1 [1]_ unless it holds a letter for which neither the
        fonts of the package nor those of the system have a shape.

    Raises
    ------
    InputError
        If the picture of the logo is damaged.
    """
    return _set(sheet, settings, form="pdf")[0]


def sheet_pages(sheet: Sheet, settings: SheetSettings, *, pixels_wide: int) -> tuple[bytes, ...]:
    """Set a sheet as one PNG picture a page, as it will look on paper.

    Parameters
    ----------
    sheet : Sheet
    settings : SheetSettings
        Letterhead, paper and language.
    pixels_wide : int
        Width of each picture, about.

    Returns
    -------
    tuple of bytes
        In the order of the pages.

    Raises
    ------
    InputError
        If the picture of the logo is damaged.
    """
    per_inch = pixels_wide / _INCHES_WIDE[settings.paper]
    return tuple(_set(sheet, settings, form="png", per_inch=per_inch))


def _set(
    sheet: Sheet,
    settings: SheetSettings,
    *,
    form: Literal["pdf", "png"],
    per_inch: float | None = None,
) -> list[bytes]:
    source = files("toneapp.sheets").joinpath("sheet.typ").read_bytes()
    data = json.dumps(_sheet_data(sheet, settings), ensure_ascii=False)
    try:
        return _compiled(source, {"data": data}, form=form, per_inch=per_inch)
    except _SettingError as exc:
        if settings.letterhead.logo is not None and "image" in str(exc):
            raise InputError(
                f"the logo {settings.letterhead.logo_file} cannot be drawn; save it again as PNG"
            ) from exc
        raise


def drawing_png(drawing: Drawing, *, pixels_wide: int = 1520) -> bytes:
    """Draw a drawing as a PNG picture of about a width, in pixels."""
    inputs = {"svg": drawing_svg(drawing), "title": drawing.title}
    per_inch = _UNITS_PER_INCH * pixels_wide / (drawing.width + 2 * _MARGIN_UNITS)
    return _compiled(_PICTURE.encode("utf-8"), inputs, form="png", per_inch=per_inch)[0]


def drawing_pdf(drawing: Drawing) -> bytes:
    """Draw a drawing as a PDF of its size."""
    inputs = {"svg": drawing_svg(drawing), "title": drawing.title}
    return _compiled(_PICTURE.encode("utf-8"), inputs, form="pdf")[0]


class _SettingError(RuntimeError):
    """The layout could not be carried out."""


def _compiled(
    source: bytes,
    inputs: dict[str, str],
    *,
    form: Literal["pdf", "png"],
    per_inch: float | None = None,
) -> list[bytes]:
    """Set with our own fonts; where they lack a letter, with those of the system as well.

    One file a page, or the one PDF.
    """
    import typst

    with as_file(files("toneapp.sheets").joinpath("fonts")) as folder:
        for has_system_fonts, is_accessible in _ATTEMPTS if form == "pdf" else _ATTEMPTS[-1:]:
            fonts = typst.Fonts(
                include_system_fonts=has_system_fonts,
                include_embedded_fonts=False,
                font_paths=[str(folder)],
            )
            try:
                made = typst.compile(
                    source,
                    format=form,
                    ppi=per_inch,
                    font_paths=fonts,
                    sys_inputs=inputs,
                    pdf_standards=ACCESSIBLE if is_accessible else [],
                )
            except typst.TypstError as exc:
                if is_accessible and "could not be displayed" in exc.message:
                    logger.debug("a letter is missing: %s", exc.message)
                    continue
                raise _SettingError(f"{exc.message} {exc.diagnostic}") from exc
            pages: bytes | list[bytes] = made  # one by itself, several as a list
            return [pages] if isinstance(pages, bytes) else pages
    raise AssertionError("the last attempt asks for no standard")


def _sheet_data(sheet: Sheet, settings: SheetSettings) -> dict[str, Any]:
    say = Say(settings)
    head = settings.letterhead
    title = plain(sheet.title)
    return {
        "title": title,
        "title_parts": _rich(sheet.title),
        "subtitle": _rich(sheet.subtitle),
        "subject": sheet.subject,
        "author": head.workshop or "toneapp",
        "keywords": ["piano", sheet.kind],
        "made": sheet.made,
        "foot": isolated(plain((Typed(text=shortened(title, 80)),))),
        "page_pattern": say.words.pattern("common.page"),
        "written": say.text("work.written"),
        "paper": str(settings.paper),
        "language": settings.language,
        "is_large": sheet.is_large,
        "letterhead": None if head.is_empty else _letterhead(head),
        "blocks": [_block(block, say) for block in sheet.blocks],
    }


def _letterhead(head: Letterhead) -> dict[str, Any]:
    logo = None
    if head.logo is not None:
        logo = {
            "content": list(head.logo.content),
            "form": head.logo.form,
            "alt": head.workshop or "Logo",
        }
    return {
        "workshop": isolated(head.workshop),
        "address": [isolated(line) for line in head.address],
        "contact": isolated(head.contact),
        "logo": logo,
    }


def _block(block: Block, say: Say) -> dict[str, Any]:
    if isinstance(block, Heading):
        return {"kind": "heading", "text": isolated(block.text), "level": block.level}
    if isinstance(block, Paragraph):
        return {"kind": "paragraph", "text": _rich(block.text), "is_small": block.is_small}
    if isinstance(block, Bullets):
        return {
            "kind": "bullets",
            "items": [_rich(item) for item in block.items],
            "is_small": block.is_small,
        }
    if isinstance(block, Notice):
        items = [_rich(item) for item in block.items]
        return {"kind": "notice", "title": block.title, "items": items}
    if isinstance(block, Table):
        return {"kind": "table", **_table(block)}
    if isinstance(block, Chart):
        return {
            "kind": "chart",
            "svg": drawing_svg(block.drawing),
            "alt": block.alt,
            "caption": _rich(block.caption),
        }
    if isinstance(block, Ticks):
        return {
            "kind": "ticks",
            "has_line": block.has_writing_line,
            "items": [
                {
                    "key": item.key,
                    "title": _rich(item.title),
                    "reason": _rich(item.reason),
                    "steps": [_rich(step) for step in item.steps],
                    "is_done": item.is_done,
                    "done": _rich(item.done_note),
                }
                for item in block.items
            ],
        }
    assert isinstance(block, Listening)
    return {"kind": "paragraph", "text": [say.text("listen.paper")], "is_small": False}


def _table(table: Table) -> dict[str, Any]:
    return {
        "caption": table.caption,
        "head": [_rich(head) for head in table.head],
        "rows": [
            [{"text": _rich(cell.text), "is_number": cell.is_number} for cell in row]
            for row in table.rows
        ],
        "note": _rich(table.note),
    }


def _rich(text: Rich) -> list[str | dict[str, str]]:
    parts: list[str | dict[str, str]] = []
    for part in text:
        if isinstance(part, Figure):
            parts.append({"kind": "figure", "text": part.text})
        elif isinstance(part, Typed):
            parts.append({"kind": "typed", "text": isolated(part.text)})
        else:
            parts.append(part)
    return parts

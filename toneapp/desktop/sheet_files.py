"""How is a sheet made, shown and kept, off the GUI thread?

Functions: `make_sheet`, `preview_pages`, `save_sheet`, `save_charts`, `keep_settings`,
`keep_letterhead`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

from toneapp.desktop.sheet_choice import SheetKind, Wish
from toneapp.library import Library
from toneapp.saving import write_atomically
from toneapp.sheets import (
    Letterhead,
    Sheet,
    SheetSettings,
    is_page_for_screen,
    make_change,
    make_comparison,
    make_worklist,
    make_worksheet,
    read_logo,
    save_settings,
    sheet_pages,
    write_charts,
    write_sheet,
)

__all__ = [
    "keep_letterhead",
    "keep_settings",
    "make_sheet",
    "preview_pages",
    "save_charts",
    "save_sheet",
]

LOGO_STEM = "letterhead-logo"

_CUTTING = 0.9
"""Share of the progress for cutting the sound; the rest is setting the sheet."""

Progress = Callable[[float], None]


def make_sheet(
    library: Library,
    wish: Wish,
    settings: SheetSettings,
    *,
    has_sound: bool = False,
    progress: Progress | None = None,
) -> Sheet:
    """Make the sheet that is wanted.

    Raises
    ------
    ToneappError
        If it cannot be made, with a sentence that says why.
    """
    today = date.today()
    if wish.kind is SheetKind.COMPARISON:
        return make_comparison(
            library, wish.run_ids, settings, today=today, has_sound=has_sound, progress=progress
        )
    if wish.kind is SheetKind.CHANGE:
        return make_change(
            library, wish.before_id, wish.after_id, settings, today=today, has_sound=has_sound,
            progress=progress,
        )  # fmt: skip
    if wish.kind is SheetKind.WORKLIST:
        return make_worklist(library, wish.run_id, settings, today=today)
    return make_worksheet(library, wish.instrument_id, settings, today=today)


def preview_pages(
    library: Library, wish: Wish, settings: SheetSettings, *, pixels_wide: int
) -> tuple[bytes, ...]:
    """Make a sheet and draw its pages, as PNG."""
    return sheet_pages(make_sheet(library, wish, settings), settings, pixels_wide=pixels_wide)


def save_sheet(
    library: Library,
    wish: Wish,
    settings: SheetSettings,
    path: str | Path,
    *,
    has_sound: bool,
    progress: Progress,
) -> Path:
    """Make a sheet and write it, as PDF or HTML by the ending of its name.

    Raises
    ------
    ToneappError
        If it cannot be made or written; an earlier file is still there.
    """
    is_screen = is_page_for_screen(path)
    progress(0.0)
    sheet = make_sheet(
        library,
        wish,
        settings,
        has_sound=has_sound and is_screen and wish.kind.has_sound,
        progress=lambda share: progress(_CUTTING * share),
    )
    progress(_CUTTING)
    write_sheet(sheet, settings, path)
    return Path(path)


def save_charts(
    library: Library,
    wish: Wish,
    settings: SheetSettings,
    folder: str | Path,
    *,
    form: str,
    progress: Progress,
) -> tuple[Path, ...]:
    """Make a sheet and write its charts into a folder."""
    progress(0.0)
    sheet = make_sheet(library, wish, settings)
    progress(0.5)
    return write_charts(sheet, folder, form=form)


def keep_settings(folder: Path, settings: SheetSettings) -> SheetSettings:
    """Write the settings of the sheets into the folder of the library.

    Raises
    ------
    InputError
        If a value is not known.
    OutputError
        If they cannot be written.
    """
    save_settings(folder, settings.checked())
    return settings


def keep_letterhead(
    folder: Path, settings: SheetSettings, letterhead: Letterhead, logo_path: str
) -> SheetSettings:
    """Write the letterhead into the settings; a new logo is copied beside them.

    Parameters
    ----------
    folder : Path
        Of the library.
    settings : SheetSettings
        With the letterhead of before.
    letterhead : Letterhead
        The new one, with the logo that stays, if one does.
    logo_path : str
        A new logo; empty for none.

    Raises
    ------
    InputError
        If the logo is missing, too large, or no picture of a known kind.
    OutputError
        If something cannot be written.
    """
    if logo_path:
        logo = read_logo(logo_path)
        name = f"{LOGO_STEM}.{logo.form}"
        write_atomically(folder / name, logo.content)
        letterhead = replace(letterhead, logo=logo, logo_file=name)
    return keep_settings(folder, replace(settings, letterhead=letterhead))

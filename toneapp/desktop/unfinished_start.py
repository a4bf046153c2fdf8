"""Was a recording left unfinished the last time? Then the program begins with it.

Functions: `offer_unfinished`.
"""

from __future__ import annotations

from pathlib import Path

from toneapp.desktop.main_window import MainWindow

__all__ = ["offer_unfinished"]

PAGE = "record"


def offer_unfinished(window: MainWindow) -> None:
    """Go to the page that offers unfinished runs, once a library with such a run is open."""
    seen: set[Path] = set()

    def look() -> None:
        library = window.model.library
        if library is None or library.folder in seen:
            return
        seen.add(library.folder)
        folder = library.folder

        def found(is_one: bool) -> None:
            if is_one:
                window.show_page(PAGE)

        window.model.tasks.start(lambda _progress: _holds_one(folder), on_done=found)

    window.model.library_changed.connect(look)


def _holds_one(library_folder: Path) -> bool:
    """Tell whether there may be one; the sound system is loaded only then."""
    from toneapp.library.place import recordings_folder

    folder = recordings_folder(library_folder)
    if not folder.is_dir() or not any(folder.iterdir()):
        return False
    from toneapp.audio.capture import find_unfinished

    return bool(find_unfinished(folder))

"""The program with its windows: colours, settings, and what happens to a fault.

``python -m toneapp.desktop [--library DIR]`` opens the window.

Classes and functions: `WindowApp`, `main`.
"""

from __future__ import annotations

import argparse
import logging
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType

from PySide6.QtCore import QObject
from PySide6.QtGui import QIcon
from PySide6.QtWidgets import QApplication

from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.models import AppModel
from toneapp.desktop.player import Player
from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import Theme
from toneapp.desktop.unfinished_start import offer_unfinished

__all__ = ["WindowApp", "main"]

logger = logging.getLogger(__name__)

ICON = Path(__file__).with_name("toneapp.png")


class WindowApp(QObject):
    """All windows of one process on one library.

    Parameters
    ----------
    application : QApplication
        Of the process.
    settings : Settings, optional
        What is remembered; the user's own by default.
    library_folder : Path, optional
        Instead of the one that is remembered.
    """

    def __init__(
        self,
        application: QApplication,
        *,
        settings: Settings | None = None,
        library_folder: Path | None = None,
    ) -> None:
        super().__init__(application)
        self.settings = settings or Settings()
        self.theme = Theme(
            self.settings.theme_mode, base_pt=self.settings.base_pt, parent=application
        )
        self.theme.apply(application)
        self.library_folder = library_folder or self.settings.library_folder
        self.windows: list[MainWindow] = []
        Player.device = self.settings.output_device

    def open_window(self) -> MainWindow:
        """Open the first window; the library comes a moment later."""
        window = self._new_window()
        window.show()
        offer_unfinished(window)
        window.model.open_library(self.library_folder)
        return window

    def open_another(self, first: MainWindow) -> MainWindow:
        """Open a second window on the library of the first, with the same instrument."""
        window = self._new_window()
        place = first.frameGeometry().topLeft()
        window.move(place.x() + 40, place.y() + 40)
        window.show()
        window.model.open_library(
            first.model.library.folder if first.model.library else self.library_folder
        )
        window.model.library_changed.connect(lambda: self._follow_once(first, window))
        return window

    def _follow_once(self, first: MainWindow, window: MainWindow) -> None:
        if window.model.instrument is None and not window.property("followed"):
            window.setProperty("followed", True)
            if first.model.run_id:
                window.model.choose_run(first.model.run_id)
            elif first.model.instrument_id:
                window.model.choose_instrument(first.model.instrument_id)

    def _new_window(self) -> MainWindow:
        window = MainWindow(
            AppModel(parent=self), self.theme, self.settings, open_another=self.open_another
        )
        self.windows.append(window)
        return window


def main(words: Sequence[str] | None = None) -> int:
    """Open the window; return the exit code when the last one is closed."""
    parser = argparse.ArgumentParser(
        prog="toneapp", description="Open the window.", allow_abbrev=False
    )
    parser.add_argument("--library", metavar="DIR", help="folder of the library")
    arguments = parser.parse_args(words)
    application = QApplication.instance() or QApplication(sys.argv[:1])
    assert isinstance(application, QApplication)
    application.setApplicationName("toneapp")
    application.setDesktopFileName("toneapp")
    if ICON.is_file():
        application.setWindowIcon(QIcon(str(ICON)))
    program = WindowApp(
        application, library_folder=Path(arguments.library) if arguments.library else None
    )
    sys.excepthook = _fault_hook(program)
    program.open_window()
    return application.exec()


def _fault_hook(
    program: WindowApp,
) -> Callable[[type[BaseException], BaseException, TracebackType | None], None]:
    """Say any fault that nobody caught in one line, in every window."""

    def hook(
        kind: type[BaseException], error: BaseException, traceback: TracebackType | None
    ) -> None:
        logger.critical("a fault of the program", exc_info=(kind, error, traceback))
        for window in program.windows:
            window.show_error(
                f"a fault in the program itself ({kind.__name__}: {error}); what is in the "
                "library is safe, start again if the window does not answer"
            )

    return hook

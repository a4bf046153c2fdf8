"""What can be done with the library from anywhere in the window?

Adding instruments, importing, the example workshop, archives, the bin and the settings: each an
action with a shortcut, on the menu and on the buttons of the pages.

Classes: `LibraryActions`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PySide6.QtWidgets import QFileDialog, QWidget

from toneapp.desktop.actions import Actions
from toneapp.desktop.models import AppModel
from toneapp.desktop.questions import ask
from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import Theme
from toneapp.desktop.workers import Progress
from toneapp.library import ArchiveView, Library, OnDuplicate

__all__ = ["LibraryActions"]

ARCHIVES = "Archives (*.zip)"


class LibraryActions:
    """Makes the actions and carries them out.

    Parameters
    ----------
    window : QWidget
        Dialogs stand over it.
    """

    def __init__(
        self,
        window: QWidget,
        model: AppModel,
        theme: Theme,
        settings: Settings,
        actions: Actions,
    ) -> None:
        self._window = window
        self._model = model
        self._theme = theme
        self._settings = settings
        rows: tuple[tuple[str, str, Callable[[], object], str, str], ...] = (
            (
                "add_instrument",
                "Add an instrument",
                self.add_instrument,
                "Ctrl+N",
                "Add an instrument to the library.",
            ),
            (
                "import_file",
                "Import a recording",
                self.import_file,
                "Ctrl+O",
                "Take in one sound file of a whole run, and measure it.",
            ),
            (
                "import_folder",
                "Import a folder of notes",
                self.import_folder,
                "Ctrl+Shift+O",
                "Take in a folder with one sound file a note, and measure it.",
            ),
            (
                "example_workshop",
                "Look at the example workshop",
                self.build_example,
                "",
                "Simulate two invented instruments, before and after work, and measure them.",
            ),
            (
                "archive_out",
                "Write an archive",
                self.write_archive,
                "",
                "Write the whole library into one file, to keep or to move it.",
            ),
            (
                "archive_in",
                "Take an archive in",
                self.take_archive,
                "",
                "Add the instruments of an archive to this library.",
            ),
            (
                "bin",
                "Bin",
                self.open_bin,
                "Ctrl+B",
                "See what was laid in the bin, bring it back, or remove it for good.",
            ),
            (
                "settings",
                "Settings",
                self.open_settings,
                "Ctrl+,",
                "Colours, size of text, and the folder of the library.",
            ),
        )
        for name, text, on, shortcut, help_text in rows:
            actions.add(name, text, on=on, shortcut=shortcut, help_text=help_text)

    def add_instrument(self) -> None:
        """Ask for the facts of a new instrument."""
        from toneapp.desktop.pages.import_dialog import InstrumentDialog

        InstrumentDialog(self._model, self._window).open()

    def import_file(self) -> None:
        """Choose a recording and import it."""
        from toneapp.audio.files import SOUND_FILE_ENDINGS

        endings = " ".join(f"*{ending}" for ending in SOUND_FILE_ENDINGS)
        kinds = f"Sound ({endings});;All files (*)"
        name, _ = QFileDialog.getOpenFileName(self._window, "Recording", "", kinds)
        if name:
            self.import_sound(Path(name))

    def import_folder(self) -> None:
        """Choose a folder of recordings and import it."""
        name = QFileDialog.getExistingDirectory(self._window, "Folder with one file a note")
        if name:
            self.import_sound(Path(name))

    def import_sound(self, sound: Path) -> None:
        """Ask for the facts of a recording, then import it."""
        from toneapp.desktop.pages.import_dialog import ImportDialog

        ImportDialog(self._model, sound, self._settings, self._window).open()

    def build_example(self) -> None:
        """Build the example workshop in the background; runs appear as they are measured."""
        from toneapp.desktop.example_workshop import build_example
        from toneapp.measured_library import analyse_with

        def job(library: Library, progress: Progress) -> tuple[int, ...]:
            return build_example(library, analyse_with(None), progress=progress)

        def built(numbers: tuple[int, ...]) -> None:
            if not self._model.run_id:
                self._model.choose_run(numbers[0])
            self._model.said.emit("The example workshop is complete")

        self._model.work("simulating and measuring the example workshop", job, built)
        self._model.said.emit("The first run is there in about half a minute")

    def write_archive(self) -> None:
        """Write the whole library into one file."""
        name, _ = QFileDialog.getSaveFileName(
            self._window, "Write an archive", "toneapp-library.zip", ARCHIVES
        )
        if name:
            self._model.work(
                f"writing {Path(name).name}",
                lambda library, progress: library.export_archive(name, progress=progress),
                lambda _count: self._model.said.emit(f"Written: {Path(name).name}"),
            )

    def take_archive(self) -> None:
        """Add the instruments of an archive."""
        name, _ = QFileDialog.getOpenFileName(self._window, "Take an archive in", "", ARCHIVES)
        if name:
            self._model.ask(
                lambda library: library.look_into_archive(name),
                lambda view: self._take_archive(name, view),
                on_failed=self._model.failed.emit,
            )

    def open_bin(self) -> None:
        """Show the bin."""
        from toneapp.desktop.bin_dialog import BinDialog

        BinDialog(self._model, self._theme, self._window).open()

    def open_settings(self) -> None:
        """Show the settings."""
        from toneapp.desktop.settings_dialog import SettingsDialog

        library = self._model.library
        SettingsDialog(
            self._settings,
            self._theme,
            self._model.open_library,
            None if library is None else library.folder,
            self._window,
        ).open()

    def _take_archive(self, name: str, view: ArchiveView) -> None:
        if not view.duplicates:
            self._begin_archive(name, OnDuplicate.REFUSE)
            return
        here = ", ".join(view.duplicates[:4]) + (" and more" if len(view.duplicates) > 4 else "")
        ask(
            self._window,
            f"The library has {here} already. Take in only what is not here yet?",
            "Take in what is new",
            lambda: self._begin_archive(name, OnDuplicate.SKIP),
        )

    def _begin_archive(self, name: str, on_duplicate: OnDuplicate) -> None:
        self._model.work(
            f"taking in {Path(name).name}",
            lambda library, progress: library.import_archive(
                name, on_duplicate=on_duplicate, progress=progress
            ),
            lambda numbers: self._model.said.emit(f"{len(numbers)} instruments taken in"),
        )

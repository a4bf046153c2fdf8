"""Light or dark, how large, which loudspeaker and library: what a person may want otherwise.

Classes: `SettingsDialog`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QDoubleSpinBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from toneapp.audio.devices import list_outputs
from toneapp.desktop.player import Player
from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import GAP_PX, LARGEST_PT, SMALLEST_PT, Theme, ThemeMode

__all__ = ["SettingsDialog"]

_MODE_WORDS = {
    ThemeMode.SYSTEM: "as the system has it",
    ThemeMode.LIGHT: "light",
    ThemeMode.DARK: "dark",
}


class SettingsDialog(QDialog):
    """Settings; each takes effect at once and is remembered.

    Parameters
    ----------
    settings : Settings
        What is remembered.
    theme : Theme
        Changed at once.
    open_library : callable
        Opens the library of another folder.
    library_folder : Path or None
        The one that is open.
    """

    def __init__(
        self,
        settings: Settings,
        theme: Theme,
        open_library: Callable[[Path], object],
        library_folder: Path | None,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self._settings = settings
        self._theme = theme
        self._open_library = open_library
        self.setWindowTitle("Settings")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setMinimumWidth(640)
        self.mode = QComboBox(self)
        for mode, words in _MODE_WORDS.items():
            self.mode.addItem(words, mode)
        self.mode.setCurrentIndex(self.mode.findData(theme.mode))
        self.mode.activated.connect(self._set_mode)
        self.text_size = QDoubleSpinBox(self)
        self.text_size.setRange(SMALLEST_PT, LARGEST_PT)
        self.text_size.setDecimals(0)
        self.text_size.setSuffix(" pt")
        self.text_size.setValue(theme.base_pt)
        self.text_size.valueChanged.connect(self._set_size)
        self.folder = QLineEdit(str(library_folder or ""), self)
        self.folder.setReadOnly(True)
        self.folder_button = QPushButton("Another …", self)
        self.folder_button.setAccessibleName("Another library")
        self.folder_button.clicked.connect(self.choose_folder)
        folder_row = QHBoxLayout()
        folder_row.addWidget(self.folder, 1)
        folder_row.addWidget(self.folder_button)
        self.output = QComboBox(self)
        self.output.setToolTip("Where notes are listened to, and verdicts while recording.")
        self._fill_outputs()
        self.output.activated.connect(self._set_output)
        form = QFormLayout()
        form.setSpacing(GAP_PX)
        for label, field in (
            ("&Colours", self.mode),
            ("Size of &text", self.text_size),
            ("L&oudspeaker", self.output),
        ):
            field.setAccessibleName(label.replace("&", ""))
            form.addRow(label, field)
        self.folder.setAccessibleName("Library folder")
        folder_label = QLabel("&Library", self)
        folder_label.setBuddy(self.folder_button)
        form.addRow(folder_label, folder_row)
        hint = QLabel(
            "The library is one folder; copy it, or write an archive, to keep a second one "
            "elsewhere.",
            self,
        )
        hint.setProperty("muted", True)
        hint.setWordWrap(True)
        close = QPushButton("Close", self)
        close.setDefault(True)
        close.clicked.connect(self.close)
        layout = QVBoxLayout(self)
        layout.setSpacing(GAP_PX)
        layout.addLayout(form)
        layout.addWidget(hint)
        layout.addWidget(close, 0, Qt.AlignmentFlag.AlignRight)

    def choose_folder(self) -> None:
        """Open the library of another folder, now and at the next start."""
        name = QFileDialog.getExistingDirectory(self, "Folder of the library", self.folder.text())
        if name:
            self.folder.setText(name)
            self._settings.library_folder = Path(name)
            self._settings.save()
            self._open_library(Path(name))

    def _fill_outputs(self) -> None:
        """Offer the outputs there are; one that is chosen and not plugged in stays."""
        chosen = self._settings.output_device
        self.output.addItem("the system's own choice", "")
        for device in list_outputs():
            self.output.addItem(device.name, device.full_name)
        if self.output.findData(chosen) < 0:
            self.output.addItem(f"{chosen.rpartition(', ')[0] or chosen} (not plugged in)", chosen)
        self.output.setCurrentIndex(self.output.findData(chosen))

    def _set_output(self, index: int) -> None:
        self._settings.output_device = str(self.output.itemData(index) or "")
        Player.device = self._settings.output_device

    def _set_mode(self, index: int) -> None:
        mode = ThemeMode(self.mode.itemData(index))
        self._settings.theme_mode = mode
        self._theme.set_mode(mode)

    def _set_size(self, size_pt: float) -> None:
        self._settings.base_pt = size_pt
        self._theme.set_base_pt(size_pt)

"""Who hands the sheets out? Name, address and logo at their head.

Classes: `LetterheadDialog`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from PySide6.QtCore import QByteArray, Qt
from PySide6.QtGui import QPixmap
from PySide6.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.theme import GAP_PX
from toneapp.sheets import Letterhead

__all__ = ["LetterheadDialog"]

_LOGO_WIDE, _LOGO_HIGH = 220, 48
_LINES = 4


class LetterheadDialog(QDialog):
    """Fields of the letterhead.

    Parameters
    ----------
    letterhead : Letterhead
        As it is now.
    on_done : callable
        Called with the new letterhead, and with the path of a new logo or an empty text.
    """

    def __init__(
        self,
        letterhead: Letterhead,
        on_done: Callable[[Letterhead, str], object],
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self._letterhead = letterhead
        self._on_done = on_done
        self._logo_path = ""
        self.setWindowTitle("Letterhead of the sheets")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setMinimumWidth(600)
        self.workshop = QLineEdit(letterhead.workshop, self)
        self.address = QPlainTextEdit("\n".join(letterhead.address), self)
        self.address.setTabChangesFocus(True)
        lines = self.address.fontMetrics().lineSpacing()
        self.address.setFixedHeight(_LINES * lines + 2 * GAP_PX)
        self.contact = QLineEdit(letterhead.contact, self)
        self.contact.setPlaceholderText("telephone, mail, address on the web")
        self.logo = QLabel(self)
        self.logo.setMinimumHeight(_LOGO_HIGH)
        self.choose_button = QPushButton("Ch&oose …", self)
        self.choose_button.setAccessibleName("Choose a logo")
        self.choose_button.clicked.connect(self.choose_logo)
        self.without_button = QPushButton("&Without", self)
        self.without_button.setAccessibleName("No logo")
        self.without_button.clicked.connect(self._take_logo_away)
        logo_parts = QWidget(self)
        logo_row = QHBoxLayout(logo_parts)
        logo_row.setContentsMargins(0, 0, 0, 0)
        logo_row.addWidget(self.logo, 1)
        logo_row.addWidget(self.choose_button)
        logo_row.addWidget(self.without_button)
        form = QFormLayout()
        form.setSpacing(GAP_PX)
        for label, field in (
            ("&Workshop", self.workshop),
            ("&Address", self.address),
            ("&Contact", self.contact),
        ):
            field.setAccessibleName(label.replace("&", ""))
            form.addRow(label, field)
        form.addRow("Logo", logo_parts)
        hint = QLabel(
            "It stands at the head of every sheet of this library. A logo is a PNG, JPEG or SVG "
            "picture of up to 2 MB; a copy of it is kept with the library.",
            self,
        )
        hint.setWordWrap(True)
        hint.setProperty("muted", True)
        keep = QPushButton("Keep", self)
        keep.setProperty("next", "true")
        keep.setDefault(True)
        buttons = QDialogButtonBox(self)
        buttons.addButton(keep, QDialogButtonBox.ButtonRole.AcceptRole)
        buttons.addButton("Leave as it was", QDialogButtonBox.ButtonRole.RejectRole)
        buttons.accepted.connect(self.accept_letterhead)
        buttons.rejected.connect(self.reject)
        layout = QVBoxLayout(self)
        layout.setSpacing(GAP_PX)
        layout.addLayout(form)
        layout.addWidget(hint)
        layout.addWidget(buttons)
        self._show_logo()

    def choose_logo(self) -> None:
        """Ask for the file of a logo."""
        name, _ = QFileDialog.getOpenFileName(
            self, "Logo", "", "Pictures (*.png *.jpg *.jpeg *.svg)"
        )
        if name:
            self._logo_path = name
            self._show_logo()

    def letterhead(self) -> Letterhead:
        """What is filled in."""
        lines = (line.strip() for line in self.address.toPlainText().splitlines())
        return replace(
            self._letterhead,
            workshop=self.workshop.text().strip(),
            address=tuple(line for line in lines if line),
            contact=self.contact.text().strip(),
        )

    def accept_letterhead(self) -> None:
        """Keep what is filled in, and close."""
        self._on_done(self.letterhead(), self._logo_path)
        self.accept()

    def _take_logo_away(self) -> None:
        self._logo_path = ""
        self._letterhead = replace(self._letterhead, logo=None, logo_file="")
        self._show_logo()

    def _show_logo(self) -> None:
        logo = self._letterhead.logo
        picture = QPixmap()
        if not self._logo_path and logo is not None and logo.form != "svg":
            picture.loadFromData(QByteArray(logo.content))
        if not picture.isNull():
            picture = picture.scaled(
                _LOGO_WIDE,
                _LOGO_HIGH,
                Qt.AspectRatioMode.KeepAspectRatio,
                Qt.TransformationMode.SmoothTransformation,
            )
            self.logo.setPixmap(picture)
        elif self._logo_path:
            self.logo.setText(Path(self._logo_path).name)
        else:
            self.logo.setText(self._letterhead.logo_file or "none")
        self.logo.setAccessibleName(f"Logo: {self.logo.text() or self._letterhead.logo_file}")
        self.without_button.setEnabled(bool(self._logo_path) or logo is not None)

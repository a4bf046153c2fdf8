"""What lies in the bin: to be brought back, or removed for good after a question.

Classes: `BinDialog`.
"""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QDialog, QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from toneapp.desktop.models import AppModel
from toneapp.desktop.questions import ask
from toneapp.desktop.row_table import Column, RowTable
from toneapp.desktop.theme import GAP_PX, Theme

__all__ = ["BinDialog"]

_WORDS = {
    "instrument": "instrument",
    "run": "run",
    "take": "notes recorded again",
    "item": "worksheet item",
    "weights": "hand measurements",
}


class BinDialog(QDialog):
    """List of what lies in the bin."""

    def __init__(self, model: AppModel, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self.setWindowTitle("Bin")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.resize(860, 480)
        self.table = RowTable(
            (
                Column(title="What", text=lambda item: _WORDS[item.kind], width=22),
                Column(title="Which", text=lambda item: item.title, stretches=True),
                Column(title="Since", text=lambda item: item.deleted_at[:10], width=12),
                Column(
                    title="Sound",
                    text=lambda item: size_words(item.bytes),
                    tip="Disk space of its sound",
                    is_number=True,
                    width=10,
                ),
            ),
            theme,
            key=lambda item: (item.kind, item.id),
            name="Bin",
            parent=self,
        )
        self.table.opened.connect(lambda _item: self.restore())
        self.empty = QLabel("The bin is empty.", self)
        self.empty.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.restore_button = QPushButton("Bring back", self)
        self.restore_button.setProperty("next", "true")
        self.restore_button.clicked.connect(self.restore)
        self.empty_button = QPushButton("Empty the bin", self)
        self.empty_button.clicked.connect(self.ask_to_empty)
        close = QPushButton("Close", self)
        close.clicked.connect(self.close)
        buttons = QHBoxLayout()
        buttons.addWidget(self.restore_button)
        buttons.addStretch(1)
        buttons.addWidget(self.empty_button)
        buttons.addWidget(close)
        layout = QVBoxLayout(self)
        layout.setSpacing(GAP_PX)
        layout.addWidget(self.table, 1)
        layout.addWidget(self.empty, 1)
        layout.addLayout(buttons)
        model.library_changed.connect(self.refresh)
        self.refresh()

    def refresh(self) -> None:
        """Show what lies there."""
        items = self._model.read(lambda library: library.bin.items(), ())
        self.table.set_rows(items)
        self.table.setVisible(bool(items))
        self.empty.setVisible(not items)
        self.restore_button.setEnabled(bool(items))
        self.empty_button.setEnabled(bool(items))

    def restore(self) -> None:
        """Bring the chosen thing back."""
        item = self.table.chosen
        if item is not None:
            self._model.edit(
                lambda library: library.bin.restore(item.kind, item.id),
                lambda _none: self._model.said.emit(f"Brought back: {item.title}"),
            )

    def ask_to_empty(self) -> None:
        """Empty the bin, after a question."""
        items = self.table.rows_model.rows
        ask(
            self,
            f"Remove {len(items)} things for good, with their sound? This cannot be undone.",
            "Remove for good",
            lambda: self._model.edit(
                lambda library: library.bin.empty(items),
                lambda freed: self._model.said.emit(f"{size_words(freed)} set free"),
            ),
        )


def size_words(count: int) -> str:
    """Say a size on the disk.

    Examples
    --------
    >>> size_words(0), size_words(3_400_000)
    ('', '3.4 MB')
    """
    if not count:
        return ""
    for unit, size in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= size:
            return f"{count / size:.1f} {unit}"
    return f"{count} B"

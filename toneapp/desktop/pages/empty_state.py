"""What does a page say when it has nothing to show? The next step, with a button for it.

Classes: `EmptyPane`.
"""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QLabel, QPushButton, QVBoxLayout, QWidget

from toneapp.desktop.actions import Actions
from toneapp.desktop.theme import BIG_TARGET_PX, GAP_PX, Theme

__all__ = ["EmptyPane"]

_TEXT_WIDTH_PX = 560


class EmptyPane(QWidget):
    """A sentence in the middle, and buttons below it."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._label = QLabel(self)
        self._label.setWordWrap(True)
        self._label.setAlignment(Qt.AlignmentFlag.AlignHCenter)
        self._label.setFixedWidth(_TEXT_WIDTH_PX)
        self._label.setTextFormat(Qt.TextFormat.PlainText)
        self._buttons: list[QPushButton] = []
        self._layout = QVBoxLayout(self)
        self._layout.setSpacing(2 * GAP_PX)
        self._layout.addStretch(2)
        self._layout.addWidget(self._label, 0, Qt.AlignmentFlag.AlignHCenter)
        self._layout.addStretch(3)

    def text(self) -> str:
        """Return what is said."""
        return self._label.text()

    @property
    def buttons(self) -> tuple[QPushButton, ...]:
        """The buttons shown."""
        return tuple(self._buttons)

    def show_text(self, text: str, actions: Actions, names: Sequence[str]) -> None:
        """Say something, with a button for each action named."""
        self._label.setFont(self._theme.font(scale=1.25))
        self._label.setText(text)
        # In a centred place a layout does not ask a label how high its lines are at that width.
        self._label.setFixedHeight(self._label.heightForWidth(_TEXT_WIDTH_PX))
        for button in self._buttons:
            self._layout.removeWidget(button)
            button.deleteLater()
        self._buttons = []
        for place, name in enumerate(name for name in names if name in actions):
            action = actions[name]
            button = QPushButton(action.text(), self)
            button.setToolTip(action.toolTip())
            button.setAccessibleDescription(action.whatsThis())
            button.setProperty("next", "true" if place == 0 else "false")
            button.setMinimumSize(320, BIG_TARGET_PX)
            button.clicked.connect(action.trigger)
            self._layout.insertWidget(2 + place, button, 0, Qt.AlignmentFlag.AlignHCenter)
            self._buttons.append(button)

"""A label of one line that ends in dots where the room ends, with all of it as its tip.

Classes: `ElidedLabel`.
"""

from __future__ import annotations

from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QLabel, QSizePolicy, QStyle, QStyleOption, QWidget

__all__ = ["ElidedLabel"]


class ElidedLabel(QLabel):
    """Shows as much of its text as there is room for."""

    def __init__(self, text: str = "", parent: QWidget | None = None) -> None:
        super().__init__(text, parent)
        self.setTextFormat(Qt.TextFormat.PlainText)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)

    def set_text(self, text: str, tip: str = "") -> None:
        """Show a text; `tip` instead of it when the pointer rests."""
        self.setText(text)
        self.setToolTip(tip or text)

    def minimumSizeHint(self) -> QSize:
        """Any width will do."""
        return QSize(0, super().minimumSizeHint().height())

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Paint the text, cut at a whole letter."""
        painter = QPainter(self)
        option = QStyleOption()
        option.initFrom(self)
        text = self.fontMetrics().elidedText(
            self.text(), Qt.TextElideMode.ElideRight, self.contentsRect().width()
        )
        self.style().drawItemText(
            painter,
            self.contentsRect(),
            Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft,
            self.palette(),
            bool(option.state & QStyle.StateFlag.State_Enabled),
            text,
            self.foregroundRole(),
        )
        painter.end()

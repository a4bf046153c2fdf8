"""How is the level of an input shown while it is heard?

A strip that fills from the left, its scale in dB re full scale, a mark for the highest of the
last seconds, and the part in which the loudest key belongs. Beside it the number.

Classes: `LevelStrip`.
"""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from toneapp.desktop.theme import Theme
from toneapp.wording import quantity_text

__all__ = ["LevelStrip"]

_LOWEST_DBFS = -80.0
_WANTED_DBFS = (-30.0, -2.0)
"""The loudest key belongs between these, as the check of the room says."""

_TICKS_DBFS = (-80, -60, -40, -20, 0)


class LevelStrip(QWidget):
    """Shows level and highest level of an input."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._level: float | None = None
        self._highest: float | None = None
        self._has_clipped = False
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName("Level of the input")
        theme.changed.connect(self.update)

    def set_level(
        self, level_dbfs: float | None, highest_dbfs: float | None, *, has_clipped: bool
    ) -> None:
        """Show another level; None for digital silence."""
        # Half a decibel is more than the eye sees of the strip.
        shown = (_rounded(level_dbfs), _rounded(highest_dbfs), has_clipped)
        if shown != (self._level, self._highest, self._has_clipped):
            self._level, self._highest, self._has_clipped = shown
            self.setAccessibleDescription(self.text())
            self.update()

    def text(self) -> str:
        """Say the highest level of the last seconds."""
        if self._has_clipped:
            return "too loud: it clips"
        if self._highest is None:
            return "silence"
        return quantity_text(self._highest, "dB", decimals=0)

    def sizeHint(self) -> QSize:
        """Wide, and two lines of text high."""
        return QSize(240, int(2.6 * QFontMetricsF(self._theme.font(scale=0.85)).height()) + 26)

    def minimumSizeHint(self) -> QSize:
        """No less high."""
        return QSize(140, self.sizeHint().height())

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Paint strip, marks and scale."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        colours = self._theme.colours
        font = self._theme.font(scale=0.85)
        line = QFontMetricsF(font).height()
        strip = QRectF(1.0, line + 2.0, self.width() - 2.0, self.height() - 2.3 * line - 4.0)
        painter.setFont(self._theme.font(scale=0.85, is_bold=True))
        painter.setPen(QColor(colours.accent if self._has_clipped else colours.ink))
        painter.drawText(QPointF(2.0, 0.85 * line), f"Highest: {self.text()}")
        painter.setPen(QPen(QColor(colours.muted), 1.0))
        painter.setBrush(QColor(colours.paper))
        painter.drawRect(strip)
        wanted = QRectF(
            QPointF(self._x(strip, _WANTED_DBFS[0]), strip.top()),
            QPointF(self._x(strip, _WANTED_DBFS[1]), strip.bottom()),
        )
        painter.fillRect(wanted.adjusted(0, 1, 0, -1), QColor(colours.lane))
        if self._level is not None:
            width = self._x(strip, self._level) - strip.left()
            fill = QColor(colours.accent if self._has_clipped else colours.other)
            painter.fillRect(
                QRectF(strip.left(), strip.top() + 4, width, strip.height() - 8), fill
            )
        if self._highest is not None:
            x = self._x(strip, self._highest)
            painter.setPen(QPen(QColor(colours.ink), 3.0))
            painter.drawLine(QPointF(x, strip.top()), QPointF(x, strip.bottom()))
        self._paint_scale(painter, strip, line)
        painter.end()

    def _paint_scale(self, painter: QPainter, strip: QRectF, line: float) -> None:
        painter.setFont(self._theme.font(scale=0.85))
        painter.setPen(self._theme.colour("muted"))
        metrics = QFontMetricsF(painter.font())
        for value in _TICKS_DBFS:
            text = quantity_text(float(value), "dB" if value == 0 else "", decimals=0)
            width = metrics.horizontalAdvance(text)
            x = min(max(self._x(strip, value) - width / 2, strip.left()), strip.right() - width)
            painter.drawText(
                QRectF(x, strip.bottom() + 1.0, width + 1.0, line),
                Qt.AlignmentFlag.AlignLeft,
                text,
            )

    @staticmethod
    def _x(strip: QRectF, value_dbfs: float) -> float:
        share = 1.0 - max(min(value_dbfs, 0.0), _LOWEST_DBFS) / _LOWEST_DBFS
        return strip.left() + share * strip.width()


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(2.0 * value) / 2.0

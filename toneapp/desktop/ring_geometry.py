"""Where in the matrix of struck keys and ringing strings lies each mark?

All lengths in pixels of the drawing: the plot, a keyboard below it and one at its left, and lines
that explain the signs at the foot.

Classes and functions: `RingGeometry`, `legend_items`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QFont, QFontMetricsF

from toneapp.desktop.key_axis import KeyAxis
from toneapp.desktop.ring_view import RingMark, RingSign, RingView, sign_text

__all__ = ["EDGE", "KEYS_WIDTH", "RingGeometry", "legend_items"]

EDGE = 10.0
KEYS_WIDTH = 26.0
_KEYS_HEIGHT = 34.0
_SMALLEST_PX, _LARGEST_PX = 4.5, 16.0
_REACH_PX = 12.0
_TINY_ROW_PX = 0.6


class RingGeometry:
    """Places in the matrix at one size, in pixels.

    Parameters
    ----------
    width, height : float
        Of the drawing.
    view : RingView
        What is shown.
    font : QFont
        Of names and explanations.
    """

    def __init__(self, width: float, height: float, *, view: RingView, font: QFont) -> None:
        metrics = QFontMetricsF(font)
        self.line = metrics.height()
        self.name_width = metrics.horizontalAdvance("A#7") + 10.0
        left = self.name_width + KEYS_WIDTH
        right = max(width - self.name_width, left + 60.0)
        self.legend_rows = _legend_rows(view, metrics, right)
        self.legend_top = height - self.legend_rows * 1.3 * self.line - 4.0
        keys_top = self.legend_top - 2.8 * self.line - _KEYS_HEIGHT
        top = 0.5 * self.line
        self.axis = KeyAxis(view.compass, left=left, right=right)
        self.keys = QRectF(left, keys_top, right - left, _KEYS_HEIGHT)
        self.rows = list(range(view.strings.highest_midi, view.strings.lowest_midi - 1, -1))
        count = len(self.rows) + (1.6 if view.has_no_key else 0.0)
        self.row_height = max((keys_top - 4.0 - top) / count, _TINY_ROW_PX)
        self.plot = QRectF(left, top, right - left, keys_top - 4.0 - top)
        self._highest = view.strings.highest_midi
        self._no_key_y = self.plot.bottom() - 0.5 * self.row_height

    def x(self, midi: int) -> float:
        """Middle of a struck key's column."""
        return self.axis.x(midi)

    def y(self, midi: int) -> float:
        """Middle of a ringing string's row; 0 for the row of no key."""
        if midi == 0:
            return self._no_key_y
        return self.plot.top() + (self._highest - midi + 0.5) * self.row_height

    def place(self, mark: RingMark) -> QPointF:
        """Middle of a mark."""
        return QPointF(self.x(mark.struck_midi), self.y(mark.midi))

    def size(self, mark: RingMark) -> float:
        """Width of a mark: its area grows with the level."""
        largest = min(_LARGEST_PX, max(2.2 * self.row_height, 8.0))
        return math.sqrt(_SMALLEST_PX**2 + (largest**2 - _SMALLEST_PX**2) * mark.size)

    def mark_at(self, x: float, y: float, marks: Sequence[RingMark]) -> RingMark | None:
        """Nearest mark within reach of the pointer."""
        best: tuple[float, RingMark] | None = None
        for mark in marks:
            place = self.place(mark)
            distance = math.hypot(place.x() - x, place.y() - y)
            if distance <= _REACH_PX and (best is None or distance < best[0]):
                best = (distance, mark)
        return None if best is None else best[1]

    def key_at(self, x: float, y: float) -> int:
        """Key of the drawn keyboards at a place; 0 beside them."""
        compass = self.axis.compass
        if self.keys.contains(QPointF(x, y)):
            return min(compass, key=lambda midi: abs(self.x(midi) - x))
        is_left = x < self.plot.left() and self.plot.top() <= y <= self.plot.bottom()
        if is_left and self.rows:
            return min(self.rows, key=lambda midi: abs(self.y(midi) - y))
        return 0


def legend_items(view: RingView) -> Iterator[tuple[RingSign | None, str]]:
    """Say which signs are explained at the foot, and how; None for words alone."""
    for sign in view.signs:
        yield sign, sign_text(sign)
    yield None, "larger: more change" if view.is_change else "larger: louder"


def _legend_rows(view: RingView, metrics: QFontMetricsF, right: float) -> int:
    x, rows = EDGE, 1
    for _, text in legend_items(view):
        width = 26.0 + metrics.horizontalAdvance(text) + 26.0
        if x + width > right and x > EDGE:
            x, rows = EDGE, rows + 1
        x += width
    return rows

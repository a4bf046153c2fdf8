"""Where along a drawing does each key lie, and how are the keys drawn?

White keys are equally wide and a black key lies over the joint of two, as on the instrument, so
that a point in a lane stands above the middle of its key.

Classes: `KeyAxis`.
"""

from __future__ import annotations

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen

from toneapp.desktop.appearance import KEY_BLACK, KEY_EDGE, KEY_WHITE, MUTED
from toneapp.keyboard import Compass, is_black_key
from toneapp.pitch import note_name

__all__ = ["KeyAxis"]

_BLACK_WIDTH = 0.62  # of a white key
_BLACK_LENGTH = 0.6


class KeyAxis:
    """Places of the keys of a compass between two ends of a drawing.

    Parameters
    ----------
    compass : Compass
        Keys to place; a black key at an end gets the half of a white one beside it.
    left, right : float
        Ends of the drawn keyboard, in pixels.
    """

    def __init__(self, compass: Compass, *, left: float, right: float) -> None:
        self.compass = compass
        self.left = left
        self.right = right
        lowest, highest = compass.lowest_midi, compass.highest_midi
        self._first = lowest - 1 if is_black_key(lowest) else lowest
        last = highest + 1 if is_black_key(highest) else highest
        whites = sum(not is_black_key(midi) for midi in range(self._first, last + 1))
        self._last = last
        self.white_width = (right - left) / whites
        self._places: dict[int, float] = {}
        below = 0
        for midi in range(self._first, last + 1):
            is_black = is_black_key(midi)
            self._places[midi] = left + self.white_width * (below + (0.0 if is_black else 0.5))
            below += not is_black

    def x(self, midi: int) -> float:
        """Middle of a key, in pixels."""
        return self._places[midi]

    def paint(self, painter: QPainter, *, top: float, height: float) -> None:
        """Draw the keys, and below them the names of the notes C.

        Parameters
        ----------
        painter : QPainter
            Its font is used for the names.
        top, height : float
            Of the keys, in pixels; the names come below.
        """
        self.paint_keys(painter, top=top, height=height, colours=(KEY_WHITE, KEY_BLACK, KEY_EDGE))
        keys = range(self._first, self._last + 1)
        painter.setPen(QColor(MUTED))
        metrics = QFontMetricsF(painter.font())
        for midi in keys:
            if midi % 12 == 0 or midi == self.compass.lowest_midi:
                name = note_name(midi)
                width = metrics.horizontalAdvance(name)
                painter.drawText(
                    QRectF(self.x(midi) - width, top + height, 2 * width, 1.6 * metrics.height()),
                    Qt.AlignmentFlag.AlignCenter,
                    name,
                )

    def paint_keys(
        self, painter: QPainter, *, top: float, height: float, colours: tuple[str, str, str]
    ) -> None:
        """Draw the keys alone.

        Parameters
        ----------
        painter : QPainter
        top, height : float
            Of the keys, in pixels.
        colours : tuple of str
            White keys, black keys, edges.
        """
        white, black, edge = colours
        keys = range(self._first, self._last + 1)
        half = self.white_width / 2
        painter.setPen(QPen(QColor(edge), 1.0))
        painter.setBrush(QColor(white))
        for midi in keys:
            if not is_black_key(midi):
                painter.drawRect(QRectF(self.x(midi) - half, top, 2 * half, height))
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(black))
        half *= _BLACK_WIDTH
        for midi in keys:
            if is_black_key(midi):
                painter.drawRect(
                    QRectF(self.x(midi) - half, top, 2 * half, height * _BLACK_LENGTH)
                )

    def paint_octaves(self, painter: QPainter, *, top: float, line: float, colour: str) -> None:
        """Name the notes C below the keys, in lines of a height."""
        painter.setPen(QColor(colour))
        for midi in self.compass:
            if midi % 12 == 0:
                painter.drawText(
                    QRectF(self.x(midi) - 40.0, top, 80.0, 1.45 * line),
                    Qt.AlignmentFlag.AlignCenter,
                    note_name(midi),
                )

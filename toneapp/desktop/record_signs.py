"""Which shape stands for which state of a recording?

Each is told from the others without its colour.

Functions: `paint_sign`.
"""

from __future__ import annotations

from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPen, QPolygonF

from toneapp.desktop.record_words import StageSign

__all__ = ["paint_sign"]


def paint_sign(
    painter: QPainter, area: QRectF, sign: StageSign, *, ink: QColor, ground: QColor
) -> None:
    """Paint a sign into a square.

    Parameters
    ----------
    painter : QPainter
    area : QRectF
        The square.
    sign : StageSign
    ink, ground : QColor
        Of the sign, and of what lies behind it.
    """
    painter.save()
    painter.translate(area.topLeft())
    painter.scale(area.width() / 100.0, area.height() / 100.0)
    line = QPen(ink, 11.0, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap)
    line.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(ink)
    match sign:
        case StageSign.PLAY | StageSign.LET_GO:
            _arrow(painter, is_down=sign is StageSign.PLAY)
        case StageSign.HOLD:
            painter.drawRect(QRectF(18, 18, 64, 64))
        case StageSign.PAUSED:
            painter.drawRect(QRectF(20, 14, 22, 72))
            painter.drawRect(QRectF(58, 14, 22, 72))
        case StageSign.TROUBLE:
            _warning(painter, ground)
        case _:
            painter.setPen(line)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            _lines(painter, sign, ink)
    painter.restore()


def _arrow(painter: QPainter, *, is_down: bool) -> None:
    points = [(38, 8), (62, 8), (62, 48), (86, 48), (50, 92), (14, 48), (38, 48)]
    if not is_down:
        points = [(x, 100 - y) for x, y in points]
    painter.drawPolygon(QPolygonF([QPointF(x, y) for x, y in points]))


def _warning(painter: QPainter, ground: QColor) -> None:
    painter.drawPolygon(QPolygonF([QPointF(50, 6), QPointF(96, 90), QPointF(4, 90)]))
    painter.setBrush(ground)
    painter.drawRect(QRectF(45, 34, 10, 28))
    painter.drawRect(QRectF(45, 70, 10, 10))


def _lines(painter: QPainter, sign: StageSign, ink: QColor) -> None:
    if sign in (StageSign.GOOD, StageSign.DONE):
        tick = [(22, 54), (42, 74), (80, 28)]
        if sign is StageSign.DONE:
            painter.drawEllipse(QRectF(6, 6, 88, 88))
            tick = [(28, 52), (44, 68), (72, 34)]
        painter.drawPolyline(QPolygonF([QPointF(x, y) for x, y in tick]))
    elif sign is StageSign.QUIET:
        painter.drawLine(QLineF(10, 50, 90, 50))
    elif sign is StageSign.LISTEN:
        for size in (30, 62, 94):
            box = QRectF(14 - size / 2, 50 - size / 2, size, size)
            painter.drawArc(box.translated(6, 0), -45 * 16, 90 * 16)
        painter.drawPoint(QPointF(14, 50))
    elif sign is StageSign.AGAIN:
        path = QPainterPath()
        box = QRectF(16, 16, 68, 68)
        path.arcMoveTo(box, 60)
        path.arcTo(box, 60, -290)
        painter.drawPath(path)
        painter.setBrush(ink)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.drawPolygon(QPolygonF([QPointF(46, 2), QPointF(82, 18), QPointF(52, 42)]))

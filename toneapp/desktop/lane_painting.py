"""How is one lane of a run painted above the keyboard?

A lane shows its points, the trend as a line, the uncertainty as bars, and raised notes as a
triangle with a word, so that no meaning hangs on colour.

Functions: `paint_lane`, `paint_legend`, `plain_font`, `tick_text`, `free_place` (of `Obstacle`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen, QPolygonF

from toneapp.desktop.appearance import (
    ACCENT,
    FONT_FAMILIES,
    GRID,
    HEADING_PX,
    INK,
    LANE,
    MUTED,
    PAPER,
    POINT,
    SMALL_PX,
    TREND,
)
from toneapp.desktop.key_axis import KeyAxis
from toneapp.desktop.lanes import Lane, LanePoint, ticks, value_range
from toneapp.wording import NOT_MEASURED

__all__ = [
    "MARK_WEIGHT",
    "POINT_WEIGHT",
    "WORD_WEIGHT",
    "Obstacle",
    "free_place",
    "paint_lane",
    "paint_legend",
    "plain_font",
    "tick_text",
]

_HEADING_HEIGHT = 26.0
_POINT_RADIUS = 3.4
_MARK_SIZE = 7.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """What a word should not cover, and how much it matters."""

    area: QRectF
    weight: float


POINT_WEIGHT, MARK_WEIGHT, WORD_WEIGHT = 1.0, 4.0, 16.0
"""A word over a point can still be read; over another word it cannot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scale:
    """From a value of a lane to its height in the picture."""

    low: float
    high: float
    is_logarithmic: bool
    area: QRectF

    def y(self, value: float) -> float:
        low, high = self.low, self.high
        if self.is_logarithmic:
            value, low, high = (math.log10(max(item, 1e-12)) for item in (value, low, high))
        return self.area.bottom() - (value - low) / (high - low) * self.area.height()


def plain_font(pixels: int, *, is_bold: bool = False) -> QFont:
    """Return the face of all drawings in a size."""
    font = QFont(list(FONT_FAMILIES))
    font.setPixelSize(pixels)
    font.setBold(is_bold)
    return font


def paint_lane(painter: QPainter, lane: Lane, area: QRectF, axis: KeyAxis) -> None:
    """Paint one lane.

    Parameters
    ----------
    painter : QPainter
        Of the picture; its pen and font are changed.
    lane : Lane
        What to show.
    area : QRectF
        Where; the scale is written to the left of it.
    axis : KeyAxis
        Places of the keys.
    """
    painter.fillRect(area, QColor(LANE))
    painter.setPen(QPen(QColor(GRID), 1.0))
    for midi in axis.compass:
        if midi % 12 == 0:
            x = axis.x(midi)
            painter.drawLine(QPointF(x, area.top()), QPointF(x, area.bottom()))
    _paint_lane_heading(painter, lane, area)
    inner = area.adjusted(0.0, _HEADING_HEIGHT, 0.0, -4.0)
    if not lane.points:
        painter.setPen(QColor(MUTED))
        painter.drawText(inner, Qt.AlignmentFlag.AlignCenter, NOT_MEASURED)
        return
    low, high = value_range(lane)
    scale = _Scale(low=low, high=high, is_logarithmic=lane.is_logarithmic, area=inner)
    _paint_ticks(painter, scale, area)
    painter.save()
    painter.setClipRect(inner)
    _paint_trend(painter, lane.points, scale, axis)
    _paint_bars(painter, lane.points, scale, axis)
    painter.restore()
    _paint_points(painter, lane.points, scale, axis)
    _paint_marks(painter, lane.points, scale, axis)


def _paint_lane_heading(painter: QPainter, lane: Lane, area: QRectF) -> None:
    bold, small = plain_font(HEADING_PX, is_bold=True), plain_font(SMALL_PX)
    baseline = area.top() + 20.0
    painter.setFont(bold)
    painter.setPen(QColor(INK))
    painter.drawText(QPointF(area.left() + 8.0, baseline), lane.title)
    offset = QFontMetricsF(bold).horizontalAdvance(lane.title) + 20.0
    painter.setFont(small)
    painter.setPen(QColor(MUTED))
    painter.drawText(QPointF(area.left() + offset, baseline), lane.unit)
    if lane.note:
        width = QFontMetricsF(small).horizontalAdvance(lane.note)
        painter.drawText(QPointF(area.right() - width - 8.0, baseline), lane.note)


def _paint_ticks(painter: QPainter, scale: _Scale, area: QRectF) -> None:
    painter.setFont(plain_font(SMALL_PX))
    for value in ticks(scale.low, scale.high, is_logarithmic=scale.is_logarithmic):
        y = scale.y(value)
        painter.setPen(QPen(QColor(GRID), 1.0))
        painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
        painter.setPen(QColor(MUTED))
        painter.drawText(
            QRectF(0.0, y - 12.0, area.left() - 8.0, 24.0),
            Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
            tick_text(value),
        )


def tick_text(value: float) -> str:
    """Write a round value of a scale."""
    text = f"{value:.0e}" if 0 < abs(value) < 1e-3 else f"{value:g}"
    return text.replace("e-0", "e-").replace("-", "−")


def _paint_trend(
    painter: QPainter, points: Sequence[LanePoint], scale: _Scale, axis: KeyAxis
) -> None:
    painter.setPen(QPen(QColor(TREND), 3.0))
    line = [
        QPointF(axis.x(point.midi), scale.y(point.trend))
        for point in points
        if point.trend is not None
    ]
    painter.drawPolyline(QPolygonF(line))


def _paint_bars(
    painter: QPainter, points: Sequence[LanePoint], scale: _Scale, axis: KeyAxis
) -> None:
    painter.setPen(QPen(QColor(POINT), 1.2))
    for point in points:
        if point.low is not None and point.high is not None:
            x = axis.x(point.midi)
            painter.drawLine(QPointF(x, scale.y(point.low)), QPointF(x, scale.y(point.high)))


def _paint_points(
    painter: QPainter, points: Sequence[LanePoint], scale: _Scale, axis: KeyAxis
) -> None:
    painter.setPen(QPen(QColor(PAPER), 0.8))
    painter.setBrush(QColor(POINT))
    for point in points:
        if point.mark is None:
            place = QPointF(axis.x(point.midi), scale.y(point.value))
            painter.drawEllipse(place, _POINT_RADIUS, _POINT_RADIUS)


def _paint_marks(
    painter: QPainter, points: Sequence[LanePoint], scale: _Scale, axis: KeyAxis
) -> None:
    """Paint triangles up or down with a word, which keeps clear of points and other words."""
    font = plain_font(SMALL_PX, is_bold=True)
    metrics = QFontMetricsF(font)
    painter.setFont(font)
    marked = [point for point in points if point.mark is not None]
    for point in marked:
        assert point.mark is not None
        painter.setPen(QPen(QColor(PAPER), 1.0))
        painter.setBrush(QColor(ACCENT))
        x, y = axis.x(point.midi), scale.y(point.value)
        painter.drawPolygon(_triangle(x, y, is_upward=point.mark.is_upward))
    obstacles = [
        Obstacle(
            area=_around(axis.x(point.midi), scale.y(point.value)),
            weight=MARK_WEIGHT if point.mark is not None else POINT_WEIGHT,
        )
        for point in points
    ]
    for point in marked:
        assert point.mark is not None
        size = (metrics.horizontalAdvance(point.mark.text) + 4.0, metrics.height())
        place = QPointF(axis.x(point.midi), scale.y(point.value))
        box = free_place(place, size, obstacles, scale.area, is_upward=point.mark.is_upward)
        obstacles.append(Obstacle(area=box, weight=WORD_WEIGHT))
        painter.setPen(QColor(ACCENT))
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, point.mark.text)


def _around(x: float, y: float) -> QRectF:
    return QRectF(x - _MARK_SIZE, y - _MARK_SIZE, 2 * _MARK_SIZE, 2 * _MARK_SIZE)


def _triangle(x: float, y: float, *, is_upward: bool) -> QPolygonF:
    tip = -_MARK_SIZE if is_upward else _MARK_SIZE
    return QPolygonF(
        [
            QPointF(x, y + 1.2 * tip),
            QPointF(x - _MARK_SIZE, y - 0.7 * tip),
            QPointF(x + _MARK_SIZE, y - 0.7 * tip),
        ]
    )


def free_place(
    mark: QPointF,
    size: tuple[float, float],
    obstacles: Sequence[Obstacle],
    area: QRectF,
    *,
    is_upward: bool,
) -> QRectF:
    """Place a word beside its mark, inside the lane, over as little else as possible.

    Parameters
    ----------
    mark : QPointF
        Middle of the mark.
    size : tuple of float
        Width and height of the word, in pixels.
    obstacles : sequence of Obstacle
        What the word should not cover.
    area : QRectF
        Where the lane is plotted.
    is_upward : bool
        The mark points upward, so the word stands rather above it.

    Returns
    -------
    QRectF
        The box of the word.
    """
    width, height = size
    x, y = mark.x(), mark.y()
    above, below = y - height - _MARK_SIZE - 1.0, y + _MARK_SIZE + 1.0
    outward, inward = (above, below) if is_upward else (below, above)
    left, middle, right = x - width - _MARK_SIZE - 1.0, x - width / 2, x + _MARK_SIZE + 1.0
    corners = [
        (middle, outward),
        (right, y - height / 2),
        (left, y - height / 2),
        (right, outward),
        (left, outward),
        (middle, inward),
        (right, inward),
        (left, inward),
    ]
    boxes = [QRectF(x, y, width, height) for x, y in corners]
    room = area.adjusted(0.0, -4.0, 0.0, 4.0)  # a word may lean a little out of the plot
    inside = [box for box in boxes if room.contains(box)] or boxes
    reach = QRectF(left, above, right + width - left, below + height - above)
    near = [other for other in obstacles if reach.intersects(other.area)]

    def covered(box: QRectF) -> float:
        ink = box.adjusted(2.0, 3.0, -2.0, -3.0)  # the letters do not fill their box
        return sum(other.weight for other in near if ink.intersects(other.area))

    return min(inside, key=covered)


def paint_legend(painter: QPainter, *, left: float, baseline: float) -> None:
    """Say what the signs mean, in one line."""
    painter.setFont(plain_font(SMALL_PX))
    metrics = QFontMetricsF(painter.font())
    x, y = left, baseline
    for kind, text in (
        ("point", "one key"),
        ("trend", "the instrument's own trend"),
        ("bar", "twice the standard error, either way"),
        ("up", "raised: above the trend"),
        ("down", "raised: below the trend"),
    ):
        middle = y - 5.0
        if kind == "point":
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(POINT))
            painter.drawEllipse(QPointF(x + 10.0, middle), _POINT_RADIUS, _POINT_RADIUS)
        elif kind == "trend":
            painter.setPen(QPen(QColor(TREND), 3.0))
            painter.drawLine(QPointF(x, middle), QPointF(x + 20.0, middle))
        elif kind == "bar":
            painter.setPen(QPen(QColor(POINT), 1.2))
            painter.drawLine(QPointF(x + 10.0, middle - 9.0), QPointF(x + 10.0, middle + 9.0))
        else:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(ACCENT))
            painter.drawPolygon(_triangle(x + 10.0, middle, is_upward=kind == "up"))
        painter.setPen(QColor(MUTED))
        painter.drawText(QPointF(x + 28.0, y), text)
        x += 28.0 + metrics.horizontalAdvance(text) + 34.0

"""How are the lanes of the map painted: points, trend, uncertainty, raised notes, another run?

The signs are those of `map_signs`.

Functions: `paint_map`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen

from toneapp.desktop.evenness_view import EvennessView, OtherPoint
from toneapp.desktop.lane_painting import (
    MARK_WEIGHT,
    POINT_WEIGHT,
    WORD_WEIGHT,
    Obstacle,
    free_place,
    tick_text,
)
from toneapp.desktop.lanes import LanePoint, ticks, value_range
from toneapp.desktop.map_geometry import MapGeometry
from toneapp.desktop.map_keys import paint_keys
from toneapp.desktop.map_lanes import MapLane
from toneapp.desktop.map_signs import (
    LIMIT_PX,
    MARK_PX,
    TREND_PX,
    MapStyle,
    Stamps,
    paint_arrow,
    paint_legend,
    triangle,
)
from toneapp.desktop.theme import Colours
from toneapp.pitch import note_name
from toneapp.wording import NOT_MEASURED

__all__ = ["paint_map"]

_TINY = 1e-12


def paint_map(
    painter: QPainter, view: EvennessView, geometry: MapGeometry, style: MapStyle
) -> None:
    """Paint all that does not follow the pointer.

    Parameters
    ----------
    painter : QPainter
        Of the widget or a picture.
    view : EvennessView
        What to show.
    geometry : MapGeometry
        Where.
    style : MapStyle
        In which colours.
    """
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    stamps = Stamps(style.colours, ratio=painter.device().devicePixelRatioF())
    for key, area in geometry.lanes.items():
        _paint_lane(painter, view, key, area, geometry, style, stamps)
    painter.setFont(style.font)
    paint_keys(painter, geometry, style)
    paint_legend(painter, view, geometry, style)


class _Scale:
    """From a value of a lane to its height on the map."""

    def __init__(self, low: float, high: float, *, is_logarithmic: bool, area: QRectF) -> None:
        self.low, self.high, self.is_logarithmic, self.area = low, high, is_logarithmic, area
        if is_logarithmic:
            low, high = math.log10(max(low, _TINY)), math.log10(max(high, _TINY))
        self._slope = -area.height() / (high - low)
        self._start = area.bottom() - self._slope * low

    def y(self, value: float) -> float:
        if self.is_logarithmic:
            value = math.log10(max(value, _TINY))
        return self._start + self._slope * value


def _paint_lane(
    painter: QPainter,
    view: EvennessView,
    key: str,
    area: QRectF,
    geometry: MapGeometry,
    style: MapStyle,
    stamps: Stamps,
) -> None:
    colours, lane = style.colours, view.lanes[key]
    painter.fillRect(area, QColor(colours.lane))
    painter.setPen(QPen(QColor(colours.grid), 1.0))
    for midi, x in geometry.xs.items():
        if midi % 12 == 0:
            painter.drawLine(QLineF(x, area.top(), x, area.bottom()))
    _paint_heading(painter, lane, area, geometry, style)
    plot = geometry.plot_of(key)
    compass = geometry.axis.compass
    points = [point for point in lane.lane.points if point.midi in compass]
    others = {midi: point for midi, point in view.others.get(key, {}).items() if midi in compass}
    if not points and not others:
        painter.setFont(style.font)
        painter.setPen(QColor(colours.muted))
        painter.drawText(plot, Qt.AlignmentFlag.AlignCenter, NOT_MEASURED)
        return
    scale = _scale(lane, points, others, plot)
    _paint_ticks(painter, scale, area, geometry, style)
    painter.save()
    painter.setClipRect(plot.adjusted(0.0, -3.0, 0.0, 3.0))
    _paint_trend(painter, points, scale, geometry, colours)
    _paint_bars(painter, points, scale, geometry, colours)
    _paint_others(painter, view, points, others, scale, geometry, colours)
    painter.restore()
    stamps.ring(
        painter, [(geometry.xs[midi], scale.y(point.value)) for midi, point in others.items()]
    )
    _paint_points(painter, lane, points, scale, geometry, colours, stamps)
    _paint_marks(painter, points, scale, geometry, style)


def _scale(
    lane: MapLane, points: Sequence[LanePoint], others: Mapping[int, OtherPoint], plot: QRectF
) -> _Scale:
    shown = [*points, *(LanePoint(midi=o.midi, value=o.value) for o in others.values())]
    if lane.lane.is_logarithmic:
        shown = [point for point in shown if point.value > 0]
    low, high = value_range(replace(lane.lane, points=tuple(shown)))
    return _Scale(low, high, is_logarithmic=lane.lane.is_logarithmic, area=plot)


def _paint_heading(
    painter: QPainter, lane: MapLane, area: QRectF, geometry: MapGeometry, style: MapStyle
) -> None:
    bold = style.bold()
    strip = QRectF(area.left() + 8.0, area.top(), area.width() - 16.0, geometry.heading)
    flags = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft
    painter.setFont(bold)
    painter.setPen(QColor(style.colours.ink))
    painter.drawText(strip, flags, lane.lane.title)
    offset = QFontMetricsF(bold).horizontalAdvance(lane.lane.title) + 12.0
    painter.setFont(style.font)
    painter.setPen(QColor(style.colours.muted))
    metrics = QFontMetricsF(style.font)
    room = strip.width() - offset
    note_width = metrics.horizontalAdvance(lane.lane.note)
    if lane.lane.note and note_width + 60.0 < room:
        painter.drawText(strip, flags | Qt.AlignmentFlag.AlignRight, lane.lane.note)
        room -= note_width + 16.0
    unit = metrics.elidedText(lane.lane.unit, Qt.TextElideMode.ElideRight, room)
    painter.drawText(strip.adjusted(offset, 0.0, 0.0, 0.0), flags, unit)


def _paint_ticks(
    painter: QPainter, scale: _Scale, area: QRectF, geometry: MapGeometry, style: MapStyle
) -> None:
    lines = scale.area.height() / geometry.line
    most = int(min(max(lines / 1.3, 3 if lines > 2.2 else 2), 6))
    painter.setFont(style.font)
    grid, muted = QPen(QColor(style.colours.grid), 1.0), QPen(QColor(style.colours.muted))
    half = geometry.line / 2
    for value in ticks(scale.low, scale.high, is_logarithmic=scale.is_logarithmic, most=most):
        y = scale.y(value)
        painter.setPen(grid)
        painter.drawLine(QLineF(area.left(), y, area.right(), y))
        painter.setPen(muted)
        painter.drawText(
            QRectF(0.0, y - half, area.left() - 8.0, 2 * half),
            Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
            tick_text(value),
        )


def _paint_trend(
    painter: QPainter,
    points: Sequence[LanePoint],
    scale: _Scale,
    geometry: MapGeometry,
    colours: Colours,
) -> None:
    line = [
        QPointF(geometry.xs[point.midi], scale.y(point.trend))
        for point in points
        if point.trend is not None
    ]
    pen = QPen(QColor(colours.trend), TREND_PX)
    pen.setCapStyle(Qt.PenCapStyle.RoundCap)
    painter.setPen(pen)
    # Pieces are painted several times as quickly as one line with its joints.
    painter.drawLines([QLineF(one, two) for one, two in pairwise(line)])


def _paint_bars(
    painter: QPainter,
    points: Sequence[LanePoint],
    scale: _Scale,
    geometry: MapGeometry,
    colours: Colours,
) -> None:
    lines = [
        QLineF(x, scale.y(point.low), x, scale.y(point.high))
        for point in points
        if point.low is not None
        and point.high is not None
        and (x := geometry.xs[point.midi]) is not None
    ]
    painter.setPen(QPen(QColor(colours.point), 1.0))
    painter.drawLines(lines)


def _paint_others(
    painter: QPainter,
    view: EvennessView,
    points: Sequence[LanePoint],
    others: Mapping[int, OtherPoint],
    scale: _Scale,
    geometry: MapGeometry,
    colours: Colours,
) -> None:
    """Join the rings of the other run to the run's own points; by arrows where it changed."""
    other = QColor(colours.other)
    own = {point.midi: scale.y(point.value) for point in points}
    thin = []
    for midi, point in others.items():
        x, y = geometry.xs[midi], scale.y(point.value)
        if midi not in own:
            continue
        line = QLineF(x, y, x, own[midi])
        if point.is_changed:
            earlier, later = (y, own[midi]) if view.is_other_earlier else (own[midi], y)
            paint_arrow(painter, x, earlier, later, other)
        else:
            thin.append(line)
    painter.setPen(QPen(other, 1.0))
    painter.drawLines(thin)


def _paint_points(
    painter: QPainter,
    lane: MapLane,
    points: Sequence[LanePoint],
    scale: _Scale,
    geometry: MapGeometry,
    colours: Colours,
    stamps: Stamps,
) -> None:
    stamps.dot(
        painter,
        [
            (geometry.xs[point.midi], scale.y(point.value))
            for point in points
            if point.mark is None and point.midi not in lane.limits
        ],
    )
    painter.setPen(QPen(QColor(colours.point), 1.4))
    painter.setBrush(QColor(colours.lane))
    for point in points:
        if point.midi in lane.limits:
            x, y = geometry.xs[point.midi], scale.y(point.value)
            painter.drawPolygon(triangle(x, y, size=LIMIT_PX, is_upward=False))


def _paint_marks(
    painter: QPainter,
    points: Sequence[LanePoint],
    scale: _Scale,
    geometry: MapGeometry,
    style: MapStyle,
) -> None:
    marked = [point for point in points if point.mark is not None]
    if not marked:
        return
    colours, font = style.colours, style.bold()
    metrics = QFontMetricsF(font)
    painter.setPen(QPen(QColor(colours.lane), 1.0))
    painter.setBrush(QColor(colours.accent))
    for point in marked:
        assert point.mark is not None
        x, y = geometry.xs[point.midi], scale.y(point.value)
        painter.drawPolygon(triangle(x, y, size=MARK_PX, is_upward=point.mark.is_upward))
    obstacles = [
        Obstacle(
            area=QRectF(
                geometry.xs[point.midi] - MARK_PX,
                scale.y(point.value) - MARK_PX,
                2 * MARK_PX,
                2 * MARK_PX,
            ),
            weight=MARK_WEIGHT if point.mark is not None else POINT_WEIGHT,
        )
        for point in points
    ]
    painter.setFont(font)
    painter.setPen(QColor(colours.accent))
    words: list[QRectF] = []
    for point in marked:
        assert point.mark is not None
        place = QPointF(geometry.xs[point.midi], scale.y(point.value))
        # Where words would cover one another the name must do; the shape tells the direction.
        for text in (point.mark.text, note_name(point.midi)):
            size = (metrics.horizontalAdvance(text) + 4.0, metrics.height())
            box = free_place(place, size, obstacles, scale.area, is_upward=point.mark.is_upward)
            if not any(box.intersects(word) for word in words):
                words.append(box)
                obstacles.append(Obstacle(area=box, weight=WORD_WEIGHT))
                painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)
                break

"""How is the map of a run painted: lanes, trend, uncertainty, raised notes, another run?

No meaning hangs on colour: a key of the run is a full dot, one of the run laid over it a ring, a
raised note a triangle with a word, a change beyond scatter an arrow from the earlier value to the
later one, a value that is only an upper limit a hollow wedge.

Functions: `paint_map`, `paint_at_hand`, `legend_rows`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen, QPixmap, QPolygonF

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
from toneapp.desktop.map_lanes import MapLane
from toneapp.desktop.theme import Colours
from toneapp.keyboard import Compass, is_black_key
from toneapp.pitch import note_name
from toneapp.wording import NOT_MEASURED

__all__ = ["MapStyle", "legend_rows", "paint_at_hand", "paint_map"]

_POINT_PX = 7.0
_RING_PX, _RING_PEN_PX = 7.4, 1.6
_MARK_PX = 7.0
_STAMP_PX = 14.0
_TREND_PX = 2.6
_HEAD_PX = 7.0
_TINY = 1e-12
_COLUMN_PX = (9.0, 30.0)
"""Narrowest and widest column of the chosen key."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MapStyle:
    """Colours and face of a map."""

    colours: Colours
    font: QFont

    def bold(self) -> QFont:
        """Return the same face for headings and words."""
        font = QFont(self.font)
        font.setBold(True)
        return font


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


class _Stamps:
    """Dot and ring, painted once and copied to each place: three times as quick as ellipses."""

    def __init__(self, colours: Colours, *, ratio: float) -> None:
        self._half = _STAMP_PX / 2
        self._dot = self._blank(ratio)
        painter = QPainter(self._dot)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(QColor(colours.lane), 1.0))
        painter.setBrush(QColor(colours.point))
        middle = QPointF(self._half, self._half)
        painter.drawEllipse(middle, _POINT_PX / 2, _POINT_PX / 2)
        painter.end()
        self._ring = self._blank(ratio)
        painter = QPainter(self._ring)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(QColor(colours.other), _RING_PEN_PX))
        painter.setBrush(QColor(colours.lane))
        painter.drawEllipse(middle, _RING_PX / 2, _RING_PX / 2)
        painter.end()

    @staticmethod
    def _blank(ratio: float) -> QPixmap:
        side = math.ceil(_STAMP_PX * ratio)
        stamp = QPixmap(side, side)
        stamp.setDevicePixelRatio(ratio)
        stamp.fill(QColor(0, 0, 0, 0))
        return stamp

    def dot(self, painter: QPainter, places: Iterable[tuple[float, float]]) -> None:
        """Paint keys of the run."""
        for x, y in places:
            painter.drawPixmap(QPointF(x - self._half, y - self._half), self._dot)

    def ring(self, painter: QPainter, places: Iterable[tuple[float, float]]) -> None:
        """Paint keys of the run laid over it."""
        for x, y in places:
            painter.drawPixmap(QPointF(x - self._half, y - self._half), self._ring)


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
    stamps = _Stamps(style.colours, ratio=painter.device().devicePixelRatioF())
    for key, area in geometry.lanes.items():
        _paint_lane(painter, view, key, area, geometry, style, stamps)
    painter.setFont(style.font)
    _paint_keys(painter, geometry, style)
    _paint_legend(painter, view, geometry, style)


def paint_at_hand(
    painter: QPainter,
    geometry: MapGeometry,
    style: MapStyle,
    *,
    chosen: int,
    hovered: int,
    lane_key: str,
    has_focus: bool,
) -> None:
    """Paint what follows pointer and keyboard: the chosen key, the one below the pointer, a lane.

    Parameters
    ----------
    painter, geometry, style
        As in `paint_map`.
    chosen, hovered : int
        Keys; 0 for none.
    lane_key : str
        The lane at hand; marked only while `has_focus`.
    has_focus : bool
        The keyboard is in the map.
    """
    colours = style.colours
    tops = [area.top() for area in geometry.lanes.values()]
    if not tops:
        return
    accent = QColor(colours.accent)
    width = min(max(0.9 * geometry.axis.white_width, _COLUMN_PX[0]), _COLUMN_PX[1])
    for midi, is_chosen in ((hovered, False), (chosen, True)):
        if midi not in geometry.xs:
            continue
        x = geometry.xs[midi]
        column = QRectF(x - width / 2, min(tops), width, geometry.keys.top() - min(tops))
        if is_chosen:
            mode, alpha = _tint(colours)
            fill = QColor(colours.selected)
            fill.setAlpha(alpha)
            painter.setCompositionMode(mode)
            painter.fillRect(column, fill)
            painter.setCompositionMode(QPainter.CompositionMode.CompositionMode_SourceOver)
            _paint_chosen_key(painter, geometry, style, midi)
        painter.setPen(QPen(accent if is_chosen else QColor(colours.muted), 1.0))
        painter.drawLine(QLineF(column.topLeft(), column.bottomLeft()))
        painter.drawLine(QLineF(column.topRight(), column.bottomRight()))
    if has_focus and lane_key in geometry.lanes:
        area = geometry.lanes[lane_key]
        painter.setPen(QPen(accent, 2.0))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(area.adjusted(1.0, 1.0, -1.0, -1.0))


def _tint(colours: Colours) -> tuple[QPainter.CompositionMode, int]:
    """Way and strength (of 255) of colouring a ground that leaves the signs on it as they are."""
    if QColor(colours.paper).lightnessF() > QColor(colours.ink).lightnessF():
        return QPainter.CompositionMode.CompositionMode_Multiply, 255
    return QPainter.CompositionMode.CompositionMode_Screen, 130


def legend_rows(view: EvennessView, style: MapStyle, *, width: float) -> int:
    """Lines that the explanation of the signs needs in a width."""
    metrics = QFontMetricsF(style.font)
    return 1 + max(row for row, _, _, _ in _legend_places(view, metrics, 0.0, width))


def _paint_chosen_key(
    painter: QPainter, geometry: MapGeometry, style: MapStyle, midi: int
) -> None:
    """Put a wedge over the key and its name below it, so that it is found on the keyboard."""
    colours, keys = style.colours, geometry.keys
    x = geometry.xs[midi]
    share = 0.42 if is_black_key(midi) else 0.8
    painter.setPen(QPen(QColor(colours.paper), 1.0))
    painter.setBrush(QColor(colours.accent))
    size = min(7.0, 0.6 * geometry.axis.white_width + 2.0)
    painter.drawEllipse(QPointF(x, keys.top() + share * keys.height()), size, size)
    font = style.bold()
    metrics = QFontMetricsF(font)
    name = note_name(midi)
    width = metrics.horizontalAdvance(name) + 12.0
    left = min(max(x - width / 2, geometry.axis.left), geometry.axis.right - width)
    box = QRectF(left, keys.bottom() + 2.0, width, 1.45 * metrics.height())
    painter.fillRect(box.adjusted(-0.6 * width, 0.0, 0.6 * width, 0.0), QColor(colours.paper))
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(QColor(colours.accent))
    painter.drawRoundedRect(box, 4.0, 4.0)
    painter.setFont(font)
    painter.setPen(QColor(colours.accent_ink))
    painter.drawText(box, Qt.AlignmentFlag.AlignCenter, name)


def _paint_lane(
    painter: QPainter,
    view: EvennessView,
    key: str,
    area: QRectF,
    geometry: MapGeometry,
    style: MapStyle,
    stamps: _Stamps,
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
    most = int(min(max(scale.area.height() / (1.5 * geometry.line), 3), 6))
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
    pen = QPen(QColor(colours.trend), _TREND_PX)
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
            _paint_arrow(painter, x, earlier, later, other)
        else:
            thin.append(line)
    painter.setPen(QPen(other, 1.0))
    painter.drawLines(thin)


def _paint_arrow(
    painter: QPainter, x: float, earlier: float, later: float, colour: QColor
) -> None:
    way = 1.0 if later > earlier else -1.0
    tip = later - way * (_POINT_PX / 2 + 1.0)
    painter.setPen(QPen(colour, 2.4))
    painter.drawLine(QLineF(x, earlier, x, tip - way * _HEAD_PX))
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(colour)
    painter.drawPolygon(
        QPolygonF(
            [
                QPointF(x, tip),
                QPointF(x - 0.75 * _HEAD_PX, tip - way * 1.5 * _HEAD_PX),
                QPointF(x + 0.75 * _HEAD_PX, tip - way * 1.5 * _HEAD_PX),
            ]
        )
    )


def _paint_points(
    painter: QPainter,
    lane: MapLane,
    points: Sequence[LanePoint],
    scale: _Scale,
    geometry: MapGeometry,
    colours: Colours,
    stamps: _Stamps,
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
            painter.drawPolygon(_triangle(x, y, size=4.0, is_upward=False))


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
        painter.drawPolygon(_triangle(x, y, size=_MARK_PX, is_upward=point.mark.is_upward))
    obstacles = [
        Obstacle(
            area=QRectF(
                geometry.xs[point.midi] - _MARK_PX,
                scale.y(point.value) - _MARK_PX,
                2 * _MARK_PX,
                2 * _MARK_PX,
            ),
            weight=MARK_WEIGHT if point.mark is not None else POINT_WEIGHT,
        )
        for point in points
    ]
    painter.setFont(font)
    painter.setPen(QColor(colours.accent))
    for point in marked:
        assert point.mark is not None
        size = (metrics.horizontalAdvance(point.mark.text) + 4.0, metrics.height())
        place = QPointF(geometry.xs[point.midi], scale.y(point.value))
        box = free_place(place, size, obstacles, scale.area, is_upward=point.mark.is_upward)
        obstacles.append(Obstacle(area=box, weight=WORD_WEIGHT))
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, point.mark.text)


def _triangle(x: float, y: float, *, size: float, is_upward: bool) -> QPolygonF:
    tip = -size if is_upward else size
    return QPolygonF(
        [
            QPointF(x, y + 1.2 * tip),
            QPointF(x - size, y - 0.7 * tip),
            QPointF(x + size, y - 0.7 * tip),
        ]
    )


def _paint_keys(painter: QPainter, geometry: MapGeometry, style: MapStyle) -> None:
    """Paint the keyboard and the names of keys below it."""
    colours, keys, axis = style.colours, geometry.keys, geometry.axis
    painter.setPen(QPen(QColor(colours.key_edge), 1.0))
    painter.setBrush(QColor(colours.key_white))
    shown = _all_keys(axis.compass)
    half = axis.white_width / 2
    for midi in shown:
        if not is_black_key(midi):
            painter.drawRect(QRectF(axis.x(midi) - half, keys.top(), 2 * half, keys.height()))
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(QColor(colours.key_black))
    for midi in shown:
        if is_black_key(midi):
            painter.drawRect(
                QRectF(axis.x(midi) - 0.62 * half, keys.top(), 1.24 * half, 0.6 * keys.height())
            )
    painter.setPen(QColor(colours.muted))
    metrics = QFontMetricsF(style.font)
    every = axis.white_width > 1.3 * metrics.horizontalAdvance("A0")
    for midi in axis.compass:
        if (
            midi % 12 == 0
            or midi == axis.compass.lowest_midi
            or (every and not is_black_key(midi))
        ):
            name = note_name(midi)
            width = metrics.horizontalAdvance(name) + 8.0
            painter.drawText(
                QRectF(axis.x(midi) - width / 2, keys.bottom() + 2.0, width, 1.45 * geometry.line),
                Qt.AlignmentFlag.AlignCenter,
                name,
            )


def _all_keys(compass: Compass) -> range:
    """Keys to draw: a black one at an end has a white one beside it."""
    low, high = compass.lowest_midi, compass.highest_midi
    return range(low - is_black_key(low), high + is_black_key(high) + 1)


_SIGNS = (
    ("dot", "one key"),
    ("trend", "the instrument's own trend"),
    ("bar", "± twice the standard error"),
    ("raised", "raised: above, below"),
)


def _signs(view: EvennessView) -> tuple[tuple[str, str], ...]:
    signs = list(_SIGNS)
    if any(lane.limits for lane in view.lanes.values()):
        signs.append(("limit", "at most"))
    if view.other_name:
        signs += [("ring", view.other_name), ("arrow", "changed beyond scatter")]
    return tuple(signs)


_SIGN_WIDTH, _SIGN_GAP = 28.0, 16.0


def _legend_places(
    view: EvennessView, metrics: QFontMetricsF, left: float, right: float
) -> Iterator[tuple[int, float, str, str]]:
    """Row, place, sign and text of each explanation, folded to the width."""
    row, x = 0, left
    for sign, text in _signs(view):
        width = _SIGN_WIDTH + metrics.horizontalAdvance(text)
        if x > left and x + width > right:
            row, x = row + 1, left
        yield row, x, sign, text
        x += width + _SIGN_GAP


def _paint_legend(
    painter: QPainter, view: EvennessView, geometry: MapGeometry, style: MapStyle
) -> None:
    colours = style.colours
    painter.setFont(style.font)
    metrics = QFontMetricsF(style.font)
    step = 1.25 * geometry.line
    for row, x, sign, text in _legend_places(view, metrics, 8.0, geometry.axis.right):
        middle = geometry.legend_top + (row + 0.5) * step
        _paint_sign(painter, sign, QPointF(x + 9.0, middle), colours)
        painter.setPen(QColor(colours.muted))
        painter.drawText(
            QRectF(x + _SIGN_WIDTH - 4.0, middle - step / 2, 2000.0, step),
            Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft,
            text,
        )


def _paint_sign(painter: QPainter, sign: str, place: QPointF, colours: Colours) -> None:
    x, y = place.x(), place.y()
    if sign == "dot":
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(colours.point))
        painter.drawEllipse(place, _POINT_PX / 2, _POINT_PX / 2)
    elif sign == "ring":
        painter.setPen(QPen(QColor(colours.other), _RING_PEN_PX))
        painter.setBrush(QColor(colours.paper))
        painter.drawEllipse(place, _RING_PX / 2, _RING_PX / 2)
    elif sign == "trend":
        painter.setPen(QPen(QColor(colours.trend), _TREND_PX))
        painter.drawLine(QLineF(x - 9.0, y, x + 9.0, y))
    elif sign == "bar":
        painter.setPen(QPen(QColor(colours.point), 1.0))
        painter.drawLine(QLineF(x, y - 8.0, x, y + 8.0))
    elif sign == "arrow":
        _paint_arrow(painter, x, y + 8.0, y - 11.0, QColor(colours.other))
    elif sign == "limit":
        painter.setPen(QPen(QColor(colours.point), 1.4))
        painter.setBrush(QColor(colours.lane))
        painter.drawPolygon(_triangle(x, y, size=4.0, is_upward=False))
    else:
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(colours.accent))
        for shift, is_upward in ((-5.0, True), (5.0, False)):
            painter.drawPolygon(_triangle(x + shift, y, size=5.0, is_upward=is_upward))

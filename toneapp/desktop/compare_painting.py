"""How are several runs painted over one keyboard?

One lane a measure. Each run has a shape and a colour of its own, and a smooth line through its
keys; the line's number stands at its right end, so that nothing hangs on colour.

Classes and functions: `CompareGeometry`, `paint_compare`, `paint_run_sign`, `run_colour`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen, QPolygonF

from toneapp.desktop.compare_view import CompareLane, CompareView
from toneapp.desktop.key_axis import KeyAxis
from toneapp.desktop.lane_painting import tick_text
from toneapp.desktop.lanes import ticks
from toneapp.desktop.theme import Colours

__all__ = ["CompareGeometry", "paint_compare", "paint_run_sign", "run_colour"]

_GAP = 6.0
_EDGE = 8.0
_KEYS_HEIGHT = 34.0
_SIGN_PX = 6.0
_LINE_PX = 2.0
_STYLES = (
    Qt.PenStyle.SolidLine,
    Qt.PenStyle.DashLine,
    Qt.PenStyle.DotLine,
    Qt.PenStyle.DashDotLine,
    Qt.PenStyle.DashDotDotLine,
    Qt.PenStyle.SolidLine,
)
_MARGIN = 0.08


def run_colour(number: int, colours: Colours) -> QColor:
    """Colour of a run by its number, from 1."""
    order = (
        colours.point, colours.accent, colours.other, colours.second, colours.muted, colours.trend,
    )  # fmt: skip
    return QColor(order[(number - 1) % len(order)])


class CompareGeometry:
    """Places of lanes and keys, in pixels.

    Parameters
    ----------
    width, height : float
        Of the widget.
    view : CompareView
        What is shown.
    font : QFont
        Of the scale.
    """

    def __init__(self, width: float, height: float, *, view: CompareView, font: QFont) -> None:
        metrics = QFontMetricsF(font)
        self.line = metrics.height()
        self.heading = 1.35 * self.line
        left = metrics.horizontalAdvance("−0.05 s") + 10.0
        right = max(width - metrics.horizontalAdvance("[6]") - _EDGE, left + 60.0)
        self.axis = KeyAxis(view.compass, left=left, right=right)
        keys_top = height - _KEYS_HEIGHT - 1.7 * self.line
        self.keys = QRectF(left, keys_top, right - left, _KEYS_HEIGHT)
        count = max(len(view.lanes), 1)
        each = max((keys_top - _GAP * count) / count, 8.0)
        self.lanes = [
            QRectF(left, place * (each + _GAP), right - left, each)
            for place in range(len(view.lanes))
        ]

    def plot(self, place: int) -> QRectF:
        """Part of a lane that holds its points."""
        return self.lanes[place].adjusted(0.0, self.heading, 0.0, -4.0)

    def lane_at(self, y: float) -> int | None:
        """Which lane lies at a height."""
        return next(
            (i for i, area in enumerate(self.lanes) if area.top() <= y <= area.bottom()), None
        )

    def key_at(self, x: float) -> int:
        """Nearest key to a place; 0 beside the keyboard."""
        axis = self.axis
        if not axis.left - axis.white_width <= x <= axis.right + axis.white_width:
            return 0
        return min(axis.compass, key=lambda midi: abs(axis.x(midi) - x))


class _Scale:
    """From a value to its height in a plot."""

    def __init__(self, lane: CompareLane, plot: QRectF) -> None:
        self._is_log = lane.is_logarithmic
        # The courses and nine tenths of the keys; a stray key must not flatten all others.
        values = sorted(self._of(point.value) for row in lane.points for point in row)
        lines = [self._of(point.value) for row in lane.lines for point in row]
        cut = len(values) // 50
        low = min([*values[cut : cut + 1], *lines])
        high = max([*values[len(values) - 1 - cut : len(values) - cut], *lines])
        room = max(high - low, 0.05 if self._is_log else 1e-3)
        self.low, self.high = low - _MARGIN * room, high + _MARGIN * room
        self._plot = plot

    def _of(self, value: float) -> float:
        return math.log10(max(value, 1e-12)) if self._is_log else value

    def ends(self) -> tuple[float, float]:
        """Lowest and highest value shown."""
        if self._is_log:
            return 10.0**self.low, 10.0**self.high
        return self.low, self.high

    def y(self, value: float) -> float:
        """Height of a value, kept inside the plot."""
        share = (self._of(value) - self.low) / (self.high - self.low)
        share = min(max(share, 0.0), 1.0)
        return self._plot.bottom() - share * self._plot.height()


def paint_compare(
    painter: QPainter,
    view: CompareView,
    geometry: CompareGeometry,
    *,
    colours: Colours,
    font: QFont,
) -> None:
    """Paint lanes and keyboard.

    Parameters
    ----------
    painter : QPainter
        Of the widget or a picture.
    view : CompareView
        What to show.
    geometry : CompareGeometry
        Where.
    colours : Colours
        Palette.
    font : QFont
        Of the scale.
    """
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setFont(font)
    for place, lane in enumerate(view.lanes):
        _paint_lane(painter, lane, place, geometry, colours, font)
    _paint_keys(painter, geometry, colours)


def _paint_lane(
    painter: QPainter,
    lane: CompareLane,
    place: int,
    geometry: CompareGeometry,
    colours: Colours,
    font: QFont,
) -> None:
    area, plot, axis = geometry.lanes[place], geometry.plot(place), geometry.axis
    painter.fillRect(area, QColor(colours.lane))
    painter.setPen(QPen(QColor(colours.grid), 1.0))
    for midi in axis.compass:
        if midi % 12 == 0:
            painter.drawLine(QLineF(axis.x(midi), area.top(), axis.x(midi), area.bottom()))
    _paint_heading(painter, lane, area, geometry, colours, font)
    scale = _Scale(lane, plot)
    low, high = scale.ends()
    most = int(min(max(plot.height() / (1.5 * geometry.line), 3), 5))
    for value in ticks(low, high, is_logarithmic=lane.is_logarithmic, most=most):
        y = scale.y(value)
        painter.setPen(QPen(QColor(colours.grid), 1.0))
        painter.drawLine(QLineF(area.left(), y, area.right(), y))
        painter.setPen(QColor(colours.muted))
        painter.drawText(
            QRectF(0.0, y - geometry.line, area.left() - 6.0, 2 * geometry.line),
            Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
            tick_text(value),
        )
    painter.save()
    painter.setClipRect(plot.adjusted(0.0, -3.0, 0.0, 3.0))
    for number, points in enumerate(lane.points, 1):
        size = _SIGN_PX if len(lane.points) <= 2 else 0.8 * _SIGN_PX
        for point in points:
            middle = QPointF(axis.x(point.midi), scale.y(point.value))
            paint_run_sign(painter, number, middle, size, colours=colours)
    for number, points in enumerate(lane.lines, 1):
        pen = QPen(run_colour(number, colours), _LINE_PX, _STYLES[(number - 1) % len(_STYLES)])
        painter.setPen(pen)
        painter.drawPolyline(
            QPolygonF([QPointF(axis.x(p.midi), scale.y(p.value)) for p in points])
        )
    painter.restore()
    _paint_numbers(painter, lane, scale, geometry, area, colours)


def _paint_heading(
    painter: QPainter,
    lane: CompareLane,
    area: QRectF,
    geometry: CompareGeometry,
    colours: Colours,
    font: QFont,
) -> None:
    strip = QRectF(area.left() + 8.0, area.top(), area.width() - 16.0, geometry.heading)
    flags = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft
    bold = QFont(font)
    bold.setBold(True)
    painter.setFont(bold)
    painter.setPen(QColor(colours.ink))
    painter.drawText(strip, flags, lane.title)
    offset = QFontMetricsF(bold).horizontalAdvance(lane.title) + 12.0
    painter.setFont(font)
    painter.setPen(QColor(colours.muted))
    painter.drawText(strip.adjusted(offset, 0.0, 0.0, 0.0), flags, lane.unit)


def _paint_numbers(
    painter: QPainter,
    lane: CompareLane,
    scale: _Scale,
    geometry: CompareGeometry,
    area: QRectF,
    colours: Colours,
) -> None:
    """Write each run's number beside the end of its line, one below the other where they meet."""
    rows = [line or points for line, points in zip(lane.lines, lane.points, strict=True)]
    ends = [(scale.y(row[-1].value), number) for number, row in enumerate(rows, 1) if row]
    step = 0.95 * geometry.line
    placed: list[tuple[float, int]] = []
    for y, number in sorted(ends):
        placed.append((max(y, placed[-1][0] + step) if placed else y, number))
    beyond = max((placed[-1][0] if placed else 0.0) - area.bottom() + 0.5 * geometry.line, 0.0)
    for y, number in placed:
        painter.setPen(run_colour(number, colours))
        painter.drawText(
            QRectF(area.right() + 3.0, y - beyond - geometry.line, 60.0, 2 * geometry.line),
            Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter,
            f"[{number}]",
        )


def paint_run_sign(
    painter: QPainter, number: int, middle: QPointF, size: float, *, colours: Colours
) -> None:
    """Paint the shape of a run, by its number from 1."""
    half, colour = size / 2, run_colour(number, colours)
    x, y = middle.x(), middle.y()
    is_hollow = number in (2, 5)
    painter.setPen(QPen(colour, 1.4) if is_hollow else Qt.PenStyle.NoPen)
    painter.setBrush(Qt.BrushStyle.NoBrush if is_hollow else colour)
    corners: Sequence[tuple[float, float]]
    if number in (1, 2):
        painter.drawEllipse(middle, half, half)
        return
    if number == 3:
        corners = [(0.0, -1.2 * half), (1.1 * half, 0.9 * half), (-1.1 * half, 0.9 * half)]
    elif number in (4, 5):
        corners = [(-half, -half), (half, -half), (half, half), (-half, half)]
    else:
        corners = [(0.0, -1.3 * half), (1.3 * half, 0.0), (0.0, 1.3 * half), (-1.3 * half, 0.0)]
    painter.drawPolygon(QPolygonF([QPointF(x + dx, y + dy) for dx, dy in corners]))


def _paint_keys(painter: QPainter, geometry: CompareGeometry, colours: Colours) -> None:
    keys, axis = geometry.keys, geometry.axis
    axis.paint_keys(painter, top=keys.top(), height=keys.height(), colours=colours.keys)
    axis.paint_octaves(painter, top=keys.bottom(), line=geometry.line, colour=colours.muted)

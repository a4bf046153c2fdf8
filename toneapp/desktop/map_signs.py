"""Which signs does the map have, and how are they explained at its foot?

No meaning hangs on colour: a key of the run is a full dot, one of the run laid over it a ring, a
raised note a triangle with a word, a change beyond scatter an arrow from the earlier value to the
later one, a value that is only an upper limit a hollow wedge.

Classes and functions: `MapStyle`, `Stamps`, `triangle`, `paint_arrow`, `paint_legend`,
`legend_rows`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen, QPixmap, QPolygonF

from toneapp.desktop.evenness_view import EvennessView
from toneapp.desktop.map_geometry import MapGeometry
from toneapp.desktop.theme import Colours

__all__ = [
    "LIMIT_PX",
    "MARK_PX",
    "TREND_PX",
    "MapStyle",
    "Stamps",
    "legend_rows",
    "paint_arrow",
    "paint_legend",
    "triangle",
]

MARK_PX, LIMIT_PX = 7.0, 4.0
TREND_PX = 2.6
_POINT_PX = 7.0
_RING_PX, _RING_PEN_PX = 7.4, 1.6
_STAMP_PX = 14.0
_HEAD_PX = 7.0

_SIGNS = (
    ("dot", "one key"),
    ("trend", "the instrument's own trend"),
    ("bar", "± twice the standard error"),
    ("raised", "raised: above, below"),
)
_SIGN_WIDTH, _SIGN_GAP = 28.0, 16.0


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


class Stamps:
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


def triangle(x: float, y: float, *, size: float, is_upward: bool) -> QPolygonF:
    """Wedge around a place, its tip up or down; `size` is half its width in pixels."""
    tip = -size if is_upward else size
    return QPolygonF(
        [
            QPointF(x, y + 1.2 * tip),
            QPointF(x - size, y - 0.7 * tip),
            QPointF(x + size, y - 0.7 * tip),
        ]
    )


def paint_arrow(painter: QPainter, x: float, earlier: float, later: float, colour: QColor) -> None:
    """Paint an arrow in the column of a key, from the earlier height to the later one."""
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


def legend_rows(view: EvennessView, style: MapStyle, *, width: float) -> int:
    """Lines that the explanation of the signs needs in a width."""
    metrics = QFontMetricsF(style.font)
    return 1 + max(row for row, _, _, _ in _legend_places(view, metrics, 0.0, width))


def paint_legend(
    painter: QPainter, view: EvennessView, geometry: MapGeometry, style: MapStyle
) -> None:
    """Explain the signs that the map has, at its foot."""
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


def _signs(view: EvennessView) -> tuple[tuple[str, str], ...]:
    signs = list(_SIGNS)
    if any(lane.limits for lane in view.lanes.values()):
        signs.append(("limit", "at most"))
    if view.other_name:
        signs += [("ring", view.other_name), ("arrow", "changed beyond scatter")]
    return tuple(signs)


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
        painter.setPen(QPen(QColor(colours.trend), TREND_PX))
        painter.drawLine(QLineF(x - 9.0, y, x + 9.0, y))
    elif sign == "bar":
        painter.setPen(QPen(QColor(colours.point), 1.0))
        painter.drawLine(QLineF(x, y - 8.0, x, y + 8.0))
    elif sign == "arrow":
        paint_arrow(painter, x, y + 8.0, y - 11.0, QColor(colours.other))
    elif sign == "limit":
        painter.setPen(QPen(QColor(colours.point), 1.4))
        painter.setBrush(QColor(colours.lane))
        painter.drawPolygon(triangle(x, y, size=LIMIT_PX, is_upward=False))
    else:
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(colours.accent))
        for shift, is_upward in ((-5.0, True), (5.0, False)):
            painter.drawPolygon(triangle(x + shift, y, size=5.0, is_upward=is_upward))

"""How are the keyboard below the lanes and the marks of pointer and keyboard painted?

Functions: `paint_keys`, `paint_at_hand`.
"""

from __future__ import annotations

import math

from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen

from toneapp.desktop.map_geometry import MapGeometry
from toneapp.desktop.map_signs import MapStyle
from toneapp.desktop.theme import Colours
from toneapp.keyboard import Compass, is_black_key
from toneapp.pitch import note_name

__all__ = ["paint_at_hand", "paint_keys"]

_NAME_SHARE = 1.9
"""Width of a white key over the height of a line from which each white key is named."""

_COLUMN_PX = (9.0, 30.0)
"""Narrowest and widest column of the chosen key."""


def paint_keys(painter: QPainter, geometry: MapGeometry, style: MapStyle) -> None:
    """Paint the keyboard and the names of keys below it."""
    colours, keys, axis = style.colours, geometry.keys, geometry.axis
    axis.paint_keys(painter, top=keys.top(), height=keys.height(), colours=colours.keys)
    painter.setPen(QColor(colours.muted))
    metrics = QFontMetricsF(style.font)
    last_x = -math.inf
    for midi in _named_keys(axis.compass, is_wide=axis.white_width > _NAME_SHARE * geometry.line):
        name = note_name(midi)
        width = metrics.horizontalAdvance(name) + 8.0
        x = axis.x(midi) - width / 2
        if x < last_x:
            continue
        last_x = x + width
        painter.drawText(
            QRectF(x, keys.bottom() + 2.0, width, 1.45 * geometry.line),
            Qt.AlignmentFlag.AlignCenter,
            name,
        )


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


def _named_keys(compass: Compass, *, is_wide: bool) -> list[int]:
    """Keys whose names are written, upward: all white ones where there is room, else each C."""
    return [
        midi
        for midi in compass
        if midi % 12 == 0 or midi == compass.lowest_midi or (is_wide and not is_black_key(midi))
    ]

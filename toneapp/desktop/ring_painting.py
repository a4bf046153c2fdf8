"""How is the matrix of struck keys and ringing strings painted?

A column a struck key, with the keyboard below; a row a ringing string, with its keys at the left.
Size is loudness, shape is cause: a disc stands on the diagonal for the note's own damper, a square
for another damper, a triangle for a string without damper, a diamond for no key. For two runs the
shape says what became of it. ``python -m toneapp.desktop.ring_painting RUNS.json OUT.png`` draws a
list of one or two runs as a picture of its own; ``-`` reads them from the input.

Functions: `paint_ring`, `paint_ring_at_hand`, `draw_ring`, `main`.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence

from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QImage,
    QPainter,
    QPen,
    QPolygonF,
)

from toneapp.desktop.lane_painting import plain_font
from toneapp.desktop.picture_file import read_input, run_picture_program
from toneapp.desktop.ring_geometry import EDGE, KEYS_WIDTH, RingGeometry, legend_items
from toneapp.desktop.ring_view import (
    RingMark,
    RingSign,
    RingView,
    ring_change_view,
    ring_view,
)
from toneapp.desktop.theme import LIGHT, Colours
from toneapp.errors import InputError
from toneapp.interchange import run_from_bytes
from toneapp.keyboard import is_black_key
from toneapp.pitch import note_name
from toneapp.results import RunResult

__all__ = ["draw_ring", "main", "paint_ring", "paint_ring_at_hand"]

WIDTH, HEIGHT = 1600, 1000
_NO_DAMPERS = "no dampers"
_BOOTSTRAP_KEY = 1986  # fixed, so that the same two runs always give the same interval


def paint_ring(
    painter: QPainter, view: RingView, geometry: RingGeometry, *, colours: Colours, font: QFont
) -> None:
    """Paint all that does not follow the pointer.

    Parameters
    ----------
    painter : QPainter
        Of the widget or a picture.
    view : RingView
        What to show.
    geometry : RingGeometry
        Where.
    colours : Colours
        Palette.
    font : QFont
        Of names and explanations.
    """
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setFont(font)
    _paint_ground(painter, view, geometry, colours)
    _paint_string_keys(painter, geometry, colours)
    _paint_struck_keys(painter, geometry, colours)
    # Small marks over large ones, so that none is lost.
    for mark in sorted(view.marks, key=lambda mark: -mark.size):
        _paint_sign(painter, mark.sign, geometry.place(mark), geometry.size(mark), colours=colours)
    _paint_string_names(painter, view, geometry, colours)
    _paint_legend(painter, view, geometry, colours)


def paint_ring_at_hand(
    painter: QPainter,
    view: RingView,
    geometry: RingGeometry,
    *,
    midi: int,
    mark: RingMark | None,
    colours: Colours,
) -> None:
    """Paint the chosen key's column and row, and a frame around the mark at hand."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setPen(QPen(QColor(colours.accent), 1.6))
    plot = geometry.plot
    if midi in view.compass:
        half = max(0.36 * geometry.axis.white_width, 4.0)
        x = geometry.x(midi)
        painter.drawRoundedRect(
            QRectF(x - half, plot.top(), 2 * half, geometry.keys.bottom() - plot.top()), 3.0, 3.0
        )
        if midi in view.strings:
            half = max(0.5 * geometry.row_height, 4.0)
            y = geometry.y(midi)
            painter.drawRoundedRect(
                QRectF(plot.left() - KEYS_WIDTH, y - half, plot.width() + KEYS_WIDTH, 2 * half),
                3.0,
                3.0,
            )
    if mark is not None:
        place, half = geometry.place(mark), 0.5 * geometry.size(mark) + 4.0
        painter.setPen(QPen(QColor(colours.ink), 2.0))
        painter.drawEllipse(place, half, half)


def _paint_ground(
    painter: QPainter, view: RingView, geometry: RingGeometry, colours: Colours
) -> None:
    plot = geometry.plot
    painter.fillRect(plot, QColor(colours.lane))
    shade = QColor(colours.grid)
    shade.setAlphaF(0.45)
    for midi in geometry.rows:
        if is_black_key(midi):
            y = geometry.y(midi) - 0.5 * geometry.row_height
            painter.fillRect(QRectF(plot.left(), y, plot.width(), geometry.row_height), shade)
    painter.setPen(QPen(QColor(colours.grid), 1.0))
    for midi in view.compass:
        if midi % 12 == 0:
            painter.drawLine(QLineF(geometry.x(midi), plot.top(), geometry.x(midi), plot.bottom()))
    if view.has_no_key:
        y = geometry.y(0) - 0.8 * geometry.row_height
        painter.drawLine(QLineF(plot.left(), y, plot.right(), y))
    painter.setPen(QPen(QColor(colours.trend), 1.4, Qt.PenStyle.DashLine))
    # Where a key meets its own string.
    own = [midi for midi in view.compass if midi in view.strings]
    painter.drawPolyline(QPolygonF([QPointF(geometry.x(m), geometry.y(m)) for m in own]))
    last = view.last_damper_midi
    if last is not None:
        painter.setPen(QPen(QColor(colours.muted), 1.4, Qt.PenStyle.DashLine))
        if last in view.strings and last + 1 in view.strings:
            y = geometry.y(last) - 0.5 * geometry.row_height
            painter.drawLine(QLineF(plot.left(), y, plot.right(), y))
            painter.setPen(QColor(colours.muted))
            # At the right, where no struck key has a damper and hence no mark stands.
            left = geometry.x(last + 1) if last + 1 in view.compass else plot.left()
            room = QRectF(left, y - geometry.line - 4.0, plot.right() - left, geometry.line)
            if QFontMetricsF(painter.font()).horizontalAdvance(_NO_DAMPERS) < room.width() - 6.0:
                painter.drawText(
                    room.adjusted(0.0, 0.0, -6.0, 0.0),
                    Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
                    _NO_DAMPERS,
                )
        if last in view.compass and last + 1 in view.compass:
            painter.setPen(QPen(QColor(colours.muted), 1.4, Qt.PenStyle.DashLine))
            x = 0.5 * (geometry.x(last) + geometry.x(last + 1))
            painter.drawLine(QLineF(x, plot.top(), x, plot.bottom()))


def _paint_struck_keys(painter: QPainter, geometry: RingGeometry, colours: Colours) -> None:
    keys, axis = geometry.keys, geometry.axis
    axis.paint_keys(painter, top=keys.top(), height=keys.height(), colours=colours.keys)
    axis.paint_octaves(painter, top=keys.bottom(), line=geometry.line, colour=colours.muted)
    painter.setPen(QColor(colours.ink))
    painter.drawText(
        QRectF(
            keys.left(), keys.bottom() + 1.25 * geometry.line, keys.width(), 1.4 * geometry.line
        ),
        Qt.AlignmentFlag.AlignCenter,
        "struck key  \N{RIGHTWARDS ARROW}      ringing string  \N{UPWARDS ARROW}",
    )


def _paint_string_keys(painter: QPainter, geometry: RingGeometry, colours: Colours) -> None:
    left = geometry.plot.left() - KEYS_WIDTH
    painter.setPen(Qt.PenStyle.NoPen)
    for midi in geometry.rows:
        top = geometry.y(midi) - 0.5 * geometry.row_height
        painter.setBrush(QColor(colours.key_white))
        painter.drawRect(QRectF(left, top, KEYS_WIDTH - 2.0, geometry.row_height + 0.5))
    for midi in geometry.rows:
        if is_black_key(midi):
            top = geometry.y(midi) - 0.5 * geometry.row_height
            painter.setBrush(QColor(colours.key_black))
            painter.drawRect(QRectF(left, top, 0.62 * KEYS_WIDTH, geometry.row_height))
    painter.setPen(QPen(QColor(colours.key_edge), 1.0))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    top, bottom = geometry.y(geometry.rows[0]), geometry.y(geometry.rows[-1])
    half = 0.5 * geometry.row_height
    painter.drawRect(QRectF(left, top - half, KEYS_WIDTH - 2.0, bottom - top + 2 * half))
    painter.setPen(QColor(colours.muted))
    for midi in geometry.rows:
        if midi % 12 == 0:
            painter.drawText(
                QRectF(0.0, geometry.y(midi) - geometry.line, left - 6.0, 2 * geometry.line),
                Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
                note_name(midi),
            )


def _paint_string_names(
    painter: QPainter, view: RingView, geometry: RingGeometry, colours: Colours
) -> None:
    """Name the strings that ring most at the right edge, as many as there is room for."""
    weight: dict[int, float] = {}
    for mark in view.marks:
        weight[mark.midi] = weight.get(mark.midi, 0.0) + mark.size
    taken: list[float] = []
    left = geometry.plot.right() + 6.0
    painter.setPen(QColor(colours.ink))
    for midi in sorted(weight, key=lambda key: -weight[key]):
        y = geometry.y(midi)
        if any(abs(y - other) < 0.95 * geometry.line for other in taken):
            continue
        taken.append(y)
        painter.drawText(
            QRectF(left, y - geometry.line, geometry.name_width, 2 * geometry.line),
            Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter,
            note_name(midi) if midi else "?",
        )


def _paint_sign(
    painter: QPainter, sign: RingSign, place: QPointF, size: float, *, colours: Colours
) -> None:
    """Paint one shape; full or hollow, never told by colour alone."""
    half = size / 2
    ink = {
        RingSign.OWN: colours.accent,
        RingSign.OTHER: colours.accent,
        RingSign.UNDAMPED: colours.other,
        RingSign.NO_KEY: colours.second,
        RingSign.GAINED: colours.accent,
        RingSign.LOUDER: colours.accent,
        RingSign.LOST: colours.other,
        RingSign.QUIETER: colours.other,
    }.get(sign, colours.muted)
    is_hollow = sign in (RingSign.LOST, RingSign.QUIETER, RingSign.HIDDEN)
    if is_hollow:
        painter.setPen(QPen(QColor(ink), 1.6))
        painter.setBrush(QColor(colours.lane))
    else:
        painter.setPen(QPen(QColor(colours.lane), 0.8))
        painter.setBrush(QColor(ink))
    shape = _shape(sign, place, half)
    if shape is None:
        painter.drawEllipse(place, half, half)
    else:
        painter.drawPolygon(shape)
    if sign in (RingSign.LOST, RingSign.GAINED) and size >= 7.0:
        painter.setPen(QPen(QColor(ink if is_hollow else colours.lane), 1.4))
        reach = 0.5 * half
        painter.drawLine(QLineF(place.x() - reach, place.y(), place.x() + reach, place.y()))
        if sign is RingSign.GAINED:
            painter.drawLine(QLineF(place.x(), place.y() - reach, place.x(), place.y() + reach))


def _shape(sign: RingSign, place: QPointF, half: float) -> QPolygonF | None:
    """Corners of a shape; None for a disc."""
    x, y = place.x(), place.y()
    if sign in (RingSign.OTHER, RingSign.UNCHANGED):
        h = 0.88 * half
        corners = [(-h, -h), (h, -h), (h, h), (-h, h)]
    elif sign in (RingSign.UNDAMPED, RingSign.LOUDER):
        corners = [(0.0, -1.15 * half), (1.1 * half, 0.85 * half), (-1.1 * half, 0.85 * half)]
    elif sign is RingSign.QUIETER:
        corners = [(0.0, 1.15 * half), (1.1 * half, -0.85 * half), (-1.1 * half, -0.85 * half)]
    elif sign in (RingSign.NO_KEY, RingSign.HIDDEN):
        h = 1.2 * half
        corners = [(0.0, -h), (h, 0.0), (0.0, h), (-h, 0.0)]
    else:
        return None
    return QPolygonF([QPointF(x + dx, y + dy) for dx, dy in corners])


def _paint_legend(
    painter: QPainter, view: RingView, geometry: RingGeometry, colours: Colours
) -> None:
    metrics = QFontMetricsF(painter.font())
    x, y = EDGE, geometry.legend_top + 0.65 * geometry.line
    for sign, text in legend_items(view):
        width = 26.0 + metrics.horizontalAdvance(text) + 26.0
        if x + width > geometry.plot.right() and x > EDGE:
            x, y = EDGE, y + 1.3 * geometry.line
        if sign is not None:
            _paint_sign(painter, sign, QPointF(x + 9.0, y), 13.0, colours=colours)
        painter.setPen(QColor(colours.muted))
        painter.drawText(
            QRectF(
                x + (22.0 if sign is not None else 0.0),
                y - geometry.line,
                width,
                2 * geometry.line,
            ),
            Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter,
            text,
        )
        x += width


def draw_ring(runs: Sequence[RunResult], *, colours: Colours = LIGHT) -> QImage:
    """Draw one run, or what changed between two, as a picture.

    Parameters
    ----------
    runs : sequence of RunResult
        One or two.
    colours : Colours
        Palette.

    Returns
    -------
    QImage
        1600 by 1000 pixels.
    """
    view = _view_of(runs)
    image = QImage(WIDTH, HEIGHT, QImage.Format.Format_RGB32)
    image.fill(QColor(colours.paper))
    title = " \N{RIGHTWARDS ARROW} ".join(run.source or "run" for run in runs)
    image.setText("Title", f"{title}: what rings on")
    painter = QPainter(image)
    try:
        painter.setRenderHint(QPainter.RenderHint.TextAntialiasing)
        heading = plain_font(27, is_bold=True)
        painter.setFont(heading)
        painter.setPen(QColor(colours.ink))
        shown = QFontMetricsF(heading).elidedText(
            f"{title}: what rings on", Qt.TextElideMode.ElideMiddle, WIDTH - 60.0
        )
        painter.drawText(QPointF(30.0, 42.0), shown)
        painter.setFont(plain_font(18))
        painter.setPen(QColor(colours.muted))
        facts = view.problem or "   ·   ".join((*view.figures, view.treble))
        metrics = QFontMetricsF(painter.font())
        painter.drawText(
            QPointF(30.0, 72.0),
            metrics.elidedText(facts, Qt.TextElideMode.ElideRight, WIDTH - 60.0),
        )
        painter.translate(20.0, 88.0)
        font = plain_font(15)
        geometry = RingGeometry(WIDTH - 40.0, HEIGHT - 100.0, view=view, font=font)
        paint_ring(painter, view, geometry, colours=colours, font=font)
    finally:
        painter.end()
    return image


def _view_of(runs: Sequence[RunResult]) -> RingView:
    if len(runs) == 1:
        return ring_view(runs[0])
    if len(runs) != 2:
        raise InputError(f"a picture shows one run or two, not {len(runs)}")
    import numpy as np

    from toneapp.evenness.ringing_change import ringing_change

    before, after = runs
    change = ringing_change(before, after, rng=np.random.default_rng(_BOOTSTRAP_KEY))
    return ring_change_view(before, after, change)


def main(words: Sequence[str] | None = None) -> int:
    """Read runs, draw them, write the picture; return the exit code."""

    def draw(source: str) -> Callable[[], QImage]:
        runs = _read(source)
        return lambda: draw_ring(runs)

    return run_picture_program(words, what="RUNS.json", draw=draw)


def _read(source: str) -> list[RunResult]:
    try:
        found = json.loads(read_input(source))
    except ValueError as exc:
        raise InputError(f"{source} holds no runs: {exc}; write them anew") from exc
    items = found if isinstance(found, list) else [found]
    return [run_from_bytes(json.dumps(item).encode("utf-8")) for item in items]


if __name__ == "__main__":
    sys.exit(main())

"""A recording as a waveform with its strikes, to look at, to point into and to set bounds on.

Classes: `WaveformView`, `WaveMark`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from PySide6.QtCore import QLineF, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFontMetricsF,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPolygonF,
    QWheelEvent,
)
from PySide6.QtWidgets import QWidget

from toneapp.desktop.sound_outline import Outline
from toneapp.desktop.strike_bounds import Bounds, moved_begin, moved_end
from toneapp.desktop.theme import Theme

__all__ = ["WaveMark", "WaveformView"]

SHORTEST_S = 0.05
ZOOM_STEP = 1.6
NEAR_PX = 8.0
CROWDED_PX = 12.0
"""Marks nearer to one another than this would hide the waveform; they become short ticks."""

SMALLEST_SCALE = 0.003  # of full scale: room noise alone is not blown up to fill the height
GRIP_PX = (11.0, 22.0)  # of the bounds of the chosen strike: wide enough for a hurried hand
_STRIP_LINES = 1.6  # height of the strip with the names, in lines of text


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveMark:
    """One strike or sound on the waveform."""

    onset_s: float
    end_s: float | None  # the release, where one was heard
    text: str
    is_left_out: bool = False
    is_doubtful: bool = False


class WaveformView(QWidget):
    """Waveform with marks: a click chooses the mark nearby, or sets the place pointed at.

    The wheel (or + and -) zooms about the place pointed at, the arrow keys move along. The two
    bounds of the chosen strike have grips, which are dragged.

    Attributes
    ----------
    bounds_moved : Signal(object)
        `Bounds` while a grip is dragged.
    bounds_set : Signal(object)
        `Bounds` where the grip was let go.
    """

    mark_picked = Signal(int)
    place_changed = Signal(float)
    bounds_moved = Signal(object)
    bounds_set = Signal(object)

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._outline: Outline | None = None
        self._marks: tuple[WaveMark, ...] = ()
        self._chosen = -1
        self._start_s, self._end_s = 0.0, 1.0
        self._place_s: float | None = None
        self._drag_from: tuple[float, float] | None = None
        self._bounds: Bounds | None = None  # of the chosen mark, while it may be moved
        self._grip = ""  # "begin" or "end" while it is dragged
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName("Waveform")
        self.setAccessibleDescription(
            "Plus and minus zoom, the arrow keys move along; strikes are chosen in the table, "
            "their beginning and end are set in the fields below"
        )
        self.setMinimumHeight(170)
        theme.changed.connect(self.update)

    @property
    def place_s(self) -> float | None:
        """The place pointed at, in seconds of the recording."""
        return self._place_s

    @property
    def span_s(self) -> tuple[float, float]:
        """The stretch that is shown."""
        return self._start_s, self._end_s

    @property
    def is_dragging(self) -> bool:
        """Whether a bound of the chosen strike is held by the mouse."""
        return bool(self._grip)

    def set_outline(self, outline: Outline | None) -> None:
        """Show another recording, from its beginning to its end."""
        self._outline = outline
        self._place_s = None
        self._start_s, self._end_s = 0.0, outline.duration_s if outline is not None else 1.0
        self.update()

    def set_marks(self, marks: Sequence[WaveMark]) -> None:
        """Show these strikes."""
        self._marks = tuple(marks)
        self.update()

    def choose(self, index: int) -> None:
        """Bring a mark into view; -1 for none."""
        self._chosen = index
        if 0 <= index < len(self._marks):
            onset_s = self._marks[index].onset_s
            if not self._start_s + 0.02 * self._width_s <= onset_s <= self._end_s:
                self.show_span(onset_s - 0.3 * self._width_s, onset_s + 0.7 * self._width_s)
        self.update()

    def set_bounds(self, bounds: Bounds | None) -> None:
        """Let the bounds of the chosen mark be moved, from where they are; None: not at all."""
        self._bounds = bounds
        self.update()

    def look_closely(self, around_s: float, width_s: float = 6.0) -> None:
        """Show some seconds around a moment."""
        self.show_span(around_s - 0.2 * width_s, around_s + 0.8 * width_s)

    def show_span(self, start_s: float, end_s: float) -> None:
        """Show a stretch, kept within the recording."""
        duration_s = 1.0 if self._outline is None else self._outline.duration_s
        width_s = min(max(end_s - start_s, SHORTEST_S), max(duration_s, SHORTEST_S))
        start_s = min(max(start_s, 0.0), max(duration_s - width_s, 0.0))
        self._start_s, self._end_s = start_s, start_s + width_s
        self.update()

    def sizeHint(self) -> QSize:
        """Return a comfortable size."""
        return QSize(800, 240)

    # What the hand does

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Zoom about the pointer."""
        steps = event.angleDelta().y() / 120.0
        self._zoom(ZOOM_STEP**-steps, self._time_at(event.position().x()))
        event.accept()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Choose a mark or a place."""
        if event.button() is not Qt.MouseButton.LeftButton:
            return
        x = event.position().x()
        self._grip = self._grip_at(x)
        if self._grip:
            return
        self._drag_from = (x, self._start_s)
        distances = [(abs(self._x(mark.onset_s) - x), i) for i, mark in enumerate(self._marks)]
        nearest = min(distances, default=(NEAR_PX + 1.0, -1))
        if nearest[0] <= NEAR_PX:
            self.mark_picked.emit(nearest[1])
            return
        self._place_s = self._time_at(x)
        self.place_changed.emit(self._place_s)
        self.update()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Move a bound of the chosen strike, or along, while the button is held."""
        if self._grip and self._bounds is not None:
            move = moved_begin if self._grip == "begin" else moved_end
            self._bounds = move(self._bounds, self._time_at(event.position().x()))
            self.bounds_moved.emit(self._bounds)
            self.update()
            return
        if self._drag_from is None:
            is_on_grip = bool(self._grip_at(event.position().x()))
            shape = Qt.CursorShape.SplitHCursor if is_on_grip else Qt.CursorShape.ArrowCursor
            self.setCursor(shape)
            return
        from_x, from_s = self._drag_from
        moved_px = event.position().x() - from_x
        if abs(moved_px) > NEAR_PX:
            start_s = from_s - moved_px / max(self.width(), 1) * self._width_s
            self.show_span(start_s, start_s + self._width_s)

    def mouseReleaseEvent(self, _event: QMouseEvent) -> None:
        """End moving."""
        self._drag_from = None
        if self._grip:
            self._grip = ""
            self.bounds_set.emit(self._bounds)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Zoom and move along with the keyboard."""
        middle_s = 0.5 * (self._start_s + self._end_s)
        about_s = self._place_s if self._place_s is not None else middle_s
        key = event.key()
        if key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal):
            self._zoom(1.0 / ZOOM_STEP, about_s)
        elif key == Qt.Key.Key_Minus:
            self._zoom(ZOOM_STEP, about_s)
        elif key in (Qt.Key.Key_Left, Qt.Key.Key_Right):
            step_s = (0.01 if event.modifiers() & Qt.KeyboardModifier.ShiftModifier else 0.1) * (
                self._width_s
            )
            self._move_place(-step_s if key == Qt.Key.Key_Left else step_s)
        elif key == Qt.Key.Key_Home:
            self.show_span(0.0, self._width_s)
        elif key == Qt.Key.Key_End and self._outline is not None:
            end_s = self._outline.duration_s
            self.show_span(end_s - self._width_s, end_s)
        else:
            super().keyPressEvent(event)

    # Drawing

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Draw waveform, marks and the place pointed at."""
        painter = QPainter(self)
        colours = self._theme.colours
        area = QRectF(self.rect())
        painter.fillRect(area, QColor(colours.paper))
        painter.setFont(self._theme.font(scale=0.85))
        metrics = QFontMetricsF(painter.font())
        strip = _STRIP_LINES * metrics.height()
        wave = area.adjusted(0.0, strip, 0.0, -strip)
        if self._outline is None:
            painter.setPen(QColor(colours.muted))
            painter.drawText(area, Qt.AlignmentFlag.AlignCenter, "the recording is being read")
            return
        self._paint_wave(painter, wave)
        self._paint_marks(painter, wave, strip, metrics)
        self._paint_times(painter, QRectF(0.0, wave.bottom(), area.width(), strip), metrics)
        if self._place_s is not None:
            x = self._x(self._place_s)
            painter.setPen(QPen(QColor(colours.ink), 1.0, Qt.PenStyle.DashLine))
            painter.drawLine(QPointF(x, wave.top()), QPointF(x, wave.bottom()))
        if self.hasFocus():
            painter.setPen(QPen(QColor(colours.accent), 2.0))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(area.adjusted(1.0, 1.0, -1.0, -1.0))

    def _paint_wave(self, painter: QPainter, wave: QRectF) -> None:
        assert self._outline is not None
        width = max(self.width(), 1)
        low, high = self._outline.columns(self._start_s, self._end_s, width)
        loudest = max(float(high.max()), -float(low.min()), SMALLEST_SCALE)
        middle, half = wave.center().y(), 0.5 * wave.height()
        painter.setPen(QPen(QColor(self._theme.colours.point), 1.0))
        painter.drawLines(
            [
                QLineF(x + 0.5, middle - half * b / loudest, x + 0.5, middle - half * a / loudest)
                for x, (a, b) in enumerate(zip(low.tolist(), high.tolist(), strict=True))
            ]
        )
        painter.setPen(QPen(QColor(self._theme.colours.grid), 1.0))
        painter.drawLine(QPointF(0.0, middle), QPointF(width, middle))

    def _paint_marks(
        self, painter: QPainter, wave: QRectF, strip: float, metrics: QFontMetricsF
    ) -> None:
        colours = self._theme.colours
        free_from = -1e9
        shown = [m for m in self._marks if self._start_s <= m.onset_s <= self._end_s]
        is_crowded = len(shown) * CROWDED_PX > self.width()
        for index, mark in enumerate(self._marks):
            if not self._start_s <= mark.onset_s <= self._end_s:
                continue
            x = self._x(mark.onset_s)
            is_chosen = index == self._chosen
            colour = QColor(colours.accent if is_chosen else colours.muted)
            if is_chosen:
                x = self._paint_held(painter, wave, mark)
            is_hollow = mark.is_left_out or mark.is_doubtful
            style = Qt.PenStyle.DotLine if is_hollow else Qt.PenStyle.SolidLine
            painter.setPen(QPen(colour, 2.0 if is_chosen else 1.0, style))
            bottom = wave.top() + 12.0 if is_crowded and not is_chosen else wave.bottom()
            painter.drawLine(QPointF(x, wave.top()), QPointF(x, bottom))
            painter.setBrush(Qt.BrushStyle.NoBrush if is_hollow else colour)
            painter.setPen(QPen(colour, 1.0))
            if is_chosen or not is_crowded:
                flag = [QPointF(x - 5, wave.top()), QPointF(x + 5, wave.top())]
                painter.drawPolygon(QPolygonF([*flag, QPointF(x, wave.top() + 8)]))
            width = metrics.horizontalAdvance(mark.text)
            left = min(max(x - width / 2, 2.0), self.width() - width - 2.0)
            if is_chosen or left > free_from:
                painter.setPen(QColor(colours.accent if is_chosen else colours.ink))
                box = QRectF(left - 2, 0.0, width + 4, strip)
                if is_chosen:
                    painter.fillRect(box, QColor(colours.paper))
                painter.drawText(box, Qt.AlignmentFlag.AlignCenter, mark.text)
                free_from = left + width + 6

    def _paint_held(self, painter: QPainter, wave: QRectF, mark: WaveMark) -> float:
        """Tint what the chosen key was held, with grips at its ends; returns its left."""
        colour = QColor(self._theme.colours.accent)
        begin_s = mark.onset_s if self._bounds is None else self._bounds.begin_s
        release_s = None if self._bounds is None else self._bounds.release_s
        end_s = mark.end_s if release_s is None else release_s
        left = self._x(begin_s)
        if end_s is not None:
            tint = QColor(colour)
            tint.setAlpha(40)
            painter.fillRect(QRectF(left, wave.top(), self._x(end_s) - left, wave.height()), tint)
        if self._bounds is None:
            return left
        width, height = GRIP_PX
        for place_s, is_heard in ((begin_s, True), (end_s, release_s is not None)):
            if place_s is None:
                continue
            x = self._x(place_s)
            style = Qt.PenStyle.SolidLine if is_heard else Qt.PenStyle.DashLine
            painter.setPen(QPen(colour, 2.0, style))
            painter.drawLine(QPointF(x, wave.top()), QPointF(x, wave.bottom()))
            grip = QRectF(x - width / 2, wave.bottom() - height, width, height)
            painter.setPen(QPen(colour, 1.5))
            painter.setBrush(colour if is_heard else QColor(self._theme.colours.paper))
            painter.drawRoundedRect(grip, 3.0, 3.0)
        return left

    def _paint_times(self, painter: QPainter, area: QRectF, metrics: QFontMetricsF) -> None:
        painter.setPen(QColor(self._theme.colours.muted))
        baseline = area.top() + metrics.ascent() + 3.0
        step_s = next(
            (
                step
                for step in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 30, 60, 120, 300, 600)
                if step / self._width_s * max(self.width(), 1) > 80.0
            ),
            1800.0,
        )
        tick = int(self._start_s / step_s) + 1
        while tick * step_s < self._end_s:
            time_s = tick * step_s
            text = f"{int(time_s // 60)}:{time_s % 60:02.0f}" if step_s >= 1 else f"{time_s:.2f} s"
            width = metrics.horizontalAdvance(text)
            painter.drawText(QPointF(self._x(time_s) - width / 2, baseline), text)
            tick += 1

    # Scale

    @property
    def _width_s(self) -> float:
        return self._end_s - self._start_s

    def _x(self, time_s: float) -> float:
        return (time_s - self._start_s) / self._width_s * self.width()

    def _time_at(self, x: float) -> float:
        return self._start_s + x / max(self.width(), 1) * self._width_s

    def _grip_at(self, x: float) -> str:
        """Which bound of the chosen strike is grasped there; empty for none."""
        if self._bounds is None or self._outline is None:
            return ""
        end_s = self._bounds.release_s
        if end_s is None and 0 <= self._chosen < len(self._marks):
            end_s = self._marks[self._chosen].end_s
        places = [(abs(self._x(self._bounds.begin_s) - x), "begin")]
        if end_s is not None:
            places.append((abs(self._x(end_s) - x), "end"))
        distance, grip = min(places)
        return grip if distance <= NEAR_PX else ""

    def _zoom(self, factor: float, about_s: float) -> None:
        width_s = self._width_s * factor
        share = (about_s - self._start_s) / self._width_s
        self.show_span(about_s - share * width_s, about_s + (1.0 - share) * width_s)

    def _move_place(self, by_s: float) -> None:
        middle_s = 0.5 * (self._start_s + self._end_s)
        end_s = 0.0 if self._outline is None else self._outline.duration_s
        place_s = (middle_s if self._place_s is None else self._place_s) + by_s
        self._place_s = min(max(place_s, 0.0), end_s)
        margin_s = 0.05 * self._width_s
        if not self._start_s + margin_s <= self._place_s <= self._end_s - margin_s:
            self.show_span(self._start_s + by_s, self._end_s + by_s)
        self.place_changed.emit(self._place_s)
        self.update()

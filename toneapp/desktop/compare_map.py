"""Several runs over one keyboard, with pointer and keyboard.

Classes: `CompareMap`.
"""

from __future__ import annotations

from PySide6.QtCore import QEvent, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QHelpEvent,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QResizeEvent,
)
from PySide6.QtWidgets import QSizePolicy, QToolTip, QWidget

from toneapp.desktop.compare_painting import CompareGeometry, paint_compare
from toneapp.desktop.compare_view import CompareView
from toneapp.desktop.theme import Theme
from toneapp.pitch import note_name

__all__ = ["CompareMap"]

_FONT_SCALE = 0.9
_SMALLEST = QSize(420, 300)
_OCTAVE = 12


class CompareMap(QWidget):
    """Shows a `CompareView`; sends which key is meant.

    Attributes
    ----------
    key_chosen : Signal(int)
        A key was chosen with the keyboard or clicked.
    key_opened : Signal(int)
        A key was clicked twice, or Enter pressed on it.
    key_hovered : Signal(int)
        Key below the pointer; 0 when it has left.
    """

    key_chosen = Signal(int)
    key_opened = Signal(int)
    key_hovered = Signal(int)

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._view: CompareView | None = None
        self._chosen = 0
        self._hovered = 0
        self._geometry: CompareGeometry | None = None
        self._still: QPixmap | None = None
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(_SMALLEST)
        self.setAccessibleName("Runs over the keyboard")
        self.setAccessibleDescription("Left and right choose a key, Enter goes to its own page")

    @property
    def view(self) -> CompareView | None:
        """What is shown."""
        return self._view

    @property
    def chosen(self) -> int:
        """The chosen key; 0 for none."""
        return self._chosen

    def set_view(self, view: CompareView) -> None:
        """Show something else; also after colours or sizes have changed."""
        self._view = view
        self._redraw()

    def set_chosen(self, midi: int) -> None:
        """Mark a key; 0 for none."""
        if midi != self._chosen:
            self._chosen = midi
            self.setAccessibleDescription(self.text_of(midi))
            self.update()

    def place_of(self, midi: int) -> QPointF:
        """Where a key lies on the drawn keyboard, for tests."""
        geometry = self._laid_out()
        assert geometry is not None
        return QPointF(geometry.axis.x(midi), geometry.keys.bottom() - 4.0)

    def text_of(self, midi: int) -> str:
        """Say the values of a key, lane by lane."""
        if self._view is None or not midi:
            return ""
        return "\n".join([note_name(midi), *(lane.text_at(midi) for lane in self._view.lanes)])

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Copy the still picture and mark the keys at hand."""
        geometry = self._laid_out()
        if geometry is None or self._view is None:
            return
        painter = QPainter(self)
        painter.drawPixmap(0, 0, self._still_picture(geometry))
        for midi, colour in (
            (self._hovered, self._theme.colours.muted),
            (self._chosen, self._theme.colours.accent),
        ):
            if midi in self._view.compass:
                half = max(0.36 * geometry.axis.white_width, 4.0)
                painter.setPen(QPen(QColor(colour), 1.4))
                x = geometry.axis.x(midi)
                painter.drawRect(QRectF(x - half, 0.0, 2 * half, geometry.keys.bottom()))
        painter.end()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Lay out anew."""
        super().resizeEvent(event)
        self._redraw()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Mark the key below the pointer."""
        geometry = self._laid_out()
        self._hover(0 if geometry is None else geometry.key_at(event.position().x()))

    def leaveEvent(self, event: QEvent) -> None:
        """Take the mark away."""
        super().leaveEvent(event)
        self._hover(0)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Choose the key that was clicked."""
        geometry = self._laid_out()
        if geometry is None or event.button() is not Qt.MouseButton.LeftButton:
            return
        midi = geometry.key_at(event.position().x())
        if midi:
            self._choose(midi)

    def mouseDoubleClickEvent(self, _event: QMouseEvent) -> None:
        """Open the key that was clicked twice."""
        if self._chosen:
            self.key_opened.emit(self._chosen)

    def event(self, event: QEvent) -> bool:
        """Say what lies below the resting pointer: a measure, or the values of a key."""
        if event.type() is QEvent.Type.ToolTip and isinstance(event, QHelpEvent):
            text = self.text_at(QPointF(event.pos()))
            if text:
                QToolTip.showText(event.globalPos(), text, self)
            else:
                QToolTip.hideText()
            return True
        return super().event(event)

    def text_at(self, place: QPointF) -> str:
        """Say what lies at a place."""
        geometry, view = self._laid_out(), self._view
        if geometry is None or view is None:
            return ""
        lane = geometry.lane_at(place.y())
        if lane is not None and place.y() < geometry.lanes[lane].top() + geometry.heading:
            return view.lanes[lane].sentence
        return self.text_of(geometry.key_at(place.x()))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Move through the keys."""
        steps = {
            Qt.Key.Key_Left: -1,
            Qt.Key.Key_Right: 1,
            Qt.Key.Key_PageDown: -_OCTAVE,
            Qt.Key.Key_PageUp: _OCTAVE,
            Qt.Key.Key_Home: -1000,
            Qt.Key.Key_End: 1000,
        }
        key = event.key()
        modifiers = event.modifiers() & ~Qt.KeyboardModifier.KeypadModifier
        if self._view is None or modifiers:
            super().keyPressEvent(event)
        elif key in steps:
            compass = self._view.compass
            step = steps[Qt.Key(key)]
            start = compass.lowest_midi if step > 0 else compass.highest_midi
            to = self._chosen + step if self._chosen else start
            self._choose(min(max(to, compass.lowest_midi), compass.highest_midi))
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self._chosen:
            self.key_opened.emit(self._chosen)
        else:
            super().keyPressEvent(event)

    def _choose(self, midi: int) -> None:
        if midi != self._chosen:
            self.set_chosen(midi)
            self.key_chosen.emit(midi)

    def _hover(self, midi: int) -> None:
        if midi != self._hovered:
            self._hovered = midi
            self.update()
            self.key_hovered.emit(midi)

    def _redraw(self) -> None:
        self._geometry = None
        self._still = None
        self.update()

    def _laid_out(self) -> CompareGeometry | None:
        if self._view is None:
            return None
        if self._geometry is None:
            self._geometry = CompareGeometry(
                self.width(),
                self.height(),
                view=self._view,
                font=self._theme.font(scale=_FONT_SCALE),
            )
        return self._geometry

    def _still_picture(self, geometry: CompareGeometry) -> QPixmap:
        ratio = self.devicePixelRatioF()
        if self._still is None or self._still.devicePixelRatio() != ratio:
            assert self._view is not None
            still = QPixmap((self.size().toSizeF() * ratio).toSize())
            still.setDevicePixelRatio(ratio)
            still.fill(self._theme.colour("paper"))
            painter = QPainter(still)
            paint_compare(
                painter,
                self._view,
                geometry,
                colours=self._theme.colours,
                font=self._theme.font(scale=_FONT_SCALE),
            )
            painter.end()
            self._still = still
        return self._still

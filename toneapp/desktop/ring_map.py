"""The matrix of struck keys and ringing strings, with pointer and keyboard.

The still part is painted once into a picture and copied; only the marks of pointer and keyboard
are painted anew while the hand moves.

Classes: `RingMap`.
"""

from __future__ import annotations

from PySide6.QtCore import QEvent, QPointF, QSize, Qt, Signal
from PySide6.QtGui import (
    QHelpEvent,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPixmap,
    QResizeEvent,
)
from PySide6.QtWidgets import QSizePolicy, QToolTip, QWidget

from toneapp.desktop.ring_geometry import RingGeometry
from toneapp.desktop.ring_painting import paint_ring, paint_ring_at_hand
from toneapp.desktop.ring_view import RingMark, RingView
from toneapp.desktop.theme import Theme

__all__ = ["RingMap"]

_FONT_SCALE = 0.9
_SMALLEST = QSize(420, 320)
_OCTAVE = 12


class RingMap(QWidget):
    """Shows a `RingView`; sends which key is meant.

    Attributes
    ----------
    key_chosen : Signal(int)
        A key was chosen with the keyboard or clicked.
    key_opened : Signal(int)
        A mark or a key was clicked, or Enter pressed: the struck key.
    mark_changed : Signal(object)
        `RingMark` below the pointer or at hand, or None.
    """

    key_chosen = Signal(int)
    key_opened = Signal(int)
    mark_changed = Signal(object)

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._view: RingView | None = None
        self._chosen = 0
        self._mark: RingMark | None = None
        self._geometry: RingGeometry | None = None
        self._still: QPixmap | None = None
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(_SMALLEST)
        self.setAccessibleName("Struck keys against ringing strings")
        self._describe()

    @property
    def view(self) -> RingView | None:
        """What is shown."""
        return self._view

    @property
    def chosen(self) -> int:
        """The chosen key; 0 for none."""
        return self._chosen

    @property
    def mark(self) -> RingMark | None:
        """The mark below the pointer or at hand."""
        return self._mark

    def set_view(self, view: RingView) -> None:
        """Show something else; also after colours or sizes have changed."""
        self._view = view
        if self._mark not in view.marks:
            self._set_mark(None)
        self._redraw()

    def set_chosen(self, midi: int) -> None:
        """Mark a key's column and row; 0 for none."""
        if midi != self._chosen:
            self._chosen = midi
            if self._mark is not None and midi not in (self._mark.struck_midi, self._mark.midi):
                self._set_mark(None)
            self._describe()
            self.update()

    def place_of(self, mark: RingMark) -> QPointF:
        """Where a mark lies, for tests and for what points at it."""
        geometry = self._laid_out()
        assert geometry is not None
        return geometry.place(mark)

    def place_of_key(self, midi: int) -> QPointF:
        """Where a struck key lies on the drawn keyboard."""
        geometry = self._laid_out()
        assert geometry is not None
        return QPointF(geometry.x(midi), geometry.keys.bottom() - 4.0)

    # Painting

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Copy the still picture and paint what is at hand."""
        geometry = self._laid_out()
        if geometry is None or self._view is None:
            return
        painter = QPainter(self)
        painter.drawPixmap(0, 0, self._still_picture(geometry))
        paint_ring_at_hand(
            painter,
            self._view,
            geometry,
            midi=self._chosen,
            mark=self._mark,
            colours=self._theme.colours,
        )
        painter.end()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Lay out anew."""
        super().resizeEvent(event)
        self._redraw()

    def _redraw(self) -> None:
        self._geometry = None
        self._still = None
        self.update()

    def _laid_out(self) -> RingGeometry | None:
        if self._view is None:
            return None
        if self._geometry is None:
            font = self._theme.font(scale=_FONT_SCALE)
            self._geometry = RingGeometry(self.width(), self.height(), view=self._view, font=font)
        return self._geometry

    def _still_picture(self, geometry: RingGeometry) -> QPixmap:
        ratio = self.devicePixelRatioF()
        if self._still is None or self._still.devicePixelRatio() != ratio:
            assert self._view is not None
            still = QPixmap((self.size().toSizeF() * ratio).toSize())
            still.setDevicePixelRatio(ratio)
            still.fill(self._theme.colour("paper"))
            painter = QPainter(still)
            paint_ring(
                painter,
                self._view,
                geometry,
                colours=self._theme.colours,
                font=self._theme.font(scale=_FONT_SCALE),
            )
            painter.end()
            self._still = still
        return self._still

    # Pointer

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Frame the mark below the pointer."""
        self._set_mark(self._mark_at(event.position()))

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Open the struck key of the mark that was clicked, or the key itself."""
        if event.button() is not Qt.MouseButton.LeftButton:
            return
        midi = self._key_at(event.position())
        if midi:
            self._choose(midi)
            self.key_opened.emit(midi)

    def event(self, event: QEvent) -> bool:
        """Say what lies below the resting pointer."""
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
        mark = self._mark_at(place)
        return "" if mark is None else mark.text

    # Keyboard

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Move through keys, and through the strings that ring after the chosen one."""
        key = event.key()
        modifiers = event.modifiers() & ~Qt.KeyboardModifier.KeypadModifier
        if self._view is None or modifiers:
            super().keyPressEvent(event)
            return
        steps = {
            Qt.Key.Key_Left: -1,
            Qt.Key.Key_Right: 1,
            Qt.Key.Key_PageDown: -_OCTAVE,
            Qt.Key.Key_PageUp: _OCTAVE,
            Qt.Key.Key_Home: -1000,
            Qt.Key.Key_End: 1000,
        }
        if key in steps:
            self._step(steps[Qt.Key(key)])
        elif key in (Qt.Key.Key_Up, Qt.Key.Key_Down):
            self._step_mark(1 if key == Qt.Key.Key_Up else -1)
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self._chosen:
            self.key_opened.emit(self._chosen)
        else:
            super().keyPressEvent(event)

    # Inside

    def _mark_at(self, place: QPointF) -> RingMark | None:
        geometry, view = self._laid_out(), self._view
        if geometry is None or view is None:
            return None
        return geometry.mark_at(place.x(), place.y(), view.marks)

    def _key_at(self, place: QPointF) -> int:
        mark = self._mark_at(place)
        if mark is not None:
            return mark.struck_midi
        geometry = self._laid_out()
        return 0 if geometry is None else geometry.key_at(place.x(), place.y())

    def _choose(self, midi: int) -> None:
        self.set_chosen(midi)
        self.key_chosen.emit(midi)

    def _step(self, keys: int) -> None:
        assert self._view is not None
        compass = self._view.compass
        start = compass.lowest_midi if keys > 0 else compass.highest_midi
        to = self._chosen + keys if self._chosen else start
        to = min(max(to, compass.lowest_midi), compass.highest_midi)
        if to != self._chosen:
            self._choose(to)

    def _step_mark(self, step: int) -> None:
        """Go to the next string up or down that rings after the chosen key."""
        assert self._view is not None
        own = sorted(
            (mark for mark in self._view.marks if mark.struck_midi == self._chosen),
            key=lambda mark: mark.midi,
        )
        if not own:
            return
        if self._mark in own:
            place = min(max(own.index(self._mark) + step, 0), len(own) - 1)
        else:
            place = 0 if step > 0 else len(own) - 1
        self._set_mark(own[place])

    def _set_mark(self, mark: RingMark | None) -> None:
        if mark != self._mark:
            self._mark = mark
            self._describe()
            self.update()
            self.mark_changed.emit(mark)

    def _describe(self) -> None:
        """Tell a screen reader what is at hand."""
        text = "Left and right choose a struck key, up and down a string that rings after it"
        if self._mark is not None:
            text = self._mark.text
        self.setAccessibleDescription(text)

"""The matrix of struck keys and ringing strings, with pointer and keyboard.

Classes: `RingMap`.
"""

from __future__ import annotations

from PySide6.QtCore import QPointF, Qt, Signal
from PySide6.QtGui import QMouseEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import QWidget

from toneapp.desktop.key_map import KeyMap
from toneapp.desktop.ring_geometry import RingGeometry
from toneapp.desktop.ring_painting import paint_ring, paint_ring_at_hand
from toneapp.desktop.ring_view import RingMark, RingView
from toneapp.desktop.theme import Theme

__all__ = ["RingMap"]


class RingMap(KeyMap[RingView, RingGeometry]):
    """Shows a `RingView`; sends which key is meant.

    Attributes
    ----------
    mark_changed : Signal(object)
        `RingMark` below the pointer or at hand, or None.
    """

    mark_changed = Signal(object)

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(theme, name="Struck keys against ringing strings", parent=parent)
        self._mark: RingMark | None = None
        self._describe()

    @property
    def mark(self) -> RingMark | None:
        """The mark below the pointer or at hand."""
        return self._mark

    def set_view(self, view: RingView) -> None:
        """Show something else; also after colours or sizes have changed."""
        if self._mark not in view.marks:
            self._set_mark(None)
        super().set_view(view)

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
        geometry = self.laid_out()
        assert geometry is not None
        return geometry.place(mark)

    def place_of_key(self, midi: int) -> QPointF:
        """Where a struck key lies on the drawn keyboard."""
        geometry = self.laid_out()
        assert geometry is not None
        return QPointF(geometry.x(midi), geometry.keys.bottom() - 4.0)

    # Painting

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Copy the still picture and paint what is at hand."""
        geometry = self.laid_out()
        if geometry is None or self._view is None:
            return
        painter = QPainter(self)
        painter.drawPixmap(0, 0, self.still_picture(self._view, geometry))
        paint_ring_at_hand(
            painter,
            self._view,
            geometry,
            midi=self._chosen,
            mark=self._mark,
            colours=self._theme.colours,
        )
        painter.end()

    def lay_out(self, view: RingView) -> RingGeometry:
        """Say where everything lies at the present size."""
        return RingGeometry(self.width(), self.height(), view=view, font=self.font_of_map())

    def paint_still(self, painter: QPainter, view: RingView, geometry: RingGeometry) -> None:
        """Paint what does not follow the hand."""
        colours = self._theme.colours
        paint_ring(painter, view, geometry, colours=colours, font=self.font_of_map())

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
            self.choose(midi)
            self.key_opened.emit(midi)

    def text_at(self, place: QPointF) -> str:
        """Say what lies at a place."""
        mark = self._mark_at(place)
        return "" if mark is None else mark.text

    # Keyboard

    def other_key(self, key: int, /) -> bool:
        """Move through the strings that ring after the chosen key."""
        if key not in (Qt.Key.Key_Up, Qt.Key.Key_Down):
            return False
        self._step_mark(1 if key == Qt.Key.Key_Up else -1)
        return True

    # Inside

    def _mark_at(self, place: QPointF) -> RingMark | None:
        geometry, view = self.laid_out(), self._view
        if geometry is None or view is None:
            return None
        return geometry.mark_at(place.x(), place.y(), view.marks)

    def _key_at(self, place: QPointF) -> int:
        mark = self._mark_at(place)
        if mark is not None:
            return mark.struck_midi
        geometry = self.laid_out()
        return 0 if geometry is None else geometry.key_at(place.x(), place.y())

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

"""Several runs over one keyboard, with pointer and keyboard.

Classes: `CompareMap`.
"""

from __future__ import annotations

from PySide6.QtCore import QEvent, QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QMouseEvent, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QWidget

from toneapp.desktop.compare_painting import CompareGeometry, paint_compare
from toneapp.desktop.compare_view import CompareView
from toneapp.desktop.key_map import KeyMap
from toneapp.desktop.theme import Theme
from toneapp.pitch import note_name

__all__ = ["CompareMap"]


class CompareMap(KeyMap[CompareView, CompareGeometry]):
    """Shows a `CompareView`; sends which key is meant.

    Attributes
    ----------
    key_hovered : Signal(int)
        Key below the pointer; 0 when it has left.
    """

    key_hovered = Signal(int)

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(theme, name="Runs over the keyboard", parent=parent)
        self._hovered = 0
        self.setAccessibleDescription("Left and right choose a key, Enter goes to its own page")

    def set_chosen(self, midi: int) -> None:
        """Mark a key; 0 for none."""
        if midi != self._chosen:
            super().set_chosen(midi)
            self.setAccessibleDescription(self.text_of(midi))

    def place_of(self, midi: int) -> QPointF:
        """Where a key lies on the drawn keyboard, for tests."""
        geometry = self.laid_out()
        assert geometry is not None
        return QPointF(geometry.axis.x(midi), geometry.keys.bottom() - 4.0)

    def text_of(self, midi: int) -> str:
        """Say the values of a key, lane by lane."""
        if self._view is None or not midi:
            return ""
        runs = " | ".join(f"[{series.number}]" for series in self._view.series)
        lanes = (lane.text_at(midi) for lane in self._view.lanes)
        return "\n".join([f"{note_name(midi)}, {runs}", *lanes])

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Copy the still picture and mark the keys at hand."""
        geometry = self.laid_out()
        if geometry is None or self._view is None:
            return
        painter = QPainter(self)
        painter.drawPixmap(0, 0, self.still_picture(self._view, geometry))
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

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Mark the key below the pointer."""
        geometry = self.laid_out()
        self._hover(0 if geometry is None else geometry.key_at(event.position().x()))

    def leaveEvent(self, event: QEvent) -> None:
        """Take the mark away."""
        super().leaveEvent(event)
        self._hover(0)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Choose the key that was clicked."""
        geometry = self.laid_out()
        if geometry is None or event.button() is not Qt.MouseButton.LeftButton:
            return
        midi = geometry.key_at(event.position().x())
        if midi and midi != self._chosen:
            self.choose(midi)

    def mouseDoubleClickEvent(self, _event: QMouseEvent) -> None:
        """Open the key that was clicked twice."""
        if self._chosen:
            self.key_opened.emit(self._chosen)

    def text_at(self, place: QPointF) -> str:
        """Say what lies at a place."""
        geometry, view = self.laid_out(), self._view
        if geometry is None or view is None:
            return ""
        lane = geometry.lane_at(place.y())
        if lane is not None and place.y() < geometry.lanes[lane].top() + geometry.heading:
            return view.lanes[lane].sentence
        return self.text_of(geometry.key_at(place.x()))

    def _hover(self, midi: int) -> None:
        if midi != self._hovered:
            self._hovered = midi
            self.update()
            self.key_hovered.emit(midi)

    def lay_out(self, view: CompareView) -> CompareGeometry:
        """Say where everything lies at the present size."""
        return CompareGeometry(self.width(), self.height(), view=view, font=self.font_of_map())

    def paint_still(self, painter: QPainter, view: CompareView, geometry: CompareGeometry) -> None:
        """Paint what does not follow the hand."""
        colours = self._theme.colours
        paint_compare(painter, view, geometry, colours=colours, font=self.font_of_map())

"""The map: one drawn keyboard, the lanes of a run above it.

Classes: `EvennessMap`.
"""

from __future__ import annotations

from PySide6.QtCore import QEvent, QPointF, Qt, Signal
from PySide6.QtGui import QMouseEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import QWidget

from toneapp.desktop.evenness_view import EvennessView, key_lines, key_title, visible_compass
from toneapp.desktop.key_map import KeyMap
from toneapp.desktop.lane_order import LaneOrder
from toneapp.desktop.map_geometry import MapGeometry
from toneapp.desktop.map_keys import paint_at_hand
from toneapp.desktop.map_painting import paint_map
from toneapp.desktop.map_signs import MapStyle, legend_rows
from toneapp.desktop.theme import Theme

__all__ = ["EvennessMap"]


class EvennessMap(KeyMap[EvennessView, MapGeometry]):
    """Shows an `EvennessView`; sends which key is meant.

    Attributes
    ----------
    key_hovered : Signal(int)
        Key below the pointer; 0 when it has left.
    lane_at_hand_changed : Signal(str)
        Key of the lane that the keyboard is in.
    order_changed : Signal(object)
        `LaneOrder` after a lane was moved, hidden or enlarged here.
    """

    key_hovered = Signal(int)
    lane_at_hand_changed = Signal(str)
    order_changed = Signal(object)

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(theme, name="Map of the run over the keyboard", parent=parent)
        self._order = LaneOrder()
        self._octaves: int | None = None
        self._hovered = 0
        self._lane = self._order.shown[0]
        self.setAccessibleDescription(
            "Left and right choose a key, up and down a lane, Enter goes to the key's own page"
        )

    # What is shown

    @property
    def order(self) -> LaneOrder:
        """Order and state of the lanes."""
        return self._order

    @property
    def octaves(self) -> int | None:
        """Octaves that are shown; None for the whole keyboard."""
        return self._octaves

    @property
    def lane_at_hand(self) -> str:
        """Key of the lane that the keyboard is in."""
        return self._lane

    def set_order(self, order: LaneOrder) -> None:
        """Show the lanes in another order."""
        self._order = order
        if self._lane not in order.shown:
            self._set_lane(order.shown[0])
        self.redraw()

    def set_octaves(self, octaves: int | None) -> None:
        """Show so many octaves around the chosen key; None for all."""
        self._octaves = octaves
        self.redraw()

    def set_chosen(self, midi: int) -> None:
        """Mark a key; 0 for none. The map moves along when it is zoomed."""
        if midi == self._chosen:
            return
        self._chosen = midi
        geometry = self._geometry
        if self._octaves is not None and midi and (geometry is None or midi not in geometry.xs):
            self.redraw()
        self._describe()
        self.update()

    def step_raised(self, step: int) -> None:
        """Choose the next raised note to the right (1) or to the left (-1)."""
        if self._view is None:
            return
        raised = self._view.raised()
        if step > 0:
            found = next((midi for midi in raised if midi > self._chosen), 0)
        else:
            left = [midi for midi in raised if not self._chosen or midi < self._chosen]
            found = left[-1] if left else 0
        if found:
            self.choose(found)

    def place_of(self, midi: int, lane_key: str) -> QPointF:
        """Where a key lies in a lane that is shown, for tests and for what points at it."""
        geometry = self.laid_out()
        assert geometry is not None
        return QPointF(geometry.xs[midi], geometry.plot_of(lane_key).center().y())

    def heading_y(self, lane_key: str) -> float:
        """Height of the heading of a lane that is shown."""
        geometry = self.laid_out()
        assert geometry is not None
        return geometry.lanes[lane_key].top() + geometry.heading / 2

    # Painting

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Copy the still picture and paint what is at hand."""
        geometry = self.laid_out()
        if geometry is None or self._view is None:
            return
        painter = QPainter(self)
        painter.drawPixmap(0, 0, self.still_picture(self._view, geometry))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        paint_at_hand(
            painter,
            geometry,
            self._style(),
            chosen=self._chosen,
            hovered=self._hovered,
            lane_key=self._lane,
            has_focus=self.hasFocus(),
        )
        painter.end()

    def _style(self) -> MapStyle:
        return MapStyle(colours=self._theme.colours, font=self.font_of_map())

    def lay_out(self, view: EvennessView) -> MapGeometry:
        """Say where everything lies at the present size."""
        middle = self._chosen or (view.compass.lowest_midi + view.compass.highest_midi) // 2
        style = self._style()
        return MapGeometry(
            self.width(),
            self.height(),
            compass=visible_compass(view.compass, octaves=self._octaves, around=middle),
            order=self._order,
            font=style.font,
            legend_rows=legend_rows(view, style, width=self.width() - 16.0),
        )

    def paint_still(self, painter: QPainter, view: EvennessView, geometry: MapGeometry) -> None:
        """Paint what does not follow the hand."""
        paint_map(painter, view, geometry, self._style())

    # Pointer

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Mark the key below the pointer."""
        geometry = self.laid_out()
        if geometry is None:
            return
        place = event.position()
        lane = geometry.lane_at(place.y())
        midi = geometry.key_at(place.x()) if lane or geometry.keys.contains(place) else 0
        if lane:
            self._set_lane(lane)
        self._hover(midi)

    def leaveEvent(self, event: QEvent) -> None:
        """Take the mark away."""
        super().leaveEvent(event)
        self._hover(0)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Open the key that was clicked."""
        geometry = self.laid_out()
        if geometry is None or event.button() is not Qt.MouseButton.LeftButton:
            return
        place = event.position()
        if not self.rect().contains(place.toPoint()) or geometry.heading_at(place.y()):
            return
        if not geometry.lane_at(place.y()) and not geometry.keys.contains(place):
            return
        midi = geometry.key_at(place.x())
        if midi:
            self.choose(midi)
            self.key_opened.emit(midi)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        """Enlarge the lane whose heading was clicked twice."""
        geometry = self.laid_out()
        heading = "" if geometry is None else geometry.heading_at(event.position().y())
        if heading:
            self._change_order(self._order.with_enlarged(heading))

    def text_at(self, place: QPointF) -> str:
        """Say what lies at a place: what a lane means, or the values of a key."""
        geometry, view = self.laid_out(), self._view
        if geometry is None or view is None:
            return ""
        heading = geometry.heading_at(place.y())
        if heading:
            return f"{view.lanes[heading].kind.sentence} Double-click to enlarge."
        if not geometry.lane_at(place.y()) and not geometry.keys.contains(place):
            return ""
        midi = geometry.key_at(place.x())
        return self.text_of(midi) if midi else ""

    def text_of(self, midi: int) -> str:
        """Say the values of a key, lane by lane."""
        if self._view is None:
            return ""
        lines = key_lines(self._view, midi, self._order.shown)
        return "\n".join([key_title(self._view, midi), *(line.text() for line in lines)])

    # Keyboard

    def other_key(self, key: int, /) -> bool:
        """Move through the lanes."""
        if key not in (Qt.Key.Key_Up, Qt.Key.Key_Down):
            return False
        self._step_lane(-1 if key == Qt.Key.Key_Up else 1)
        return True

    def focusInEvent(self, event: object) -> None:
        """Show where the keyboard is."""
        super().focusInEvent(event)  # type: ignore[arg-type]  # QFocusEvent
        self.update()

    def focusOutEvent(self, event: object) -> None:
        """Take the mark of the keyboard away."""
        super().focusOutEvent(event)  # type: ignore[arg-type]  # QFocusEvent
        self.update()

    def enlarge_lane(self) -> None:
        """Enlarge the lane at hand, or give it its usual height again."""
        self._change_order(self._order.with_enlarged(self._lane))

    def move_lane(self, places: int) -> None:
        """Move the lane at hand up (negative) or down."""
        self._change_order(self._order.moved(self._lane, places=places))

    def hide_lane(self) -> None:
        """Hide the lane at hand."""
        self._change_order(self._order.with_shown(self._lane, is_shown=False))

    # Inside

    def _change_order(self, order: LaneOrder) -> None:
        if order != self._order:
            self.set_order(order)
            self.order_changed.emit(order)

    def _step_lane(self, step: int) -> None:
        shown = self._order.shown
        at = shown.index(self._lane) if self._lane in shown else 0
        self._set_lane(shown[min(max(at + step, 0), len(shown) - 1)])

    def _set_lane(self, key: str) -> None:
        if key != self._lane:
            self._lane = key
            self._describe()
            self.update()
            self.lane_at_hand_changed.emit(key)

    def _hover(self, midi: int) -> None:
        if midi != self._hovered:
            self._hovered = midi
            self.update()
            self.key_hovered.emit(midi)

    def _describe(self) -> None:
        """Tell a screen reader the key and the lane at hand."""
        if self._view is None or not self._chosen:
            return
        line = key_lines(self._view, self._chosen, (self._lane,))[0]
        self.setAccessibleDescription(f"{key_title(self._view, self._chosen)}: {line.text()}")

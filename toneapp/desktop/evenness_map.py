"""The map: one drawn keyboard, the lanes of a run above it.

The still part is painted once into a picture and copied; only the marks of pointer and keyboard
are painted anew while the hand moves.

Classes: `EvennessMap`.
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

from toneapp.desktop.evenness_view import EvennessView, key_lines, key_title, visible_compass
from toneapp.desktop.lane_order import LaneOrder
from toneapp.desktop.map_geometry import MapGeometry
from toneapp.desktop.map_keys import paint_at_hand
from toneapp.desktop.map_painting import paint_map
from toneapp.desktop.map_signs import MapStyle, legend_rows
from toneapp.desktop.theme import Theme

__all__ = ["EvennessMap"]

_FONT_SCALE = 0.9
_SMALLEST = QSize(420, 320)
_OCTAVE = 12


class EvennessMap(QWidget):
    """Shows an `EvennessView`; sends which key is meant.

    Attributes
    ----------
    key_hovered : Signal(int)
        Key below the pointer; 0 when it has left.
    key_chosen : Signal(int)
        A key was chosen with the keyboard.
    key_opened : Signal(int)
        A key was clicked, or Enter pressed on it.
    lane_at_hand_changed : Signal(str)
        Key of the lane that the keyboard is in.
    order_changed : Signal(object)
        `LaneOrder` after a lane was moved, hidden or enlarged here.
    """

    key_hovered = Signal(int)
    key_chosen = Signal(int)
    key_opened = Signal(int)
    lane_at_hand_changed = Signal(str)
    order_changed = Signal(object)

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._view: EvennessView | None = None
        self._order = LaneOrder()
        self._octaves: int | None = None
        self._chosen = 0
        self._hovered = 0
        self._lane = self._order.shown[0]
        self._geometry: MapGeometry | None = None
        self._still: QPixmap | None = None
        theme.changed.connect(self._redraw)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(_SMALLEST)
        self.setAccessibleName("Map of the run over the keyboard")
        self.setAccessibleDescription(
            "Left and right choose a key, up and down a lane, Enter goes to the key's own page"
        )

    # What is shown

    @property
    def view(self) -> EvennessView | None:
        """What is shown."""
        return self._view

    @property
    def order(self) -> LaneOrder:
        """Order and state of the lanes."""
        return self._order

    @property
    def octaves(self) -> int | None:
        """Octaves that are shown; None for the whole keyboard."""
        return self._octaves

    @property
    def chosen(self) -> int:
        """The chosen key; 0 for none."""
        return self._chosen

    @property
    def lane_at_hand(self) -> str:
        """Key of the lane that the keyboard is in."""
        return self._lane

    def set_view(self, view: EvennessView) -> None:
        """Show a run; also after colours or sizes have changed."""
        self._view = view
        self._redraw()

    def set_order(self, order: LaneOrder) -> None:
        """Show the lanes in another order."""
        self._order = order
        if self._lane not in order.shown:
            self._set_lane(order.shown[0])
        self._redraw()

    def set_octaves(self, octaves: int | None) -> None:
        """Show so many octaves around the chosen key; None for all."""
        self._octaves = octaves
        self._redraw()

    def set_chosen(self, midi: int) -> None:
        """Mark a key; 0 for none. The map moves along when it is zoomed."""
        if midi == self._chosen:
            return
        self._chosen = midi
        geometry = self._geometry
        if self._octaves is not None and midi and (geometry is None or midi not in geometry.xs):
            self._redraw()
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
            self._choose(found)

    def place_of(self, midi: int, lane_key: str) -> QPointF:
        """Where a key lies in a lane that is shown, for tests and for what points at it."""
        geometry = self._laid_out()
        assert geometry is not None
        return QPointF(geometry.xs[midi], geometry.plot_of(lane_key).center().y())

    def heading_y(self, lane_key: str) -> float:
        """Height of the heading of a lane that is shown."""
        geometry = self._laid_out()
        assert geometry is not None
        return geometry.lanes[lane_key].top() + geometry.heading / 2

    # Painting

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Copy the still picture and paint what is at hand."""
        geometry = self._laid_out()
        if geometry is None or self._view is None:
            return
        painter = QPainter(self)
        painter.drawPixmap(0, 0, self._still_picture(geometry))
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

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Lay out anew."""
        super().resizeEvent(event)
        self._redraw()

    def _style(self) -> MapStyle:
        return MapStyle(colours=self._theme.colours, font=self._theme.font(scale=_FONT_SCALE))

    def _redraw(self) -> None:
        self._geometry = None
        self._still = None
        self.update()

    def _laid_out(self) -> MapGeometry | None:
        view = self._view
        if view is None:
            return None
        if self._geometry is None:
            middle = self._chosen or (view.compass.lowest_midi + view.compass.highest_midi) // 2
            style = self._style()
            self._geometry = MapGeometry(
                self.width(),
                self.height(),
                compass=visible_compass(view.compass, octaves=self._octaves, around=middle),
                order=self._order,
                font=style.font,
                legend_rows=legend_rows(view, style, width=self.width() - 16.0),
            )
        return self._geometry

    def _still_picture(self, geometry: MapGeometry) -> QPixmap:
        ratio = self.devicePixelRatioF()
        if self._still is None or self._still.devicePixelRatio() != ratio:
            assert self._view is not None
            still = QPixmap((self.size().toSizeF() * ratio).toSize())
            still.setDevicePixelRatio(ratio)
            still.fill(self._theme.colour("paper"))
            painter = QPainter(still)
            paint_map(painter, self._view, geometry, self._style())
            painter.end()
            self._still = still
        return self._still

    # Pointer

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Mark the key below the pointer."""
        geometry = self._laid_out()
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
        geometry = self._laid_out()
        if geometry is None or event.button() is not Qt.MouseButton.LeftButton:
            return
        place = event.position()
        if not self.rect().contains(place.toPoint()) or geometry.heading_at(place.y()):
            return
        if not geometry.lane_at(place.y()) and not geometry.keys.contains(place):
            return
        midi = geometry.key_at(place.x())
        if midi:
            self._choose(midi)
            self.key_opened.emit(midi)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        """Enlarge the lane whose heading was clicked twice."""
        geometry = self._laid_out()
        heading = "" if geometry is None else geometry.heading_at(event.position().y())
        if heading:
            self._change_order(self._order.with_enlarged(heading))

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
        """Say what lies at a place: what a lane means, or the values of a key."""
        geometry, view = self._laid_out(), self._view
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

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Move through keys and lanes."""
        key, modifiers = event.key(), event.modifiers()
        modifiers &= ~Qt.KeyboardModifier.KeypadModifier
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
            self._step_lane(-1 if key == Qt.Key.Key_Up else 1)
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self._chosen:
            self.key_opened.emit(self._chosen)
        else:
            super().keyPressEvent(event)

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

    def _choose(self, midi: int) -> None:
        self.set_chosen(midi)
        self.key_chosen.emit(midi)

    def _step(self, keys: int) -> None:
        assert self._view is not None
        compass = self._view.compass
        if not self._chosen:
            start = compass.lowest_midi if keys > 0 else compass.highest_midi
            self._choose(start)
            return
        to = min(max(self._chosen + keys, compass.lowest_midi), compass.highest_midi)
        if to != self._chosen:
            self._choose(to)

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

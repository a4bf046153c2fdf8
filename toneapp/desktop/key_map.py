"""What is alike in all drawings over one keyboard: the map, the matrix, the comparison.

The still part is painted once into a picture and copied; only the marks of pointer and keyboard
are painted anew while the hand moves.

Classes: `KeyMap`.
"""

from __future__ import annotations

from typing import Generic, Protocol, TypeVar

from PySide6.QtCore import QEvent, QPointF, QSize, Qt, Signal
from PySide6.QtGui import QFont, QHelpEvent, QKeyEvent, QPainter, QPixmap, QResizeEvent
from PySide6.QtWidgets import QSizePolicy, QToolTip, QWidget

from toneapp.desktop.theme import Theme
from toneapp.keyboard import Compass

__all__ = ["KeyMap"]

_FONT_SCALE = 0.9
_SMALLEST = QSize(420, 320)
_OCTAVE = 12
_FAR = 1000  # keys; more than there are
_STEPS = {
    Qt.Key.Key_Left: -1,
    Qt.Key.Key_Right: 1,
    Qt.Key.Key_PageDown: -_OCTAVE,
    Qt.Key.Key_PageUp: _OCTAVE,
    Qt.Key.Key_Home: -_FAR,
    Qt.Key.Key_End: _FAR,
}


class _OverKeys(Protocol):
    """What is drawn over a keyboard."""

    @property
    def compass(self) -> Compass:
        """Keys that are drawn."""


V = TypeVar("V", bound=_OverKeys)
G = TypeVar("G")


class KeyMap(QWidget, Generic[V, G]):
    """Shows something over a keyboard; sends which key is meant.

    A drawing lays itself out in `lay_out`, paints its still part in `paint_still`, and says in
    `text_at` what lies at a place.

    Attributes
    ----------
    key_chosen : Signal(int)
        A key was chosen with the keyboard or the pointer.
    key_opened : Signal(int)
        A key is to be opened: Enter was pressed on it, or it was clicked.
    """

    key_chosen = Signal(int)
    key_opened = Signal(int)

    def __init__(self, theme: Theme, *, name: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._view: V | None = None
        self._chosen = 0
        self._geometry: G | None = None
        self._still: QPixmap | None = None
        theme.changed.connect(self.redraw)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(_SMALLEST)
        self.setAccessibleName(name)

    @property
    def view(self) -> V | None:
        """What is shown."""
        return self._view

    @property
    def chosen(self) -> int:
        """The chosen key; 0 for none."""
        return self._chosen

    def set_view(self, view: V) -> None:
        """Show something else; also after colours or sizes have changed."""
        self._view = view
        self.redraw()

    def set_chosen(self, midi: int) -> None:
        """Mark a key; 0 for none."""
        if midi != self._chosen:
            self._chosen = midi
            self.update()

    # For the drawings

    def lay_out(self, view: V) -> G:
        """Say where everything lies at the present size."""
        raise NotImplementedError

    def paint_still(self, painter: QPainter, view: V, geometry: G) -> None:
        """Paint what does not follow the hand."""
        raise NotImplementedError

    def text_at(self, place: QPointF) -> str:
        """Say what lies at a place; empty for nothing."""
        raise NotImplementedError

    def other_key(self, _key: int, /) -> bool:
        """Answer a key of the computer besides those that move; tells whether it did."""
        return False

    def font_of_map(self) -> QFont:
        """Return the face of all words in the drawing."""
        return self._theme.font(scale=_FONT_SCALE)

    def redraw(self) -> None:
        """Lay out and paint anew."""
        self._geometry = None
        self._still = None
        self.update()

    def laid_out(self) -> G | None:
        """Return where everything lies; None while there is nothing to show."""
        if self._view is None:
            return None
        if self._geometry is None:
            self._geometry = self.lay_out(self._view)
        return self._geometry

    def still_picture(self, view: V, geometry: G) -> QPixmap:
        """Return the still part, painted once."""
        ratio = self.devicePixelRatioF()
        if self._still is None or self._still.devicePixelRatio() != ratio:
            still = QPixmap((self.size().toSizeF() * ratio).toSize())
            still.setDevicePixelRatio(ratio)
            still.fill(self._theme.colour("paper"))
            painter = QPainter(still)
            self.paint_still(painter, view, geometry)
            painter.end()
            self._still = still
        return self._still

    def choose(self, midi: int) -> None:
        """Choose a key and tell so."""
        self.set_chosen(midi)
        self.key_chosen.emit(midi)

    # What Qt asks

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Lay out anew."""
        super().resizeEvent(event)
        self.redraw()

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

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Move through the keys, open one with Enter."""
        key = event.key()
        modifiers = event.modifiers() & ~Qt.KeyboardModifier.KeypadModifier
        if self._view is None or modifiers:
            super().keyPressEvent(event)
        elif key in _STEPS:
            self._step(self._view.compass, _STEPS[Qt.Key(key)])
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self._chosen:
            self.key_opened.emit(self._chosen)
        elif not self.other_key(key):
            super().keyPressEvent(event)

    def _step(self, compass: Compass, keys: int) -> None:
        start = compass.lowest_midi if keys > 0 else compass.highest_midi
        to = self._chosen + keys if self._chosen else start
        to = min(max(to, compass.lowest_midi), compass.highest_midi)
        if to != self._chosen:
            self.choose(to)

"""How are the keys drawn, with the next one so that it is found at once?

Two drawings: the whole compass, with what became of each key and the level it reached; and the
keys around the next one, large.

Classes: `KeyState`, `WholeKeyboard`, `NextKeys`.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFontMetricsF,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPolygonF,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from toneapp.desktop.key_axis import KeyAxis
from toneapp.desktop.theme import Theme
from toneapp.keyboard import FULL_COMPASS, HIGHEST_MIDI, LOWEST_MIDI, Compass, is_black_key
from toneapp.pitch import note_name

__all__ = ["KeyState", "NextKeys", "WholeKeyboard"]

_BLACK_WIDTH, _BLACK_LENGTH = 0.62, 0.6
_AROUND = 9  # keys to each side of the next one
_LEVEL_SPAN_DB = 24.0
_VEIL = 165  # of 255, over a black key that is not played


class KeyState(StrEnum):
    """What became of a key."""

    OUTSIDE = "outside"  # not part of the run
    OPEN = "open"
    DONE = "done"
    PASSED = "passed"  # still wanted, asked for again at the end
    LEFT_OUT = "left_out"


def _all_keys(compass: Compass) -> range:
    low, high = compass.lowest_midi, compass.highest_midi
    return range(low - is_black_key(low), high + is_black_key(high) + 1)


class _Keys(QWidget):
    """Keys of a keyboard with a state each."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._compass = FULL_COMPASS
        self._states: dict[int, KeyState] = {}
        self._next = 0
        theme.changed.connect(self.update)

    @property
    def next_midi(self) -> int:
        """Key that is marked; 0 for none."""
        return self._next

    def state_of(self, midi: int) -> KeyState:
        """What is shown of a key."""
        return self._states.get(midi, KeyState.OUTSIDE)

    def set_keys(
        self, compass: Compass, states: Mapping[int, KeyState], *, next_midi: int
    ) -> None:
        """Show a compass, the states of its keys, and the one to be played; 0 for none."""
        shown = (compass, dict(states), next_midi)
        if shown != (self._compass, self._states, self._next):
            self._compass, self._states, self._next = shown
            self.setAccessibleDescription(
                f"Next key: {note_name(next_midi)}" if next_midi else "No key is asked for"
            )
            self.update()

    def _paint_keys(self, painter: QPainter, axis: KeyAxis, area: QRectF) -> None:
        for is_black in (False, True):
            for midi in _all_keys(axis.compass):
                if is_black_key(midi) is is_black:
                    self._paint_key(painter, self._box(axis, area, midi), midi)

    @staticmethod
    def _box(axis: KeyAxis, area: QRectF, midi: int) -> QRectF:
        is_black = is_black_key(midi)
        width = axis.white_width * (_BLACK_WIDTH if is_black else 1.0)
        height = area.height() * (_BLACK_LENGTH if is_black else 1.0)
        return QRectF(axis.x(midi) - width / 2, area.top(), width, height)

    def _paint_key(self, painter: QPainter, box: QRectF, midi: int) -> None:
        colours = self._theme.colours
        is_black = is_black_key(midi)
        fill = QColor(colours.key_black if is_black else colours.key_white)
        state = self.state_of(midi)
        if midi == self._next:
            fill = QColor(colours.accent)
        painter.setPen(QPen(QColor(colours.key_edge), 1.0))
        painter.setBrush(fill)
        painter.drawRect(box)
        if state is KeyState.OUTSIDE and midi != self._next:
            veil = QColor(colours.window if is_black else colours.grid)
            veil.setAlpha(_VEIL if is_black else 255)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(veil)
            painter.drawRect(box.adjusted(0.5, 0.5, -0.5, -0.5))
        self._paint_state(painter, box, state, is_black=is_black)

    def _paint_state(
        self, painter: QPainter, box: QRectF, state: KeyState, *, is_black: bool
    ) -> None:
        """Put a tick, a dot or a stroke at the lower end of a key."""
        colours = self._theme.colours
        # The keys keep their own colours by day and by night, and so do the marks on them.
        ink = QColor("#ffffff" if is_black else "#1b1f23")
        size = min(0.55 * box.width(), 0.3 * box.height(), 18.0)
        middle = QPointF(box.center().x(), box.bottom() - 0.9 * size)
        if state is KeyState.DONE:
            pen = QPen(ink, max(1.6, size / 5.0))
            pen.setCapStyle(Qt.PenCapStyle.RoundCap)
            painter.setPen(pen)
            half = size / 2
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawPolyline(
                QPolygonF(
                    [
                        middle + QPointF(-0.8 * half, 0.0),
                        middle + QPointF(-0.2 * half, 0.6 * half),
                        middle + QPointF(0.9 * half, -0.7 * half),
                    ]
                )
            )
        elif state is KeyState.PASSED:
            painter.setPen(QPen(ink, 1.5))
            painter.setBrush(QColor(colours.accent))
            painter.drawEllipse(middle, size / 2, size / 2)
        elif state is KeyState.LEFT_OUT:
            painter.setPen(QPen(ink, max(1.6, size / 5.0)))
            painter.drawLine(middle - QPointF(size / 2, 0), middle + QPointF(size / 2, 0))


class WholeKeyboard(_Keys):
    """All keys in one row, with the level reached above each.

    Attributes
    ----------
    key_clicked : Signal(int)
        A key was clicked.
    """

    key_clicked = Signal(int)

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(theme, parent)
        self._levels: dict[int, float] = {}
        self._last = 0
        self._shows_levels = False
        self._axis: KeyAxis | None = None
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName("All keys of the run")

    def show_levels(self, levels: Mapping[int, float], *, last: int) -> None:
        """Show the level of each key in dB, that of `last` marked; 0 for none."""
        shown = (dict(levels), last)
        if shown != (self._levels, self._last):
            self._levels, self._last = shown
            self.update()

    def keep_room_for_levels(self) -> None:
        """Leave room for the levels above the keys, from now on."""
        self._shows_levels = True
        self.updateGeometry()

    def sizeHint(self) -> QSize:
        """Wide, and as high as keys, names and levels need."""
        line = QFontMetricsF(self._theme.font(scale=0.85)).height()
        return QSize(600, int(46 + 1.3 * line + (64 if self._shows_levels else 0)))

    def minimumSizeHint(self) -> QSize:
        """No less high."""
        return QSize(320, self.sizeHint().height())

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Paint keys, their names, and levels."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        font = self._theme.font(scale=0.85)
        painter.setFont(font)
        line = QFontMetricsF(font).height()
        levels = 64.0 if self._shows_levels else 0.0
        axis = KeyAxis(self._compass, left=1.0, right=self.width() - 1.0)
        self._axis = axis
        area = QRectF(1.0, levels, self.width() - 2.0, self.height() - levels - 1.3 * line)
        if levels:
            ground = QRectF(1.0, 0.0, self.width() - 2.0, levels - 4.0)
            self._paint_levels(painter, axis, ground)
        self._paint_keys(painter, axis, area)
        painter.setPen(self._theme.colour("muted"))
        last_x = -1e9
        metrics = QFontMetricsF(font)
        for midi in self._compass:
            if midi % 12 == 0 or midi == self._compass.lowest_midi:
                name = note_name(midi)
                width = metrics.horizontalAdvance(name)
                x = min(max(axis.x(midi) - width / 2, 0.0), self.width() - width)
                if x > last_x + 6.0:
                    painter.drawText(QPointF(x, area.bottom() + line), name)
                    last_x = x + width
        painter.end()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Tell the key that was clicked."""
        axis = self._axis
        place = event.position()
        if axis is None or not self.rect().contains(place.toPoint()):
            return
        keys = sorted(
            self._compass,
            key=lambda midi: (abs(axis.x(midi) - place.x()), not is_black_key(midi)),
        )
        self.key_clicked.emit(keys[0])

    def _paint_levels(self, painter: QPainter, axis: KeyAxis, area: QRectF) -> None:
        """Paint a dot for each level; the middle of them all in the middle of the height."""
        colours = self._theme.colours
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(colours.lane))
        painter.drawRect(area)
        painter.setPen(self._theme.colour("muted"))
        painter.drawText(
            area.adjusted(6, 2, -6, -2),
            Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignTop,
            "level reached",
        )
        if not self._levels:
            return
        values = sorted(self._levels.values())
        middle = values[len(values) // 2]
        painter.setPen(QPen(QColor(colours.grid), 1.0))
        painter.drawLine(
            QPointF(area.left(), area.center().y()), QPointF(area.right(), area.center().y())
        )
        for midi, level_db in self._levels.items():
            if midi not in self._compass:
                continue
            away = (level_db - middle) / _LEVEL_SPAN_DB
            y = area.center().y() - min(max(away, -0.5), 0.5) * (area.height() - 12.0)
            is_last = midi == self._last
            size = 6.0 if is_last else 3.2
            painter.setPen(QPen(QColor(colours.paper), 1.0))
            painter.setBrush(QColor(colours.accent if is_last else colours.point))
            painter.drawEllipse(QPointF(axis.x(midi), y), size, size)


class NextKeys(_Keys):
    """The keys around the next one, large, with an arrow on it."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(theme, parent)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumHeight(96)
        self.setAccessibleName("Keys around the next one")

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Paint the keys, names on the white ones, and the arrow."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        middle = self._next or (self._compass.lowest_midi + self._compass.highest_midi) // 2
        low = max(LOWEST_MIDI, middle - _AROUND)
        high = min(HIGHEST_MIDI, max(middle, low + _AROUND) + _AROUND)
        low = max(LOWEST_MIDI, min(low, high - 2 * _AROUND))
        axis = KeyAxis(
            Compass(lowest_midi=low, highest_midi=high), left=1.0, right=self.width() - 1.0
        )
        arrow = min(0.2 * self.height(), 34.0)
        area = QRectF(1.0, arrow, self.width() - 2.0, self.height() - arrow - 1.0)
        self._paint_keys(painter, axis, area)
        if self._next:
            self._paint_next(painter, axis, area, arrow)
        painter.end()

    def _paint_next(self, painter: QPainter, axis: KeyAxis, area: QRectF, arrow: float) -> None:
        colours = self._theme.colours
        x = axis.x(self._next)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(colours.accent))
        half = 0.9 * arrow
        painter.drawPolygon(
            QPolygonF(
                [
                    QPointF(x - half, 0.0),
                    QPointF(x + half, 0.0),
                    QPointF(x, arrow - 2.0),
                ]
            )
        )
        box = self._box(axis, area, self._next)
        name = note_name(self._next)
        font = self._theme.font(is_bold=True)
        font.setPixelSize(
            max(int(min(0.44 * box.width() / max(len(name) / 2, 1), 0.3 * box.height())), 10)
        )
        painter.setFont(font)
        painter.setPen(QColor(colours.accent_ink))
        flags = Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignBottom
        lift = 0.4 * box.height() if self.state_of(self._next) is KeyState.DONE else 8.0
        painter.drawText(box.adjusted(0, 0, 0, -lift), flags, name)

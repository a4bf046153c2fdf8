"""Fields for the exact beginning and end of a strike, stepped with the arrow keys.

Classes: `BoundsFields`.
"""

from __future__ import annotations

from PySide6.QtCore import QSignalBlocker, Qt, QTimer, Signal
from PySide6.QtWidgets import QDoubleSpinBox, QHBoxLayout, QLabel, QWidget

from toneapp.desktop.strike_bounds import Bounds, moved_begin, moved_end
from toneapp.desktop.theme import GAP_PX

__all__ = ["BoundsFields"]

STEP_S = 0.001
DECIMALS = 3
PAUSE_MS = 700
"""Steps in quick succession are one change, which one undo takes back."""

_LONGEST_S = 1e6


class BoundsFields(QWidget):
    """Two fields in seconds: up and down move by 1 ms, page up and down by 10 ms.

    Attributes
    ----------
    stepped : Signal(object)
        `Bounds` as they stand in the fields, to be shown at once.
    decided : Signal(object)
        `Bounds` that are to be kept: after Enter, on leaving, or when the steps have ended.
    """

    stepped = Signal(object)
    decided = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._bounds: Bounds | None = None
        self._kept: Bounds | None = None
        self.begin = self._field("Begins", "Where the hammer meets the string, in seconds.")
        self.end = self._field(
            "Ends", "Where the damper meets the string again, in seconds; empty if not heard."
        )
        self.end.setSpecialValueText("not heard")
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(GAP_PX // 2)
        for word, field in (("&Begins", self.begin), ("&Ends", self.end)):
            label = QLabel(word, self)
            label.setBuddy(field)
            layout.addWidget(label)
            layout.addWidget(field)
        self._pause = QTimer(self)
        self._pause.setSingleShot(True)
        self._pause.setInterval(PAUSE_MS)
        self._pause.timeout.connect(self.decide)
        self.begin.valueChanged.connect(self._begin_changed)
        self.end.valueChanged.connect(self._end_changed)
        for field in (self.begin, self.end):
            field.editingFinished.connect(self.decide)
        self.show_bounds(None)

    @property
    def bounds(self) -> Bounds | None:
        """The bounds in the fields; None when no strike is chosen."""
        return self._bounds

    @property
    def is_stepping(self) -> bool:
        """Whether steps are being made that are not kept yet."""
        return self._pause.isActive()

    def show_bounds(self, bounds: Bounds | None) -> None:
        """Show the bounds of another strike, or of the same after it was changed elsewhere."""
        self._pause.stop()
        self._bounds = self._kept = bounds
        self.setEnabled(bounds is not None)
        self._write()

    def preview(self, bounds: Bounds) -> None:
        """Show bounds that are still being moved elsewhere."""
        self._bounds = bounds
        self._write()

    def decide(self) -> None:
        """Keep what stands in the fields."""
        self._pause.stop()
        if self._bounds is not None and self._bounds != self._kept:
            self._kept = self._bounds
            self.decided.emit(self._bounds)

    def _field(self, name: str, tip: str) -> QDoubleSpinBox:
        field = QDoubleSpinBox(self)
        field.setRange(0.0, _LONGEST_S)
        field.setDecimals(DECIMALS)
        field.setSingleStep(STEP_S)
        field.setSuffix(" s")
        field.setKeyboardTracking(False)
        field.setAlignment(Qt.AlignmentFlag.AlignRight)
        field.setAccessibleName(name)
        field.setAccessibleDescription(tip)
        field.setToolTip(f"{tip} Up and down move it by 1 ms, page up and down by 10 ms.")
        field.setFixedWidth(max(field.fontMetrics().horizontalAdvance("12345.678 s ") + 50, 140))
        return field

    def _write(self) -> None:
        with QSignalBlocker(self.begin), QSignalBlocker(self.end):
            self.begin.setValue(0.0 if self._bounds is None else self._bounds.begin_s)
            release_s = None if self._bounds is None else self._bounds.release_s
            self.end.setValue(0.0 if release_s is None else release_s)

    def _begin_changed(self, value_s: float) -> None:
        if self._bounds is not None:
            self._step(moved_begin(self._bounds, value_s))

    def _end_changed(self, value_s: float) -> None:
        if self._bounds is not None:
            self._step(moved_end(self._bounds, value_s))

    def _step(self, bounds: Bounds) -> None:
        self._bounds = bounds
        self._write()
        self.stepped.emit(bounds)
        self._pause.start()

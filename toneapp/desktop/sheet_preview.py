"""How will the sheet look on paper? Its pages, below one another.

Classes: `SheetPreview`, `PreviewPane`.
"""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QEvent, QRect, QSize, Qt, Signal
from PySide6.QtGui import QKeyEvent, QPainter, QPaintEvent, QPixmap, QResizeEvent
from PySide6.QtWidgets import QAbstractScrollArea, QHBoxLayout, QVBoxLayout, QWidget

from toneapp.desktop.actions import Actions
from toneapp.desktop.elided_label import ElidedLabel
from toneapp.desktop.theme import GAP_PX, Theme

__all__ = ["PIXELS_WIDE", "PreviewPane", "SheetPreview"]

PIXELS_WIDE = 1240
"""Width in which pages are drawn: 150 dots an inch on A4, sharp at every zoom but the largest."""

SMALLEST_PX, LARGEST_PX = 320, 1600
_FITTED_PX = 920  # wider than this a page is harder to see whole, not easier to read
_TWO_ABREAST_PX = 560  # each, at least
_STEP = 1.25


class SheetPreview(QAbstractScrollArea):
    """Pages of a sheet, to scroll through.

    Attributes
    ----------
    page_changed : Signal(int, int)
        The page at hand, from 1, and how many there are; 0 for none.
    """

    page_changed = Signal(int, int)

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._contents: tuple[bytes, ...] = ()
        self._sizes: tuple[QSize, ...] = ()
        self._drawn: dict[int, QPixmap] = {}
        self._places: tuple[QRect, ...] = ()
        self._wished_px: int | None = None  # None fits the window
        self._is_waiting = False
        self._told = (0, 0)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName("Preview of the sheet")
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAsNeeded)
        self.verticalScrollBar().valueChanged.connect(self._tell_page)

    @property
    def page_count(self) -> int:
        """How many pages are shown."""
        return len(self._contents)

    @property
    def page(self) -> int:
        """The page at hand, from 1; 0 for none."""
        return self._told[0]

    @property
    def width_px(self) -> int:
        """Width of a page as shown."""
        return self._places[0].width() if self._places else 0

    def show_pages(self, contents: Sequence[bytes]) -> None:
        """Show pages, given as PNG; the place in them stays."""
        self._contents = tuple(contents)
        self._drawn = {}
        self._sizes = tuple(self._picture(place).size() for place in range(len(contents)))
        self._is_waiting = False
        self._lay_out()

    def set_waiting(self, is_waiting: bool) -> None:
        """Let the pages fade while newer ones are drawn."""
        self._is_waiting = is_waiting
        self.viewport().update()

    def zoom(self, steps: int) -> None:
        """Show the pages larger (or smaller), or fitted to the window with 0."""
        if steps == 0:
            self._wished_px = None
        else:
            wished = (self.width_px or _FITTED_PX) * _STEP**steps
            self._wished_px = round(min(max(wished, SMALLEST_PX), LARGEST_PX))
        self._lay_out()

    def go_to_page(self, number: int) -> None:
        """Bring a page, from 1, to the top."""
        if self._places:
            number = min(max(number, 1), len(self._places))
            self.verticalScrollBar().setValue(self._places[number - 1].top() - GAP_PX)

    def step_page(self, step: int) -> None:
        """Go to the next or the last page."""
        abreast = sum(place.top() == self._places[0].top() for place in self._places)
        self.go_to_page(self.page + step * max(abreast, 1))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Move through the pages by the keys."""
        key, bar = event.key(), self.verticalScrollBar()
        if key == Qt.Key.Key_Home:
            bar.setValue(bar.minimum())
        elif key == Qt.Key.Key_End:
            bar.setValue(bar.maximum())
        elif key == Qt.Key.Key_Space:
            bar.setValue(bar.value() + bar.pageStep())
        else:
            super().keyPressEvent(event)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Fit the pages again."""
        super().resizeEvent(event)
        self._lay_out()

    def changeEvent(self, event: QEvent) -> None:
        """Draw anew for a screen of other sharpness."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.DevicePixelRatioChange:
            self._drawn = {}

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint the pages that are seen."""
        painter = QPainter(self.viewport())
        painter.fillRect(event.rect(), self._theme.colour("grid"))
        left, top = self.horizontalScrollBar().value(), self.verticalScrollBar().value()
        for place, area in enumerate(self._places):
            seen = area.translated(-left, -top)
            if seen.intersects(event.rect()):
                painter.drawPixmap(seen.topLeft(), self._scaled(place, area.size()))
                painter.setPen(self._theme.colour("muted"))
                painter.drawRect(seen)
        if self._is_waiting:
            veil = self._theme.colour("window")
            veil.setAlpha(150)
            painter.fillRect(event.rect(), veil)
        painter.end()

    # Inside

    def _picture(self, place: int) -> QPixmap:
        picture = QPixmap()
        picture.loadFromData(self._contents[place], "PNG")
        return picture

    def _scaled(self, place: int, size: QSize) -> QPixmap:
        """Page in the size and sharpness of the screen; only those near the window are kept."""
        found = self._drawn.get(place)
        ratio = self.devicePixelRatioF()
        wanted = size * ratio
        if found is None or found.size() != wanted:
            found = self._picture(place).scaled(
                wanted,
                Qt.AspectRatioMode.IgnoreAspectRatio,
                Qt.TransformationMode.SmoothTransformation,
            )
            found.setDevicePixelRatio(ratio)
            self._drawn = {
                near: kept for near, kept in self._drawn.items() if abs(near - place) < 4
            }
            self._drawn[place] = found
        return found

    def _lay_out(self) -> None:
        """Place the pages, one or two abreast, in the middle."""
        bar = self.verticalScrollBar()
        share = bar.value() / bar.maximum() if bar.maximum() else 0.0
        wide = self.viewport().width()
        abreast = 1
        if self._wished_px is None:
            if len(self._sizes) > 1 and wide >= 2 * _TWO_ABREAST_PX + 3 * GAP_PX:
                abreast = 2
            width = min((wide - (abreast + 1) * GAP_PX) // abreast, _FITTED_PX)
        else:
            width = self._wished_px
        width = max(width, SMALLEST_PX)
        whole = abreast * width + (abreast - 1) * GAP_PX
        left = max((wide - whole) // 2, GAP_PX)
        places: list[QRect] = []
        top = GAP_PX
        for first in range(0, len(self._sizes), abreast):
            heights = []
            for column, size in enumerate(self._sizes[first : first + abreast]):
                height = round(width * size.height() / max(size.width(), 1))
                places.append(QRect(left + column * (width + GAP_PX), top, width, height))
                heights.append(height)
            top += max(heights) + GAP_PX
        self._places = tuple(places)
        bar.setPageStep(self.viewport().height())
        bar.setSingleStep(48)
        bar.setRange(0, max(top - self.viewport().height(), 0) if places else 0)
        bar.setValue(round(share * bar.maximum()))
        across = self.horizontalScrollBar()
        across.setPageStep(wide)
        across.setRange(0, max(left + whole + GAP_PX - wide, 0) if places else 0)
        self._tell_page()
        self.viewport().update()

    def _tell_page(self) -> None:
        """Say which page lies in the upper half of the window."""
        bar = self.verticalScrollBar()
        line = bar.value() + self.viewport().height() // 3
        at_end = bar.maximum() > 0 and bar.value() == bar.maximum()
        seen = [number for number, area in enumerate(self._places, 1) if area.top() <= line]
        abreast = sum(area.top() == self._places[0].top() for area in self._places)
        number = 0
        if self._places:
            number = len(self._places) if at_end else max(len(seen), 1)
            number -= (number - 1) % max(abreast, 1)
        told = (number, len(self._places))
        if told != self._told:
            self._told = told
            self.setAccessibleDescription(f"Page {told[0]} of {told[1]}")
            self.page_changed.emit(*told)
        self.viewport().update()


class PreviewPane(QWidget):
    """The pages, with buttons above them to move through and to enlarge them.

    Parameters
    ----------
    theme : Theme
    actions : Actions
        Of the window; those of the preview are added.
    page : QWidget
        While the keyboard is in it, the shortcuts hold.
    """

    def __init__(self, theme: Theme, actions: Actions, page: QWidget) -> None:
        super().__init__(page)
        self._actions = actions
        self.preview = SheetPreview(theme, self)
        self.page_label = ElidedLabel("", self)
        self.page_label.setAccessibleName("Page")
        row = QHBoxLayout()
        row.setSpacing(GAP_PX // 2)
        for name, text, words, on, shortcut in (
            ("sheet_page_back", "\N{LEFTWARDS ARROW}", "Page before",
             lambda: self.preview.step_page(-1), "Ctrl+PgUp"),
            ("sheet_page_on", "\N{RIGHTWARDS ARROW}", "Next page",
             lambda: self.preview.step_page(1), "Ctrl+PgDown"),
            ("sheet_zoom_out", "\N{MINUS SIGN}", "Smaller pages",
             lambda: self.preview.zoom(-1), "Ctrl+-"),
            ("sheet_zoom_in", "+", "Larger pages",
             lambda: self.preview.zoom(1), "Ctrl++; Ctrl+="),
            ("sheet_zoom_fit", "Fit", "Fit the pages to the window",
             lambda: self.preview.zoom(0), "Ctrl+0"),
        ):  # fmt: skip
            actions.add(name, text, on=on, shortcut=shortcut, help_text=f"{words}.", page=page)
            button = actions.button(name, self)
            button.setAccessibleName(words)
            row.addWidget(button)
            if name == "sheet_page_on":
                row.addWidget(self.page_label, 1)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(GAP_PX // 2)
        column.addLayout(row)
        column.addWidget(self.preview, 1)
        self.preview.page_changed.connect(self._show_page)
        self._show_page(0, 0)

    def _show_page(self, number: int, count: int) -> None:
        self.page_label.setText(f"Page {number} of {count}" if count else "")
        self._actions["sheet_page_back"].setEnabled(number > 1)
        self._actions["sheet_page_on"].setEnabled(number < count)

"""Which colours and sizes does the window have, by day and by night?

Colours differ in lightness, so that they are told apart without their hue; no meaning hangs on a
colour alone. One accent colour says "look here"; everything else is quiet.

Classes: `Colours`, `Theme`, `ThemeMode`. Palettes: `LIGHT`, `DARK`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtGui import QColor, QFont, QPalette
from PySide6.QtWidgets import QApplication

from toneapp.desktop.appearance import (
    ACCENT,
    FONT_FAMILIES,
    GRID,
    INK,
    KEY_BLACK,
    KEY_EDGE,
    KEY_WHITE,
    LANE,
    MUTED,
    PAPER,
    POINT,
    TREND,
)

__all__ = ["BIG_TARGET_PX", "DARK", "GAP_PX", "LIGHT", "Colours", "Theme", "ThemeMode"]

BIG_TARGET_PX = 40
"""Least height of what is pressed, for a hand that holds a tool."""

GAP_PX = 12
"""Space between groups; half of it within a group."""


BASE_PT = 12.0
SMALLEST_PT, LARGEST_PT = 9.0, 22.0


class ThemeMode(StrEnum):
    """Who decides between light and dark."""

    SYSTEM = "system"
    LIGHT = "light"
    DARK = "dark"


@dataclass(frozen=True, slots=True, kw_only=True)
class Colours:
    """One palette, as ``#rrggbb``."""

    paper: str  # behind tables and drawings
    window: str  # behind everything else; a little off the paper, so that fields stand out
    lane: str  # of a drawing, just enough to tell a lane from the paper
    grid: str
    ink: str  # text and what is drawn first
    muted: str  # units and ticks; contrast 6:1 on paper at least
    point: str
    trend: str  # nearer to the paper than the points, so that it lies behind them
    accent: str  # raised notes, the one button that is the next step; 4.5:1 on paper at least
    accent_ink: str  # text on the accent
    other: str  # a second run laid over the first; drawn hollow besides
    second: str  # the second series of one drawing; drawn with another mark besides
    selected: str  # behind the chosen row or key
    key_white: str
    key_black: str
    key_edge: str

    @property
    def keys(self) -> tuple[str, str, str]:
        """Of drawn keys: white ones, black ones, edges."""
        return self.key_white, self.key_black, self.key_edge

    @property
    def tick(self) -> str:
        """File with the mark of a ticked box, drawn in `accent_ink`; a path for a style sheet."""
        name = "tick_light.svg" if QColor(self.accent_ink).lightnessF() > 0.5 else "tick_dark.svg"
        return Path(__file__).with_name(name).as_posix()


LIGHT = Colours(
    paper=PAPER,
    window="#eef0f2",
    lane=LANE,
    grid=GRID,
    ink=INK,
    muted=MUTED,
    point=POINT,
    trend=TREND,
    accent=ACCENT,
    accent_ink="#ffffff",
    other="#2f6f8f",
    second="#6b4f9e",
    selected="#f6dccd",
    key_white=KEY_WHITE,
    key_black=KEY_BLACK,
    key_edge=KEY_EDGE,
)

DARK = Colours(
    paper="#1b1f23",
    window="#24292e",
    lane="#22272c",
    grid="#3a424a",
    ink="#eef1f4",
    muted="#b0bac4",
    point="#cfd8e0",
    trend="#5f7f9f",
    accent="#ff9b61",
    accent_ink="#1b1f23",
    other="#7cc4e4",
    second="#bda3f0",
    selected="#5a3a26",
    key_white="#d5dade",
    key_black="#101315",
    key_edge="#5d666f",
)


class Theme(QObject):
    """The palette and the sizes in use; tells when they change.

    Parameters
    ----------
    mode : ThemeMode
        `ThemeMode.SYSTEM` follows the desktop, also while the window is open.
    base_pt : float
        Size of ordinary text in points.
    """

    changed = Signal()

    def __init__(
        self,
        mode: ThemeMode = ThemeMode.SYSTEM,
        *,
        base_pt: float = BASE_PT,
        parent: QObject | None = None,
    ) -> None:
        super().__init__(parent)
        self._mode = mode
        self._base_pt = min(max(base_pt, SMALLEST_PT), LARGEST_PT)
        hints = QApplication.styleHints()
        hints.colorSchemeChanged.connect(self._system_changed)

    @property
    def mode(self) -> ThemeMode:
        """Who decides between light and dark."""
        return self._mode

    @property
    def is_dark(self) -> bool:
        """Whether light signs stand on a dark ground."""
        if self._mode is ThemeMode.SYSTEM:
            return QApplication.styleHints().colorScheme() is Qt.ColorScheme.Dark
        return self._mode is ThemeMode.DARK

    @property
    def colours(self) -> Colours:
        """The palette in use."""
        return DARK if self.is_dark else LIGHT

    @property
    def base_pt(self) -> float:
        """Size of ordinary text, in points."""
        return self._base_pt

    def set_mode(self, mode: ThemeMode) -> None:
        """Choose light, dark, or what the system has."""
        if mode is not self._mode:
            self._mode = mode
            self._apply_and_tell()

    def set_base_pt(self, base_pt: float) -> None:
        """Choose the size of ordinary text, in points; kept within 9 to 22."""
        base_pt = min(max(base_pt, SMALLEST_PT), LARGEST_PT)
        if base_pt != self._base_pt:
            self._base_pt = base_pt
            self._apply_and_tell()

    def font(self, *, scale: float = 1.0, is_bold: bool = False) -> QFont:
        """Return the face of the program; `scale` is relative to ordinary text."""
        font = QFont(list(FONT_FAMILIES))
        font.setPointSizeF(self._base_pt * scale)
        font.setBold(is_bold)
        return font

    def colour(self, name: str) -> QColor:
        """Colour by its name in `Colours`."""
        return QColor(getattr(self.colours, name))

    def apply(self, application: QApplication) -> None:
        """Give the whole program this palette, face and spacing."""
        application.setStyle("Fusion")
        application.setFont(self.font())
        application.setPalette(self.palette())
        application.setStyleSheet(_style_sheet(self.colours))

    def palette(self) -> QPalette:
        """Return the palette in Qt's own roles."""
        colours = self.colours
        palette = QPalette()
        role = QPalette.ColorRole
        for place, value in (
            (role.Window, colours.window),
            (role.WindowText, colours.ink),
            (role.Base, colours.paper),
            (role.AlternateBase, colours.lane),
            (role.Text, colours.ink),
            (role.Button, colours.window),
            (role.ButtonText, colours.ink),
            (role.BrightText, colours.accent),
            (role.Highlight, colours.selected),
            (role.HighlightedText, colours.ink),
            (role.ToolTipBase, colours.paper),
            (role.ToolTipText, colours.ink),
            (role.PlaceholderText, colours.muted),
            (role.Link, colours.accent),
            (role.LinkVisited, colours.accent),
            (role.Accent, colours.accent),
        ):
            palette.setColor(place, QColor(value))
        for place in (role.WindowText, role.Text, role.ButtonText):
            palette.setColor(QPalette.ColorGroup.Disabled, place, QColor(colours.muted))
        return palette

    def _system_changed(self) -> None:
        if self._mode is ThemeMode.SYSTEM:
            self._apply_and_tell()

    def _apply_and_tell(self) -> None:
        application = QApplication.instance()
        if isinstance(application, QApplication):
            self.apply(application)
        self.changed.emit()


def _style_sheet(colours: Colours) -> str:
    """Spacing and the few marks that a palette cannot give."""
    return f"""
QToolTip {{ color: {colours.ink}; background: {colours.paper}; padding: 4px;
  border: 1px solid {colours.muted}; }}
QPushButton, QToolButton {{ min-height: {BIG_TARGET_PX - 14}px; padding: 6px 14px;
  border: 1px solid {colours.muted}; border-radius: 6px; background: {colours.paper}; }}
QToolButton {{ padding: 6px 10px; }}
QPushButton:hover, QToolButton:hover {{ border-color: {colours.accent}; }}
QPushButton:focus, QToolButton:focus {{ border: 2px solid {colours.accent}; }}
QPushButton:disabled, QToolButton:disabled {{ color: {colours.muted};
  border-color: {colours.grid}; background: {colours.window}; }}
QPushButton:checked, QToolButton:checked {{ background: {colours.selected};
  border: 2px solid {colours.accent}; }}
QPushButton[next="true"] {{ background: {colours.accent}; color: {colours.accent_ink};
  border-color: {colours.accent}; font-weight: bold; }}
QPushButton[next="true"]:focus {{ border: 2px solid {colours.ink}; }}
QPushButton[next="true"]:disabled {{ background: {colours.grid}; color: {colours.muted};
  border-color: {colours.grid}; }}
QLineEdit, QComboBox {{ min-height: {BIG_TARGET_PX - 12}px; padding: 2px 6px; }}
QSpinBox, QDoubleSpinBox, QDateEdit {{ min-height: {BIG_TARGET_PX - 8}px; }}
QAbstractSpinBox QLineEdit {{ min-height: 0; padding: 0 6px; }}
QPlainTextEdit, QTextEdit, QTextBrowser, QTableView, QTableWidget, QListView, QListWidget,
QTreeView {{ background: {colours.paper}; border: 2px solid {colours.grid};
  border-radius: 4px; }}
QCheckBox::indicator, QTableView::indicator {{ width: 20px; height: 20px;
  border: 2px solid {colours.muted}; border-radius: 4px; background: {colours.paper}; }}
QCheckBox::indicator:focus {{ border-color: {colours.accent}; }}
QCheckBox::indicator:checked, QTableView::indicator:checked {{ background: {colours.accent};
  border-color: {colours.accent}; image: url("{colours.tick}"); }}
QHeaderView::section {{ background: {colours.window}; color: {colours.muted}; padding: 6px;
  border: 0; border-bottom: 1px solid {colours.grid}; }}
QTableView {{ gridline-color: {colours.grid}; }}
QTableView::item {{ padding: 2px 6px; }}
QTableView:focus, QListView:focus, QTreeView:focus, QTextBrowser:focus {{
  border: 2px solid {colours.accent}; }}
QListWidget#pages {{ border: 0; border-right: 1px solid {colours.grid}; border-radius: 0; }}
QListWidget#pages::item {{ padding: 11px 14px; border-left: 5px solid transparent; }}
QListWidget#pages::item:hover {{ background: {colours.lane}; }}
QListWidget#pages::item:selected {{ background: {colours.selected}; color: {colours.ink};
  border-left: 5px solid {colours.accent}; }}
QScrollArea, QScrollArea > QWidget > QWidget#form {{ background: transparent; }}
QLabel[muted="true"] {{ color: {colours.muted}; }}
QLabel[accent="true"] {{ color: {colours.accent}; font-weight: bold; }}
QFrame[card="true"] {{ background: {colours.paper}; border: 1px solid {colours.grid};
  border-radius: 6px; }}
"""

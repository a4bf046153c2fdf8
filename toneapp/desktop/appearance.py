"""Colours, sizes and marks of what is drawn, each in one place.

Colours are chosen so that the lightness alone tells them apart (for colour-blind eyes and for a
black and white print); no meaning is carried by colour alone.
"""

from __future__ import annotations

__all__ = [
    "ACCENT",
    "FONT_FAMILIES",
    "GRID",
    "HEADING_PX",
    "INK",
    "KEY_BLACK",
    "KEY_EDGE",
    "KEY_WHITE",
    "LANE",
    "MUTED",
    "PAPER",
    "POINT",
    "SMALL_PX",
    "TITLE_PX",
    "TREND",
]

PAPER = "#ffffff"
LANE = "#f5f6f7"  # just enough to tell a lane from the paper
GRID = "#d9dde1"
INK = "#1b1f23"
MUTED = "#57606a"  # contrast 6:1 on paper, for units and ticks
POINT = "#3b4754"
TREND = "#8aa4bf"  # lighter than the points, so that it lies behind them
ACCENT = "#b3410e"  # raised notes; contrast 6:1 on paper
KEY_WHITE = "#ffffff"
KEY_BLACK = "#2b2f33"
KEY_EDGE = "#9aa3ab"

FONT_FAMILIES = ("Noto Sans", "Segoe UI", "Helvetica Neue", "DejaVu Sans")
"""Plain faces that hold ♯, ± and −; the first one there is taken."""

TITLE_PX, HEADING_PX, SMALL_PX = 27, 18, 15
"""Sizes of letters in a picture of 1600 by 1000 pixels, to be read at arm's length."""

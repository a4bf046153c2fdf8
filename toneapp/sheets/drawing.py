"""How does one drawing become SVG, for a page on the screen, for paper and by itself?

A `Drawing` is a list of plain shapes whose colours are *roles* ("ink", "grid", "s0" ...). As a
file of its own (and as such in PDF and PNG, see `toneapp.sheets.pdf`) the roles become colours;
inside a page they become classes, so that the page's style gives the colours, light or dark.

Conventions: coordinates in units of the drawing, y downward; sizes of letters in the same units.

Classes and functions: `Drawing`, the shapes, `drawing_svg`, `text_width`.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from html import escape

__all__ = [
    "COLOURS",
    "FONT_FAMILIES",
    "Area",
    "Drawing",
    "Label",
    "Mark",
    "Shape",
    "Stroke",
    "drawing_svg",
    "text_width",
]

FONT_FAMILIES = "Inter, 'DejaVu Sans', 'Noto Sans', 'Segoe UI', Helvetica, Arial, sans-serif"

COLOURS = {
    "paper": "#ffffff",
    "lane": "#f5f6f7",
    "grid": "#d9dde1",
    "ink": "#1b1f23",
    "muted": "#57606a",
    "accent": "#b3410e",
    "band": "#e4ebf2",
    "key-white": "#ffffff",
    "key-black": "#2b2f33",
    "key-edge": "#9aa3ab",
    "s0": "#0b5fa5",
    "s1": "#b3410e",
    "s2": "#00705a",
    "s3": "#7a5200",
    "s4": "#7a3e9d",
    "s5": "#3b4754",
}
"""Colours on white. Those of lines and letters have a contrast of 4.5:1 or more on the lanes; the
six of the runs differ in lightness too, and each run has its own mark and dash beside them."""

_MARK_CORNERS = {
    "up": ((0.0, -1.15), (1.05, 0.75), (-1.05, 0.75)),
    "down": ((0.0, 1.15), (1.05, -0.75), (-1.05, -0.75)),
    "square": ((-0.88, -0.88), (0.88, -0.88), (0.88, 0.88), (-0.88, 0.88)),
    "diamond": ((0.0, -1.25), (1.25, 0.0), (0.0, 1.25), (-1.25, 0.0)),
    "cross": (
        (-1.1, -0.4), (-0.4, -0.4), (-0.4, -1.1), (0.4, -1.1), (0.4, -0.4), (1.1, -0.4),
        (1.1, 0.4), (0.4, 0.4), (0.4, 1.1), (-0.4, 1.1), (-0.4, 0.4), (-1.1, 0.4),
    ),
}  # fmt: skip
"""Corners of the marks in units of their size, chosen for about equal areas."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """A line through points."""

    points: tuple[tuple[float, float], ...]
    role: str
    width: float = 1.0
    dash: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """A rectangle."""

    left: float
    top: float
    width: float
    height: float
    role: str
    edge_role: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A small sign at a point: "circle", "square", "up", "diamond", "down" or "cross"."""

    x: float
    y: float
    sign: str
    size: float
    role: str
    is_hollow: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """Words; `anchor` is "start", "middle" or "end", and y the base line."""

    x: float
    y: float
    text: str
    size: float
    role: str = "ink"
    anchor: str = "start"
    is_bold: bool = False


Shape = Stroke | Area | Mark | Label


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """Shapes on a ground of a size, from back to front, and what they show."""

    width: float
    height: float
    shapes: tuple[Shape, ...]
    title: str


def text_width(text: str, size: float, *, is_bold: bool = False) -> float:
    """Width that a text may need, in units of the drawing; on the safe side.

    Parameters
    ----------
    text : str
    size : float
        Of the letters, > 0.
    is_bold : bool

    Returns
    -------
    float
    """
    total = 0.0
    for sign in text:
        if unicodedata.combining(sign):
            continue
        if unicodedata.east_asian_width(sign) in "WF":
            total += 1.05
        elif sign in "ijlI.,:;'|!()[] ":
            total += 0.34
        elif sign in "mwMW%—":
            total += 0.92
        elif sign.isupper() or sign.isdigit():
            total += 0.68
        else:
            total += 0.6
    return total * size * (1.06 if is_bold else 1.0)


def drawing_svg(drawing: Drawing, *, is_inline: bool = False, alt: str = "") -> str:
    """Write a drawing as SVG.

    Parameters
    ----------
    drawing : Drawing
    is_inline : bool
        For inside an HTML page: classes (``f-ink`` fills, ``l-ink`` draws lines) in place of
        colours, no size of its own, and no title, which a browser would show as a tip.
    alt : str
        What is to be seen, in words.

    Returns
    -------
    str
        All text in it is escaped.

    References
    ----------
    .. [1] W3C, Scalable Vector Graphics (SVG) 1.1 (Second Edition), 2011.
    """
    box = f"0 0 {_number(drawing.width)} {_number(drawing.height)}"
    if is_inline:
        style = _classes
        head = f'<svg viewBox="{box}" role="img" aria-label="{_text(alt or drawing.title)}">'
    else:
        style = _attributes
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" '
            f'width="{_number(drawing.width)}" height="{_number(drawing.height)}" '
            f'font-family="{FONT_FAMILIES}" role="img">'
            f"<title>{_text(drawing.title)}</title>"
            + (f"<desc>{_text(alt)}</desc>" if alt else "")
            + f'<rect width="100%" height="100%" fill="{COLOURS["paper"]}"/>'
        )
    return head + "".join(_shape_svg(shape, style) for shape in drawing.shapes) + "</svg>"


_Style = Callable[[str, str], str]  # of a fill and a line


def _attributes(fill: str, line: str) -> str:
    text = f' fill="{COLOURS[fill] if fill else "none"}"'
    return text + (f' stroke="{COLOURS[line]}"' if line else "")


def _classes(fill: str, line: str) -> str:
    names = [f"f-{fill}" if fill else "f-none"] + ([f"l-{line}"] if line else [])
    return f' class="{" ".join(names)}"'


def _shape_svg(shape: Shape, style: _Style) -> str:
    if isinstance(shape, Label):
        bold = ' font-weight="700"' if shape.is_bold else ""
        anchor = "" if shape.anchor == "start" else f' text-anchor="{shape.anchor}"'
        return (
            f'<text x="{_number(shape.x)}" y="{_number(shape.y)}" '
            f'font-size="{_number(shape.size)}"{anchor}{bold}{style(shape.role, "")}>'
            f"{_text(shape.text)}</text>"
        )
    if isinstance(shape, Area):
        return (
            f'<rect x="{_number(shape.left)}" y="{_number(shape.top)}" '
            f'width="{_number(shape.width)}" height="{_number(shape.height)}"'
            f"{style(shape.role, shape.edge_role)}/>"
        )
    if isinstance(shape, Stroke):
        dash = f' stroke-dasharray="{shape.dash}"' if shape.dash else ""
        return (
            f'<path d="{_path(shape.points)}" stroke-width="{_number(shape.width)}" '
            f'stroke-linejoin="round"{dash}{style("", shape.role)}/>'
        )
    return _mark_svg(shape, style)


def _mark_svg(mark: Mark, style: _Style) -> str:
    fill, line = ("paper", mark.role) if mark.is_hollow else (mark.role, "paper")
    look = f' stroke-width="{1.2 if mark.is_hollow else 0.6}"{style(fill, line)}'
    if mark.sign == "circle":
        return (
            f'<circle cx="{_number(mark.x)}" cy="{_number(mark.y)}" '
            f'r="{_number(mark.size)}"{look}/>'
        )
    corners = [
        (mark.x + x * mark.size, mark.y + y * mark.size) for x, y in _MARK_CORNERS[mark.sign]
    ]
    return f'<path d="{_path(corners)}Z"{look}/>'


def _path(points: Iterable[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{_number(x)} {_number(y)}" for x, y in points)


def _number(value: float) -> str:
    """Short, and never a letter: a coordinate that is no number is a fault of the program."""
    if not math.isfinite(value):
        raise ValueError(f"a coordinate of a drawing is {value}")
    return (
        f"{value:.2f}".rstrip("0").rstrip(".").replace("-0", "0")
        if value == 0
        else (f"{value:.2f}".rstrip("0").rstrip("."))
    )


def _text(text: str) -> str:
    """Escape, and leave out what no XML may hold."""
    return escape("".join(sign for sign in text if sign.isprintable() or sign in "\n\t"))

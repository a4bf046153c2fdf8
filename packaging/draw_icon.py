"""Draws the program's own icon: notes over a keyboard, one of them off the line.

``python packaging/draw_icon.py`` writes ``packaging/icons/toneapp.svg``, from it the PNG files of
all sizes, an ICO file for Windows, and the PNG that the window itself uses.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
ICONS = HERE / "icons"
IN_PACKAGE = HERE.parent / "toneapp" / "desktop" / "toneapp.png"

SIZES = (16, 24, 32, 48, 64, 128, 256, 512)
GROUND, PAPER, INK, ACCENT, LINE = "#2b3a48", "#f7f5f0", "#1b1f23", "#e8743b", "#8fb0cc"

SIDE = 256
MARGIN = 20
KEYS_TOP, KEYS_BOTTOM = 150, 226
BLACK_SHARE = 0.58  # of the length of a white key
NOTES = ((48, 98), (80, 92), (112, 87), (144, 45), (176, 78), (208, 74))
RAISED = 3


def icon_svg() -> str:
    """Text of the SVG file."""
    white = (SIDE - 2 * MARGIN) / 5
    length = KEYS_BOTTOM - KEYS_TOP
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SIDE} {SIDE}">',
        f'<rect x="4" y="4" width="{SIDE - 8}" height="{SIDE - 8}" rx="46" fill="{GROUND}"/>',
    ]
    for key in range(5):
        x = MARGIN + key * white
        parts.append(
            f'<rect x="{x + 1.5:.1f}" y="{KEYS_TOP}" width="{white - 3:.1f}" height="{length}" '
            f'rx="5" fill="{PAPER}"/>'
        )
    for key in (1, 2, 4):  # three black keys, as from F to A
        x = MARGIN + key * white
        parts.append(
            f'<rect x="{x - 0.3 * white:.1f}" y="{KEYS_TOP}" width="{0.6 * white:.1f}" '
            f'height="{BLACK_SHARE * length:.1f}" rx="4" fill="{INK}"/>'
        )
    on_line = [place for index, place in enumerate(NOTES) if index != RAISED]
    line = " ".join(f"{x},{y}" for x, y in on_line)
    parts.append(
        f'<polyline points="{line}" fill="none" stroke="{LINE}" stroke-width="9" '
        'stroke-linecap="round" stroke-linejoin="round"/>'
    )
    parts += [f'<circle cx="{x}" cy="{y}" r="11" fill="{PAPER}"/>' for x, y in on_line]
    x, y = NOTES[RAISED]
    parts.append(
        f'<path d="M {x} {y - 20} L {x + 20} {y + 15} L {x - 20} {y + 15} Z" fill="{ACCENT}"/>'
    )
    return "\n".join([*parts, "</svg>", ""])


def main() -> int:
    """Write all files; return the exit code."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from PySide6.QtCore import QByteArray, QRectF, Qt
    from PySide6.QtGui import QGuiApplication, QImage, QPainter
    from PySide6.QtSvg import QSvgRenderer

    application = QGuiApplication(sys.argv[:1])
    assert application is not None  # must live while pictures are drawn
    ICONS.mkdir(exist_ok=True)
    svg = icon_svg()
    (ICONS / "toneapp.svg").write_text(svg, encoding="utf-8")
    renderer = QSvgRenderer(QByteArray(svg.encode("utf-8")))
    for size in SIZES:
        image = QImage(size, size, QImage.Format.Format_ARGB32)
        image.fill(Qt.GlobalColor.transparent)
        painter = QPainter(image)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        renderer.render(painter, QRectF(0, 0, size, size))
        painter.end()
        image.save(str(ICONS / f"toneapp-{size}.png"))
        if size == 256:
            image.save(str(ICONS / "toneapp.ico"))
            image.save(str(IN_PACKAGE))
    return 0


if __name__ == "__main__":
    sys.exit(main())

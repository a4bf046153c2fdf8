"""A run drawn over the keyboard, as a picture of its own.

``python -m toneapp.desktop.picture RUN.json OUT.png`` needs no screen; ``-`` reads the run from
the input. One lane a quantity, the keys below, the instrument's own trend as a line, twice the
standard error as a bar, raised notes marked by a triangle and a word.

Functions: `draw_run`, `main`.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QImage, QPainter

from toneapp.desktop.appearance import HEADING_PX, INK, MUTED, PAPER, SMALL_PX, TITLE_PX
from toneapp.desktop.key_axis import KeyAxis
from toneapp.desktop.lane_painting import paint_lane, paint_legend, plain_font
from toneapp.desktop.lanes import run_lanes
from toneapp.desktop.picture_file import read_input, run_picture_program
from toneapp.errors import InputError
from toneapp.interchange import run_from_bytes
from toneapp.keyboard import FULL_COMPASS, Compass
from toneapp.results import RunResult
from toneapp.wording import duration_text

__all__ = ["draw_run", "main"]

WIDTH, HEIGHT = 1600, 1000
LEFT, RIGHT = 92.0, 1576.0  # of the lanes; the scale stands left of them
_TOP = 92.0
_KEYS_HEIGHT = 46.0
_KEYS_TOP = 888.0
_LANE_GAP = 10.0
_LEGEND_BASELINE = 984.0


def draw_run(run: RunResult) -> QImage:
    """Draw a run.

    Parameters
    ----------
    run : RunResult

    Returns
    -------
    QImage
        1600 by 1000 pixels.

    Raises
    ------
    InputError
        If the compass of the run cannot be read.
    """
    image = QImage(WIDTH, HEIGHT, QImage.Format.Format_RGB32)
    image.fill(QColor(PAPER))
    image.setText("Title", _title(run))
    painter = QPainter(image)
    try:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setRenderHint(QPainter.RenderHint.TextAntialiasing)
        axis = KeyAxis(_compass(run), left=LEFT, right=RIGHT)
        _paint_heading(painter, run)
        lanes = run_lanes(run)
        height = (_KEYS_TOP - _TOP) / len(lanes)
        for place, lane in enumerate(lanes):
            area = QRectF(LEFT, _TOP + place * height, RIGHT - LEFT, height - _LANE_GAP)
            paint_lane(painter, lane, area, axis)
        painter.setFont(plain_font(SMALL_PX))
        axis.paint(painter, top=_KEYS_TOP, height=_KEYS_HEIGHT)
        paint_legend(painter, left=LEFT, baseline=_LEGEND_BASELINE)
    finally:
        painter.end()
    return image


def main(words: Sequence[str] | None = None) -> int:
    """Read a run, draw it, write the picture; return the exit code."""

    def draw(source: str) -> Callable[[], QImage]:
        run = run_from_bytes(read_input(source))
        return lambda: draw_run(run)

    return run_picture_program(words, what="RUN.json", draw=draw)


def _compass(run: RunResult) -> Compass:
    """Compass of the run, wide enough for every note in it."""
    try:
        compass = Compass.parse(run.compass)
    except ValueError:
        compass = FULL_COMPASS
    midis = [note.midi for note in run.notes]
    try:
        return Compass(
            lowest_midi=min([compass.lowest_midi, *midis]),
            highest_midi=max([compass.highest_midi, *midis]),
        )
    except ValueError as exc:
        raise InputError(f"the run holds notes that no keyboard has ({exc})") from exc


def _title(run: RunResult) -> str:
    return f"{run.source or 'Run'}: every key against the instrument's own trend"


def _paint_heading(painter: QPainter, run: RunResult) -> None:
    painter.setPen(QColor(INK))
    font = plain_font(TITLE_PX, is_bold=True)
    painter.setFont(font)
    title = QFontMetricsF(font).elidedText(_title(run), Qt.TextElideMode.ElideMiddle, RIGHT - LEFT)
    painter.drawText(QPointF(LEFT, 42.0), title)
    if run.strikes:
        facts = [
            f"{len(run.notes)} keys",
            f"{len(run.strikes)} strikes",
            duration_text(run.duration_s),
        ]
        if run.a4_measured_hz is not None:
            facts.append(f"A4 at {run.a4_measured_hz:.2f} Hz")
        facts.append(f"{sum(bool(note.raised) for note in run.notes)} notes raised")
        if run.problems:
            noun = "problem" if len(run.problems) == 1 else "problems"
            facts.append(f"{len(run.problems)} {noun}, see the summary")
    else:
        facts = ["no strike was found that could be measured"]
    painter.setPen(QColor(MUTED))
    painter.setFont(plain_font(HEADING_PX))
    painter.drawText(QPointF(LEFT, 72.0), "   ·   ".join(facts))


if __name__ == "__main__":
    sys.exit(main())

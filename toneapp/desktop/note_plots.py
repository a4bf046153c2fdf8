"""Drawings of one strike: held spectrum, decay, spectrum after the release.

What is measured is a line, what was fitted is dashed, and every mark has a word or a number
beside it.

Classes: `HeldPlot`, `DecayPlot`, `AfterPlot`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QPen
from PySide6.QtWidgets import QWidget

from toneapp.desktop.decay_view import DecayCurve
from toneapp.desktop.spectrum_view import AfterSpectrum, EchoMark, HeldSpectrum
from toneapp.desktop.theme import Theme
from toneapp.wording import quantity_text

__all__ = ["AfterPlot", "DecayPlot", "HeldPlot", "StrikePlot"]

_MARGIN_DB = 8.0
_HEAD_DB = 26.0
"""Room above a decay for its words."""

_MARK_PX = 11
_MOST_NAMES = 8
"""More names of echo strings would cover one another; the table names all."""


class StrikePlot(pg.PlotWidget):  # type: ignore[misc]  # pyqtgraph ships no types
    """One drawing with its title, axes and words in the colours of the theme."""

    def __init__(
        self,
        theme: Theme,
        *,
        name: str,
        sentence: str,
        x_label: str,
        y_label: str,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self._theme = theme
        self._name = name
        self._labels = (x_label, y_label)
        self.setAccessibleName(name)
        self.setAccessibleDescription(sentence)
        self.setToolTip(f"{name}. {sentence} Turn the wheel to look closer, drag to move.")
        self.setMenuEnabled(False)
        self.hideButtons()
        self.setMinimumHeight(120)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._home: tuple[float, float, float, float] | None = None

    def show_home(self) -> None:
        """Show the whole curve again."""
        if self._home is not None:
            left, right, low, high = self._home
            self.setRange(xRange=(left, right), yRange=(low, high), padding=0.0)

    def clear_with(self, text: str) -> None:
        """Empty the drawing and say why."""
        self._begin()
        self._home = (0.0, 1.0, 0.0, 1.0)
        self.show_home()
        self.hideAxis("left")
        self.hideAxis("bottom")
        self.word(text, 0.5, 0.5, colour="muted", anchor=(0.5, 0.5))
        self.setAccessibleDescription(text)

    # For the drawings

    def _begin(self) -> None:
        """Empty the drawing and take up colours and sizes."""
        self.clear()
        self.setBackground(self._theme.colour("paper"))
        font = self._theme.font(scale=0.85)
        ink, muted = self._theme.colour("ink"), self._theme.colour("muted")
        for side, text in zip(("bottom", "left"), self._labels, strict=True):
            axis = self.getAxis(side)
            self.showAxis(side)
            axis.setPen(QPen(self._theme.colour("grid")))
            axis.setTextPen(QPen(muted))
            axis.setTickFont(font)
            axis.enableAutoSIPrefix(False)
            axis.setLabel(
                text,
                **{"font-size": f"{self._theme.base_pt * 0.85:.1f}pt", "color": muted.name()},
            )
        self.getAxis("left").setWidth(64)
        self.getPlotItem().titleLabel.item.setFont(self._theme.font(is_bold=True))
        self.setTitle(self._name, color=ink, size=f"{self._theme.base_pt:.1f}pt", bold=True)

    def _line(
        self,
        x: Any,
        y: Any,
        colour: str,
        *,
        style: Qt.PenStyle = Qt.PenStyle.SolidLine,
        width: float = 1.0,
        connect: str = "all",
    ) -> None:
        pen = QPen(self._theme.colour(colour), width, style)
        pen.setCosmetic(True)
        self.addItem(pg.PlotCurveItem(np.asarray(x), np.asarray(y), pen=pen, connect=connect))

    def _marks(
        self, x: Sequence[float], y: Sequence[float], colour: str, *, symbol: str, is_full: bool
    ) -> None:
        ink = self._theme.colour(colour)
        brush = ink if is_full else QColor(0, 0, 0, 0)
        self.addItem(
            pg.ScatterPlotItem(
                x=list(x),
                y=list(y),
                symbol=symbol,
                size=_MARK_PX,
                pen=pg.mkPen(ink, width=1),
                brush=brush,
            )
        )

    def word(
        self,
        text: str,
        x: float,
        y: float,
        *,
        colour: str = "ink",
        anchor: tuple[float, float] = (0.5, 1.0),
    ) -> None:
        """Write a word at a place of the drawing."""
        item = pg.TextItem(text, color=self._theme.colour(colour), anchor=anchor)
        item.setFont(self._theme.font(scale=0.85))
        item.setPos(x, y)
        self.addItem(item, ignoreBounds=True)

    def _set_home(self, left: float, right: float, low: float, high: float) -> None:
        self._home = (left, right, low, high)
        self.getViewBox().setLimits(xMin=left, xMax=right, yMin=low, yMax=high)
        self.show_home()


class HeldPlot(StrikePlot):
    """Spectrum of the held note with the fitted series."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(
            theme,
            name="While held",
            sentence="Spectrum of the held note in dB below full scale over Hz, with the partials "
            "of the fitted series.",
            x_label="Hz",
            y_label="dBFS",
            parent=parent,
        )

    def show_spectrum(self, held: HeldSpectrum | None) -> None:
        """Draw a spectrum, or say that too little was held."""
        if held is None:
            self.clear_with("Held too short for a spectrum")
            return
        self._begin()
        curve = held.curve
        low, high = float(curve.level_db.min()), float(curve.level_db.max())
        self._line(curve.hz, curve.level_db, "point")
        top = high + _MARGIN_DB
        measured = [mark for mark in held.series if mark.is_measured]
        others = [mark for mark in held.series if not mark.is_measured]
        pairs_x = [mark.hz for mark in held.series for _ in range(2)]
        pairs_y = [y for mark in held.series for y in (mark.level_db, top)]
        self._line(pairs_x, pairs_y, "accent", style=Qt.PenStyle.DotLine, connect="pairs")
        for marks, is_full in ((measured, True), (others, False)):
            self._marks(
                [mark.hz for mark in marks],
                [mark.level_db + 2.0 for mark in marks],
                "accent",
                symbol="t",
                is_full=is_full,
            )
        step = max(1, -(-len(held.series) // 14))
        for mark in held.series:
            if mark.n == 1 or mark.n % step == 0:
                self.word(str(mark.n), mark.hz, top + 1.0, colour="accent")
        self._set_home(0.0, float(curve.hz[-1]), low, top + 3.0 * _MARGIN_DB)
        self.setAccessibleDescription(
            f"{len(measured)} of {len(held.series)} partials of the fitted series were measured"
        )


class DecayPlot(StrikePlot):
    """Level over time with the stages of the decay and the release."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(
            theme,
            name="Decay",
            sentence="Level of all partials together in dB below the loudest moment over seconds, "
            "with the two stages that were fitted and the release.",
            x_label="s from the strike",
            y_label="dB",
            parent=parent,
        )

    def show_decay(self, decay: DecayCurve) -> None:
        """Draw a decay."""
        self._begin()
        times, level = decay.times_s, decay.level_db
        first, last = float(times[0]), float(times[-1])
        low = max(min(decay.noise_db - 2 * _MARGIN_DB, float(level[-1]) - _MARGIN_DB), -90.0)
        self._line([first, last], [decay.noise_db] * 2, "muted", style=Qt.PenStyle.DotLine)
        self.word("before the blow", first, decay.noise_db, colour="muted", anchor=(0.0, 0.0))
        self._line(times, level, "point")
        for stage, style, colour in zip(
            decay.stages, (Qt.PenStyle.DashLine, Qt.PenStyle.DashDotLine), ("accent", "second"),
            strict=False,
        ):  # fmt: skip
            ends = (0.0, stage.last_s)
            self._line(ends, [stage.level_at(t) for t in ends], colour, style=style, width=1.6)
        self._explain(decay, last)
        if decay.release_s is not None:
            self._line(
                [decay.release_s] * 2, [low, 0.5 * _MARGIN_DB], "ink", style=Qt.PenStyle.DashLine
            )
            self.word("let go ", decay.release_s, low + 1.0, anchor=(1.0, 1.0))
        if decay.knee_s is not None and decay.fit_times_s.size:
            knee_db = float(np.interp(decay.knee_s, decay.fit_times_s, decay.fit_db))
            self._marks([decay.knee_s], [knee_db], "ink", symbol="d", is_full=True)
            self.word("knee", decay.knee_s, knee_db + 2.0)
        self._set_home(first, last, low, _HEAD_DB)

    def _explain(self, decay: DecayCurve, last_s: float) -> None:
        """Write what the lines are, the dashes with their times."""
        words = [f"{stage.name} T60 {quantity_text(stage.t60_s, 's')}" for stage in decay.stages]
        signs = ("\N{EN DASH} \N{EN DASH}", "\N{EN DASH} \N{MIDDLE DOT}")
        for place, (text, sign, colour) in enumerate(
            zip(words, signs, ("accent", "second"), strict=False)
        ):
            self.word(
                f"{sign}  {text}",
                last_s,
                _HEAD_DB - place * 0.45 * _HEAD_DB,
                colour=colour,
                anchor=(1.0, 0.0),
            )
        if not words:
            self.word("no stage could be fitted", last_s, _HEAD_DB, anchor=(1.0, 0.0))
        self.setAccessibleDescription("; ".join(words) or "no stage could be fitted")


class AfterPlot(StrikePlot):
    """Spectrum after the release with the echo strings."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(
            theme,
            name="After the release",
            sentence="Spectrum after the release in dB against the blow's own peak level over Hz, "
            "with the names of the strings that sound on.",
            x_label="Hz",
            y_label="dB against the blow",
            parent=parent,
        )

    def show_spectrum(self, after: AfterSpectrum | None, *, reason: str) -> None:
        """Draw a spectrum, or say why there is none."""
        if after is None:
            self.clear_with(reason)
            return
        self._begin()
        curve, echoes = after.curve, after.echoes
        low, high = float(curve.level_db.min()), float(curve.level_db.max())
        high = max([high, *(echo.level_db for echo in echoes)])
        self._line(curve.hz, curve.level_db, "point")
        named = sorted(echoes, key=lambda echo: -echo.level_db)[:_MOST_NAMES]
        top = high + 5.0 * _MARGIN_DB
        self._marks(
            [echo.hz for echo in echoes],
            [echo.level_db for echo in echoes],
            "accent",
            symbol="d",
            is_full=True,
        )
        self._name_echoes(named, high=high, width=float(curve.hz[-1]))
        self._set_home(0.0, float(curve.hz[-1]), low, top)
        self.setAccessibleDescription(
            f"{len(echoes)} echo strings: " + ", ".join(echo.text for echo in echoes)
            if echoes
            else "no echo string was heard"
        )
        if not echoes:
            self.word("no echo string was heard", float(curve.hz[-1]), top, anchor=(1.0, 0.0))

    def _name_echoes(self, echoes: Sequence[EchoMark], *, high: float, width: float) -> None:
        """Write names in two rows, so that neighbours do not cover one another."""
        last = [-width, -width, -width]
        for echo in sorted(echoes, key=lambda item: item.hz):
            row = next((at for at in range(3) if echo.hz - last[at] > 0.11 * width), None)
            if row is None:
                row = int(np.argmin(last))
            last[row] = echo.hz
            y = high + (1.0 + 1.4 * row) * _MARGIN_DB
            self._line([echo.hz] * 2, [echo.level_db, y], "accent", style=Qt.PenStyle.DotLine)
            self.word(echo.text, echo.hz, y, colour="accent")

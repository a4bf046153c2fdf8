"""How is the state of a recording painted, so that it is read from two metres?

The note to play stands at the left, as large as there is room; beside it the sign and the word of
what to do now; below both what was said of the last blow.

Classes: `RecordStage`.
"""

from __future__ import annotations

from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from toneapp.desktop.record_signs import paint_sign
from toneapp.desktop.record_words import StageSign, StageTone, StageView
from toneapp.desktop.theme import GAP_PX, Theme

__all__ = ["RecordStage"]

_SMALLEST = QSize(420, 220)
_NOTE_SHARE = 0.40  # of the width
_VERDICT_SHARE = 0.20  # of the height
_BAR_SHARE = 0.07
_ROUND_PX = 8.0

_GROUNDS = {
    StageTone.PLAIN: ("paper", "ink"),
    StageTone.ACTIVE: ("accent", "accent_ink"),
    StageTone.DONE: ("other", "accent_ink"),
    StageTone.WARN: ("selected", "ink"),
    StageTone.STILL: ("lane", "ink"),
}
"""Colours of ground and letters; the sign says the same without them."""


class RecordStage(QWidget):
    """Shows a `StageView`."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._view: StageView | None = None
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(_SMALLEST)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName("What to do now")
        theme.changed.connect(self.update)

    @property
    def view(self) -> StageView | None:
        """What is shown."""
        return self._view

    def set_view(self, view: StageView) -> None:
        """Show something else; painted anew only if it is."""
        if view == self._view:
            return
        if self._view is None or view.spoken() != self._view.spoken():
            self.setAccessibleDescription(view.spoken())
        self._view = view
        self.update()

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Paint note, sign, word, detail, time held and the last verdict."""
        view = self._view
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        whole = QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5)
        if view is None:
            painter.fillRect(whole, self._theme.colour("paper"))
            painter.end()
            return
        ground, ink = (self._theme.colour(name) for name in _GROUNDS[view.tone])
        verdict_height = _VERDICT_SHARE * whole.height()
        top = QRectF(whole.left(), whole.top(), whole.width(), whole.height() - verdict_height)
        below = QRectF(whole.left(), top.bottom(), whole.width(), verdict_height)
        painter.setPen(QPen(self._theme.colour("muted"), 1.0))
        painter.setBrush(self._theme.colour("paper"))
        painter.drawRoundedRect(whole, _ROUND_PX, _ROUND_PX)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(ground)
        painter.drawRoundedRect(top, _ROUND_PX, _ROUND_PX)
        edge = self._theme.colour("accent") if view.tone is StageTone.WARN else None
        if edge is not None:
            painter.setPen(QPen(edge, 4.0))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRoundedRect(top.adjusted(2, 2, -2, -2), _ROUND_PX, _ROUND_PX)
        self._paint_top(painter, top, view, ink)
        self._paint_verdict(painter, below, view)
        painter.end()

    def _paint_top(self, painter: QPainter, area: QRectF, view: StageView, ink: QColor) -> None:
        inner = area.adjusted(GAP_PX, GAP_PX / 2, -GAP_PX, -GAP_PX / 2)
        bar_height = _BAR_SHARE * area.height()
        if view.hold_s is not None and view.held_s is not None:
            bar = QRectF(inner.left(), inner.bottom() - bar_height, inner.width(), bar_height)
            self._paint_bar(painter, bar, view.held_s / view.hold_s, ink)
        inner.setBottom(inner.bottom() - bar_height - GAP_PX / 2)
        painter.setPen(ink)
        share = _NOTE_SHARE if view.note else 0.0
        note = QRectF(inner.left(), inner.top(), share * inner.width(), inner.height())
        if view.note:
            self._paint_note(painter, note, view)
        right = QRectF(
            note.right() + GAP_PX, inner.top(), inner.width() - note.width() - GAP_PX,
            inner.height(),
        )  # fmt: skip
        self._paint_word(painter, right, view, ink)

    def _paint_note(self, painter: QPainter, area: QRectF, view: StageView) -> None:
        letters = area
        if view.touch:
            letters = area.adjusted(0, 0, 0, -0.26 * area.height())
            below = QRectF(area.left(), letters.bottom(), area.width(), 0.26 * area.height())
            painter.setFont(self._fitting(view.touch, below, bold=True))
            painter.drawText(below, Qt.AlignmentFlag.AlignCenter, view.touch)
        painter.setFont(self._fitting(view.note, letters, bold=True, template="G#4"))
        painter.drawText(letters, Qt.AlignmentFlag.AlignCenter, view.note)

    def _paint_word(self, painter: QPainter, area: QRectF, view: StageView, ink: QColor) -> None:
        word = view.word
        if view.held_s is not None:
            word += f"  {view.held_s:.1f} s"
        has_detail = bool(view.detail)
        share = 0.58 if has_detail else 1.0
        first = QRectF(area.left(), area.top(), area.width(), share * area.height())
        size = min(0.8 * first.height(), 0.3 * area.width())
        sign = QRectF(first.left(), first.center().y() - size / 2, size, size)
        ground = self._theme.colour(_GROUNDS[view.tone][0])
        paint_sign(painter, sign, view.sign, ink=ink, ground=ground)
        letters = first.adjusted(size + GAP_PX, 0, 0, 0)
        painter.setPen(ink)
        template = "Hold  88.8 s" if view.held_s is not None else word
        painter.setFont(self._fitting(word, letters, bold=True, template=template))
        flags = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft
        painter.drawText(letters, flags, word)
        if has_detail:
            rest = QRectF(
                area.left(), first.bottom(), area.width(), area.bottom() - first.bottom()
            )
            font = self._fitting_lines(view.detail, rest)
            painter.setFont(font)
            painter.drawText(rest, flags | Qt.TextFlag.TextWordWrap, view.detail)

    def _paint_bar(self, painter: QPainter, area: QRectF, share: float, ink: QColor) -> None:
        painter.setPen(QPen(ink, 2.0))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(area)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(ink)
        painter.drawRect(
            QRectF(area.left(), area.top(), min(share, 1.0) * area.width(), area.height())
        )

    def _paint_verdict(self, painter: QPainter, area: QRectF, view: StageView) -> None:
        inner = area.adjusted(GAP_PX, 2, -GAP_PX, -2)
        if not view.verdict:
            return
        size = 0.7 * inner.height()
        sign = StageSign.GOOD if view.is_good else StageSign.AGAIN
        colour = self._theme.colour("other" if view.is_good else "accent")
        box = QRectF(inner.left(), inner.center().y() - size / 2, size, size)
        paint_sign(painter, box, sign, ink=colour, ground=self._theme.colour("paper"))
        letters = inner.adjusted(size + GAP_PX, 0, 0, 0)
        painter.setPen(self._theme.colour("ink"))
        font = self._fitting(view.verdict, letters, bold=False, most=0.62)
        painter.setFont(font)
        painter.drawText(
            letters,
            Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft,
            QFontMetricsF(font).elidedText(
                view.verdict, Qt.TextElideMode.ElideRight, letters.width()
            ),
        )

    def _fitting(
        self, text: str, area: QRectF, *, bold: bool, template: str = "", most: float = 0.86
    ) -> QFont:
        """Largest letters in which a text fits on one line of an area.

        `template` is what the size is taken from, so that it does not change with each text.
        """
        font = self._theme.font(is_bold=bold)
        pixels = max(most * area.height(), 8.0)
        for words in {text, template} - {""}:
            font.setPixelSize(100)
            width = QFontMetricsF(font).horizontalAdvance(words)
            pixels = min(pixels, 100.0 * area.width() / max(width, 1.0))
        font.setPixelSize(max(int(min(pixels, most * area.height() / 1.15)), 11))
        return font

    def _fitting_lines(self, text: str, area: QRectF) -> QFont:
        """Largest letters in which a text fits into an area on several lines."""
        font = self._theme.font()
        flags = int(Qt.TextFlag.TextWordWrap | Qt.AlignmentFlag.AlignLeft)
        for pixels in range(min(int(0.55 * area.height()), 44), 12, -1):
            font.setPixelSize(pixels)
            needed = QFontMetricsF(font).boundingRect(
                QRectF(0, 0, area.width(), 10_000), flags, text
            )
            if needed.height() <= area.height() and needed.width() <= area.width():
                break
        return font

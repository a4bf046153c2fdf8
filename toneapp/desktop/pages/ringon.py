"""Which strings sound on after which keys, and which dampers are to be checked?

Classes: `RingOnPage`.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import ClassVar

import numpy as np
from PySide6.QtCore import Qt
from PySide6.QtGui import QFocusEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QSizePolicy,
    QSplitter,
    QTabWidget,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.actions import Actions
from toneapp.desktop.elided_label import ElidedLabel
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.base import Page
from toneapp.desktop.ring_map import RingMap
from toneapp.desktop.ring_view import RingMark, RingRow, RingView, ring_change_view, ring_view
from toneapp.desktop.row_table import Column, RowTable
from toneapp.desktop.theme import GAP_PX, Theme
from toneapp.evenness import load_advice
from toneapp.evenness.ringing_change import ringing_change
from toneapp.library import Library
from toneapp.pitch import note_name
from toneapp.results import Cause

__all__ = ["RingOnPage"]

_BOOTSTRAP_KEY = 1986  # fixed, so that the same two runs always give the same interval
_HINT = (
    "Point at a mark, or choose a key with the arrow keys; a click or Enter opens the struck note."
)


class RingOnPage(Page):
    """Matrix at the left, ranked lists and what to check at the right."""

    name: ClassVar[str] = "ring_on"
    title: ClassVar[str] = "Ring-on"
    empty_text: ClassVar[str] = (
        "No measured run is chosen. Record or import a ring-on run (short, detached blows), or "
        "choose any measured run of an instrument."
    )

    def __init__(
        self, model: AppModel, theme: Theme, actions: Actions, parent: QWidget | None = None
    ) -> None:
        super().__init__(model, theme, actions, parent)
        self.map = RingMap(theme, self.body)
        self.map.setObjectName("ring_map")
        self._build()
        self._connect()

    def follow(self) -> tuple[str, ...]:
        """Refresh when the run or what lies beside it changes."""
        return ("run_changed", "comparison_changed")

    def empty_state(self) -> str:
        """Say the next step without a run, or without any release in it."""
        if self.model.run is None:
            return self.empty_text
        if self.model.run.result.ring_on is None:
            return (
                "No strike of this run shows a release. Record a ring-on run: short, detached "
                "blows, each key let go and left to die away for a second."
            )
        return ""

    def empty_actions(self) -> tuple[str, ...]:
        """Offer to record, to import, and the instruments."""
        return ("page_record", "import_file", "page_instruments")

    def refresh(self) -> None:
        """Prepare matrix and lists off the GUI thread and show them."""
        item, comparison = self.model.run, self.model.comparison
        if item is None:
            return

        def prepare(_library: Library) -> RingView:
            compass = item.instrument.compass
            if comparison is None:
                return ring_view(item.result, compass=compass)
            before, after = comparison.before.result, comparison.after.result
            change = ringing_change(before, after, rng=np.random.default_rng(_BOOTSTRAP_KEY))
            return ring_change_view(before, after, change, compass=compass)

        self.model.ask(prepare, self._show, key=f"ring {id(self)}")

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Give the keyboard to the matrix."""
        super().focusInEvent(event)
        self.map.setFocus(Qt.FocusReason.OtherFocusReason)

    def readout(self) -> str:
        """Return what is said of the mark or the key at hand."""
        return self._readout.text()

    # Building

    def _build(self) -> None:
        self._treble = QLabel(self.body)
        self._treble.setWordWrap(True)
        self._treble.setTextFormat(Qt.TextFormat.PlainText)
        self._treble.setToolTip(
            "What strings without dampers add after the release of damped keys: energy mean over "
            "the strikes, against the blow itself"
        )
        self._figures = ElidedLabel("", self.body)
        self._figures.setProperty("muted", True)
        self._readout = QLabel(_HINT, self.body)
        self._readout.setWordWrap(True)
        self._readout.setTextFormat(Qt.TextFormat.PlainText)
        self._readout.setAlignment(Qt.AlignmentFlag.AlignTop)
        self._readout.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        left = QWidget(self.body)
        column = QVBoxLayout(left)
        column.setContentsMargins(0, 0, GAP_PX // 2, 0)
        column.setSpacing(GAP_PX // 2)
        column.addWidget(self._treble)
        column.addWidget(self._figures)
        column.addWidget(self._readout)
        column.addWidget(self.map, 1)

        self.changes = self._table(
            "What changed",
            ("Now", "Which way the string went"),
            ("Level", "Mean level against the blow, before and after, in dB"),
        )
        self.dampers = self._table(
            "Dampers to check",
            ("Dies in", "Time in which the note would fall by 60 dB under its damper, in s"),
            ("Heard after", "Other keys after which its strings ring"),
        )
        self.echoes = self._table(
            "Echo strings",
            ("Level", "Mean level of the string after the release, against the blow, in dB"),
            ("Heard after", "Keys after which the string rings"),
        )
        self.tabs = QTabWidget(self.body)
        self.tabs.setAccessibleName("Ranked lists")
        self.advice = QTextBrowser(self.body)
        self.advice.setAccessibleName("What to check")
        self.advice.setOpenLinks(False)
        self.cautions = QTextBrowser(self.body)
        self.cautions.setAccessibleName("Cautions")
        self.cautions.setOpenLinks(False)
        right = QSplitter(Qt.Orientation.Vertical, self.body)
        right.setChildrenCollapsible(False)
        for widget, stretch in ((self.tabs, 5), (self.advice, 4), (self.cautions, 2)):
            right.addWidget(widget)
            right.setStretchFactor(right.count() - 1, stretch)
        right.setSizes([340, 240, 120])
        self.parts = QSplitter(Qt.Orientation.Horizontal, self.body)
        self.parts.setChildrenCollapsible(False)
        self.parts.addWidget(left)
        self.parts.addWidget(right)
        self.parts.setStretchFactor(0, 5)
        self.parts.setStretchFactor(1, 3)
        self.parts.setSizes([680, 420])
        whole = QHBoxLayout(self.body)
        whole.setContentsMargins(GAP_PX, GAP_PX // 2, GAP_PX, GAP_PX // 2)
        whole.addWidget(self.parts)

    def _table(self, name: str, value: tuple[str, str], short: tuple[str, str]) -> RowTable:
        table = RowTable(
            (
                Column(title="String", text=lambda row: row.note, width=7),
                Column(title=value[0], text=lambda row: row.value, tip=value[1], width=17),
                Column(title=short[0], text=lambda row: row.short, tip=short[1], stretches=True),
            ),
            self.theme,
            key=lambda row: (row.midi, row.cause),
            name=name,
            parent=self.body,
        )
        table.hide()  # until it stands in the tabs
        table.setObjectName(name.lower().replace(" ", "_"))
        table.setTextElideMode(Qt.TextElideMode.ElideRight)
        table.chosen_changed.connect(self._row_chosen)
        table.opened.connect(self._row_opened)
        table.clicked.connect(lambda _index, table=table: self._row_meant(table.chosen))
        return table

    def _connect(self) -> None:
        self.map.key_chosen.connect(self.model.choose_note)
        self.map.key_opened.connect(self._open)
        self.map.mark_changed.connect(self._read_out)
        self.tabs.currentChanged.connect(self._tab_changed)
        self.model.note_changed.connect(self._note_changed)

    # Answers

    def _show(self, view: RingView) -> None:
        self.map.set_view(view)
        self.map.set_chosen(self.model.midi)
        self._treble.setFont(self.theme.font(scale=1.2, is_bold=True))
        self._treble.setText(view.problem or view.treble)
        self._figures.set_text("   ·   ".join(view.figures), "\n".join(view.figures))
        self._readout.setFont(self.theme.font(scale=1.05))
        self._readout.setFixedHeight(2 * self._readout.fontMetrics().lineSpacing() + 4)
        self._show_lists(view)
        self._read_out()

    def _show_lists(self, view: RingView) -> None:
        lists: list[tuple[RowTable, Sequence[RingRow], str]] = [
            (self.dampers, view.dampers, "Dampers"),
            (self.echoes, view.echoes, "Echoes"),
        ]
        if view.is_change:
            lists.insert(0, (self.changes, view.changes, "Changes"))
        wanted = [table for table, _, _ in lists]
        shown = [self.tabs.widget(place) for place in range(self.tabs.count())]
        self.tabs.blockSignals(True)
        if shown != wanted:
            self.tabs.clear()
            self.changes.hide()
            for table, _, title in lists:
                self.tabs.addTab(table, title)
        for place, (table, rows, title) in enumerate(lists):
            table.set_rows(rows)
            count = sum(row.is_counted for row in rows)
            self.tabs.setTabText(place, f"{title} ({count})")
            self.tabs.setTabToolTip(place, _TAB_TIPS[title])
        self.tabs.blockSignals(False)
        self._tab_changed()

    def _tab_changed(self, _place: int = 0) -> None:
        table = self.tabs.currentWidget()
        self._row_chosen(table.chosen if isinstance(table, RowTable) else None)

    def _row_chosen(self, row: RingRow | None) -> None:
        sender = self.sender()
        if isinstance(sender, RowTable) and sender is not self.tabs.currentWidget():
            return  # a list behind the others was filled
        book = load_advice()
        if row is None or row.cause is None:
            self.advice.setHtml("<p>Nothing in this list.</p>" if row is None else _bare_html(row))
            self.cautions.setHtml(f"<p>{escape(book.defer)}</p>")
            return
        self.advice.setHtml(advice_html(row))
        items = "".join(f"<li>{escape(c.text)}</li>" for c in book.cause[row.cause].cautions)
        self.cautions.setHtml(
            f"<h4>\N{WARNING SIGN} Cautions</h4><ul>{items}</ul><p>{escape(book.defer)}</p>"
        )

    def _row_meant(self, row: RingRow | None) -> None:
        if row is not None and row.midi:
            self.model.choose_note(row.midi)

    def _row_opened(self, row: RingRow) -> None:
        if row.midi:
            self._open(row.midi)

    def _note_changed(self, midi: int) -> None:
        self.map.set_chosen(midi)
        self._read_out()

    def _open(self, midi: int) -> None:
        self.model.choose_note(midi)
        self.model.go("note")

    def _read_out(self, *_ignored: object) -> None:
        """Say the mark at hand, or all that rings after the chosen key."""
        mark: RingMark | None = self.map.mark
        view, midi, tip = self.map.view, self.map.chosen, ""
        if mark is not None:
            text = mark.text
        elif view is None or not midi:
            text = _HINT
        elif midi in view.by_key:
            first, *rest = view.by_key[midi]
            text = (
                first if not rest else f"{first}.  And {len(rest)} more after {note_name(midi)}."
            )
            tip = "\n".join(view.by_key[midi])
        else:
            text = f"After {note_name(midi)} nothing was heard to ring on."
        self._readout.setText(text)
        self._readout.setToolTip(tip or text)


def _bare_html(row: RingRow) -> str:
    """Write what is heard at a string, without advice."""
    text = f"{row.text[:1].upper()}{row.text[1:]}."
    return f"<h3>{escape(row.note)}: {escape(row.value)}</h3><p>{escape(text)}</p>"


_TAB_TIPS = {
    "Changes": "Ringing strings, largest change first",
    "Dampers": "Dampers that seem to leak, most suspect first",
    "Echoes": "Strings that answer other keys, most heard first",
}


def advice_html(row: RingRow) -> str:
    """Write what is heard at a string and what to check, reversible steps first.

    Parameters
    ----------
    row : RingRow
        With a cause.

    Returns
    -------
    str
        Simple HTML; all texts are escaped.
    """
    assert isinstance(row.cause, Cause), "advice is for a cause"
    advice = load_advice().cause[row.cause]
    parts = [
        f"<h3>{escape(row.note)}: {escape(advice.title)}</h3>",
        f"<p>{escape(row.text[:1].upper() + row.text[1:])}.</p>",
        f"<p>{escape(' '.join(advice.reason.split()))}</p>",
    ]
    for head, steps in (
        ("Look first at", advice.check_first),
        ("Then, what can be undone", advice.reversible),
        ("Last, what cannot be undone", advice.irreversible),
    ):
        items = "".join(f"<li>{escape(step)}</li>" for step in steps)
        parts.append(f"<h4>{head}</h4><ol>{items}</ol>")
    return "".join(parts)

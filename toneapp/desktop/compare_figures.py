"""The figures of a comparison: what changed, each run by itself, differences to the first.

Classes: `CompareFigures`.
"""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QLabel,
    QSplitter,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.compare_view import CompareRow, CompareView
from toneapp.desktop.theme import BIG_TARGET_PX, GAP_PX

__all__ = ["CompareFigures"]

_CHANGE_HEADS = (
    (
        "Change over all notes",
        "Mean of the notes in both runs, after minus before, with its interval",
    ),
    (
        "Gain of evenness",
        "How much closer together the notes lie now; positive is better",
    ),
    ("Notes that changed", "Beyond what is heard and what chance does"),
)


class CompareFigures(QSplitter):
    """Three tables, of which two are seen: before and after, or several instruments."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(Qt.Orientation.Vertical, parent)
        self.setChildrenCollapsible(False)
        self.figures = self._table("Figures of the runs")
        self.differences = self._table("Differences to the first run")
        self.changes = self._table("Before and after")
        self._changes_box = self._titled(
            "Before and after: the later run less the earlier one; in brackets where the true "
            "change lies in 19 of 20 cases",
            self.changes,
        )
        figures_box = self._titled(
            "Each run: median over the notes or figure of the run; in brackets where the true "
            "value lies in 19 of 20 cases",
            self.figures,
        )
        self._differences_box = self._titled(
            "Difference to [1] over the notes in common; in brackets where the true difference "
            "lies in 19 of 20 cases",
            self.differences,
        )
        for box in (self._changes_box, figures_box, self._differences_box):
            self.addWidget(box)

    def show_figures(self, view: CompareView) -> None:
        """Fill the tables."""
        heads = [(f"[{one.number}] {one.short}", one.title) for one in view.series]
        self._fill(self.figures, heads, view.figures)
        self._fill(self.differences, heads[1:], view.differences)
        self._fill(self.changes, _CHANGE_HEADS, view.changes)
        self._changes_box.setVisible(view.is_before_after)
        self._differences_box.setVisible(not view.is_before_after)

    def _table(self, name: str) -> QTableWidget:
        table = QTableWidget(self)
        table.setAccessibleName(name)
        table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        table.setAlternatingRowColors(True)
        table.setShowGrid(False)
        table.setWordWrap(True)
        table.setTabKeyNavigation(False)
        table.verticalHeader().hide()
        table.horizontalHeader().setHighlightSections(False)
        return table

    def _titled(self, title: str, table: QTableWidget) -> QWidget:
        box = QWidget(self)
        column = QVBoxLayout(box)
        column.setContentsMargins(GAP_PX // 2, GAP_PX // 2, GAP_PX // 2, 0)
        column.setSpacing(4)
        label = QLabel(title, box)
        label.setProperty("muted", True)
        label.setWordWrap(True)
        column.addWidget(label)
        column.addWidget(table, 1)
        return box

    def _fill(
        self,
        table: QTableWidget,
        heads: Sequence[tuple[str, str]],
        rows: Sequence[CompareRow],
    ) -> None:
        table.setColumnCount(1 + len(heads))
        table.setRowCount(len(rows))
        table.setHorizontalHeaderLabels(["", *(text for text, _ in heads)])
        for place, (_, tip) in enumerate(heads, 1):
            head = table.horizontalHeaderItem(place)
            if head is not None:
                head.setToolTip(tip)
        for row, item in enumerate(rows):
            for column, text in enumerate((item.name, *item.cells)):
                cell = QTableWidgetItem(text)
                cell.setToolTip(text)
                table.setItem(row, column, cell)
        height = max(BIG_TARGET_PX - 8, self.fontMetrics().height() + 12)
        header = table.horizontalHeader()
        header.setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setStretchLastSection(True)
        table.verticalHeader().setMinimumSectionSize(height)
        table.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)

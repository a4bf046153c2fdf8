"""Strikes on a key side by side, as a table in which a column is chosen.

Classes: `StrikeGrid`.
"""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QTableWidget,
    QTableWidgetItem,
    QWidget,
)

from toneapp.desktop.note_view import StrikeTable
from toneapp.desktop.theme import Theme

__all__ = ["StrikeGrid"]


class StrikeGrid(QTableWidget):
    """Shows a `StrikeTable`; a click or the arrow keys choose a strike.

    Attributes
    ----------
    strike_chosen : Signal(int)
        Place of a strike among those on the key, from 0.
    """

    strike_chosen = Signal(int)

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._is_filling = False
        self.setAccessibleName("Strikes side by side")
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectColumns)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setAlternatingRowColors(True)
        self.setShowGrid(False)
        self.setTabKeyNavigation(False)
        self.setWordWrap(False)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        heads = self.horizontalHeader()
        heads.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        heads.setHighlightSections(True)
        self.verticalHeader().setHighlightSections(False)
        self.setCornerButtonEnabled(False)
        self.verticalHeader().setDefaultAlignment(
            Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        )
        self.currentCellChanged.connect(self._cell_changed)

    def show_table(self, table: StrikeTable, chosen: int) -> None:
        """Show strikes, with one chosen."""
        self._is_filling = True
        self.setFont(self._theme.font(scale=0.84))
        row = max(self.currentRow(), 0)
        self.setColumnCount(len(table.heads))
        self.setRowCount(len(table.rows))
        self.setHorizontalHeaderLabels([head.replace(", at ", "\n") for head in table.heads])
        for place, line in enumerate(table.rows):
            head = QTableWidgetItem(line.name)
            head.setToolTip(line.sentence)
            self.setVerticalHeaderItem(place, head)
            for column, cell in enumerate(line.cells):
                item = QTableWidgetItem(cell.text)
                item.setToolTip(cell.tip or line.sentence)
                item.setData(
                    Qt.ItemDataRole.AccessibleTextRole,
                    f"{line.name}, {table.heads[column]}: {cell.tip or cell.text}",
                )
                item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
                if cell.is_missing:
                    item.setForeground(self._theme.colour("muted"))
                self.setItem(place, column, item)
        # A style sheet pads the heads and gives them a type of their own, which their own hint of
        # a size does not know; less would cut their letters.
        names = self.verticalHeader()
        names.ensurePolished()
        letters = names.fontMetrics()
        names.setDefaultSectionSize(max(letters.height(), self.fontMetrics().height()) + 16)
        names.setFixedWidth(
            max((letters.horizontalAdvance(line.name) for line in table.rows), default=0) + 22
        )
        self.setCurrentCell(min(row, len(table.rows) - 1), chosen + 1)
        self.selectColumn(chosen + 1)
        self._is_filling = False

    def _cell_changed(self, _row: int, column: int, _old_row: int, old_column: int) -> None:
        if not self._is_filling and column != old_column and column > 0:
            self.strike_chosen.emit(column - 1)

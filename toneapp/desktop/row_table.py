"""A table of rows: what each column says of a row, and what may be changed in it.

Rows are the library's own frozen objects; a column turns one into text and sends changes on.

Classes: `Column`, `RowsModel`, `RowTable`.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import (
    QAbstractTableModel,
    QModelIndex,
    QObject,
    QPersistentModelIndex,
    Qt,
    Signal,
)
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableView, QWidget

from toneapp.desktop.theme import BIG_TARGET_PX, Theme
from toneapp.desktop.tick_delegate import TickDelegate

__all__ = ["Column", "RowTable", "RowsModel"]

_Index = QModelIndex | QPersistentModelIndex
_ROOT = QModelIndex()


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """What one column says of a row."""

    title: str
    text: Callable[[Any], str]
    tip: str = ""  # of its heading
    is_number: bool = False  # stands at the right
    width: int = 0  # in letters; 0 for as wide as it needs
    stretches: bool = False
    edit: Callable[[Any, str], object] | None = None  # takes the row and the new text
    is_checked: Callable[[Any], bool] | None = None
    check: Callable[[Any, bool], object] | None = None


class RowsModel(QAbstractTableModel):
    """Rows and columns as Qt takes them."""

    def __init__(self, columns: Sequence[Column], parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.columns = tuple(columns)
        self.rows: tuple[Any, ...] = ()

    def set_rows(self, rows: Sequence[Any]) -> None:
        """Show other rows."""
        new = tuple(rows)
        if new == self.rows:
            return
        if len(new) == len(self.rows):
            self.rows = new
            self.dataChanged.emit(
                self.index(0, 0), self.index(len(new) - 1, len(self.columns) - 1)
            )
            return
        self.beginResetModel()
        self.rows = new
        self.endResetModel()

    def rowCount(self, parent: _Index = _ROOT) -> int:
        """Return the number of rows."""
        return 0 if parent.isValid() else len(self.rows)

    def columnCount(self, parent: _Index = _ROOT) -> int:
        """Return the number of columns."""
        return 0 if parent.isValid() else len(self.columns)

    def data(self, index: _Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        """Return what a cell shows."""
        if not index.isValid():
            return None
        column, row = self.columns[index.column()], self.rows[index.row()]
        if role in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.EditRole):
            return column.text(row)
        if role == Qt.ItemDataRole.ToolTipRole:
            return column.text(row) or None
        if role == Qt.ItemDataRole.AccessibleTextRole:
            return f"{column.title}: {column.text(row)}"
        if role == Qt.ItemDataRole.CheckStateRole and column.is_checked is not None:
            return Qt.CheckState.Checked if column.is_checked(row) else Qt.CheckState.Unchecked
        if role == Qt.ItemDataRole.TextAlignmentRole:
            side = Qt.AlignmentFlag.AlignRight if column.is_number else Qt.AlignmentFlag.AlignLeft
            return side | Qt.AlignmentFlag.AlignVCenter
        return None

    def setData(self, index: _Index, value: Any, role: int = Qt.ItemDataRole.EditRole) -> bool:
        """Send on what was typed or ticked; the new row comes back from the library."""
        column, row = self.columns[index.column()], self.rows[index.row()]
        if role == Qt.ItemDataRole.EditRole and column.edit is not None:
            if str(value) != column.text(row):
                column.edit(row, str(value))
            return True
        if role == Qt.ItemDataRole.CheckStateRole and column.check is not None:
            column.check(row, Qt.CheckState(value) is Qt.CheckState.Checked)
            return True
        return False

    def flags(self, index: _Index) -> Qt.ItemFlag:
        """Tell what can be done with a cell."""
        flags = super().flags(index)
        if index.isValid():
            column = self.columns[index.column()]
            if column.edit is not None:
                flags |= Qt.ItemFlag.ItemIsEditable
            if column.check is not None:
                flags |= Qt.ItemFlag.ItemIsUserCheckable
        return flags

    def headerData(
        self,
        section: int,
        orientation: Qt.Orientation,
        role: int = Qt.ItemDataRole.DisplayRole,
    ) -> Any:
        """Return the heading of a column."""
        if orientation is not Qt.Orientation.Horizontal or not 0 <= section < len(self.columns):
            return None
        column = self.columns[section]
        if role == Qt.ItemDataRole.DisplayRole:
            return column.title
        if role == Qt.ItemDataRole.ToolTipRole:
            return column.tip or column.title
        if role == Qt.ItemDataRole.TextAlignmentRole:
            side = Qt.AlignmentFlag.AlignRight if column.is_number else Qt.AlignmentFlag.AlignLeft
            return side | Qt.AlignmentFlag.AlignVCenter
        return None


class RowTable(QTableView):
    """Table in which whole rows are chosen; Enter or a double click opens one.

    Parameters
    ----------
    columns : sequence of Column
        From left to right.
    theme : Theme
        Colours and sizes.
    key : callable
        Tells a row from the others, so that the choice stays when rows change.
    name : str
        For those who hear the window.
    """

    opened = Signal(object)
    chosen_changed = Signal(object)

    def __init__(
        self,
        columns: Sequence[Column],
        theme: Theme,
        *,
        key: Callable[[Any], Hashable],
        name: str,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self._key = key
        self._theme = theme
        self.rows_model = RowsModel(columns, self)
        self.setModel(self.rows_model)
        for place, column in enumerate(columns):
            if column.is_checked is not None:
                self.setItemDelegateForColumn(place, TickDelegate(theme, self))
        self.setAccessibleName(name)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setAlternatingRowColors(True)
        self.setShowGrid(False)
        self.setTabKeyNavigation(False)
        self.setWordWrap(False)
        self.verticalHeader().hide()
        self.horizontalHeader().setHighlightSections(False)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.selectionModel().currentRowChanged.connect(self._row_changed)
        self.doubleClicked.connect(self._double_clicked)
        theme.changed.connect(self.fit)
        self.fit()

    @property
    def chosen(self) -> Any:
        """The chosen row, or None."""
        index = self.currentIndex()
        rows = self.rows_model.rows
        return rows[index.row()] if index.isValid() and index.row() < len(rows) else None

    def set_rows(self, rows: Sequence[Any]) -> None:
        """Show other rows; the choice stays with its row, else the first is chosen."""
        before = self.chosen
        key = None if before is None else self._key(before)
        column = max(self.currentIndex().column(), 0)
        self.rows_model.set_rows(rows)
        keys = [self._key(row) for row in rows]
        if rows:
            place = keys.index(key) if key in keys else min(self.currentIndex().row(), 0)
            self.setCurrentIndex(self.rows_model.index(max(place, 0), column))
        if self.chosen != before:
            self.chosen_changed.emit(self.chosen)
        self.fit_columns()

    def choose(self, key: Hashable) -> bool:
        """Choose the row of this key; tells whether it is there."""
        for place, row in enumerate(self.rows_model.rows):
            if self._key(row) == key:
                self.setCurrentIndex(self.rows_model.index(place, 0))
                return True
        return False

    def fit(self) -> None:
        """Fit the height of rows to the size of text."""
        height = max(BIG_TARGET_PX - 4, self.fontMetrics().height() + 14)
        self.verticalHeader().setDefaultSectionSize(height)
        self.fit_columns()

    def fit_columns(self) -> None:
        """Fit the width of columns to what they hold."""
        header = self.horizontalHeader()
        letter = self.fontMetrics().averageCharWidth()
        for place, column in enumerate(self.rows_model.columns):
            if column.stretches:
                header.setSectionResizeMode(place, QHeaderView.ResizeMode.Stretch)
            elif column.width:
                self.setColumnWidth(place, column.width * letter + 16)
            else:
                self.resizeColumnToContents(place)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Open the chosen row on Enter, where its cells are not typed into."""
        is_enter = event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter)
        if is_enter and self.state() is not QAbstractItemView.State.EditingState:
            index = self.currentIndex()
            is_typed = index.isValid() and bool(index.flags() & Qt.ItemFlag.ItemIsEditable)
            if is_typed:
                self.edit(index)
            elif self.chosen is not None:
                self.opened.emit(self.chosen)
            return
        super().keyPressEvent(event)

    def _row_changed(self, _now: QModelIndex, _before: QModelIndex) -> None:
        self.chosen_changed.emit(self.chosen)

    def _double_clicked(self, index: QModelIndex) -> None:
        if not index.flags() & Qt.ItemFlag.ItemIsEditable and self.chosen is not None:
            self.opened.emit(self.chosen)

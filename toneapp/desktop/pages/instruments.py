"""Which instruments are in the library? A list with big rows and a search.

Classes: `InstrumentsPage`.
"""

from __future__ import annotations

from typing import ClassVar

from PySide6.QtCore import (
    QAbstractListModel,
    QModelIndex,
    QObject,
    QPersistentModelIndex,
    QPointF,
    QRect,
    QSize,
    Qt,
    QTimer,
)
from PySide6.QtGui import QColor, QFontMetrics, QKeyEvent, QPainter, QPen
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListView,
    QStackedLayout,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.actions import Actions
from toneapp.desktop.models import AppModel
from toneapp.desktop.overview import InstrumentRow, instrument_rows
from toneapp.desktop.pages.base import Page
from toneapp.desktop.theme import GAP_PX, Theme

__all__ = ["InstrumentsPage"]

SEARCH_MS = 150
"""A search begins this long after the last letter."""

_Index = QModelIndex | QPersistentModelIndex
_ROOT = QModelIndex()


class InstrumentsPage(Page):
    """All instruments; Enter or a double click goes on to one."""

    name: ClassVar[str] = "instruments"
    title: ClassVar[str] = "Instruments"
    empty_text: ClassVar[str] = (
        "No instrument is here yet.\nAdd your own and import a recording of it, or look at an "
        "invented workshop first: two simulated instruments, before and after work."
    )

    def __init__(
        self, model: AppModel, theme: Theme, actions: Actions, parent: QWidget | None = None
    ) -> None:
        super().__init__(model, theme, actions, parent)
        self._has_any = False
        self.search = QLineEdit(self.body)
        self.search.setPlaceholderText("Search instruments, runs, places, notes")
        self.search.setAccessibleName("Search")
        self.search.setClearButtonEnabled(True)
        self._rows = _Rows(self)
        self.list = _InstrumentList(self.body)
        self.list.setModel(self._rows)
        self.list.setItemDelegate(_RowPainter(theme, self.list))
        self.list.setAccessibleName("Instruments")
        self.nothing = QLabel(self.body)
        self.nothing.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self._build()
        self._search_soon = QTimer(self)
        self._search_soon.setSingleShot(True)
        self._search_soon.setInterval(SEARCH_MS)
        self._search_soon.timeout.connect(self.refresh)
        self.search.textChanged.connect(lambda _text: self._search_soon.start())
        self.search.returnPressed.connect(self._open_first)
        self.list.activated.connect(lambda index: self._open(index.row()))
        actions.add(
            "find",
            "Find",
            on=self._find,
            shortcut="Ctrl+F",
            help_text="Search instruments, runs and notes.",
        )
        self.setFocusProxy(self.list)

    def follow(self) -> tuple[str, ...]:
        """Follow the library alone."""
        return ("library_changed",)

    def empty_state(self) -> str:
        """Say how to begin; nothing while the library is being opened."""
        if self.model.library is None:
            return "The library is being opened."
        self._has_any = bool(self.model.read(lambda library: library.instruments.all(), ()))
        return "" if self._has_any else self.empty_text

    def empty_actions(self) -> tuple[str, ...]:
        """Offer the example and an instrument of one's own."""
        return () if self.model.library is None else ("example_workshop", "add_instrument")

    def refresh(self) -> None:
        """Show the instruments found."""
        words = self.search.text()
        rows = self.model.read(lambda library: instrument_rows(library, words), ())
        chosen = self.chosen_id
        self._rows.set_rows(rows)
        if rows:
            ids = [row.id for row in rows]
            wanted = chosen if chosen in ids else self.model.instrument_id
            place = ids.index(wanted) if wanted in ids else 0
            self.list.setCurrentIndex(self._rows.index(place))
        self.nothing.setText(f"Nothing is found for “{words}”.")
        self._list_stack.setCurrentWidget(self.list if rows else self.nothing)

    @property
    def chosen_id(self) -> int:
        """Number of the chosen instrument; 0 for none."""
        index = self.list.currentIndex()
        return self._rows.rows[index.row()].id if index.isValid() else 0

    def rows(self) -> tuple[InstrumentRow, ...]:
        """Return what the list shows."""
        return self._rows.rows

    def _build(self) -> None:
        top = QHBoxLayout()
        top.addWidget(self.search, 1)
        for name in ("add_instrument", "import_file"):
            if name in self.actions_of_window:
                top.addWidget(self.actions_of_window.button(name, self.body))
        area = QWidget(self.body)
        self._list_stack = QStackedLayout(area)
        self._list_stack.addWidget(self.list)
        self._list_stack.addWidget(self.nothing)
        layout = QVBoxLayout(self.body)
        layout.setContentsMargins(GAP_PX, GAP_PX, GAP_PX, GAP_PX)
        layout.setSpacing(GAP_PX)
        layout.addLayout(top)
        layout.addWidget(area, 1)

    def _find(self) -> None:
        self.model.go(self.name)
        self.search.setFocus(Qt.FocusReason.ShortcutFocusReason)
        self.search.selectAll()

    def _open_first(self) -> None:
        self._search_soon.stop()
        self.refresh()
        if self._rows.rows:
            self._open(max(self.list.currentIndex().row(), 0))

    def _open(self, place: int) -> None:
        self.model.choose_instrument(self._rows.rows[place].id)
        self.model.go("instrument")


class _InstrumentList(QListView):
    """List whose rows are opened by Enter and double click on every system."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setUniformItemSizes(True)
        self.setMouseTracking(True)
        self.setVerticalScrollMode(QListView.ScrollMode.ScrollPerPixel)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            if self.currentIndex().isValid():
                self.activated.emit(self.currentIndex())
            return
        super().keyPressEvent(event)


class _Rows(QAbstractListModel):
    """The rows as Qt takes them."""

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.rows: tuple[InstrumentRow, ...] = ()

    def set_rows(self, rows: tuple[InstrumentRow, ...]) -> None:
        if rows == self.rows:
            return
        self.beginResetModel()
        self.rows = rows
        self.endResetModel()

    def rowCount(self, parent: _Index = _ROOT) -> int:
        return 0 if parent.isValid() else len(self.rows)

    def data(self, index: _Index, role: int = Qt.ItemDataRole.DisplayRole) -> object:
        if not index.isValid() or index.row() >= len(self.rows):
            return None
        row = self.rows[index.row()]
        if role == Qt.ItemDataRole.DisplayRole:
            return row.name
        if role == Qt.ItemDataRole.UserRole:
            return row
        if role in (Qt.ItemDataRole.AccessibleTextRole, Qt.ItemDataRole.ToolTipRole):
            return f"{row.name}: {row.facts}; {row.state}"
        return None


class _RowPainter(QStyledItemDelegate):
    """Paints a row of two lines: the name, then what is known and what is open."""

    def __init__(self, theme: Theme, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._theme = theme

    def sizeHint(self, _option: QStyleOptionViewItem, _index: _Index) -> QSize:
        name, small = self._metrics()
        return QSize(200, name.height() + small.height() + 5 * GAP_PX // 2)

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: _Index) -> None:
        row = index.data(Qt.ItemDataRole.UserRole)
        if not isinstance(row, InstrumentRow):
            return
        area: QRect = option.rect
        state: QStyle.StateFlag = option.state
        colours = self._theme.colours
        painter.save()
        if state & QStyle.StateFlag.State_Selected:
            painter.fillRect(area, QColor(colours.selected))
            painter.fillRect(QRect(area.left(), area.top(), 5, area.height()), colours.accent)
        elif state & QStyle.StateFlag.State_MouseOver:
            painter.fillRect(area, QColor(colours.lane))
        name, small = self._metrics()
        left, width = area.left() + 2 * GAP_PX, area.width() - 4 * GAP_PX
        baseline = area.top() + GAP_PX + name.ascent()
        painter.setPen(QColor(colours.ink))
        painter.setFont(self._theme.font(scale=1.25, is_bold=True))
        title = name.elidedText(row.name, Qt.TextElideMode.ElideRight, width)
        painter.drawText(left, baseline, title)
        painter.setFont(self._theme.font())
        facts_left = left + name.horizontalAdvance(title) + 2 * GAP_PX
        painter.setPen(QColor(colours.muted))
        painter.drawText(
            facts_left,
            baseline,
            small.elidedText(row.facts, Qt.TextElideMode.ElideRight, left + width - facts_left),
        )
        baseline += name.descent() + small.ascent() + GAP_PX // 2
        painter.setPen(QColor(colours.ink))
        painter.drawText(
            left, baseline, small.elidedText(row.state, Qt.TextElideMode.ElideRight, width)
        )
        painter.setPen(QPen(QColor(colours.grid), 1.0))
        y = area.bottom() + 0.5
        painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
        painter.restore()

    def _metrics(self) -> tuple[QFontMetrics, QFontMetrics]:
        return (
            QFontMetrics(self._theme.font(scale=1.25, is_bold=True)),
            QFontMetrics(self._theme.font()),
        )

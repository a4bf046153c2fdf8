"""Which notes want work, why, by how much, and what is to be looked at first?

Stands beside the map; may stand anywhere that has the model.

Classes: `WorklistPanel`.
"""

from __future__ import annotations

from PySide6.QtCore import QItemSelectionModel, QModelIndex, Qt, Signal
from PySide6.QtGui import QGuiApplication, QTextDocument
from PySide6.QtWidgets import (
    QAbstractItemView,
    QButtonGroup,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QPushButton,
    QSplitter,
    QTableView,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.actions import Actions
from toneapp.desktop.models import AppModel
from toneapp.desktop.theme import GAP_PX, Theme
from toneapp.desktop.tick_delegate import TickDelegate
from toneapp.desktop.worklist_model import (
    WorkFilter,
    WorklistModel,
    advice_html,
    cautions_html,
)
from toneapp.library import WorkEntry, Worklist, worklist_text

__all__ = ["WorklistPanel"]

_FILTERS = (
    (WorkFilter.OPEN, "Open", "List what is still to be done"),
    (WorkFilter.DONE, "Done", "List what was ticked off"),
    (WorkFilter.ALL, "All", "List everything"),
)


class WorklistPanel(QWidget):
    """List with ticks, advice for the chosen entry, cautions always in view.

    Attributes
    ----------
    key_meant : Signal(int)
        The key of the entry that was chosen.
    key_opened : Signal(int)
        The key of an entry that was opened with Enter or a double click.
    """

    key_meant = Signal(int)
    key_opened = Signal(int)

    def __init__(
        self, model: AppModel, theme: Theme, actions: Actions, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._model = model
        self._theme = theme
        self.rows = WorklistModel(self)
        self.rows.tick_wanted.connect(self._tick)
        self._add_actions(actions)
        self._build(actions)
        model.worklist_changed.connect(self.show_worklist)
        theme.changed.connect(self._fit)
        self._fit()
        self.show_worklist(model.worklist)

    def show_worklist(self, worklist: Worklist | None) -> None:
        """Show a worklist, or say why there is none."""
        self.rows.set_worklist(worklist)
        self._tell()

    def show_key(self, midi: int) -> None:
        """Bring the entry of a key into view, if it has one."""
        current = self.rows.entry(self.table.currentIndex().row())
        row = self.rows.row_of(midi)
        if row < 0 or (current is not None and current.midi == midi):
            return
        selection = self.table.selectionModel()
        selection.blockSignals(True)  # the key is known already where this comes from
        selection.setCurrentIndex(
            self.rows.index(row, 2),
            QItemSelectionModel.SelectionFlag.ClearAndSelect
            | QItemSelectionModel.SelectionFlag.Rows,
        )
        selection.blockSignals(False)
        self.table.scrollTo(self.rows.index(row, 2))
        self.table.viewport().update()
        self._show_advice()

    def text(self) -> str:
        """Return the worklist as text, for paper or another program."""
        worklist = self.rows.worklist
        return "" if worklist is None else worklist_text(worklist)

    def count_text(self) -> str:
        """Return how many entries are said to be open and done."""
        return self._count.text()

    def copy(self) -> None:
        """Put the worklist on the clipboard."""
        QGuiApplication.clipboard().setText(self.text())
        self._model.said.emit("The worklist is on the clipboard")

    def print(self) -> None:
        """Print the worklist, after asking on which printer."""
        from PySide6.QtPrintSupport import QPrintDialog, QPrinter

        printer = QPrinter()
        dialog = QPrintDialog(printer, self)
        dialog.setWindowTitle("Print the worklist")
        if dialog.exec() == QPrintDialog.DialogCode.Accepted:
            self.document().print_(printer)

    def document(self) -> QTextDocument:
        """Return the worklist as it is printed."""
        run = self._model.run
        document = QTextDocument(self)
        font = self._theme.font(scale=0.8)
        font.setFamilies(["DejaVu Sans Mono", "Courier New", "monospace"])
        document.setDefaultFont(font)
        head = "" if run is None else f"{run.title}\n\n"
        document.setPlainText(head + self.text())
        return document

    # Building

    def _add_actions(self, actions: Actions) -> None:
        actions.add(
            "worklist_tick",
            "Tick",
            on=self._toggle,
            shortcut="Space",
            page=self,
            help_text="Tick the chosen entry off, or take the tick away.",
        )
        actions.add(
            "worklist_open",
            "Note",
            on=self._open,
            shortcut="Return; Enter",
            page=self,
            help_text="Go to the page of the entry's key.",
        )
        actions.add(
            "worklist_copy",
            "Copy",
            on=self.copy,
            shortcut="Ctrl+C",
            page=self,
            help_text="Copy the whole worklist with advice and cautions as text.",
        )
        actions.add(
            "worklist_print",
            "Print",
            on=self.print,
            shortcut="Ctrl+P",
            page=self,
            help_text="Print the whole worklist, to take it to the bench.",
        )
        actions.add(
            "worklist_raise", "Worksheet", on=self._model.raise_items, shortcut="Ctrl+Shift+A",
            page=self,
            help_text="Add every finding as an item to the worksheet of the instrument.",
        )  # fmt: skip

    def _build(self, actions: Actions) -> None:
        self._count = QLabel(self)
        self.filters = QButtonGroup(self)
        head = QHBoxLayout()
        head.addWidget(self._count, 1)
        for number, (which, text, tip) in enumerate(_FILTERS):
            button = QPushButton(text, self)
            button.setCheckable(True)
            button.setChecked(which is self.rows.filter)
            button.setToolTip(tip)
            button.setAccessibleName(f"{text} entries")
            button.setAccessibleDescription(tip)
            self.filters.addButton(button, number)
            head.addWidget(button)
        self.filters.idClicked.connect(lambda number: self.set_filter(_FILTERS[number][0]))
        self._build_table()
        self.advice = self._browser("Advice for the chosen entry")
        self.cautions = self._browser("Cautions")
        self.empty = QLabel(self)
        self.empty.setWordWrap(True)
        self.empty.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.parts = QSplitter(Qt.Orientation.Vertical, self)
        self.parts.setChildrenCollapsible(False)
        for widget, share in ((self.table, 5), (self.advice, 4), (self.cautions, 3)):
            self.parts.addWidget(widget)
            self.parts.setStretchFactor(self.parts.count() - 1, share)
        foot = QHBoxLayout()
        foot.setSpacing(GAP_PX // 2)
        for name in (
            "worklist_tick", "worklist_open", "worklist_copy", "worklist_print", "worklist_raise",
        ):  # fmt: skip
            foot.addWidget(actions.button(name, self))
        foot.addStretch(1)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(GAP_PX // 2)
        column.addLayout(head)
        column.addWidget(self.empty)
        column.addWidget(self.parts, 1)
        column.addLayout(foot)

    def _build_table(self) -> None:
        table = QTableView(self)
        table.setModel(self.rows)
        table.setAccessibleName("Worklist")
        table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        table.setWordWrap(True)
        table.setShowGrid(False)
        table.setAlternatingRowColors(True)
        table.setTabKeyNavigation(False)
        table.setItemDelegateForColumn(0, TickDelegate(self._theme, table))
        table.clicked.connect(self._clicked)
        table.verticalHeader().setVisible(False)
        table.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        heads = table.horizontalHeader()
        heads.setSectionResizeMode(0, QHeaderView.ResizeMode.ResizeToContents)
        heads.setSectionResizeMode(1, QHeaderView.ResizeMode.ResizeToContents)
        heads.setSectionResizeMode(2, QHeaderView.ResizeMode.Stretch)
        heads.setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        heads.setHighlightSections(False)
        table.doubleClicked.connect(self._double_clicked)
        table.selectionModel().currentRowChanged.connect(self._row_changed)
        self.rows.modelReset.connect(self._show_advice)
        self.table = table

    def _browser(self, name: str) -> QTextBrowser:
        browser = QTextBrowser(self)
        browser.setAccessibleName(name)
        browser.setOpenLinks(False)
        browser.setMinimumHeight(90)
        return browser

    # Inside

    def set_filter(self, which: WorkFilter) -> None:
        """List open, done or all entries."""
        self.rows.set_filter(which)
        number = next(at for at, item in enumerate(_FILTERS) if item[0] is which)
        self.filters.button(number).setChecked(True)
        self._tell()

    def _tell(self) -> None:
        worklist = self.rows.worklist
        total, done = self.rows.counts()
        self._count.setText(f"Worklist: {total - done} open, {done} done")
        text = ""
        if worklist is None:
            text = "No measured run is chosen."
        elif not total:
            text = worklist_text(worklist).strip()
        elif not self.rows.rowCount():
            text = (
                "Nothing is ticked off yet."
                if self.rows.filter is WorkFilter.DONE
                else "Everything is ticked off. Record the run again to see what changed."
            )
        self.empty.setText(text)
        self.empty.setVisible(bool(text))
        self.table.setVisible(not text)
        if self.rows.rowCount() and not self.table.currentIndex().isValid():
            self.table.selectionModel().blockSignals(True)
            self.table.selectRow(0)
            self.table.selectionModel().blockSignals(False)
        self._show_advice()

    def _entry(self) -> WorkEntry | None:
        return self.rows.entry(self.table.currentIndex().row())

    def _show_advice(self) -> None:
        worklist, entry = self.rows.worklist, self._entry()
        self.advice.setHtml("" if entry is None else advice_html(entry))
        self.advice.setVisible(entry is not None)
        if worklist is not None and worklist.entries:
            chosen = worklist.entries if entry is None else (entry,)
            self.cautions.setHtml(cautions_html(chosen, worklist.defer))
        self.cautions.setVisible(worklist is not None and bool(worklist.entries))

    def _row_changed(self, _now: QModelIndex, _before: QModelIndex) -> None:
        self._show_advice()
        entry = self._entry()
        if entry is not None and entry.midi:
            self.key_meant.emit(entry.midi)

    def _clicked(self, index: QModelIndex) -> None:
        if index.column() == 0:
            self.rows.toggle(index.row())

    def _double_clicked(self, index: QModelIndex) -> None:
        if index.column() != 0:
            self._open()

    def _open(self) -> None:
        entry = self._entry()
        if entry is not None and entry.midi:
            self.key_opened.emit(entry.midi)

    def _toggle(self) -> None:
        self.rows.toggle(self.table.currentIndex().row())

    def _tick(self, entry: WorkEntry, is_done: bool) -> None:
        self._model.tick_work(entry.midi, entry.subject, is_done=is_done)

    def _fit(self) -> None:
        self._count.setFont(self._theme.font(scale=1.1, is_bold=True))
        self._show_advice()

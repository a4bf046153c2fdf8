"""The worklist as a table with ticks, and the words beside it.

The table shows a `Worklist` and sends ticks on; what a tick does is the library's matter.

Classes and functions: `WorklistModel`, `WorkFilter`, `advice_html`.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from html import escape
from typing import Any

from PySide6.QtCore import (
    QAbstractTableModel,
    QModelIndex,
    QObject,
    QPersistentModelIndex,
    Qt,
    Signal,
)

from toneapp.library import WorkEntry, Worklist

__all__ = ["WorkFilter", "WorklistModel", "advice_html", "cautions_html"]

_Index = QModelIndex | QPersistentModelIndex
_HEADS = ("Done", "Key", "Finding")
_HEAD_TIPS = (
    "Tick what was worked on; the tick is kept with the run",
    "The key to go to",
    "What stands out, its size with ± twice the standard error, and its unit",
)


class WorkFilter(StrEnum):
    """Which entries are listed."""

    ALL = "all"
    OPEN = "open"
    DONE = "done"


class WorklistModel(QAbstractTableModel):
    """Entries of a worklist, one a row.

    Attributes
    ----------
    tick_wanted : Signal(object, bool)
        A `WorkEntry` is to be ticked off, or its tick taken away.
    """

    tick_wanted = Signal(object, bool)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._worklist: Worklist | None = None
        self._filter = WorkFilter.ALL
        self._rows: tuple[WorkEntry, ...] = ()

    @property
    def worklist(self) -> Worklist | None:
        """What is listed, without the filter."""
        return self._worklist

    @property
    def filter(self) -> WorkFilter:
        """Which entries are listed."""
        return self._filter

    def set_worklist(self, worklist: Worklist | None) -> None:
        """Show a worklist."""
        rows = self._chosen(worklist, self._filter)
        is_same_length = len(rows) == len(self._rows) and [_name(e) for e in rows] == [
            _name(e) for e in self._rows
        ]
        if is_same_length:  # only ticks are different: whoever reads keeps their place
            self._worklist, self._rows = worklist, rows
            if rows:
                last = self.index(len(rows) - 1, len(_HEADS) - 1)
                self.dataChanged.emit(self.index(0, 0), last)
            return
        self.beginResetModel()
        self._worklist, self._rows = worklist, rows
        self.endResetModel()

    def set_filter(self, which: WorkFilter) -> None:
        """Show open, done or all entries."""
        self.beginResetModel()
        self._filter = which
        self._rows = self._chosen(self._worklist, which)
        self.endResetModel()

    def entry(self, row: int) -> WorkEntry | None:
        """Entry of a row; None beside the list."""
        return self._rows[row] if 0 <= row < len(self._rows) else None

    def row_of(self, midi: int, subject: str = "") -> int:
        """First row of a key, and of a finding if one is named; -1 when there is none."""
        return next(
            (
                row
                for row, entry in enumerate(self._rows)
                if entry.midi == midi and (not subject or entry.subject == subject)
            ),
            -1,
        )

    def counts(self) -> tuple[int, int]:
        """How many entries there are, and how many of them are done."""
        entries = self._worklist.entries if self._worklist is not None else ()
        return len(entries), sum(entry.is_done for entry in entries)

    def toggle(self, row: int) -> None:
        """Ask for the tick of a row to be set or taken away."""
        entry = self.entry(row)
        if entry is not None:
            self.tick_wanted.emit(entry, not entry.is_done)

    @staticmethod
    def _chosen(worklist: Worklist | None, which: WorkFilter) -> tuple[WorkEntry, ...]:
        entries: Sequence[WorkEntry] = () if worklist is None else worklist.entries
        if which is WorkFilter.ALL:
            return tuple(entries)
        return tuple(entry for entry in entries if entry.is_done == (which is WorkFilter.DONE))

    # What Qt asks

    def rowCount(self, parent: _Index = QModelIndex()) -> int:  # noqa: B008 -- Qt's own signature
        """Entries shown."""
        return 0 if parent.isValid() else len(self._rows)

    def columnCount(self, parent: _Index = QModelIndex()) -> int:  # noqa: B008 -- as above
        """Tick, key and finding."""
        return 0 if parent.isValid() else len(_HEADS)

    def data(self, index: _Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        """Text, tick and description of a cell."""
        entry = self.entry(index.row())
        if entry is None:
            return None
        column = index.column()
        if role == Qt.ItemDataRole.CheckStateRole and column == 0:
            return Qt.CheckState.Checked if entry.is_done else Qt.CheckState.Unchecked
        if role == Qt.ItemDataRole.DisplayRole:
            return ("", entry.note, _finding(entry))[column]
        if role == Qt.ItemDataRole.AccessibleTextRole:
            state = "done" if entry.is_done else "open"
            return f"{entry.note}, {_finding(entry)}, {state}"
        if role == Qt.ItemDataRole.ToolTipRole:
            return _HEAD_TIPS[0] if column == 0 else f"{entry.title}. {entry.why}"
        return None

    def setData(self, index: _Index, value: Any, role: int = Qt.ItemDataRole.EditRole) -> bool:
        """Send a tick on."""
        entry = self.entry(index.row())
        if entry is None or role != Qt.ItemDataRole.CheckStateRole or index.column() != 0:
            return False
        is_done = Qt.CheckState(value) is Qt.CheckState.Checked
        if is_done != entry.is_done:
            self.tick_wanted.emit(entry, is_done)
        return True

    def flags(self, _index: _Index) -> Qt.ItemFlag:
        """Cells are chosen, not typed into."""
        # The box takes no clicks of its own: the whole cell does, see `WorklistPanel`.
        return Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable

    def headerData(
        self,
        section: int,
        orientation: Qt.Orientation,
        role: int = Qt.ItemDataRole.DisplayRole,
    ) -> Any:
        """Heads of the columns."""
        if orientation is not Qt.Orientation.Horizontal or not 0 <= section < len(_HEADS):
            return None
        if role == Qt.ItemDataRole.DisplayRole:
            return _HEADS[section]
        return _HEAD_TIPS[section] if role == Qt.ItemDataRole.ToolTipRole else None


def advice_html(entry: WorkEntry) -> str:
    """Write what may lie behind an entry and what to do, reversible steps first.

    Parameters
    ----------
    entry : WorkEntry

    Returns
    -------
    str
        Simple HTML; all texts are escaped.
    """
    parts = [
        f"<h3>{escape(entry.note)}: {escape(entry.title)}</h3>",
        f"<p>{escape(_finding(entry))}.</p>",
        f"<p>{escape(entry.why)}</p>",
    ]
    for head, steps in (
        ("Look first at", entry.check_first),
        ("Then, what can be undone", entry.reversible),
        ("Last, what cannot be undone", entry.irreversible),
    ):
        if steps:
            items = "".join(f"<li>{escape(step)}</li>" for step in steps)
            parts.append(f"<h4>{head}</h4><ol>{items}</ol>")
    if entry.done_note:
        parts.append(f"<p><b>Done:</b> {escape(entry.done_note)}</p>")
    return "".join(parts)


def cautions_html(entries: Sequence[WorkEntry], defer: str) -> str:
    """Write the cautions of some entries, each once, and who should do the work."""
    texts = dict.fromkeys(text for entry in entries for text in entry.cautions)
    items = "".join(f"<li>{escape(text)}</li>" for text in texts)
    head = f"<h4>\N{WARNING SIGN} Cautions</h4><ul>{items}</ul>" if items else ""
    return f"{head}<p>{escape(defer)}</p>"


def _name(entry: WorkEntry) -> tuple[int, str]:
    return entry.midi, entry.subject


def _finding(entry: WorkEntry) -> str:
    return entry.reason[:1].upper() + entry.reason[1:]

"""Which lanes are shown, in which order, and which one is enlarged? Chosen in a small window.

Classes: `LaneChooser`.
"""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QAbstractItemView,
    QDialog,
    QDialogButtonBox,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.lane_order import LaneOrder
from toneapp.desktop.map_lanes import LANE_KINDS
from toneapp.desktop.theme import BIG_TARGET_PX, GAP_PX

__all__ = ["LaneChooser"]


class LaneChooser(QDialog):
    """List of all lanes with boxes; every change is sent at once.

    Attributes
    ----------
    order_changed : Signal(object)
        `LaneOrder`.
    """

    order_changed = Signal(object)

    def __init__(
        self, order: LaneOrder, *, measured: frozenset[str], parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle("Lanes above the keyboard")
        self._order = order
        self._measured = measured
        self.list = QListWidget(self)
        self.list.setAccessibleName("Lanes, from top to bottom")
        self.list.setDragDropMode(QAbstractItemView.DragDropMode.InternalMove)
        self.list.setStyleSheet(f"QListWidget::item {{ min-height: {BIG_TARGET_PX - 8}px; }}")
        self.list.setMinimumSize(360, 440)
        self.list.itemChanged.connect(self._read)
        self.list.model().rowsMoved.connect(self._read)
        self.up = self._button("&Up", "Move the chosen lane up", lambda: self._move(-1))
        self.down = self._button("&Down", "Move the chosen lane down", lambda: self._move(1))
        self.enlarge = self._button(
            "&Enlarge", "Give the chosen lane three times the height", self._enlarge
        )
        self.usual = self._button("A&s at first", "Show the lanes as at first", self._reset)
        self._sentence = QLabel(self)
        self._sentence.setWordWrap(True)
        self._sentence.setMinimumHeight(3 * self._sentence.fontMetrics().height())
        self._sentence.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.list.currentItemChanged.connect(self._explain)
        ends = QDialogButtonBox(QDialogButtonBox.StandardButton.Close, self)
        ends.rejected.connect(self.reject)
        buttons = QVBoxLayout()
        buttons.setSpacing(GAP_PX // 2)
        for button in (self.up, self.down, self.enlarge, self.usual):
            buttons.addWidget(button)
        buttons.addStretch(1)
        middle = QHBoxLayout()
        middle.addWidget(self.list, 1)
        middle.addLayout(buttons)
        column = QVBoxLayout(self)
        column.addLayout(middle, 1)
        column.addWidget(self._sentence)
        column.addWidget(ends)
        self._fill(self._order.shown[0])

    @property
    def order(self) -> LaneOrder:
        """The order as it stands in the list."""
        return self._order

    def _button(self, text: str, tip: str, on: object) -> QPushButton:
        button = QPushButton(text, self)
        button.setToolTip(tip)
        button.setAccessibleDescription(tip)
        button.setAutoDefault(False)
        button.clicked.connect(on)
        return button

    def _fill(self, chosen: str) -> None:
        self.list.blockSignals(True)
        self.list.model().blockSignals(True)
        self.list.clear()
        for key in self._order.keys:
            kind = LANE_KINDS[key]
            words = [kind.name]
            if key == self._order.enlarged:
                words.append("(enlarged)")
            if key not in self._measured:
                words.append("(not measured)")
            item = QListWidgetItem(" ".join(words))
            item.setData(Qt.ItemDataRole.UserRole, key)
            item.setToolTip(kind.sentence)
            item.setFlags(
                Qt.ItemFlag.ItemIsEnabled
                | Qt.ItemFlag.ItemIsSelectable
                | Qt.ItemFlag.ItemIsUserCheckable
                | Qt.ItemFlag.ItemIsDragEnabled
            )
            hidden = key in self._order.hidden
            item.setCheckState(Qt.CheckState.Unchecked if hidden else Qt.CheckState.Checked)
            self.list.addItem(item)
        self.list.model().blockSignals(False)
        self.list.blockSignals(False)
        keys = list(self._order.keys)
        self.list.setCurrentRow(keys.index(chosen) if chosen in keys else 0)
        self.list.doItemsLayout()

    def _chosen(self) -> str:
        row = self.list.currentRow()
        return "" if row < 0 else str(self.list.item(row).data(Qt.ItemDataRole.UserRole))

    def _read(self, *_ignored: object) -> None:
        """Take up boxes and order of the list."""
        items = [self.list.item(row) for row in range(self.list.count())]
        keys = tuple(str(item.data(Qt.ItemDataRole.UserRole)) for item in items)
        hidden = frozenset(
            key
            for key, item in zip(keys, items, strict=True)
            if item.checkState() is Qt.CheckState.Unchecked
        )
        if len(hidden) == len(keys):  # one lane stays
            self._fill(self._chosen())
            return
        self._set(LaneOrder(keys=keys, hidden=hidden, enlarged=self._order.enlarged))

    def _set(self, order: LaneOrder) -> None:
        if order != self._order:
            self._order = order
            self.order_changed.emit(order)

    def _move(self, places: int) -> None:
        key = self._chosen()
        keys = [item for item in self._order.keys if item != key]
        at = self._order.keys.index(key) + places
        if not 0 <= at < len(self._order.keys):
            return
        keys.insert(at, key)
        self._set(
            LaneOrder(keys=tuple(keys), hidden=self._order.hidden, enlarged=self._order.enlarged)
        )
        self._fill(key)

    def _enlarge(self) -> None:
        key = self._chosen()
        order = self._order.with_shown(key, is_shown=True).with_enlarged(key)
        self._set(order)
        self._fill(key)

    def _reset(self) -> None:
        self._set(LaneOrder())
        self._fill(self._chosen())

    def _explain(self, *_ignored: object) -> None:
        key = self._chosen()
        self._sentence.setText(LANE_KINDS[key].sentence if key else "")

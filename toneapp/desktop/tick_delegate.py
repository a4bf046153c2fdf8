"""A tick box that is large enough for the bench and seen by day and by night.

Classes: `TickDelegate`.
"""

from __future__ import annotations

from PySide6.QtCore import (
    QAbstractItemModel,
    QEvent,
    QModelIndex,
    QPersistentModelIndex,
    QPointF,
    QRectF,
    QSize,
    Qt,
)
from PySide6.QtGui import QMouseEvent, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QStyle, QStyledItemDelegate, QStyleOptionViewItem, QWidget

from toneapp.desktop.theme import BIG_TARGET_PX, Theme

__all__ = ["TickDelegate"]

_BOX_PX = 24.0


class TickDelegate(QStyledItemDelegate):
    """Paints the check state of a cell as a box, ticked or empty."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme

    def paint(
        self,
        painter: QPainter,
        option: QStyleOptionViewItem,
        index: QModelIndex | QPersistentModelIndex,
    ) -> None:
        """Paint the box in the middle of its cell."""
        area = QRectF(option.rect)
        if option.state & QStyle.StateFlag.State_Selected:
            painter.fillRect(area, self._theme.colour("selected"))
        is_done = Qt.CheckState(index.data(Qt.ItemDataRole.CheckStateRole))
        middle = area.center()
        box = QRectF(middle.x() - _BOX_PX / 2, middle.y() - _BOX_PX / 2, _BOX_PX, _BOX_PX)
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(self._theme.colour("muted"), 2.0))
        painter.setBrush(self._theme.colour("paper"))
        painter.drawRoundedRect(box, 4.0, 4.0)
        if is_done is Qt.CheckState.Checked:
            painter.setPen(QPen(self._theme.colour("accent"), 4.0))
            painter.drawPolyline(
                QPolygonF(
                    [
                        box.topLeft() + QPointF(x * _BOX_PX, y * _BOX_PX)
                        for x, y in ((0.2, 0.52), (0.42, 0.74), (0.82, 0.26))
                    ]
                )
            )
        painter.restore()

    def editorEvent(
        self,
        event: QEvent,
        model: QAbstractItemModel,
        option: QStyleOptionViewItem,
        index: QModelIndex | QPersistentModelIndex,
    ) -> bool:
        """Take a click anywhere in the cell for one on the box, where the model allows it."""
        is_click = (
            event.type() is QEvent.Type.MouseButtonRelease
            and isinstance(event, QMouseEvent)
            and event.button() is Qt.MouseButton.LeftButton
        )
        if not is_click or not index.flags() & Qt.ItemFlag.ItemIsUserCheckable:
            return super().editorEvent(event, model, option, index)
        was = Qt.CheckState(index.data(Qt.ItemDataRole.CheckStateRole))
        now = Qt.CheckState.Unchecked if was is Qt.CheckState.Checked else Qt.CheckState.Checked
        return model.setData(index, now.value, Qt.ItemDataRole.CheckStateRole)

    def sizeHint(
        self, _option: QStyleOptionViewItem, _index: QModelIndex | QPersistentModelIndex
    ) -> QSize:
        """Room for a finger."""
        return QSize(BIG_TARGET_PX + 12, BIG_TARGET_PX)

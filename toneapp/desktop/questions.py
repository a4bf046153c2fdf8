"""A question before something that cannot be undone; nothing else is asked.

Functions: `ask`.
"""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QMessageBox, QWidget

__all__ = ["ask"]


def ask(parent: QWidget, text: str, yes: str, on_yes: Callable[[], object]) -> QMessageBox:
    """Ask, and do it if the person says so; the safe answer is the one that Enter gives.

    Parameters
    ----------
    parent : QWidget
        The question stands over its window.
    text : str
        The question.
    yes : str
        What the button says that does it.
    on_yes : callable
        Does it.
    """
    box = QMessageBox(parent)
    box.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
    box.setWindowTitle("toneapp")
    box.setText(text)
    do_it = box.addButton(yes, QMessageBox.ButtonRole.AcceptRole)
    keep = box.addButton("Leave as it is", QMessageBox.ButtonRole.RejectRole)
    box.setDefaultButton(keep)
    box.setEscapeButton(keep)
    do_it.clicked.connect(lambda: on_yes())
    box.open()
    return box

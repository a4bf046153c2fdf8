"""The program itself, which besides writes down where its widgets are on the screen.

A hand outside (xdotool) needs to know where to point, as an eye would tell it. Nothing in the
program is changed: a timer reads what is visible and writes it to the file that is named.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from PySide6.QtCore import QPoint, QRect, QTimer
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QApplication,
    QLabel,
    QWidget,
)

from toneapp.desktop.app import main

LOOK_MS = 100


def on_screen(widget: QWidget, area: QRect) -> list[int]:
    """Rectangle of a part of a widget on the screen."""
    corner = widget.mapToGlobal(QPoint(area.x(), area.y()))
    return [corner.x(), corner.y(), area.width(), area.height()]


def visible() -> dict[str, object]:
    """What is to be seen: names of widgets with their places, rows of lists, texts."""
    places: dict[str, list[int]] = {}
    rows: dict[str, list[list[int]]] = {}
    texts: list[str] = []
    for widget in QApplication.allWidgets():
        if not widget.isVisible() or widget.visibleRegion().isEmpty():
            continue
        name = widget.accessibleName()
        if isinstance(widget, QAbstractButton):
            name = name or widget.text().replace("&", "")
        if isinstance(widget, QLabel):
            texts.append(widget.text())
        if name:
            places[name] = on_screen(widget, widget.visibleRegion().boundingRect())
        if name and isinstance(widget, QAbstractItemView):
            rows[name] = first_rows(widget)
    modal = QApplication.activeModalWidget()
    active = QApplication.activeWindow()
    window = next(
        (w for w in QApplication.topLevelWidgets() if w.isVisible() and hasattr(w, "page_names")),
        None,
    )
    return {
        "places": places,
        "rows": rows,
        "texts": texts,
        "active": "" if active is None else active.windowTitle(),
        "modal": "" if modal is None else modal.windowTitle(),
        "page": "" if window is None or window.page is None else window.page.name,
        "midi": 0 if window is None else window.model.midi,
        "is_idle": window is not None and window.model.tasks.is_idle,
        "focus": "" if QApplication.focusWidget() is None
        else QApplication.focusWidget().accessibleName(),
    }  # fmt: skip


def first_rows(view: QAbstractItemView) -> list[list[int]]:
    """Places of the first cells of the rows that are seen."""
    model = view.model()
    found = []
    for row in range(min(model.rowCount() if model is not None else 0, 40)):
        area = view.visualRect(model.index(row, 0))
        if view.viewport().rect().contains(area.center()):
            found.append(on_screen(view.viewport(), area))
    return found


def run(target: Path, words: list[str]) -> int:
    """Start the program with its words; write down what is seen until it ends."""
    application = QApplication.instance() or QApplication(sys.argv[:1])
    timer = QTimer(application)

    def write() -> None:
        temporary = target.with_suffix(".new")
        temporary.write_text(json.dumps(visible()), encoding="utf-8")
        temporary.replace(target)

    timer.timeout.connect(write)
    timer.start(LOOK_MS)
    return main(words)


if __name__ == "__main__":
    sys.exit(run(Path(sys.argv[1]), sys.argv[2:]))

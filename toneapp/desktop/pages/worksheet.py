"""What was found at the instrument, and what is done? The worksheet, to be ticked and typed into.

Classes: `WorksheetPanel`.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QApplication,
    QCheckBox,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QMenu,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.actions import Actions
from toneapp.desktop.models import AppModel
from toneapp.desktop.row_table import Column, RowTable
from toneapp.desktop.theme import Theme
from toneapp.desktop.typed_facts import key_words, typed_key, typed_whole
from toneapp.evenness import load_advice
from toneapp.library import ItemState, WorksheetItem, worksheet_text

__all__ = ["WorksheetPanel"]

NEW_AREA = "Other"


class WorksheetPanel(QWidget):
    """Items of the worksheet in a table; every cell is typed over in place."""

    def __init__(
        self, model: AppModel, theme: Theme, actions: Actions, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._model = model
        self._actions = actions
        self.table = RowTable(self._columns(), theme, key=lambda item: item.id, name="Worksheet")
        self.table.setWordWrap(True)
        self.table.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        self.sum_line = QLabel(self)
        self.sum_line.setProperty("muted", True)
        self.caution = QLabel(load_advice().defer, self)
        self.caution.setWordWrap(True)
        self.caution.setProperty("muted", True)
        self.empty = QLabel(
            "The worksheet is empty. Begin with a template, add an item, or take over what the "
            "chosen run has raised.",
            self,
        )
        self.empty.setWordWrap(True)
        self.empty.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.only_open = QCheckBox("Only what is &open", self)
        self.only_open.toggled.connect(lambda _on: self.refresh())
        self._add_actions()
        self._build()

    def refresh(self) -> None:
        """Show the items of the chosen instrument."""
        number = self._model.instrument_id
        items = self._model.read(lambda library: library.worksheets.items(number), ())
        shown = [
            item
            for item in items
            if not (self.only_open.isChecked() and item.state is ItemState.DONE)
        ]
        self.table.set_rows(shown)
        self.table.setVisible(bool(shown))
        self.caution.setVisible(bool(shown))
        self.empty.setVisible(not shown)
        open_count = sum(item.state is ItemState.OPEN for item in items)
        minutes = sum(item.minutes or 0 for item in items)
        self.sum_line.setText(
            f"{open_count} open, {len(items) - open_count} done, {minutes} minutes noted"
        )
        for name in ("item_remove", "worksheet_copy"):
            self._actions[name].setEnabled(bool(shown))
        self._actions["items_from_run"].setEnabled(self._model.run is not None)

    def add_item(self) -> None:
        """Add an item and begin to type into it."""
        number = self._model.instrument_id

        def added(item: WorksheetItem) -> None:
            self.refresh()
            if self.table.choose(item.id):
                index = self.table.rows_model.index(self.table.currentIndex().row(), 2)
                self.table.setCurrentIndex(index)
                self.table.edit(index)

        self._model.edit(
            lambda library: library.worksheets.add(
                WorksheetItem(instrument_id=number, area=NEW_AREA)
            ),
            added,
        )

    def remove_item(self) -> None:
        """Lay the chosen item in the bin."""
        item = self.table.chosen
        if item is not None:
            self._model.edit(lambda library: library.worksheets.remove(item))

    def begin_with(self, name: str) -> None:
        """Add the items of a template that are not there yet."""
        number = self._model.instrument_id
        self._model.edit(
            lambda library: library.worksheets.begin(number, library.templates()[name])
        )

    def copy_text(self) -> None:
        """Put the worksheet on the clipboard as text, to be printed or sent."""
        instrument = self._model.instrument
        if instrument is None:
            return
        items = self._model.read(lambda library: library.worksheets.items(instrument.id), ())
        QApplication.clipboard().setText(worksheet_text(instrument, items))
        self._model.said.emit("The worksheet is on the clipboard as text")

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column(
                title="Done",
                text=lambda _item: "",
                tip="Tick what is done",
                width=5,
                is_checked=lambda item: item.state is ItemState.DONE,
                check=self._tick,
            ),
            Column(
                title="Key",
                text=lambda item: key_words(item.midi),
                width=6,
                edit=self._change(lambda item, text: replace(item, midi=typed_key(text, "key"))),
            ),
            Column(
                title="Area",
                text=lambda item: item.area,
                width=14,
                edit=self._change(lambda item, text: replace(item, area=text)),
            ),
            Column(
                title="Finding",
                text=lambda item: item.finding,
                stretches=True,
                edit=self._change(lambda item, text: replace(item, finding=text)),
            ),
            Column(
                title="What to do",
                text=lambda item: item.action,
                stretches=True,
                edit=self._change(lambda item, text: replace(item, action=text)),
            ),
            Column(
                title="Minutes",
                text=lambda item: "" if item.minutes is None else str(item.minutes),
                is_number=True,
                width=9,
                edit=self._change(
                    lambda item, text: replace(item, minutes=typed_whole(text, "minutes"))
                ),
            ),
            Column(
                title="Note",
                text=lambda item: item.note,
                width=14,
                edit=self._change(lambda item, text: replace(item, note=text)),
            ),
        )

    def _change(
        self, changed: Callable[[WorksheetItem, str], WorksheetItem]
    ) -> Callable[[WorksheetItem, str], None]:
        def change(item: WorksheetItem, text: str) -> None:
            # What is typed fast must not take back what was typed a moment ago.
            self._model.edit(
                lambda library: library.worksheets.change(
                    changed(library.worksheets.get(item.id), text.strip())
                )
            )

        return change

    def _tick(self, item: WorksheetItem, is_done: bool) -> None:
        self._model.edit(
            lambda library: library.worksheets.tick(
                library.worksheets.get(item.id), is_done=is_done
            )
        )

    def _add_actions(self) -> None:
        for name, text, on, shortcut, help_text in (
            ("item_add", "Add item", self.add_item, "Ins", "Add an item to the worksheet."),
            (
                "items_from_run",
                "Take over from the run",
                self._model.raise_items,
                "",
                "Add an item for each note that the chosen run has raised.",
            ),
            (
                "item_remove",
                "To the bin",
                self.remove_item,
                "Del",
                "Lay the chosen item in the bin; it can be brought back.",
            ),
            (
                "worksheet_copy",
                "Copy as text",
                self.copy_text,
                "",
                "Put the worksheet on the clipboard, to be printed or sent.",
            ),
        ):
            self._actions.add(name, text, on=on, shortcut=shortcut, help_text=help_text, page=self)

    def _build(self) -> None:
        buttons = QHBoxLayout()
        self.template_button = QToolButton(self)
        self.template_button.setText("Begin with a &template")
        self.template_button.setToolTip("Add the items of a template that are not there yet.")
        self.template_button.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.template_button.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        menu = QMenu(self.template_button)
        menu.aboutToShow.connect(self._fill_templates)
        self.template_button.setMenu(menu)
        buttons.addWidget(self.template_button)
        for name in ("item_add", "items_from_run"):
            buttons.addWidget(self._actions.button(name, self))
        buttons.addStretch(1)
        buttons.addWidget(self.only_open)
        for name in ("worksheet_copy", "item_remove"):
            buttons.addWidget(self._actions.button(name, self))
        layout = QVBoxLayout(self)
        layout.addLayout(buttons)
        layout.addWidget(self.table, 1)
        layout.addWidget(self.empty, 1)
        layout.addWidget(self.sum_line)
        layout.addWidget(self.caution)

    def _fill_templates(self) -> None:
        menu = self.template_button.menu()
        menu.clear()
        instrument = self._model.instrument
        templates = self._model.read(lambda library: library.templates(), {})
        for template in templates.values():
            if instrument is None or instrument.kind in template.kinds:
                menu.addAction(template.title, functools.partial(self.begin_with, template.name))

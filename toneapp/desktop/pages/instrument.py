"""One instrument: its runs, worksheet, hand measurements and facts.

Classes: `InstrumentPage`.
"""

from __future__ import annotations

from typing import ClassVar

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.actions import Actions
from toneapp.desktop.forms import InstrumentForm
from toneapp.desktop.models import AppModel
from toneapp.desktop.overview import RunRow, run_rows
from toneapp.desktop.pages.base import Page
from toneapp.desktop.pages.weights import WeightsPanel
from toneapp.desktop.pages.worksheet import WorksheetPanel
from toneapp.desktop.row_table import Column, RowTable
from toneapp.desktop.theme import GAP_PX, Theme
from toneapp.errors import InputError
from toneapp.library import Instrument, Purpose

__all__ = ["InstrumentPage", "RunsPanel"]

_PAGE_OF = {
    Purpose.EVENNESS: "evenness",
    Purpose.RING_ON: "ring_on",
    Purpose.REPETITION: "evenness",
}


class InstrumentPage(Page):
    """Everything about the chosen instrument, in four tabs."""

    name: ClassVar[str] = "instrument"
    title: ClassVar[str] = "This instrument"
    empty_text: ClassVar[str] = "No instrument is chosen. Go to the list and open one."

    def __init__(
        self, model: AppModel, theme: Theme, actions: Actions, parent: QWidget | None = None
    ) -> None:
        super().__init__(model, theme, actions, parent)
        self.heading = QLabel(self.body)
        self.heading.setTextFormat(Qt.TextFormat.PlainText)
        self.facts_line = QLabel(self.body)
        self.facts_line.setProperty("muted", True)
        self.facts_line.setTextFormat(Qt.TextFormat.PlainText)
        self.runs = RunsPanel(model, theme, actions, self)
        self.worksheet = WorksheetPanel(model, theme, actions, self)
        self.weights = WeightsPanel(model, theme, actions, self)
        self.facts = FactsPanel(model, self)
        self.tabs = QTabWidget(self.body)
        self.tabs.setAccessibleName("Parts of this instrument")
        for panel, title in (
            (self.runs, "&Runs"),
            (self.worksheet, "&Worksheet"),
            (self.weights, "&Hand measurements"),
            (self.facts, "&Facts"),
        ):
            self.tabs.addTab(panel, title)
        layout = QVBoxLayout(self.body)
        layout.setContentsMargins(GAP_PX, GAP_PX, GAP_PX, GAP_PX)
        layout.addWidget(self.heading)
        layout.addWidget(self.facts_line)
        layout.addWidget(self.tabs, 1)
        self.setFocusProxy(self.runs.table)

    def follow(self) -> tuple[str, ...]:
        """Follow the library and the choice of the instrument and run."""
        return ("library_changed", "instrument_changed", "run_changed")

    def empty_state(self) -> str:
        """Say where instruments are chosen."""
        return "" if self.model.instrument is not None else self.empty_text

    def empty_actions(self) -> tuple[str, ...]:
        """Offer the way to the list."""
        return ("page_instruments", "add_instrument")

    def refresh(self) -> None:
        """Show the instrument in all tabs."""
        instrument = self.model.instrument
        if instrument is None:
            return
        self.heading.setFont(self.theme.font(scale=1.5, is_bold=True))
        self.heading.setText(instrument.name)
        self.facts_line.setText(_facts_of(instrument))
        self.runs.refresh()
        self.worksheet.refresh()
        self.weights.refresh()
        self.facts.refresh()


class RunsPanel(QWidget):
    """Runs of the instrument, and what can be done with one."""

    def __init__(
        self, model: AppModel, theme: Theme, actions: Actions, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._model = model
        self.table = RowTable(
            (
                Column(title="Recorded", text=lambda row: row.day, width=12),
                Column(title="Condition", text=lambda row: row.run.condition, stretches=True),
                Column(title="Purpose", text=lambda row: row.run.purpose.value, width=10),
                Column(title="Place", text=lambda row: row.run.place, width=18),
                Column(
                    title="Raised",
                    text=lambda row: row.raised,
                    tip="Notes that leave the instrument's own trend",
                    is_number=True,
                    width=10,
                ),
                Column(
                    title="Uneven level",
                    text=lambda row: row.level,
                    tip="Unevenness of level: spread of the notes about their trend",
                    is_number=True,
                    width=13,
                ),
                Column(
                    title="brightness",
                    text=lambda row: row.brightness,
                    tip="Unevenness of brightness: spread of the notes about their trend",
                    is_number=True,
                    width=11,
                ),
                Column(title="Values", text=lambda row: row.state, width=15),
            ),
            theme,
            key=lambda row: row.run.id,
            name="Runs",
            parent=self,
        )
        self.table.opened.connect(self._open)
        self.empty = QLabel(
            "No run yet. Import a recording: a chromatic run, one long file or a folder with one "
            "file a note. A file can also be dropped on this window.",
            self,
        )
        self.empty.setWordWrap(True)
        self.empty.setAlignment(Qt.AlignmentFlag.AlignCenter)
        for name, text, on, shortcut, help_text in (
            (
                "run_open",
                "Look at it",
                self.open_chosen,
                "",
                "Show the chosen run: its evenness, or what rings on.",
            ),
            (
                "run_measure",
                "Measure again",
                self.measure_chosen,
                "Ctrl+M",
                "Measure the chosen run from its recording, with the present facts and labels.",
            ),
            (
                "run_facts",
                "Facts of the run",
                self.change_chosen,
                "Ctrl+E",
                "Correct purpose, condition, place and microphone of the chosen run.",
            ),
            (
                "run_remove",
                "To the bin",
                self.remove_chosen,
                "Del",
                "Lay the chosen run in the bin; it can be brought back.",
            ),
        ):
            actions.add(name, text, on=on, shortcut=shortcut, help_text=help_text, page=self)
        buttons = QHBoxLayout()
        for name in ("import_file", "import_folder"):
            if name in actions:
                buttons.addWidget(actions.button(name, self))
        buttons.addStretch(1)
        self._run_buttons = [
            actions.button(name, self)
            for name in ("run_open", "run_measure", "run_facts", "run_remove")
        ]
        for button in self._run_buttons:
            buttons.addWidget(button)
        layout = QVBoxLayout(self)
        layout.addLayout(buttons)
        layout.addWidget(self.table, 1)
        layout.addWidget(self.empty, 1)
        self._actions = actions

    def refresh(self) -> None:
        """Show the runs of the chosen instrument."""
        number = self._model.instrument_id
        rows = self._model.read(lambda library: run_rows(library, number), ())
        is_first = self.table.chosen is None
        self.table.set_rows(rows)
        if is_first:
            self.table.choose(self._model.run_id)
        self.table.setVisible(bool(rows))
        self.empty.setVisible(not rows)
        for name in ("run_open", "run_measure", "run_facts", "run_remove"):
            self._actions[name].setEnabled(bool(rows))

    def open_chosen(self) -> None:
        """Show the chosen run."""
        if self.table.chosen is not None:
            self._open(self.table.chosen)

    def measure_chosen(self) -> None:
        """Measure the chosen run in the background."""
        row = self.table.chosen
        if row is not None:
            self._model.measure_run(row.run.id)

    def change_chosen(self) -> None:
        """Correct the facts of the chosen run."""
        row = self.table.chosen
        if row is not None:
            from toneapp.desktop.pages.import_dialog import RunFactsDialog

            RunFactsDialog(self._model, row.run, self).open()

    def remove_chosen(self) -> None:
        """Lay the chosen run in the bin."""
        row = self.table.chosen
        if row is not None:
            self._model.edit(
                lambda library: library.runs.remove(row.run),
                lambda _run: self._model.said.emit("The run lies in the bin; undo brings it back"),
            )

    def _open(self, row: RunRow) -> None:
        self._model.choose_run(row.run.id)
        if row.figures is None:
            self._model.measure_run(row.run.id)
        self._model.go(_PAGE_OF[row.run.purpose])


class FactsPanel(QWidget):
    """Facts of the instrument, to be changed."""

    def __init__(self, model: AppModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self._shown: Instrument | None = None
        self.form = InstrumentForm(self)
        self.save_button = QPushButton("Keep", self)
        self.save_button.setProperty("next", "true")
        self.save_button.setAccessibleDescription("Write the changed facts into the library")
        self.revert_button = QPushButton("Leave as it was", self)
        self.message = QLabel(self)
        self.message.setProperty("accent", True)
        self.message.setWordWrap(True)
        self.remove_button = QPushButton("Instrument to the bin", self)
        self.save_button.clicked.connect(self.save)
        self.revert_button.clicked.connect(self._show_again)
        self.remove_button.clicked.connect(self.remove)
        self.form.changed.connect(self._form_changed)
        scroll = QScrollArea(self)
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QScrollArea.Shape.NoFrame)
        scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # its fields take the keyboard
        scroll.setWidget(self.form)
        buttons = QHBoxLayout()
        buttons.addWidget(self.save_button)
        buttons.addWidget(self.revert_button)
        buttons.addWidget(self.message, 1)
        buttons.addWidget(self.remove_button)
        layout = QVBoxLayout(self)
        layout.addWidget(scroll, 1)
        layout.addLayout(buttons)
        self._set_changed(False)

    def refresh(self) -> None:
        """Show the chosen instrument, unless something is being typed about it."""
        instrument = self._model.instrument
        is_other = self._shown is None or (instrument and instrument.id != self._shown.id)
        if is_other or not self.save_button.isEnabled():
            self._show_again()

    def save(self) -> None:
        """Keep what was typed."""
        try:
            instrument = self.form.read_instrument()
        except InputError as exc:
            self.message.setText(str(exc))
            return

        def kept(_instrument: Instrument) -> None:
            self._set_changed(False)
            self._show_again()
            self._model.said.emit("Kept")

        self._model.edit(
            lambda library: library.instruments.change(instrument),
            kept,
            on_failed=self.message.setText,
        )

    def remove(self) -> None:
        """Lay the instrument with all its runs in the bin."""
        instrument = self._model.instrument
        if instrument is None:
            return
        self._model.edit(
            lambda library: library.instruments.remove(instrument),
            lambda _gone: self._model.said.emit(
                f"{instrument.name} lies in the bin with its runs; undo brings it back"
            ),
        )
        self._model.go("instruments")

    def _show_again(self) -> None:
        instrument = self._model.instrument
        if instrument is not None:
            self._shown = instrument
            self.form.show_instrument(instrument)
        self._set_changed(False)

    def _form_changed(self) -> None:
        self._set_changed(True)

    def _set_changed(self, is_changed: bool) -> None:
        self.save_button.setEnabled(is_changed)
        self.revert_button.setEnabled(is_changed)
        self.message.setText("")


def _facts_of(instrument: Instrument) -> str:
    compass = f"{len(instrument.compass)} keys"
    words = (
        instrument.kind.value,
        instrument.maker,
        instrument.model,
        instrument.serial,
        instrument.year,
        compass,
        instrument.place,
    )
    return "  ·  ".join(word for word in words if word)

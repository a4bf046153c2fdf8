"""What do the keys weigh, and how deep do they go? Hand measurements as a table of keys.

Classes: `WeightsPanel`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QApplication,
    QComboBox,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.actions import Actions
from toneapp.desktop.models import AppModel
from toneapp.desktop.reading_files import read_text_file
from toneapp.desktop.row_table import Column, RowTable
from toneapp.desktop.theme import Theme
from toneapp.desktop.typed_facts import typed_number
from toneapp.errors import InputError, ToneappError
from toneapp.library import HandSet, KeyMeasurement, Library, hand_csv, parse_hand_table
from toneapp.pitch import note_name
from toneapp.saving import write_atomically
from toneapp.wording import quantity_text

__all__ = ["WeightsPanel"]


class WeightsPanel(QWidget):
    """One set of hand measurements at a time; friction and balance weight follow by themselves."""

    def __init__(
        self, model: AppModel, theme: Theme, actions: Actions, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._model = model
        self._actions = actions
        self._sets: tuple[HandSet, ...] = ()
        self.choice = QComboBox(self)
        self.choice.setAccessibleName("Set of hand measurements")
        self.choice.setMinimumContentsLength(28)
        self.choice.activated.connect(lambda _index: self._show_set())
        self.table = RowTable(
            self._columns(), theme, key=lambda key: key.midi, name="Hand measurements", parent=self
        )
        self.empty = QLabel(
            "Nothing was measured by hand yet. Begin a set and type the weights in, or paste a "
            "table: note, down weight (g), up weight (g), key dip (mm).",
            self,
        )
        self.empty.setWordWrap(True)
        self.empty.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.explanation = QLabel(
            "Friction is half of down weight less up weight; balance weight is their mean.", self
        )
        self.explanation.setProperty("muted", True)
        self._add_actions()
        self._build()

    @property
    def chosen_set(self) -> HandSet | None:
        """The set that is shown."""
        number = self.choice.currentData()
        return next((item for item in self._sets if item.id == number), None)

    def refresh(self) -> None:
        """Show the sets of the chosen instrument."""
        number = self._model.instrument_id
        self._sets = self._model.read(lambda library: library.weights.of_instrument(number), ())
        chosen = self.choice.currentData()
        self.choice.clear()
        for item in reversed(self._sets):
            title = f"{item.measured_at[:10]}  {item.title}".rstrip()
            self.choice.addItem(title, item.id)
        place = self.choice.findData(chosen)
        if place >= 0:
            self.choice.setCurrentIndex(place)
        has_any = bool(self._sets)
        self.choice.setEnabled(has_any)
        self.table.setVisible(has_any)
        self.explanation.setVisible(has_any)
        self.empty.setVisible(not has_any)
        for name in ("weights_copy", "weights_save", "weights_remove"):
            self._actions[name].setEnabled(has_any)
        self._show_set()

    def begin_set(self) -> None:
        """Begin an empty set."""
        self._add_set((), "")

    def paste(self) -> None:
        """Take a table from the clipboard into the shown set, or into a new one."""
        self._take_in(QApplication.clipboard().text(), "")

    def open_table(self) -> None:
        """Take a table from a file."""
        name, _ = QFileDialog.getOpenFileName(
            self, "Table of hand measurements", "", "Tables (*.csv *.txt *.tsv);;All files (*)"
        )
        if name:
            try:
                text = read_text_file(Path(name))
            except ToneappError as exc:
                self._model.failed.emit(str(exc))
                return
            self._take_in(text, Path(name).stem)

    def save_table(self) -> None:
        """Write the shown set as a table."""
        chosen = self.chosen_set
        if chosen is None:
            return
        name, _ = QFileDialog.getSaveFileName(
            self, "Save the table", "hand-measurements.csv", "Tables (*.csv)"
        )
        if name:
            try:
                write_atomically(name, hand_csv(chosen))
            except ToneappError as exc:
                self._model.failed.emit(str(exc))
                return
            self._model.said.emit(f"Saved as {Path(name).name}")

    def copy(self) -> None:
        """Put the shown set on the clipboard, for a spreadsheet."""
        chosen = self.chosen_set
        if chosen is not None:
            text = hand_csv(chosen).decode("ascii").replace(",", "\t")
            QApplication.clipboard().setText(text)
            self._model.said.emit("The table is on the clipboard")

    def remove_set(self) -> None:
        """Lay the shown set in the bin."""
        chosen = self.chosen_set
        if chosen is not None:
            self._model.edit(lambda library: library.weights.remove(chosen))

    def _take_in(self, text: str, title: str) -> None:
        try:
            keys = parse_hand_table(text)
        except InputError as exc:
            self._model.failed.emit(str(exc))
            return
        chosen = self.chosen_set
        if chosen is None or title:
            self._add_set(keys, title)
            return
        number = chosen.id
        self._model.edit(
            lambda library: library.weights.put(number, keys),
            lambda _set: self._model.said.emit(f"{len(keys)} keys taken over"),
        )

    def _add_set(self, keys: tuple[KeyMeasurement, ...], title: str) -> None:
        number = self._model.instrument_id

        def added(item: HandSet) -> None:
            self.refresh()
            self.choice.setCurrentIndex(max(self.choice.findData(item.id), 0))
            self._show_set()

        self._model.edit(lambda library: library.weights.add(number, keys, title=title), added)

    def _show_set(self) -> None:
        chosen = self.chosen_set
        if chosen is None:
            self.table.set_rows(())
            return
        known = {key.midi: key for key in chosen.keys}
        instrument = self._model.instrument
        midis = set(known) | set(instrument.compass if instrument is not None else ())
        self.table.set_rows([known.get(midi, KeyMeasurement(midi=midi)) for midi in sorted(midis)])

    def _columns(self) -> tuple[Column, ...]:
        def shown(name: str, unit: str, decimals: int) -> Callable[[KeyMeasurement], str]:
            def text(key: KeyMeasurement) -> str:
                value = getattr(key, name)
                return "" if value is None else quantity_text(value, unit, decimals=decimals)

            return text

        return (
            Column(title="Key", text=lambda key: note_name(key.midi), width=8),
            Column(
                title="Down weight",
                text=shown("down_weight_g", "g", 1),
                tip="Least weight under which the key goes down slowly, in grams",
                is_number=True,
                stretches=True,
                edit=self._change("down_weight_g"),
            ),
            Column(
                title="Up weight",
                text=shown("up_weight_g", "g", 1),
                tip="Greatest weight that the key still lifts, in grams",
                is_number=True,
                stretches=True,
                edit=self._change("up_weight_g"),
            ),
            Column(
                title="Key dip",
                text=shown("key_dip_mm", "mm", 2),
                tip="How far the front of the key goes down, in millimetres",
                is_number=True,
                stretches=True,
                edit=self._change("key_dip_mm"),
            ),
            Column(
                title="Friction",
                text=shown("friction_g", "g", 1),
                tip="Half of down weight less up weight",
                is_number=True,
                stretches=True,
            ),
            Column(
                title="Balance weight",
                text=shown("balance_weight_g", "g", 1),
                tip="Mean of down weight and up weight",
                is_number=True,
                stretches=True,
            ),
        )

    def _change(self, name: str) -> Callable[[KeyMeasurement, str], None]:
        def change(key: KeyMeasurement, text: str) -> None:
            chosen = self.chosen_set
            if chosen is None:
                return
            number = chosen.id
            try:
                value = typed_number(text.removesuffix("mm").removesuffix("g"), "this field")
            except InputError as exc:
                self._model.failed.emit(str(exc))
                return
            changes: dict[str, float | None] = {name: value}

            def put(library: Library) -> HandSet:
                # What is typed fast must not take back what was typed a moment ago.
                keys = {item.midi: item for item in library.weights.get(number).keys}
                now = keys.get(key.midi, KeyMeasurement(midi=key.midi))
                new = replace(now, **changes)  # type: ignore[arg-type]  # all of these are float
                return library.weights.put(number, [new])

            self._model.edit(put)

        return change

    def _add_actions(self) -> None:
        for name, text, on, shortcut, help_text in (
            (
                "weights_begin",
                "Begin a set",
                self.begin_set,
                "Ins",
                "Begin an empty set of hand measurements.",
            ),
            (
                "weights_paste",
                "Paste a table",
                self.paste,
                "Ctrl+V",
                "Take a table from the clipboard: note, down weight (g), up weight (g), "
                "key dip (mm).",
            ),
            ("weights_open", "From a file", self.open_table, "", "Take a table from a CSV file."),
            ("weights_copy", "Copy", self.copy, "Ctrl+C", "Copy the set for a spreadsheet."),
            ("weights_save", "Save as CSV", self.save_table, "", "Write the set as a CSV file."),
            (
                "weights_remove",
                "To the bin",
                self.remove_set,
                "",
                "Lay this set in the bin; it can be brought back.",
            ),
        ):
            self._actions.add(name, text, on=on, shortcut=shortcut, help_text=help_text, page=self)

    def _build(self) -> None:
        buttons = QHBoxLayout()
        for name in ("weights_begin", "weights_paste", "weights_open"):
            buttons.addWidget(self._actions.button(name, self))
        buttons.addStretch(1)
        for name in ("weights_copy", "weights_save", "weights_remove"):
            buttons.addWidget(self._actions.button(name, self))
        layout = QVBoxLayout(self)
        layout.addLayout(buttons)
        layout.addWidget(self.choice, 0, Qt.AlignmentFlag.AlignLeft)
        layout.addWidget(self.table, 1)
        layout.addWidget(self.empty, 1)
        layout.addWidget(self.explanation)

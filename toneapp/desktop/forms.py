"""The facts of an instrument and of a run, as fields to fill in.

Classes: `InstrumentForm`, `RunForm`.
"""

from __future__ import annotations

from dataclasses import replace

from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QComboBox,
    QFormLayout,
    QGridLayout,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QWidget,
)

from toneapp.desktop.theme import GAP_PX
from toneapp.desktop.typed_facts import (
    key_words,
    number_words,
    strings_words,
    typed_compass,
    typed_key,
    typed_number,
    typed_strings,
)
from toneapp.errors import InputError
from toneapp.keyboard import FULL_COMPASS
from toneapp.library import Instrument, InstrumentKind, Purpose, Run
from toneapp.pitch import A4_HZ

__all__ = ["PURPOSE_WORDS", "InstrumentForm", "RunForm"]

PURPOSE_WORDS = {
    Purpose.EVENNESS: "evenness: held notes",
    Purpose.RING_ON: "ring-on: short blows, then silence",
    Purpose.REPETITION: "repetition: one key, fast",
}

_ORDER_WORDS = {None: "as heard", "ascending": "upward", "descending": "downward", "free": "free"}


class _Form(QWidget):
    """Fields with labels, in two columns."""

    changed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(3 * GAP_PX)
        self._columns = [QFormLayout(), QFormLayout()]
        for place, column in enumerate(self._columns):
            column.setSpacing(GAP_PX // 2 + 2)
            column.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
            grid.addLayout(column, 0, place)
            grid.setColumnStretch(place, 1)
        grid.setRowStretch(2, 1)
        self.setObjectName("form")
        self._grid = grid

    def _line(self, column: int, label: str, hint: str = "", tip: str = "") -> QLineEdit:
        field = QLineEdit(self)
        field.setPlaceholderText(hint)
        field.textEdited.connect(lambda _text: self.changed.emit())
        self._add(column, label, field, tip)
        return field

    def _choice(self, column: int, label: str, tip: str = "") -> QComboBox:
        field = QComboBox(self)
        field.activated.connect(lambda _index: self.changed.emit())
        self._add(column, label, field, tip)
        return field

    def _add(self, column: int, label: str, field: QWidget, tip: str) -> None:
        words = QLabel(label, self)
        words.setBuddy(field)
        field.setAccessibleName(label.replace("&", ""))
        field.setToolTip(tip)
        field.setAccessibleDescription(tip)
        self._columns[column].addRow(words, field)

    def _text_below(self, label: str) -> QPlainTextEdit:
        field = QPlainTextEdit(self)
        field.setTabChangesFocus(True)
        field.setAccessibleName(label)
        field.setPlaceholderText(label)
        field.setFixedHeight(88)
        field.textChanged.connect(self.changed)
        self._grid.addWidget(field, 1, 0, 1, 2)
        return field


class InstrumentForm(_Form):
    """Facts of an instrument."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.name = self._line(0, "Name", "how you call it")
        self.kind = self._choice(0, "Built as")
        for kind in InstrumentKind:
            self.kind.addItem(kind.value, kind)
        self.maker = self._line(0, "Maker")
        self.model = self._line(0, "Model")
        self.serial = self._line(0, "Number")
        self.year = self._line(0, "Year")
        self.owner = self._line(0, "Owner")
        self.place = self._line(0, "Place")
        self.compass = self._line(1, "Range of keys", "A0-C8", "Lowest and highest key.")
        self.a4 = self._line(1, "A4 in Hz", "440", "The pitch that cents are counted from.")
        self.first_plain = self._line(
            1, "First plain wire", "such as F3", "Lowest key whose strings are not wound."
        )
        self.bridge_top = self._line(
            1, "Top of bass bridge", "such as E3", "Highest key on the bass bridge."
        )
        self.last_damper = self._line(
            1, "Last damper", "such as F6", "Highest key that has a damper."
        )
        self.strings = self._line(
            1,
            "Strings",
            "A0 1, A1 2, C3 3",
            "How many strings a key has, each from a key upward.",
        )
        self.notes = self._text_below("Notes on the instrument")
        self._instrument = Instrument(name="")

    def show_instrument(self, instrument: Instrument) -> None:
        """Fill the fields."""
        self._instrument = instrument
        self.blockSignals(True)
        self.name.setText(instrument.name)
        self.kind.setCurrentIndex(self.kind.findData(instrument.kind))
        for field, text in (
            (self.maker, instrument.maker),
            (self.model, instrument.model),
            (self.serial, instrument.serial),
            (self.year, instrument.year),
            (self.owner, instrument.owner),
            (self.place, instrument.place),
            (self.compass, str(instrument.compass)),
            (self.a4, number_words(instrument.a4_hz)),
            (self.first_plain, key_words(instrument.first_plain_midi)),
            (self.bridge_top, key_words(instrument.bass_bridge_top_midi)),
            (self.last_damper, key_words(instrument.last_damper_midi)),
            (self.strings, strings_words(instrument.strings)),
        ):
            field.setText(text)
        self.notes.setPlainText(instrument.notes)
        self.blockSignals(False)

    def read_instrument(self) -> Instrument:
        """Return the instrument as the fields say.

        Raises
        ------
        InputError
            If a field cannot be understood.
        """
        if not self.name.text().strip():
            raise InputError("an instrument needs a name; give it one")
        compass = self.compass.text().strip()
        return replace(
            self._instrument,
            name=self.name.text(),
            kind=InstrumentKind(self.kind.currentData()),
            maker=self.maker.text(),
            model=self.model.text(),
            serial=self.serial.text(),
            year=self.year.text(),
            owner=self.owner.text(),
            place=self.place.text(),
            notes=self.notes.toPlainText(),
            compass=typed_compass(compass) if compass else FULL_COMPASS,
            a4_hz=typed_number(self.a4.text(), "A4") or A4_HZ,
            first_plain_midi=typed_key(self.first_plain.text(), "first plain wire"),
            bass_bridge_top_midi=typed_key(self.bridge_top.text(), "top of bass bridge"),
            last_damper_midi=typed_key(self.last_damper.text(), "last damper"),
            strings=typed_strings(self.strings.text()),
        )


class RunForm(_Form):
    """Facts of a run."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.purpose = self._choice(0, "Purpose", "What the run was recorded for.")
        for purpose, words in PURPOSE_WORDS.items():
            self.purpose.addItem(words, purpose)
        self.condition = self._line(
            0, "Condition", "such as: before the hammers", "What was done before this run."
        )
        self.recorded_at = self._line(0, "Recorded on", "today, or like 2024-05-31")
        self.place = self._line(0, "Recorded in", "such as: workshop, north wall")
        self.microphone = self._line(1, "Microphone", "which one, where")
        self.distance = self._line(1, "Distance in m")
        self.gain_note = self._line(
            1,
            "Input set to",
            "gain, level",
            "Levels of two runs can be compared only if this and the microphone stayed.",
        )
        self.calibration = self._line(
            1,
            "Full scale in dB SPL",
            "only if calibrated",
            "Sound pressure level of full scale, from a sound level meter beside the microphone.",
        )
        self.order = self._choice(0, "Order of keys", "Upward or downward helps to name notes.")
        for order, words in _ORDER_WORDS.items():
            self.order.addItem(words, order)
        self.channel = self._choice(1, "Channel", "Which channel of a stereo recording to use.")
        for channel in ("auto", "left", "right", "average"):
            self.channel.addItem(channel)
        self.notes = self._text_below("Notes on the run")
        self._run = Run(instrument_id=0)

    def show_run(self, run: Run) -> None:
        """Fill the fields."""
        self._run = run
        self.blockSignals(True)
        self.purpose.setCurrentIndex(self.purpose.findData(run.purpose))
        self.order.setCurrentIndex(max(self.order.findData(run.note_order), 0))
        if self.channel.findText(run.channel) < 0:
            self.channel.addItem(run.channel)
        self.channel.setCurrentText(run.channel)
        for field, text in (
            (self.condition, run.condition),
            (self.recorded_at, run.recorded_at),
            (self.place, run.place),
            (self.microphone, run.microphone),
            (self.distance, number_words(run.distance_m)),
            (self.gain_note, run.gain_note),
            (self.calibration, number_words(run.calibration_db)),
        ):
            field.setText(text)
        self.notes.setPlainText(run.notes)
        self.blockSignals(False)

    def read_run(self) -> Run:
        """Return the run as the fields say.

        Raises
        ------
        InputError
            If a field cannot be understood.
        """
        return replace(
            self._run,
            purpose=Purpose(self.purpose.currentData()),
            condition=self.condition.text(),
            recorded_at=self.recorded_at.text().strip(),
            place=self.place.text(),
            microphone=self.microphone.text(),
            distance_m=typed_number(self.distance.text(), "distance"),
            gain_note=self.gain_note.text(),
            calibration_db=typed_number(self.calibration.text(), "full scale"),
            channel=self.channel.currentText(),
            note_order=self.order.currentData(),
            notes=self.notes.toPlainText(),
        )

"""A recording made elsewhere comes in: of which instrument, for what, where and how?

Classes: `ImportDialog`, `RunFactsDialog`, `InstrumentDialog`. Functions: `sound_of_drop`.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from PySide6.QtCore import QMimeData, Qt
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.forms import InstrumentForm, RunForm
from toneapp.desktop.models import AppModel
from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import GAP_PX
from toneapp.errors import InputError
from toneapp.library import Instrument, Purpose, Run

__all__ = ["ImportDialog", "InstrumentDialog", "RunFactsDialog", "sound_of_drop"]

NEW_INSTRUMENT = "a new instrument"
LOW_PX, HIGH_PX = 520, 720  # without and with the facts of a new instrument; fits most screens
_REMEMBERED = ("place", "microphone", "gain_note")


def sound_of_drop(data: QMimeData) -> Path | None:
    """Return the one file or folder that is dropped, if it is one of this computer."""
    paths = [Path(url.toLocalFile()) for url in data.urls() if url.isLocalFile()]
    return paths[0] if len(paths) == 1 and paths[0].exists() else None


class _FormDialog(QDialog):
    """A form with one button that goes on, and a line for what is not understood."""

    def __init__(
        self, model: AppModel, title: str, go_on: str, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self.model = model
        self.setWindowTitle(title)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.message = QLabel(self)
        self.message.setProperty("accent", True)
        self.message.setWordWrap(True)
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel, self)
        self.go_button = QPushButton(go_on, self)
        self.go_button.setProperty("next", "true")
        self.go_button.setDefault(True)
        self.buttons.addButton(self.go_button, QDialogButtonBox.ButtonRole.AcceptRole)
        self.buttons.accepted.connect(self.go_on)
        self.buttons.rejected.connect(self.reject)
        self.column = QVBoxLayout(self)
        self.column.setSpacing(GAP_PX)

    def _finish_layout(self) -> None:
        self.column.addWidget(self.message)
        self.column.addWidget(self.buttons)
        self.setMinimumWidth(820)

    def go_on(self) -> None:
        """Do what the dialog is for."""
        raise NotImplementedError


class InstrumentDialog(_FormDialog):
    """Add an instrument."""

    def __init__(self, model: AppModel, parent: QWidget | None = None) -> None:
        super().__init__(model, "Add an instrument", "Add", parent)
        self.form = InstrumentForm(self)
        self.form.show_instrument(Instrument(name=""))
        self.column.addWidget(self.form)
        self._finish_layout()
        self.form.name.setFocus()

    def go_on(self) -> None:
        """Add it and choose it."""
        try:
            instrument = self.form.read_instrument()
        except InputError as exc:
            self.message.setText(str(exc))
            return

        def added(new: Instrument) -> None:
            self.model.choose_instrument(new.id)
            self.model.go("instrument")
            self.accept()

        self.model.edit(
            lambda library: library.instruments.add(instrument),
            added,
            on_failed=self.message.setText,
        )


class RunFactsDialog(_FormDialog):
    """Correct the facts of a run."""

    def __init__(self, model: AppModel, run: Run, parent: QWidget | None = None) -> None:
        super().__init__(model, "Facts of the run", "Keep", parent)
        self.form = RunForm(self)
        self.form.show_run(run)
        self.column.addWidget(self.form)
        self._finish_layout()

    def go_on(self) -> None:
        """Keep them."""
        try:
            run = self.form.read_run()
        except InputError as exc:
            self.message.setText(str(exc))
            return
        self.model.edit(
            lambda library: library.runs.change(run),
            lambda _run: self.accept(),
            on_failed=self.message.setText,
        )


class ImportDialog(_FormDialog):
    """Facts of a recording that comes in; then it is measured in the background."""

    def __init__(
        self,
        model: AppModel,
        sound: Path,
        settings: Settings | None = None,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(model, "Import a recording", "Import and measure", parent)
        self._sound = sound
        self._settings = settings
        what = "Folder of single notes" if sound.is_dir() else "Recording"
        heading = QLabel(f"{what}: {sound.name}", self)
        heading.setTextFormat(Qt.TextFormat.PlainText)
        heading.setToolTip(str(sound))
        self.instrument = QComboBox(self)
        self.instrument.setAccessibleName("Instrument")
        for item in model.read(lambda library: library.instruments.all(), ()):
            self.instrument.addItem(item.name, item.id)
        self.instrument.addItem(NEW_INSTRUMENT, 0)
        place = self.instrument.findData(model.instrument_id)
        self.instrument.setCurrentIndex(max(place, 0))
        label = QLabel("&Instrument", self)
        label.setBuddy(self.instrument)
        row = QHBoxLayout()
        row.addWidget(label)
        row.addWidget(self.instrument, 1)
        self.new_instrument = InstrumentForm(self)
        self.new_instrument.show_instrument(Instrument(name=""))
        self.form = RunForm(self)
        run = Run(instrument_id=0)
        if settings is not None:
            run = replace(run, **settings.last_facts(_REMEMBERED))  # type: ignore[arg-type]
        self.form.show_run(run)
        hint = QLabel(
            "The recording is copied into the library without loss; the file itself is not "
            "changed.",
            self,
        )
        hint.setProperty("muted", True)
        self.column.addWidget(heading)
        self.column.addLayout(row)
        forms = QWidget(self)
        forms.setObjectName("form")
        stacked = QVBoxLayout(forms)
        stacked.setContentsMargins(0, 0, GAP_PX // 2, 0)
        stacked.setSpacing(2 * GAP_PX)
        stacked.addWidget(self.new_instrument)
        stacked.addWidget(self.form)
        stacked.addStretch(1)
        self._scroll = QScrollArea(self)
        self._scroll.setWidgetResizable(True)
        self._scroll.setFrameShape(QScrollArea.Shape.NoFrame)
        self._scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # its fields take the keyboard
        self._scroll.setWidget(forms)
        self.column.addWidget(self._scroll, 1)
        self.column.addWidget(hint)
        self._finish_layout()
        self.instrument.currentIndexChanged.connect(self._show_new)
        self._show_new()

    def go_on(self) -> None:
        """Begin the import; the dialog closes, the work goes on behind it."""
        try:
            run = self.form.read_run()
            new = None if self.instrument.currentData() else self.new_instrument.read_instrument()
        except InputError as exc:
            self.message.setText(str(exc))
            return
        if self._settings is not None:
            self._settings.set_last_facts({name: getattr(run, name) for name in _REMEMBERED})
        if new is None:
            self._import(replace(run, instrument_id=int(self.instrument.currentData())))
            return
        self.model.edit(
            lambda library: library.instruments.add(new),
            lambda added: self._import(replace(run, instrument_id=added.id)),
            on_failed=self.message.setText,
        )

    def _import(self, run: Run) -> None:
        self.model.choose_instrument(run.instrument_id)
        self.model.import_run(run, self._sound)
        self.model.go("ring_on" if run.purpose is Purpose.RING_ON else "evenness")
        self.accept()

    def _show_new(self) -> None:
        is_new = not self.instrument.currentData()
        self.new_instrument.setVisible(is_new)
        self.resize(self.width(), HIGH_PX if is_new else LOW_PX)
        if is_new:
            self.new_instrument.name.setFocus(Qt.FocusReason.OtherFocusReason)

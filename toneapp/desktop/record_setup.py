"""What is to be played, where does it go, and from which microphone? The page before recording.

Classes: `SetupPanel`.
"""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QButtonGroup,
    QCheckBox,
    QComboBox,
    QFormLayout,
    QFrame,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from toneapp.audio.capture import RunKind, RunPlan, SoundSource
from toneapp.desktop.actions import Actions
from toneapp.desktop.models import AppModel
from toneapp.desktop.record_choice import Keys, RecordChoice, Rounds, plan_text
from toneapp.desktop.record_input import InputChoice, InputPanel, source_of
from toneapp.desktop.record_keyboard import KeyState, WholeKeyboard
from toneapp.desktop.run_bar import run_title
from toneapp.desktop.theme import BIG_TARGET_PX, GAP_PX, Theme
from toneapp.desktop.typed_facts import typed_compass, typed_key, typed_number
from toneapp.errors import InputError
from toneapp.library import Purpose
from toneapp.pitch import note_name

__all__ = ["SetupPanel"]

_KINDS = (
    (RunKind.EVENNESS, "Held notes", "Evenness, pitch and decay: each key is held."),
    (RunKind.RING_ON, "Short blows", "Ring-on: each key is let go at once, then silence."),
    (RunKind.REPETITION, "One key, fast", "Repetition: each key as fast as it will go."),
)

_ROUNDS = {
    Rounds.ONE: "one blow a key",
    Rounds.THREE_ON_KEY: "soft, medium, firm on each key",
    Rounds.THREE_RUNS: "all soft, then all medium, then all firm",
}

_KEYS = {
    Keys.ALL: "all keys",
    Keys.WHITE: "white keys only",
    Keys.WORKLIST: "open notes of the worklist",
}

_ORDERS = {"ascending": "upward", "descending": "downward"}


class SetupPanel(QWidget):
    """Choices before a recording.

    Attributes
    ----------
    changed : Signal
        Another choice was made.
    """

    changed = Signal()

    def __init__(
        self,
        model: AppModel,
        theme: Theme,
        actions: Actions,
        parent: QWidget | None = None,
        *,
        make_source: Callable[[InputChoice], SoundSource] = source_of,
    ) -> None:
        super().__init__(parent)
        self._model = model
        self._theme = theme
        self.input = InputPanel(theme, model.tasks, self, make_source=make_source)
        self._make_fields()
        self._build(actions)
        self._connect()
        self._show_plan()

    # What is chosen

    def choice(self) -> RecordChoice:
        """Return what is chosen.

        Raises
        ------
        InputError
            If a field cannot be understood, or no instrument is chosen.
        """
        instrument = self._model.instrument
        if instrument is None:
            raise InputError("choose an instrument first")
        compass = self.compass.text().strip()
        hold_s = typed_number(self.hold.text(), "held for")
        if hold_s is not None and not 0.0 < hold_s <= 10.0:
            raise InputError(f"held for: {hold_s:g} s cannot be; give up to 10 s")
        return RecordChoice(
            instrument=instrument,
            kind=self.kind(),
            rounds=Rounds(self.rounds.currentData()),
            keys=Keys(self.keys.currentData()),
            worklist=self._open_notes(),
            compass=typed_compass(compass) if compass else None,
            start_midi=typed_key(self.start.text(), "begin at"),
            order=str(self.order.currentData()),
            hold_s=hold_s,
            condition=self.condition.text().strip(),
            place=self.place.text().strip(),
            microphone=self.microphone.text().strip(),
            gain_note=self.gain_note.text().strip(),
            again_run_id=self.goes_into.currentData() or None,
        )

    def kind(self) -> RunKind:
        """What the run is for."""
        return _KINDS[max(self._kinds.checkedId(), 0)][0]

    def choose_kind(self, kind: RunKind) -> None:
        """Choose what the run is for."""
        place = next(at for at, row in enumerate(_KINDS) if row[0] is kind)
        self._kinds.button(place).setChecked(True)
        self._kind_chosen()

    def last_facts(self) -> dict[str, str]:
        """What is offered again the next time."""
        return {
            "place": self.place.text(),
            "microphone": self.microphone.text(),
            "gain_note": self.gain_note.text(),
        }

    def show_last_facts(self, facts: dict[str, str]) -> None:
        """Offer what was entered last."""
        for name, text in facts.items():
            field: QLineEdit = getattr(self, name)
            if not field.text():
                field.setText(text)

    def plan_words(self) -> str:
        """What is said of the plan, or what is wrong with it."""
        return self._plan_line.text()

    def refresh(self) -> None:
        """Show instruments, runs and worklist as they are now."""
        model = self._model
        self.instrument.blockSignals(True)
        self.instrument.clear()
        for item in model.read(lambda library: library.instruments.all(), ()):
            self.instrument.addItem(item.name, item.id)
        self.instrument.setCurrentIndex(self.instrument.findData(model.instrument_id))
        self.instrument.blockSignals(False)
        self.compass.setPlaceholderText(
            str(model.instrument.compass) if model.instrument else "A0-C8"
        )
        run = model.run_facts
        self.repetition_button.setVisible(run is not None and run.purpose is Purpose.REPETITION)
        self._fill_goes_into()
        self._show_plan()

    # Building

    def _make_fields(self) -> None:
        self.instrument = QComboBox(self)
        self.rounds = _combo(self, _ROUNDS)
        self.keys = _combo(self, _KEYS)
        self.order = _combo(self, _ORDERS)
        self.goes_into = QComboBox(self)
        self.goes_into.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
        )
        self.goes_into.setMinimumContentsLength(20)
        self.compass = _line(self, "A0-C8", "Lowest and highest key of this run.")
        self.start = _line(self, "the first key", "Or click a key of the keyboard below.")
        self.hold = _line(self, "as is usual for the key", "Seconds, the same for all keys.")
        self.condition = _line(self, "such as: before the hammers", "What was done before.")
        self.place = _line(self, "such as: workshop, north wall", "Where the instrument stands.")
        self.microphone = _line(self, "which one, where, how far", "So that it stands there again")
        self.gain_note = _line(
            self,
            "gain, level",
            "Levels of two runs can be compared only if this and the microphone stayed.",
        )
        self.signals = QCheckBox("Say good or again by a short sound", self)
        self.signals.setToolTip(
            "A short rustle from the loudspeaker: one for good, two for again; never while a note "
            "is listened to. Which loudspeaker: see Settings."
        )
        self._kinds = QButtonGroup(self)
        self._kind_row = QHBoxLayout()
        self._kind_row.setSpacing(GAP_PX // 2)
        for place, (_kind, title, tip) in enumerate(_KINDS):
            button = QPushButton(title, self)
            button.setCheckable(True)
            button.setToolTip(tip)
            button.setAccessibleDescription(tip)
            button.setMinimumHeight(BIG_TARGET_PX + 6)
            self._kinds.addButton(button, place)
            self._kind_row.addWidget(button, 1)
        self._kinds.button(0).setChecked(True)
        self._kind_words = QLabel(self)
        self._kind_words.setProperty("muted", True)

    def _build(self, actions: Actions) -> None:
        form = QFormLayout()
        form.setSpacing(GAP_PX // 2)
        form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
        for label, field in (
            ("&Instrument", self.instrument),
            ("&Blows", self.rounds),
            ("&Keys", self.keys),
            ("&Range", self.compass),
            ("Begin &at", self.start),
            ("&Order", self.order),
            ("Held &for, s", self.hold),
            ("&Condition", self.condition),
            ("Goe&s into", self.goes_into),
            ("&Place", self.place),
            ("Micropho&ne at", self.microphone),
            ("Input set &to", self.gain_note),
        ):
            words = QLabel(label, self)
            words.setBuddy(field)
            field.setAccessibleName(label.replace("&", ""))
            field.setAccessibleDescription(field.toolTip())
            form.addRow(words, field)
        inner = QWidget(self)
        inner.setObjectName("form")
        left = QVBoxLayout(inner)
        left.setContentsMargins(0, 0, GAP_PX, 0)
        left.setSpacing(GAP_PX // 2)
        left.addLayout(self._kind_row)
        left.addWidget(self._kind_words)
        left.addLayout(form)
        left.addStretch(1)
        scroll = QScrollArea(self)
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QFrame.Shape.NoFrame)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.setWidget(inner)
        right = QVBoxLayout()
        right.setSpacing(GAP_PX // 2)
        right.addWidget(self.input, 1)
        right.addWidget(self.signals)
        self.repetition_button = actions.button("record_repetition", self)
        buttons = QHBoxLayout()
        buttons.setSpacing(GAP_PX // 2)
        buttons.addWidget(actions.button("record_keys", self))
        buttons.addWidget(self.repetition_button)
        buttons.addStretch(1)
        right.addLayout(buttons)
        upper = QHBoxLayout()
        upper.setSpacing(2 * GAP_PX)
        upper.addWidget(scroll, 6)
        upper.addLayout(right, 5)
        self.keyboard = WholeKeyboard(self._theme, self)
        self._plan_line = QLabel(self)
        self._plan_line.setWordWrap(True)
        self._plan_line.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.begin_button = QPushButton(actions["record_begin"].text(), self)
        self.begin_button.setProperty("next", "true")
        self.begin_button.setAutoDefault(True)  # the Enter key presses it
        self.begin_button.setMinimumSize(260, BIG_TARGET_PX + 14)
        self.begin_button.setToolTip(actions["record_begin"].toolTip())
        self.begin_button.clicked.connect(actions["record_begin"].trigger)
        last = QHBoxLayout()
        last.addWidget(self._plan_line, 1)
        last.addWidget(self.begin_button)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(GAP_PX // 2)
        column.addLayout(upper, 1)
        column.addWidget(self.keyboard)
        column.addLayout(last)

    def _connect(self) -> None:
        self._kinds.idClicked.connect(lambda _place: self._kind_chosen())
        self.instrument.activated.connect(
            lambda _index: self._model.choose_instrument(int(self.instrument.currentData()))
        )
        for combo in (self.rounds, self.keys, self.order, self.goes_into):
            combo.activated.connect(lambda _index: self._show_plan())
        for line in (self.compass, self.start, self.hold):
            line.textEdited.connect(lambda _text: self._show_plan())
        self.keyboard.key_clicked.connect(self._begin_at)
        self._theme.changed.connect(self._show_plan)

    # Answers

    def _kind_chosen(self) -> None:
        self._fill_goes_into()
        self._show_plan()
        self.changed.emit()

    def _begin_at(self, midi: int) -> None:
        self.start.setText(note_name(midi))
        self._show_plan()

    def _open_notes(self) -> tuple[int, ...]:
        worklist = self._model.worklist
        if worklist is None:
            return ()
        return tuple(sorted({e.midi for e in worklist.entries if e.midi and not e.is_done}))

    def _fill_goes_into(self) -> None:
        """Offer a new run, or to lay the notes beside the chosen one."""
        run = self._model.run_facts
        chosen = self.goes_into.currentData()
        self.goes_into.clear()
        self.goes_into.addItem("a new run", 0)
        if run is not None and run.purpose is Purpose(self.kind().value):
            self.goes_into.addItem(f"beside {run_title(run)}", run.id)
            self.goes_into.setToolTip(
                "Beside a run: more blows on its notes, as while they are worked on."
            )
        self.goes_into.setCurrentIndex(max(self.goes_into.findData(chosen), 0))

    def _show_plan(self) -> None:
        """Say what the choices come to, and draw the keys."""
        is_repetition = self.kind() is RunKind.REPETITION
        self.rounds.setEnabled(not is_repetition)
        self.hold.setEnabled(not is_repetition)
        self._kind_words.setText(_KINDS[max(self._kinds.checkedId(), 0)][2])
        plan: RunPlan | None = None
        try:
            choice = self.choice()
            plan = choice.plan()
            text, is_fault = plan_text(plan), False
        except InputError as exc:
            message = str(exc)
            text, is_fault = message[:1].upper() + message[1:], True
        self._plan_line.setFont(self._theme.font(scale=1.25, is_bold=True))
        self._plan_line.setText(text)
        self._plan_line.setProperty("accent", is_fault)
        self._plan_line.style().unpolish(self._plan_line)
        self._plan_line.style().polish(self._plan_line)
        self.begin_button.setEnabled(plan is not None)
        keys = () if plan is None else plan.keys()
        compass = self._model.layout.compass if plan is None else plan.compass
        self.keyboard.set_keys(
            compass, dict.fromkeys(keys, KeyState.OPEN), next_midi=keys[0] if keys else 0
        )


def _line(parent: QWidget, hint: str, tip: str) -> QLineEdit:
    field = QLineEdit(parent)
    field.setPlaceholderText(hint)
    field.setToolTip(tip)
    return field


def _combo(
    parent: QWidget, words: dict[Rounds, str] | dict[Keys, str] | dict[str, str]
) -> QComboBox:
    field = QComboBox(parent)
    for value, text in words.items():
        field.addItem(text, str(value))
    return field

"""Which single key does what while recording, and which one does a foot switch send?

Every command has its own key and may have a second one of the person's choice: most foot switches
send a key like a keyboard.

Classes and functions: `RecordCommand`, `KeysDialog`, `second_key`, `shortcut_of`. Data:
`RECORD_COMMANDS`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent, QKeySequence
from PySide6.QtWidgets import QDialog, QGridLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import GAP_PX

__all__ = ["RECORD_COMMANDS", "KeysDialog", "RecordCommand", "second_key", "shortcut_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordCommand:
    """What can be done with a single key."""

    name: str  # of the action
    text: str
    key: str
    help_text: str


RECORD_COMMANDS = (
    RecordCommand(
        name="record_pause", text="Pause", key="Space",
        help_text="Pause, and go on; what was recorded is kept.",
    ),
    RecordCommand(
        name="record_again", text="Again", key="A",
        help_text="The last blow does not count; its key is asked for again.",
    ),
    RecordCommand(
        name="record_back", text="Back", key="B",
        help_text="Ask for the key before once more.",
    ),
    RecordCommand(
        name="record_next", text="Next", key="N",
        help_text="Go on to the next key; this one is asked for again at the end.",
    ),
    RecordCommand(
        name="record_skip", text="Leave out", key="S",
        help_text="Leave this key out of the run.",
    ),
    RecordCommand(
        name="record_keep", text="Keep", key="K",
        help_text="Count the last blow after all, as the key that was asked for.",
    ),
    RecordCommand(
        name="record_room", text="Check room", key="R",
        help_text="Listen to the room once more; keep quiet for three seconds.",
    ),
    RecordCommand(
        name="record_finish", text="Finish", key="Q",
        help_text="End the run; it comes into the library and is measured.",
    ),
)  # fmt: skip

_BARE = {
    Qt.Key.Key_Shift, Qt.Key.Key_Control, Qt.Key.Key_Alt, Qt.Key.Key_AltGr, Qt.Key.Key_Meta,
    Qt.Key.Key_unknown,
}  # fmt: skip


def second_key(settings: Settings | None, command: RecordCommand) -> str:
    """Key that the person has chosen besides; empty for none."""
    return "" if settings is None else settings.record_key(command.name)


def shortcut_of(settings: Settings | None, command: RecordCommand) -> str:
    """Return both keys as `Actions.add` takes them."""
    second = second_key(settings, command)
    return f"{command.key}; {second}" if second else command.key


class KeyButton(QPushButton):
    """Shows a key; pressed, it takes the next key that is struck.

    Attributes
    ----------
    key_taken : Signal(str)
        The key, such as "F13"; empty when it was taken away.
    """

    key_taken = Signal(str)

    def __init__(self, key: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._key = key
        self._is_waiting = False
        self.setMinimumWidth(220)
        self.setAutoDefault(False)
        self.clicked.connect(self._wait)
        self._show()

    def set_key(self, key: str) -> None:
        """Show another key."""
        self._key = key
        self._is_waiting = False
        self._show()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Take the key, Backspace for none; Escape leaves it as it is."""
        if not self._is_waiting:
            super().keyPressEvent(event)
            return
        key = Qt.Key(event.key())
        if key in _BARE:
            return
        if key is Qt.Key.Key_Escape:
            self.set_key(self._key)
        elif key in (Qt.Key.Key_Backspace, Qt.Key.Key_Delete):
            self.set_key("")
            self.key_taken.emit("")
        else:
            modifiers = event.modifiers() & ~Qt.KeyboardModifier.KeypadModifier
            text = QKeySequence(modifiers.value | key.value).toString()
            self.set_key(text)
            self.key_taken.emit(text)

    def _wait(self) -> None:
        self._is_waiting = True
        self.setText("press the key or the switch")
        self.setFocus(Qt.FocusReason.OtherFocusReason)

    def _show(self) -> None:
        self.setText(self._key or "none: choose")


class KeysDialog(QDialog):
    """Choose a second key for each command.

    Parameters
    ----------
    keys : mapping of str to str
        Second key of each command, by the name of its action.
    changed : callable
        Called with the name of a command and its new second key.
    """

    def __init__(
        self,
        keys: Mapping[str, str],
        changed: Callable[[str, str], object],
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self._keys = dict(keys)
        self._changed = changed
        self.setWindowTitle("Keys and foot switch")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.message = QLabel(self)
        self.message.setProperty("accent", True)
        self.message.setWordWrap(True)
        self.buttons: dict[str, KeyButton] = {}
        grid = QGridLayout()
        grid.setHorizontalSpacing(2 * GAP_PX)
        grid.setVerticalSpacing(GAP_PX // 2)
        for column, text in enumerate(("", "key", "second key, such as a foot switch")):
            heading = QLabel(text, self)
            heading.setProperty("muted", True)
            grid.addWidget(heading, 0, column)
        for row, command in enumerate(RECORD_COMMANDS, start=1):
            words = QLabel(command.text, self)
            words.setToolTip(command.help_text)
            button = KeyButton(self._keys.get(command.name, ""), self)
            button.setAccessibleName(f"Second key for: {command.text}")
            button.setAccessibleDescription(command.help_text)
            button.key_taken.connect(lambda key, name=command.name: self._take(name, key))
            self.buttons[command.name] = button
            grid.addWidget(words, row, 0)
            grid.addWidget(QLabel(command.key, self), row, 1)
            grid.addWidget(button, row, 2)
        hint = QLabel(
            "A foot switch that sends a key works like that key. Press the button, then the "
            "switch. Backspace takes a key away.",
            self,
        )
        hint.setWordWrap(True)
        hint.setProperty("muted", True)
        close = QPushButton("Close", self)
        close.setAutoDefault(False)
        close.clicked.connect(self.close)
        column_layout = QVBoxLayout(self)
        column_layout.setSpacing(GAP_PX)
        column_layout.addLayout(grid)
        column_layout.addWidget(self.message)
        column_layout.addWidget(hint)
        column_layout.addWidget(close, 0, Qt.AlignmentFlag.AlignRight)
        self.setMinimumWidth(560)

    def _take(self, name: str, key: str) -> None:
        """Keep a key, unless another command has it."""
        owner = next(
            (
                command
                for command in RECORD_COMMANDS
                if key
                and (command.key == key or self._keys.get(command.name) == key)
                and command.name != name
            ),
            None,
        )
        own = next(command for command in RECORD_COMMANDS if command.name == name)
        if owner is not None or key == own.key:
            whose = own.text if owner is None else owner.text
            self.message.setText(f"{key} is the key of {whose} already; choose another")
            self.buttons[name].set_key(self._keys.get(name, ""))
            return
        self.message.setText("")
        self._keys[name] = key
        self._changed(name, key)

"""What does the window remember of the page Record: microphone, facts, keys, sounds?

Classes: `RecordMemory`.
"""

from __future__ import annotations

from PySide6.QtGui import QKeySequence
from PySide6.QtWidgets import QWidget

from toneapp.desktop.actions import Actions
from toneapp.desktop.record_input import InputChoice
from toneapp.desktop.record_keys import RECORD_COMMANDS, KeysDialog, second_key, shortcut_of
from toneapp.desktop.record_setup import SetupPanel
from toneapp.desktop.settings import Settings

__all__ = ["RecordMemory"]

_FACTS = ("place", "microphone", "gain_note")


class RecordMemory:
    """Takes what is remembered to the page, and what is chosen there to the settings.

    Parameters
    ----------
    page : QWidget
        Its window has the settings; without any nothing is remembered.
    setup : SetupPanel
    actions : Actions
        With those of `RECORD_COMMANDS`.
    """

    def __init__(self, page: QWidget, setup: SetupPanel, actions: Actions) -> None:
        self._page = page
        self._setup = setup
        self._actions = actions
        self._is_recalled = False
        setup.input.choice_changed.connect(self._keep_input)
        setup.signals.toggled.connect(self._keep_signals)

    @property
    def loudspeaker(self) -> str:
        """Output that is chosen; empty for the system's own choice."""
        settings = self._settings()
        return "" if settings is None else settings.output_device

    def recall(self) -> None:
        """Take up what is remembered, the first time."""
        settings = self._settings()
        if settings is None or self._is_recalled:
            return
        self._is_recalled = True
        device, rate_hz, channel = settings.record_input
        self._setup.input.set_choice(
            InputChoice(device=device, sample_rate_hz=rate_hz, channel=channel)
        )
        self._setup.show_last_facts(settings.last_facts(_FACTS))
        self._setup.signals.setChecked(settings.record_signals)
        self._take_keys()

    def keep_facts(self) -> None:
        """Remember what was entered, to offer it again."""
        settings = self._settings()
        if settings is not None:
            settings.set_last_facts(self._setup.last_facts())

    def choose_keys(self) -> None:
        """Let the person choose second keys, such as that of a foot switch."""
        settings = self._settings()
        keys = {command.name: second_key(settings, command) for command in RECORD_COMMANDS}
        KeysDialog(keys, self._keep_key, self._page).open()

    # Inside

    def _settings(self) -> Settings | None:
        settings = getattr(self._page.window(), "settings", None)
        return settings if isinstance(settings, Settings) else None

    def _keep_key(self, name: str, key: str) -> None:
        settings = self._settings()
        if settings is not None:
            settings.set_record_key(name, key)
        self._take_keys()

    def _take_keys(self) -> None:
        settings = self._settings()
        for command in RECORD_COMMANDS:
            keys = shortcut_of(settings, command).split("; ")
            self._actions[command.name].setShortcuts([QKeySequence(key) for key in keys])

    def _keep_input(self, choice: InputChoice) -> None:
        settings = self._settings()
        if settings is not None:
            settings.record_input = (choice.device, choice.sample_rate_hz, choice.channel)

    def _keep_signals(self, is_wanted: bool) -> None:
        settings = self._settings()
        if settings is not None:
            settings.record_signals = is_wanted

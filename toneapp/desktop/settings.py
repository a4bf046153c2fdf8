"""What does the program remember from one start to the next?

The folder of the library, light or dark, the size of text, the place of the window and the last
page. Kept by Qt where the system keeps such things; what cannot be understood there is
taken as never set.

Classes: `Settings`.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from PySide6.QtCore import QByteArray, QSettings

from toneapp.desktop.theme import BASE_PT, ThemeMode

__all__ = ["Settings"]

_LAST_IMPORT = "import/"

USUAL_RATE_HZ = 48_000


class Settings:
    """What is remembered.

    Parameters
    ----------
    store : QSettings, optional
        Where; the user's own by default.
    """

    def __init__(self, store: QSettings | None = None) -> None:
        self._store = store if store is not None else QSettings("toneapp", "toneapp")

    @property
    def library_folder(self) -> Path | None:
        """Folder of the library that the person has chosen; None for the usual one."""
        text = self._text("library/folder")
        return Path(text) if text else None

    @library_folder.setter
    def library_folder(self, folder: Path | None) -> None:
        self._store.setValue("library/folder", "" if folder is None else str(folder))

    @property
    def theme_mode(self) -> ThemeMode:
        """Light, dark, or as the system has it."""
        try:
            return ThemeMode(self._text("look/theme"))
        except ValueError:
            return ThemeMode.SYSTEM

    @theme_mode.setter
    def theme_mode(self, mode: ThemeMode) -> None:
        self._store.setValue("look/theme", mode.value)

    @property
    def base_pt(self) -> float:
        """Size of ordinary text in points."""
        return self._number("look/text_pt", BASE_PT)

    @base_pt.setter
    def base_pt(self, size_pt: float) -> None:
        self._store.setValue("look/text_pt", float(size_pt))

    @property
    def page(self) -> str:
        """Name of the page seen last."""
        return self._text("window/page")

    @page.setter
    def page(self, name: str) -> None:
        self._store.setValue("window/page", name)

    @property
    def geometry(self) -> QByteArray:
        """Place and size of the window; empty at first."""
        return self._bytes("window/geometry")

    @geometry.setter
    def geometry(self, value: QByteArray) -> None:
        self._store.setValue("window/geometry", value)

    def splitter(self, name: str) -> QByteArray:
        """Return how a page's parts are divided; empty at first."""
        return self._bytes(f"parts/{name}")

    def set_splitter(self, name: str, value: QByteArray) -> None:
        """Remember how a page's parts are divided."""
        self._store.setValue(f"parts/{name}", value)

    def last_facts(self, names: Sequence[str]) -> dict[str, str]:
        """Return what was entered last into the fields named, such as the microphone."""
        return {name: self._text(_LAST_IMPORT + name) for name in names}

    def set_last_facts(self, facts: dict[str, str]) -> None:
        """Remember what was entered, to offer it again."""
        for name, text in facts.items():
            self._store.setValue(_LAST_IMPORT + name, text)

    @property
    def output_device(self) -> str:
        """Loudspeaker that the person has chosen; empty for the system's own choice."""
        return self._text("sound/output")

    @output_device.setter
    def output_device(self, name: str) -> None:
        self._store.setValue("sound/output", name)

    @property
    def record_input(self) -> tuple[str, int, int]:
        """Microphone chosen last (empty for the system's own), rate in Hz, and channel from 0."""
        rate_hz = self._number("record/rate_hz", USUAL_RATE_HZ)
        channel = self._number("record/channel", 0)
        return self._text("record/input"), int(rate_hz), max(int(channel), 0)

    @record_input.setter
    def record_input(self, value: tuple[str, int, int]) -> None:
        for key, part in zip(("input", "rate_hz", "channel"), value, strict=True):
            self._store.setValue(f"record/{key}", part)

    @property
    def record_signals(self) -> bool:
        """Whether a short sound says how a blow was judged."""
        return self._text("record/signals") == "yes"

    @record_signals.setter
    def record_signals(self, is_wanted: bool) -> None:
        self._store.setValue("record/signals", "yes" if is_wanted else "no")

    def record_key(self, command: str) -> str:
        """Return the second key of a command while recording; empty for none."""
        return self._text(f"record/keys/{command}")

    def set_record_key(self, command: str, key: str) -> None:
        """Remember the second key of a command, such as what a foot switch sends."""
        self._store.setValue(f"record/keys/{command}", key)

    def save(self) -> None:
        """Write now what was set."""
        self._store.sync()

    def _text(self, key: str) -> str:
        value = self._store.value(key, "")
        return value if isinstance(value, str) else ""

    def _number(self, key: str, default: float) -> float:
        try:
            return float(str(self._store.value(key, default)))
        except ValueError:
            return default

    def _bytes(self, key: str) -> QByteArray:
        value = self._store.value(key)
        return value if isinstance(value, QByteArray) else QByteArray()

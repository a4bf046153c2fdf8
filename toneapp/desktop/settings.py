"""What does the program remember from one start to the next?

The folder of the library, light or dark, the size of text, the place of the window, the last page
and the paper. Kept by Qt where the system keeps such things; what cannot be understood there is
taken as never set.

Classes: `Settings`.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from PySide6.QtCore import QByteArray, QSettings

from toneapp.desktop.theme import BASE_PT, ThemeMode

__all__ = ["PAPERS", "Settings"]

PAPERS = ("A4", "Letter")

_LAST_IMPORT = "import/"


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
    def paper(self) -> str:
        """Paper of what is printed, one of `PAPERS`."""
        text = self._text("sheet/paper")
        return text if text in PAPERS else PAPERS[0]

    @paper.setter
    def paper(self, name: str) -> None:
        self._store.setValue("sheet/paper", name)

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

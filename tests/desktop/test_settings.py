"""What is remembered comes back; what cannot be understood does not harm."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QByteArray, QSettings

from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import BASE_PT, ThemeMode


def again(tmp_path: Path) -> Settings:
    return Settings(QSettings(str(tmp_path / "settings.ini"), QSettings.Format.IniFormat))


def test_everything_comes_back(tmp_path: Path, settings: Settings) -> None:
    settings.library_folder = tmp_path / "a library"
    settings.theme_mode = ThemeMode.DARK
    settings.base_pt = 14.0
    settings.page = "evenness"
    settings.geometry = QByteArray(b"\x01\x02")
    settings.set_splitter("note", QByteArray(b"\x03"))
    settings.set_last_facts({"microphone": "the small one"})
    settings.save()
    later = again(tmp_path)
    assert later.library_folder == tmp_path / "a library"
    assert later.theme_mode is ThemeMode.DARK
    assert later.base_pt == 14.0
    assert later.page == "evenness"
    assert later.geometry == QByteArray(b"\x01\x02")
    assert later.splitter("note") == QByteArray(b"\x03")
    assert later.last_facts(["microphone", "place"]) == {
        "microphone": "the small one",
        "place": "",
    }


def test_nothing_set_is_the_usual(tmp_path: Path) -> None:
    fresh = again(tmp_path)
    assert fresh.library_folder is None
    assert fresh.theme_mode is ThemeMode.SYSTEM
    assert fresh.base_pt == BASE_PT
    assert fresh.geometry.isEmpty()


def test_nonsense_is_the_usual(tmp_path: Path) -> None:
    (tmp_path / "settings.ini").write_text(
        "[look]\ntheme=purple\ntext_pt=big\n[window]\ngeometry=3\n",
        encoding="utf-8",
    )
    read = again(tmp_path)
    assert read.theme_mode is ThemeMode.SYSTEM
    assert read.base_pt == BASE_PT
    assert read.geometry.isEmpty()

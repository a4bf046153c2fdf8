"""Dialogs: adding, importing, the bin, the settings, archives."""

from __future__ import annotations

from pathlib import Path

import pytest
from invented import write_noise
from PySide6.QtWidgets import QFileDialog, QMessageBox
from pytestqt.qtbot import QtBot
from window_kit import Workshop, choose

from toneapp.desktop.bin_dialog import BinDialog
from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.import_dialog import ImportDialog, InstrumentDialog
from toneapp.desktop.settings import Settings
from toneapp.desktop.settings_dialog import SettingsDialog
from toneapp.desktop.theme import Theme, ThemeMode
from toneapp.library import Library, Purpose


def test_an_instrument_is_added(
    qtbot: QtBot, window: MainWindow, model: AppModel, workshop: Workshop
) -> None:
    window.actions_by_name["add_instrument"].trigger()
    dialog = window.findChild(InstrumentDialog)
    assert dialog is not None
    dialog.go_button.click()
    assert "name" in dialog.message.text()
    dialog.form.name.setText("Spinet")
    dialog.form.compass.setText("A0-A7")
    dialog.go_button.click()
    qtbot.waitUntil(lambda: model.instrument is not None and model.instrument.name == "Spinet")
    assert len(workshop.library.instruments.find("Spinet").compass) == 85
    assert window.page is not None
    assert window.page.name == "instrument"


def test_a_recording_is_imported_with_its_facts(
    qtbot: QtBot, window: MainWindow, model: AppModel, workshop: Workshop, tmp_path: Path
) -> None:
    path = write_noise(tmp_path / "run.wav", key=4)
    window.library_actions.import_sound(path)
    dialog = window.findChild(ImportDialog)
    assert dialog is not None
    dialog.instrument.setCurrentIndex(dialog.instrument.findData(workshop.other.id))
    assert not dialog.new_instrument.isVisible()
    dialog.form.purpose.setCurrentIndex(dialog.form.purpose.findData(Purpose.RING_ON))
    dialog.form.condition.setText("as it came")
    dialog.form.microphone.setText("the small one")
    dialog.form.gain_note.setText("12 o'clock")
    dialog.go_button.click()
    qtbot.waitUntil(lambda: model.run is not None)
    run = workshop.library.runs.all(workshop.other.id)[0]
    assert run.purpose is Purpose.RING_ON
    assert (run.condition, run.microphone, run.gain_note) == (
        "as it came",
        "the small one",
        "12 o'clock",
    )
    again = ImportDialog(model, path, window.settings)
    qtbot.addWidget(again)
    assert again.form.microphone.text() == "the small one"  # offered again
    assert again.form.condition.text() == ""  # differs from run to run


def test_a_folder_of_notes_comes_in_for_a_new_instrument(
    qtbot: QtBot, window: MainWindow, model: AppModel, workshop: Workshop, tmp_path: Path
) -> None:
    folder = tmp_path / "notes"
    folder.mkdir()
    for key in range(3):
        write_noise(folder / f"{key}.wav", key=key)
    window.library_actions.import_sound(folder)
    dialog = window.findChild(ImportDialog)
    assert dialog is not None
    dialog.instrument.setCurrentIndex(dialog.instrument.findData(0))
    assert dialog.new_instrument.isVisible()
    dialog.new_instrument.name.setText("Cottage piano")
    dialog.go_button.click()
    qtbot.waitUntil(lambda: model.run is not None)
    assert model.instrument is not None
    assert model.instrument.name == "Cottage piano"
    take = workshop.library.runs.takes(model.run_id)[0]
    assert [recording.name for recording in take.recordings] == ["0.wav", "1.wav", "2.wav"]


def test_the_bin_gives_back(
    qtbot: QtBot, model: AppModel, theme: Theme, workshop: Workshop
) -> None:
    workshop.library.runs.remove(workshop.after)
    dialog = BinDialog(model, theme)
    qtbot.addWidget(dialog)
    assert [item.kind for item in dialog.table.rows_model.rows] == ["run"]
    dialog.restore_button.click()
    qtbot.waitUntil(lambda: dialog.table.rows_model.rows == ())
    assert len(workshop.library.runs.all()) == 2
    assert not dialog.restore_button.isEnabled()


@pytest.mark.parametrize("is_sure", [True, False])
def test_the_bin_is_emptied_only_after_a_question(
    qtbot: QtBot, model: AppModel, theme: Theme, workshop: Workshop, is_sure: bool
) -> None:
    workshop.library.runs.remove(workshop.after)
    dialog = BinDialog(model, theme)
    qtbot.addWidget(dialog)
    dialog.show()
    dialog.empty_button.click()
    box = dialog.findChild(QMessageBox)
    assert box is not None
    assert "cannot be undone" in box.text()
    yes, no = box.buttons()
    assert box.defaultButton() is no
    (yes if is_sure else no).click()
    qtbot.waitUntil(lambda: model.tasks.is_idle)
    qtbot.waitUntil(lambda: bool(workshop.library.bin.items()) is not is_sure)


def test_settings_take_effect_at_once(
    qtbot: QtBot, settings: Settings, theme: Theme, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[Path] = []
    dialog = SettingsDialog(settings, theme, opened.append, tmp_path)
    qtbot.addWidget(dialog)
    place = dialog.mode.findData(ThemeMode.DARK)
    dialog.mode.setCurrentIndex(place)
    dialog.mode.activated.emit(place)
    assert theme.is_dark
    assert settings.theme_mode is ThemeMode.DARK
    dialog.text_size.setValue(15)
    assert theme.base_pt == 15.0
    other = tmp_path / "other"
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_a: str(other))
    dialog.choose_folder()
    assert opened == [other]
    assert settings.library_folder == other
    theme.set_base_pt(12.0)
    theme.set_mode(ThemeMode.LIGHT)


def test_an_archive_goes_out_and_comes_into_another_library(
    qtbot: QtBot,
    window: MainWindow,
    model: AppModel,
    workshop: Workshop,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = tmp_path / "all.zip"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_a: (str(path), ""))
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_a: (str(path), ""))
    with qtbot.waitSignal(model.said):
        window.actions_by_name["archive_out"].trigger()
    assert path.is_file()
    window.actions_by_name["archive_in"].trigger()  # everything is here already
    qtbot.waitUntil(lambda: window.findChild(QMessageBox) is not None)
    box = window.findChild(QMessageBox)
    assert box is not None
    assert "Old upright" in box.text()
    box.buttons()[1].click()
    with Library(tmp_path / "fresh") as fresh:
        model.use_library(fresh)
        with qtbot.waitSignal(model.said):
            window.actions_by_name["archive_in"].trigger()
        assert [item.name for item in fresh.instruments.all()] == ["Old upright", "Small grand"]
        qtbot.waitUntil(lambda: model.tasks.is_idle)
        model.use_library(workshop.library)


def test_a_cancelled_choice_of_a_file_does_nothing(
    qtbot: QtBot, window: MainWindow, model: AppModel, monkeypatch: pytest.MonkeyPatch
) -> None:
    for way in ("getSaveFileName", "getOpenFileName"):
        monkeypatch.setattr(QFileDialog, way, lambda *_a: ("", ""))
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_a: "")
    for name in ("archive_out", "archive_in", "import_file", "import_folder"):
        window.actions_by_name[name].trigger()
    assert model.tasks.is_idle
    assert window.findChild(ImportDialog) is None
    choose(qtbot, model, model.library.runs.all()[0])  # type: ignore[union-attr]

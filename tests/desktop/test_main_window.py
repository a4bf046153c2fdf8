"""The frame of the window: pages, line of errors, progress, dropped files, keyboard."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from invented import write_noise
from PySide6.QtCore import QMimeData, QPoint, QPointF, Qt, QUrl
from PySide6.QtGui import QAccessible, QDragEnterEvent, QDropEvent, QKeySequence
from PySide6.QtWidgets import (
    QAbstractButton,
    QApplication,
    QComboBox,
    QLineEdit,
    QSplitter,
    QWidget,
)
from pytestqt.qtbot import QtBot
from window_kit import Workshop, choose

from toneapp.desktop.app import WindowApp
from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages import PAGES
from toneapp.desktop.pages.import_dialog import ImportDialog
from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import Theme
from toneapp.desktop.workers import Progress
from toneapp.library import Library


def test_it_begins_with_the_instruments(window: MainWindow) -> None:
    assert window.page is not None
    assert window.page.name == "instruments"


def test_every_page_is_reached_by_its_shortcut(
    qtbot: QtBot, window: MainWindow, model: AppModel, workshop: Workshop
) -> None:
    choose(qtbot, model, workshop.before)
    for name in window.page_names:
        window.actions_by_name[f"page_{name}"].trigger()
        assert window.page is not None
        assert window.page.name == name
    qtbot.waitUntil(lambda: model.tasks.is_idle)


def test_no_shortcut_is_given_twice_in_one_place(
    qtbot: QtBot, window: MainWindow, model: AppModel
) -> None:
    for name in window.page_names:
        window.page_of(name)
    seen: dict[tuple[str, str], str] = {}
    everywhere = {}
    for action in window.actions_by_name:
        owner = action.parent()
        for shortcut in action.shortcuts():
            keys = shortcut.toString(QKeySequence.SequenceFormat.PortableText)
            place = (owner.objectName() if owner is not window else "", keys)
            twin = f"{id(owner)}{keys}"
            assert twin not in seen.values(), keys
            seen[(action.objectName(), keys)] = twin
            if owner is window:
                everywhere[keys] = action.objectName()
            assert place
    for action in window.actions_by_name:
        if action.parent() is not window:
            for shortcut in action.shortcuts():
                keys = shortcut.toString(QKeySequence.SequenceFormat.PortableText)
                assert keys not in everywhere, (keys, action.objectName(), everywhere[keys])
    qtbot.waitUntil(lambda: model.tasks.is_idle)


def test_every_action_says_what_it_does(qtbot: QtBot, window: MainWindow, model: AppModel) -> None:
    for name in window.page_names:
        window.page_of(name)
    for action in window.actions_by_name:
        assert action.text(), action.objectName()
        assert action.whatsThis(), action.objectName()
    qtbot.waitUntil(lambda: model.tasks.is_idle)


def test_controls_have_names_for_those_who_hear_the_window(
    qtbot: QtBot, window: MainWindow, model: AppModel, workshop: Workshop
) -> None:
    choose(qtbot, model, workshop.before)
    for name in window.page_names:
        window.show_page(name)
        qtbot.waitUntil(lambda: model.tasks.is_idle)
        page = window.page_of(name)
        for widget in page.findChildren(QWidget):
            if not isinstance(widget, QAbstractButton | QComboBox | QLineEdit):
                continue
            if not widget.isVisible() or widget.objectName().startswith("qt_"):
                continue
            if isinstance(widget.parent(), QLineEdit | QComboBox):  # parts of Qt's own
                continue
            heard = QAccessible.queryAccessibleInterface(widget)
            text = heard.text(QAccessible.Text.Name)
            assert text, (name, widget, widget.objectName())


def test_the_keyboard_reaches_the_page_and_the_list_of_pages(
    qtbot: QtBot, window: MainWindow
) -> None:
    window.page_list.setFocus()
    qtbot.keyClick(window.page_list, Qt.Key.Key_Down)
    assert window.page is not None
    assert window.page.name == "instrument"
    window.page_list.setFocus()
    window.actions_by_name["next_part"].trigger()
    focus = QApplication.focusWidget()
    assert focus is None or window.page.isAncestorOf(focus) or focus is window.page
    window.actions_by_name["next_part"].trigger()


def test_an_error_stays_until_it_is_put_away(qtbot: QtBot, window: MainWindow) -> None:
    window.model.failed.emit("the disk is full; make room")
    assert window.line_bar.isVisible()
    assert window.line.text() == "The disk is full; make room"
    button = window.line_bar.findChild(QAbstractButton)
    assert button is not None
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    assert not window.line_bar.isVisible()


def test_long_work_is_shown_and_can_be_stopped(
    qtbot: QtBot, window: MainWindow, model: AppModel
) -> None:
    stopped = threading.Event()

    def job(_library: Library, progress: Progress) -> None:
        try:
            step = 0.0
            while True:
                step = (step + 0.01) % 1.0
                progress(step)
                stopped.wait(0.005)
        finally:
            stopped.set()

    assert not window.busy_bar.isVisible()
    model.work("counting", job)
    qtbot.waitUntil(lambda: window.busy_bar.isVisible() and window.progress.value() > 0)
    assert window.busy_label.text() == "Counting"
    qtbot.mouseClick(window.stop_button, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: not window.busy_bar.isVisible())
    assert stopped.is_set()


def test_undo_says_what_it_will_undo(
    qtbot: QtBot, window: MainWindow, model: AppModel, workshop: Workshop
) -> None:
    choose(qtbot, model, workshop.before)
    with qtbot.waitSignal(model.history_changed):
        model.tick_work(60, "bright")
    undo = window.actions_by_name["undo"]
    assert undo.isEnabled()
    assert undo.text() == "Undo: tick C4 bright"
    with qtbot.waitSignal(model.worklist_changed):
        undo.trigger()


def test_a_dropped_recording_opens_the_import(
    qtbot: QtBot, window: MainWindow, tmp_path: Path
) -> None:
    path = write_noise(tmp_path / "dropped.wav")
    data = QMimeData()
    data.setUrls([QUrl.fromLocalFile(str(path))])
    buttons, keys = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
    enter = QDragEnterEvent(QPoint(9, 9), Qt.DropAction.CopyAction, data, buttons, keys)
    window.dragEnterEvent(enter)
    assert enter.isAccepted()
    drop = QDropEvent(QPointF(9, 9), Qt.DropAction.CopyAction, data, buttons, keys)
    window.dropEvent(drop)
    qtbot.waitUntil(lambda: window.findChild(ImportDialog) is not None)
    dialog = window.findChild(ImportDialog)
    assert dialog is not None
    dialog.reject()


@pytest.mark.parametrize("urls", [[], ["https://example.org/a.wav"], ["file:///no/such/file"]])
def test_other_things_are_not_taken(window: MainWindow, urls: list[str]) -> None:
    data = QMimeData()
    data.setUrls([QUrl(text) for text in urls])
    enter = QDragEnterEvent(
        QPoint(9, 9),
        Qt.DropAction.CopyAction,
        data,
        Qt.MouseButton.LeftButton,
        Qt.KeyboardModifier.NoModifier,
    )
    enter.ignore()
    window.dragEnterEvent(enter)
    assert not enter.isAccepted()


def test_the_place_of_the_window_is_remembered(
    qtbot: QtBot, qapp: QApplication, model: AppModel, theme: Theme, settings: Settings
) -> None:
    first = MainWindow(model, theme, settings)
    qtbot.addWidget(first)
    first.resize(1010, 707)
    first.show()
    first.close()
    second = MainWindow(AppModel(poll_ms=0), theme, settings)
    qtbot.addWidget(second)
    # A window wider than the screen there is (800 pixels without one) is made narrower.
    screen = qapp.primaryScreen().availableGeometry()
    assert second.height() == 707
    assert second.width() == (1010 if screen.width() >= 1010 else second.minimumWidth())
    second.close()


def test_the_parts_of_a_page_keep_their_sizes(
    qtbot: QtBot, window: MainWindow, model: AppModel, workshop: Workshop, settings: Settings
) -> None:
    choose(qtbot, model, workshop.before)
    window.show_page("run")
    splitter = window.page_of("run").findChild(QSplitter)
    assert splitter is not None
    splitter.setSizes([200, 300])
    sizes = splitter.sizes()
    qtbot.waitUntil(lambda: model.tasks.is_idle)
    window.close()
    second = MainWindow(AppModel(poll_ms=0), window.theme, settings)
    qtbot.addWidget(second)
    again = second.page_of("run").findChild(QSplitter)
    assert again is not None
    assert again.saveState() == splitter.saveState()
    assert sizes[0] < sizes[1]
    second.close()


def test_a_second_window_shows_the_same_run_and_sees_its_changes(
    qtbot: QtBot, qapp: QApplication, workshop: Workshop, settings: Settings
) -> None:
    program = WindowApp(qapp, settings=settings, library_folder=workshop.folder)
    first = program.open_window()
    qtbot.addWidget(first)
    qtbot.waitUntil(lambda: first.model.library is not None)
    choose(qtbot, first.model, workshop.before)
    first.actions_by_name["second_window"].trigger()
    second = program.windows[1]
    qtbot.addWidget(second)
    qtbot.waitUntil(lambda: second.model.run is not None and second.model.worklist is not None)
    assert second.model.run_id == first.model.run_id
    with qtbot.waitSignal(second.model.worklist_changed, timeout=5000):
        first.model.tick_work(60, "bright")
    assert second.model.worklist is not None
    assert second.model.worklist.entries[0].is_done
    first.close()
    assert second.model.read(lambda library: library.instruments.all(), ())
    second.close()


def test_the_run_above_the_pages_is_chosen_by_hand(
    qtbot: QtBot, window: MainWindow, model: AppModel, workshop: Workshop
) -> None:
    choose(qtbot, model, workshop.before)
    bar = window.run_bar
    assert bar.run_choice.currentData() == workshop.before.id
    place = bar.run_choice.findData(workshop.after.id)
    bar.run_choice.setCurrentIndex(place)
    bar.run_choice.activated.emit(place)
    qtbot.waitUntil(lambda: model.run is not None and model.run.run.id == workshop.after.id)
    place = bar.compared_choice.findData(workshop.before.id)
    with qtbot.waitSignal(model.comparison_changed):
        bar.compared_choice.activated.emit(place)


def test_every_page_of_the_list_is_there(window: MainWindow) -> None:
    assert set(window.page_names) <= {entry.name for entry in PAGES}
    assert {"instruments", "instrument", "run", "help"} <= set(window.page_names)

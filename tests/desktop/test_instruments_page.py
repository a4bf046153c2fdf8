"""The list of instruments: search, open, and the first step when there is none."""

from __future__ import annotations

from PySide6.QtCore import Qt
from pytestqt.qtbot import QtBot
from window_kit import Workshop

from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.instruments import InstrumentsPage
from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import Theme


def page_of(window: MainWindow) -> InstrumentsPage:
    page = window.page_of("instruments")
    assert isinstance(page, InstrumentsPage)
    return page


def test_it_says_what_there_is(window: MainWindow) -> None:
    rows = page_of(window).rows()
    assert [row.name for row in rows] == ["Old upright", "Small grand"]
    assert rows[0].state == "2 runs, last 2024-05-02 after"
    assert rows[1].state == "no run yet"
    assert "Hall" in rows[1].facts


def test_a_search_finds_by_instrument_and_by_run(qtbot: QtBot, window: MainWindow) -> None:
    page = page_of(window)
    window.actions_by_name["find"].trigger()
    for words, names in (
        ("hall", ["Small grand"]),
        ("workshop", ["Old upright"]),  # the place of its runs
        ("", ["Old upright", "Small grand"]),
    ):
        page.search.setText(words)
        qtbot.waitUntil(lambda names=names: [row.name for row in page.rows()] == names)


def test_what_is_not_found_is_said(qtbot: QtBot, window: MainWindow) -> None:
    page = page_of(window)
    qtbot.keyClicks(page.search, "zzz")
    qtbot.waitUntil(lambda: page.rows() == ())
    assert page.nothing.isVisible()
    assert "zzz" in page.nothing.text()


def test_enter_opens_the_chosen_instrument(
    qtbot: QtBot, window: MainWindow, model: AppModel, workshop: Workshop
) -> None:
    page = page_of(window)
    qtbot.keyClick(page.list, Qt.Key.Key_Down)
    qtbot.keyClick(page.list, Qt.Key.Key_Return)
    assert model.instrument_id == workshop.other.id
    assert window.page is not None
    assert window.page.name == "instrument"


def test_enter_in_the_search_opens_what_is_found(
    qtbot: QtBot, window: MainWindow, model: AppModel, workshop: Workshop
) -> None:
    page = page_of(window)
    qtbot.keyClicks(page.search, "grand")
    qtbot.keyClick(page.search, Qt.Key.Key_Return)
    assert model.instrument_id == workshop.other.id


def test_without_instruments_the_first_step_is_offered(
    qtbot: QtBot, empty_model: AppModel, theme: Theme, settings: Settings
) -> None:
    window = MainWindow(empty_model, theme, settings)
    qtbot.addWidget(window)
    window.show()
    page = page_of(window)
    assert page.empty_pane.isVisible()
    assert [button.text() for button in page.empty_pane.buttons] == [
        "Look at the example workshop",
        "Add an instrument",
    ]


def test_before_the_library_is_open_nothing_is_offered(
    qtbot: QtBot, theme: Theme, settings: Settings
) -> None:
    model = AppModel(poll_ms=0)
    window = MainWindow(model, theme, settings)
    qtbot.addWidget(window)
    window.show()
    assert page_of(window).empty_pane.buttons == ()
    assert "being opened" in page_of(window).empty_pane.text()
    window.close()

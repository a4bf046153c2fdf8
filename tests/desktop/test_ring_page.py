"""The ring-on page is used with the pointer and with the keyboard alone."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from invented import write_noise
from PySide6.QtCore import QPointF, Qt
from pytestqt.qtbot import QtBot
from ring_kit import ANSWERS, FREE, HEARD_FROM, LEAK, Gives, ringing_run
from window_kit import Workshop, analyse, choose

from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.ringon import RingOnPage
from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import Theme, ThemeMode
from toneapp.library import Library, Purpose, Run


@pytest.fixture
def ring_runs(workshop: Workshop, tmp_path: Path) -> tuple[Run, Run]:
    """Two ring-on runs of the other instrument: dampers leak, dampers eased."""
    runs = []
    for key, (condition, is_leaky) in enumerate((("as it came", True), ("eased", False))):
        sound = write_noise(tmp_path / f"{condition}.wav", seconds=2.0, key=10 + key)
        run = workshop.library.runs.add(
            Run(
                instrument_id=workshop.other.id, condition=condition, purpose=Purpose.RING_ON,
                recorded_at=f"2024-06-0{key + 1}T10:00:00Z",
            ),
            sound,
        )  # fmt: skip
        result = ringing_run(key, is_leaky=is_leaky)
        workshop.library.measuring.measure(run.id, Gives(result))
        runs.append(run)
    return runs[0], runs[1]


@pytest.fixture
def page(qtbot: QtBot, window: MainWindow, ring_runs: tuple[Run, Run]) -> Iterator[RingOnPage]:
    window.resize(1280, 800)
    window.show_page("ring_on")
    choose(qtbot, window.model, ring_runs[0])
    found = window.page_of("ring_on")
    assert isinstance(found, RingOnPage)
    qtbot.waitUntil(lambda: found.map.view is not None)
    yield found
    qtbot.waitUntil(lambda: window.model.tasks.is_idle)


def mark_place(page: RingOnPage, struck: int, string: int) -> QPointF:
    view = page.map.view
    assert view is not None
    mark = next(m for m in view.marks if (m.struck_midi, m.midi) == (struck, string))
    return page.map.place_of(mark)


def test_the_lists_stand_beside_the_matrix(page: RingOnPage) -> None:
    assert [page.tabs.tabText(i) for i in range(page.tabs.count())] == [
        "Dampers (1)", "Echoes (2)",
    ]  # fmt: skip
    assert page.dampers.chosen.note == "E2"
    assert "E2: The note's own damper leaks" in page.advice.toPlainText()
    assert "Look first at" in page.advice.toPlainText()
    assert "eye protection" in page.cautions.toPlainText()
    assert "qualified piano technician" in page.cautions.toPlainText()


def test_pointing_at_a_mark_says_it(qtbot: QtBot, page: RingOnPage) -> None:
    qtbot.mouseMove(page.map, mark_place(page, 60, FREE).toPoint())
    qtbot.waitUntil(lambda: page.map.mark is not None)
    assert page.readout().startswith("G6 rings after C4")
    assert page.map.text_at(mark_place(page, LEAK, LEAK)).startswith("E2 rings on itself")


def test_a_click_on_a_mark_opens_the_struck_note(qtbot: QtBot, page: RingOnPage) -> None:
    with qtbot.waitSignal(page.model.page_wanted) as wanted:
        qtbot.mouseClick(
            page.map, Qt.MouseButton.LeftButton, pos=mark_place(page, 72, FREE).toPoint()
        )
    assert wanted.args == ["note"]
    assert page.model.midi == 72


def test_a_click_on_a_drawn_key_opens_it(qtbot: QtBot, page: RingOnPage) -> None:
    with qtbot.waitSignal(page.model.page_wanted):
        qtbot.mouseClick(
            page.map, Qt.MouseButton.LeftButton, pos=page.map.place_of_key(64).toPoint()
        )
    assert page.model.midi == 64


def test_the_keyboard_alone_chooses_and_opens(qtbot: QtBot, page: RingOnPage) -> None:
    page.map.setFocus()
    page.model.choose_note(59)
    qtbot.keyClick(page.map, Qt.Key.Key_Right)
    assert page.model.midi == 60
    assert "And 1 more after C4" in page.readout()
    qtbot.keyClick(page.map, Qt.Key.Key_Up)
    assert page.map.mark is not None
    assert page.map.mark.midi == LEAK
    qtbot.keyClick(page.map, Qt.Key.Key_Up)
    assert page.map.mark.midi == FREE
    assert page.map.accessibleDescription().startswith("G6 rings after C4")
    with qtbot.waitSignal(page.model.page_wanted):
        qtbot.keyClick(page.map, Qt.Key.Key_Return)
    qtbot.keyClick(page.map, Qt.Key.Key_End)
    assert page.model.midi == 108
    assert "nothing was heard" in page.readout()


def test_a_row_of_a_list_chooses_and_opens_its_key(qtbot: QtBot, page: RingOnPage) -> None:
    page.tabs.setCurrentWidget(page.echoes)
    assert page.echoes.choose((FREE, page.echoes.rows_model.rows[1].cause))
    assert "Undamped strings answer" in page.advice.toPlainText()
    with qtbot.waitSignal(page.model.page_wanted) as wanted:
        qtbot.keyClick(page.echoes, Qt.Key.Key_Return)
    assert wanted.args == ["note"]
    assert page.model.midi == FREE


def test_a_second_run_shows_what_changed(
    qtbot: QtBot, page: RingOnPage, ring_runs: tuple[Run, Run]
) -> None:
    page.model.compare_with(ring_runs[1].id)
    qtbot.waitUntil(lambda: page.map.view is not None and page.map.view.is_change)
    assert page.tabs.tabText(0) == "Changes (1)"  # the other string rings as before
    assert page.changes.rows_model.rowCount() == 2
    assert page.tabs.currentIndex() == 0
    assert "E2: no longer heard" in page.advice.toPlainText()
    assert "Look first at" not in page.advice.toPlainText()
    page.model.compare_with(None)
    qtbot.waitUntil(lambda: page.map.view is not None and not page.map.view.is_change)
    assert page.tabs.count() == 2
    assert not page.changes.isVisible()


def test_a_run_without_releases_says_the_next_step(
    qtbot: QtBot, page: RingOnPage, workshop: Workshop
) -> None:
    choose(qtbot, page.model, workshop.before)
    qtbot.waitUntil(lambda: page.empty_pane.isVisible())
    assert "short, detached blows" in page.empty_pane.text()
    assert page.empty_pane.buttons


def test_light_and_dark_and_small_and_large(
    qtbot: QtBot, page: RingOnPage, window: MainWindow, theme: Theme
) -> None:
    for mode in (ThemeMode.DARK, ThemeMode.LIGHT):
        theme.set_mode(mode)
        for width, height in ((1024, 700), (1920, 1080)):
            window.resize(width, height)
            qtbot.waitUntil(lambda width=width: window.width() == width)
            image = page.map.grab().toImage()
            accent = theme.colour("accent")
            place = mark_place(page, LEAK, LEAK).toPoint()
            assert image.pixelColor(place) == accent
            assert len(ANSWERS) + len(HEARD_FROM) + 1 == len(page.map.view.marks)


def test_every_control_has_a_name(page: RingOnPage) -> None:
    for control in (
        page.map, page.tabs, page.dampers, page.echoes, page.changes, page.advice, page.cautions,
    ):  # fmt: skip
        assert control.accessibleName()


def test_without_a_run_the_page_says_so(
    qtbot: QtBot, tmp_path: Path, settings: Settings, theme: Theme
) -> None:
    with Library(tmp_path / "bare") as library:
        model = AppModel(analyse=analyse, poll_ms=0)
        model.use_library(library)
        window = MainWindow(model, theme, settings)
        qtbot.addWidget(window)
        window.show()
        window.show_page("ring_on")
        page = window.page_of("ring_on")
        qtbot.waitUntil(lambda: page.empty_pane.isVisible())
        assert "ring-on run" in page.empty_pane.text()
        qtbot.waitUntil(lambda: model.tasks.is_idle)
        model.close()

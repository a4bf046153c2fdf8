"""The map is used with the pointer and with the keyboard alone; the worklist stands beside it."""

from __future__ import annotations

import pytest
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QAccessible, QColor, QGuiApplication, QImage
from PySide6.QtWidgets import QToolButton
from pytestqt.qtbot import QtBot
from window_kit import BRIGHT, Workshop, choose

from toneapp.desktop.lane_chooser import LaneChooser
from toneapp.desktop.lane_order import LaneOrder
from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.pages.evenness import EvennessPage
from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import DARK, LIGHT, Theme, ThemeMode
from toneapp.desktop.worklist_model import WorkFilter
from toneapp.library import worklist_text


@pytest.fixture
def page(qtbot: QtBot, window: MainWindow, workshop: Workshop) -> EvennessPage:
    window.show_page("evenness")
    choose(qtbot, window.model, workshop.before)
    found = window.page_of("evenness")
    assert isinstance(found, EvennessPage)
    qtbot.waitUntil(lambda: found.map.view is not None)
    return found


def point(page: EvennessPage, midi: int, lane: str = "brightness") -> QPoint:
    return page.map.place_of(midi, lane).toPoint()


def count(image: QImage, colour: str) -> int:
    wanted = QColor(colour).rgb()
    return sum(
        image.pixel(x, y) == wanted
        for y in range(0, image.height(), 2)
        for x in range(image.width())
    )


def test_pointing_at_a_key_says_its_values(qtbot: QtBot, page: EvennessPage) -> None:
    qtbot.mouseMove(page.map, point(page, BRIGHT))
    qtbot.waitUntil(lambda: page.map.lane_at_hand == "brightness")
    said = page.map.text_at(QPointF(point(page, BRIGHT)))
    assert said.startswith("C4, 3 strikes")
    assert "too bright" in said
    assert "oct" in page.readout()
    assert "too bright" in page.readout()
    heading = QPointF(
        page.map.place_of(BRIGHT, "brightness").x(), page.map.heading_y("brightness")
    )
    assert page.map.text_at(heading).startswith("How far the middle of the attack")


def test_a_click_opens_the_key(qtbot: QtBot, page: EvennessPage) -> None:
    with qtbot.waitSignal(page.model.page_wanted) as wanted:
        qtbot.mouseClick(page.map, Qt.MouseButton.LeftButton, pos=point(page, BRIGHT))
    assert wanted.args == ["note"]
    assert page.model.midi == BRIGHT


def test_the_keyboard_alone_chooses_and_opens(qtbot: QtBot, page: EvennessPage) -> None:
    page.map.setFocus()
    page.model.choose_note(BRIGHT - 1)
    qtbot.keyClick(page.map, Qt.Key.Key_Right)
    assert page.model.midi == BRIGHT
    qtbot.keyClick(page.map, Qt.Key.Key_Down)
    assert page.map.lane_at_hand == "brightness"
    assert "too bright" in page.map.accessibleDescription()
    with qtbot.waitSignal(page.model.page_wanted) as wanted:
        qtbot.keyClick(page.map, Qt.Key.Key_Return)
    assert wanted.args == ["note"]
    qtbot.keyClick(page.map, Qt.Key.Key_Home)
    assert page.model.midi == 21
    qtbot.keyClick(page.map, Qt.Key.Key_PageUp)
    assert page.model.midi == 33
    page.actions_of_window["map_raised_right"].trigger()
    assert page.model.midi == BRIGHT


def test_the_zoom_shows_octaves_around_the_key(page: EvennessPage) -> None:
    page.model.choose_note(BRIGHT)
    page.actions_of_window["map_zoom_in"].trigger()
    assert page.map.octaves == 4
    for _ in range(3):
        page.actions_of_window["map_zoom_in"].trigger()
    assert page.map.octaves == 1
    wide = page.map.place_of(BRIGHT, "level").x() - page.map.place_of(BRIGHT - 1, "level").x()
    page.actions_of_window["map_zoom_all"].trigger()
    narrow = page.map.place_of(BRIGHT, "level").x() - page.map.place_of(BRIGHT - 1, "level").x()
    assert wide > 4 * narrow
    page.actions_of_window["map_zoom_out"].trigger()
    assert page.map.octaves is None


def test_a_zoomed_map_follows_the_chosen_key(page: EvennessPage) -> None:
    page.model.choose_note(BRIGHT)
    page.zoom(3)
    page.model.choose_note(100)
    assert page.map.place_of(100, "level").x() > 0


def test_lanes_are_enlarged_moved_and_hidden_and_remembered(
    qtbot: QtBot, page: EvennessPage, settings: Settings
) -> None:
    page.map.setFocus()
    qtbot.keyClick(page.map, Qt.Key.Key_Down)
    for name in ("map_lane_up", "map_lane_enlarge"):
        page.actions_of_window[name].trigger()
    assert page.map.order.shown[0] == "brightness"
    assert page.map.order.enlarged == "brightness"
    page.actions_of_window["map_lane_hide"].trigger()
    assert "brightness" not in page.map.order.shown
    text = bytes(settings.splitter("evenness_lanes").data()).decode()
    assert LaneOrder.from_text(text) == page.map.order


def test_the_small_window_of_lanes(qtbot: QtBot, page: EvennessPage) -> None:
    page.choose_lanes()
    chooser = page.findChild(LaneChooser)
    assert chooser is not None
    names = [chooser.list.item(row).text() for row in range(chooser.list.count())]
    assert "Down weight (not measured)" in names
    chooser.list.item(names.index("Sustain")).setCheckState(Qt.CheckState.Checked)
    assert "sustain" in page.map.order.shown
    chooser.list.setCurrentRow(names.index("Sustain"))
    qtbot.mouseClick(chooser.up, Qt.MouseButton.LeftButton)
    assert page.map.order.shown[2:4] == ("sustain", "prompt_decay")
    qtbot.mouseClick(chooser.usual, Qt.MouseButton.LeftButton)
    assert page.map.order == LaneOrder()
    chooser.close()


def test_a_raised_note_is_drawn_in_the_accent_by_day_and_night(
    qtbot: QtBot, page: EvennessPage, theme: Theme
) -> None:
    assert count(page.map.grab().toImage(), LIGHT.accent) > 40
    theme.set_mode(ThemeMode.DARK)
    qtbot.waitUntil(lambda: count(page.map.grab().toImage(), DARK.accent) > 40)
    qtbot.waitUntil(lambda: count(page.map.grab().toImage(), LIGHT.accent) == 0)
    theme.set_mode(ThemeMode.LIGHT)


def test_the_other_run_is_drawn_over_it(
    qtbot: QtBot, page: EvennessPage, workshop: Workshop
) -> None:
    assert count(page.map.grab().toImage(), LIGHT.other) == 0
    page.model.compare_with(workshop.after.id)
    qtbot.waitUntil(lambda: page.map.view is not None and bool(page.map.view.other_name))
    assert count(page.map.grab().toImage(), LIGHT.other) > 40
    assert "beyond scatter" in page.map.text_of(BRIGHT)


def test_what_stands_in_the_way_of_a_comparison_is_said(
    qtbot: QtBot, page: EvennessPage, workshop: Workshop
) -> None:
    page.model.compare_with(workshop.after.id)
    qtbot.waitUntil(lambda: page.map.view is not None and bool(page.map.view.other_name))
    assert page.map.view is not None
    shown = page.warning_text().casefold()
    assert all(warning.casefold() in shown for warning in page.map.view.warnings)


def test_ticks_are_kept_by_the_library_and_can_be_taken_back(
    qtbot: QtBot, page: EvennessPage, workshop: Workshop
) -> None:
    panel = page.worklist
    row = panel.rows.row_of(BRIGHT)
    with qtbot.waitSignal(page.model.worklist_changed):
        qtbot.mouseClick(
            panel.table.viewport(),
            Qt.MouseButton.LeftButton,
            pos=panel.table.visualRect(panel.rows.index(row, 0)).center(),
        )
    assert panel.rows.index(row, 0).data(Qt.ItemDataRole.CheckStateRole) == Qt.CheckState.Checked
    stored = workshop.library.worklist(workshop.before.id).entries
    assert [entry.midi for entry in stored if entry.is_done] == [BRIGHT]
    with qtbot.waitSignal(page.model.worklist_changed):
        page.model.undo()
    assert panel.rows.counts()[1] == 0


def test_space_ticks_and_the_filter_parts_open_from_done(qtbot: QtBot, page: EvennessPage) -> None:
    panel = page.worklist
    panel.table.setFocus()
    panel.table.selectRow(panel.rows.row_of(BRIGHT))
    total, _ = panel.rows.counts()
    with qtbot.waitSignal(page.model.worklist_changed):
        page.actions_of_window["worklist_tick"].trigger()
    panel.set_filter(WorkFilter.DONE)
    assert panel.rows.rowCount() == 1
    panel.set_filter(WorkFilter.OPEN)
    assert panel.rows.rowCount() == total - 1
    assert "1 done" in panel.count_text()


def test_advice_begins_with_what_can_be_undone_and_cautions_are_seen(page: EvennessPage) -> None:
    panel = page.worklist
    panel.table.selectRow(panel.rows.row_of(BRIGHT))
    advice = panel.advice.toPlainText()
    places = [
        advice.index(head)
        for head in ("Look first at", "Then, what can be undone", "Last, what cannot be undone")
    ]
    assert places == sorted(places)
    assert panel.cautions.isVisible()
    cautions = panel.cautions.toPlainText()
    assert "Cautions" in cautions
    assert "qualified piano technician" in cautions


def test_an_entry_marks_its_key_on_the_map_and_the_other_way(page: EvennessPage) -> None:
    panel = page.worklist
    panel.table.clearSelection()
    panel.table.setCurrentIndex(panel.rows.index(-1, -1))
    panel.table.selectRow(panel.rows.row_of(BRIGHT))
    assert page.map.chosen == BRIGHT
    panel.table.setCurrentIndex(panel.rows.index(-1, -1))
    page.model.choose_note(0)
    page.model.choose_note(BRIGHT)
    entry = panel.rows.entry(panel.table.currentIndex().row())
    assert entry is not None
    assert entry.midi == BRIGHT


def test_the_list_is_copied_and_printed_as_the_library_writes_it(page: EvennessPage) -> None:
    worklist = page.model.worklist
    assert worklist is not None
    page.actions_of_window["worklist_copy"].trigger()
    assert QGuiApplication.clipboard().text() == worklist_text(worklist)
    printed = page.worklist.document().toPlainText()
    assert printed.startswith("Old upright, before")
    assert worklist_text(worklist).strip() in printed


def test_without_a_run_the_next_step_is_said(window: MainWindow) -> None:
    window.show_page("evenness")
    page = window.page_of("evenness")
    assert page.empty_pane.isVisible()
    assert "Choose" in page.empty_pane.text()


def test_every_button_has_a_name_a_sentence_and_a_shortcut(page: EvennessPage) -> None:
    buttons = page.body.findChildren(QToolButton)
    assert len(buttons) >= 12
    for button in buttons:
        assert button.accessibleName()
        assert button.toolTip().count(" ") >= 2, button.text()
        assert button.defaultAction().shortcut().toString(), button.text()
    for widget in (page.map, page.worklist.table, page.worklist.advice, page.worklist.cautions):
        interface = QAccessible.queryAccessibleInterface(widget)
        assert interface.text(QAccessible.Text.Name)

"""Runs are ticked and compared: lanes, figures with intervals, warnings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from invented import invent_run, write_noise
from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QImage, QPainter
from pytestqt.qtbot import QtBot
from ring_kit import Gives
from window_kit import Workshop, choose

from toneapp.desktop.compare_painting import paint_run_sign
from toneapp.desktop.compare_view import CompareView, compare_view
from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.pages.compare import MOST, ComparePage
from toneapp.desktop.pages.sheet import SheetPage
from toneapp.desktop.sheet_choice import SheetKind
from toneapp.desktop.theme import LIGHT, Theme, ThemeMode
from toneapp.library import Purpose, Run


def add_run(
    workshop: Workshop, tmp_path: object, *, key: int, calibration_db: float | None = None
) -> Run:
    """A measured run of the other instrument."""
    sound = write_noise(tmp_path / f"more{key}.wav", seconds=2.0, key=20 + key)
    run = workshop.library.runs.add(
        Run(
            instrument_id=workshop.other.id, condition=f"run {key}", purpose=Purpose.EVENNESS,
            recorded_at=f"2024-07-0{key}T10:00:00Z", place="hall", calibration_db=calibration_db,
        ),
        sound,
    )  # fmt: skip
    result = replace(invent_run(np.random.default_rng(key)), calibration_db=calibration_db)
    workshop.library.measuring.measure(run.id, Gives(result))
    return run


@pytest.fixture
def page(qtbot: QtBot, window: MainWindow, workshop: Workshop) -> Iterator[ComparePage]:
    window.resize(1280, 800)
    window.show_page("compare")
    choose(qtbot, window.model, workshop.before)
    found = window.page_of("compare")
    assert isinstance(found, ComparePage)
    qtbot.waitUntil(lambda: found.view is not None)
    yield found
    qtbot.waitUntil(lambda: window.model.tasks.is_idle)


def texts(table: object) -> list[list[str]]:
    return [
        [table.item(row, column).text() for column in range(table.columnCount())]
        for row in range(table.rowCount())
    ]


def test_before_and_after_are_chosen_by_themselves(page: ComparePage, workshop: Workshop) -> None:
    assert set(page.ticked()) == {workshop.before.id, workshop.after.id}
    assert page.view is not None
    assert page.view.is_before_after
    assert [series.number for series in page.view.series] == [1, 2]
    rows = texts(page.changes)
    assert [row[0] for row in rows][:2] == ["level (dB)", "brightness (oct)"]
    assert all("[" in row[1] for row in rows[:2])
    assert "C4" in rows[1][3]  # the bright note is no longer bright


def test_times_are_compared_in_per_cent(page: ComparePage) -> None:
    heads = [row[0] for table in (page.changes, page.differences) for row in texts(table)]
    assert "prompt decay (%)" in heads
    assert "prompt decay T60 (%)" in heads
    assert not any("ratio" in head for head in heads)


def test_intervals_stand_beside_the_figures(page: ComparePage) -> None:
    rows = {row[0]: row[1:] for row in texts(page.figures)}
    assert all("[" in cell for cell in rows["brightness (oct)"])
    assert all("[" in cell for cell in rows["unevenness of brightness (oct)"])


def test_runs_of_several_instruments(
    qtbot: QtBot, page: ComparePage, workshop: Workshop, tmp_path: object
) -> None:
    other = add_run(workshop, tmp_path, key=1)
    qtbot.waitUntil(lambda: page.runs.count() == 3)
    page.choose_runs([workshop.before.id, other.id])
    qtbot.waitUntil(lambda: not page.view.is_before_after)
    assert "not all runs are calibrated" in page.warnings().lower()
    assert "place differs" in page.warnings()
    assert not any("level (dB SPL)" in row[0] for row in texts(page.figures))
    assert not any(lane.unit.startswith("dB SPL") for lane in page.view.lanes)
    assert texts(page.differences)[0][0] == "brightness (oct)"


def test_loudness_is_compared_only_when_all_are_calibrated(
    qtbot: QtBot, page: ComparePage, workshop: Workshop, tmp_path: object
) -> None:
    one = add_run(workshop, tmp_path, key=2, calibration_db=100.0)
    two = add_run(workshop, tmp_path, key=3, calibration_db=104.0)
    qtbot.waitUntil(lambda: page.runs.count() == 4)
    comparison = workshop.library.compare_instruments([one.id, two.id])
    titles = [lane.title for lane in compare_view(comparison).lanes]
    assert "Level" in titles
    mixed = workshop.library.compare_instruments([one.id, workshop.before.id])
    assert "Level" not in [lane.title for lane in compare_view(mixed).lanes]


def test_ticks_by_keyboard(
    qtbot: QtBot, page: ComparePage, workshop: Workshop, tmp_path: object
) -> None:
    add_run(workshop, tmp_path, key=4)
    qtbot.waitUntil(lambda: page.runs.count() == 3)
    page.runs.setFocus()
    page.runs.setCurrentRow(2)
    qtbot.keyClick(page.runs, Qt.Key.Key_Space)
    qtbot.waitUntil(lambda: len(page.view.series) == 3)
    assert len(page.ticked()) == 3
    assert page.runs.item(2).text().startswith("[3] ")
    qtbot.keyClick(page.runs, Qt.Key.Key_Space)
    qtbot.waitUntil(lambda: len(page.view.series) == 2)


def test_one_run_alone_asks_for_another(page: ComparePage) -> None:
    page.runs.item(0).setCheckState(Qt.CheckState.Unchecked)
    assert page.hint() == "Tick two runs or more."
    page.runs.item(0).setCheckState(Qt.CheckState.Checked)
    assert page.hint() == ""


def test_no_more_than_six(
    qtbot: QtBot, page: ComparePage, workshop: Workshop, tmp_path: object
) -> None:
    for key in range(1, 6):
        add_run(workshop, tmp_path, key=key)
    qtbot.waitUntil(lambda: page.runs.count() == 7)
    for place in range(7):
        page.runs.item(place).setCheckState(Qt.CheckState.Checked)
    assert len(page.ticked()) == MOST
    assert page.hint().startswith("No more than 6 runs")
    qtbot.waitUntil(lambda: len(page.view.series) == MOST)


def test_a_key_is_chosen_and_opened(qtbot: QtBot, page: ComparePage) -> None:
    place = page.map.place_of(60).toPoint()
    qtbot.mouseClick(page.map, Qt.MouseButton.LeftButton, pos=place)
    assert page.model.midi == 60
    assert page.readout().startswith("C4")
    assert "[1]" in page.readout()
    page.map.setFocus()
    qtbot.keyClick(page.map, Qt.Key.Key_Right)
    assert page.model.midi == 61
    with qtbot.waitSignal(page.model.page_wanted) as wanted:
        qtbot.keyClick(page.map, Qt.Key.Key_Return)
    assert wanted.args == ["note"]


def test_lanes_can_be_shown_and_hidden(page: ComparePage) -> None:
    shown = [lane.title for lane in page.map.view.lanes]
    assert "Brightness" in shown
    action = next(a for a in page.lanes_menu.actions() if a.text() == "Brightness")
    action.setChecked(False)
    assert "Brightness" not in [lane.title for lane in page.map.view.lanes]
    action.setChecked(True)
    assert [lane.title for lane in page.map.view.lanes] == shown


def test_headings_say_what_a_measure_means(page: ComparePage) -> None:
    assert "at equal blow" in page.map.text_at(QPointF(200.0, 6.0))


def test_light_dark_and_sizes(
    qtbot: QtBot, page: ComparePage, window: MainWindow, theme: Theme
) -> None:
    for mode in (ThemeMode.DARK, ThemeMode.LIGHT):
        theme.set_mode(mode)
        for width, height in ((1024, 700), (1920, 1080)):
            window.resize(width, height)
            qtbot.waitUntil(lambda width=width: window.width() == width)
            image = page.map.grab().toImage()
            colours = {
                image.pixel(x, y)
                for y in range(0, image.height(), 3)
                for x in range(0, image.width(), 3)
            }
            assert theme.colour("accent").rgb() in colours
            assert len(colours) > 6


@pytest.mark.usefixtures("qapp")
def test_runs_have_shapes_of_their_own() -> None:
    prints = set()
    for number in range(1, MOST + 1):
        image = QImage(30, 30, QImage.Format.Format_RGB32)
        image.fill(QColor("white"))
        painter = QPainter(image)
        paint_run_sign(painter, number, QPointF(15.0, 15.0), 18.0, colours=LIGHT)
        painter.end()
        white = QColor("white").rgb()
        prints.add(tuple(image.pixel(x, y) != white for y in range(30) for x in range(30)))
    assert len(prints) == MOST


def test_every_control_has_a_name(page: ComparePage) -> None:
    for control in (
        page.map, page.runs, page.tabs, page.figures, page.differences, page.changes,
        page.lanes_button,
    ):  # fmt: skip
        assert control.accessibleName()


def test_a_run_without_a_measure_has_no_lane_for_it(workshop: Workshop) -> None:
    comparison = workshop.library.compare_instruments([workshop.before.id, workshop.after.id])
    view: CompareView = compare_view(comparison)
    assert all(any(points for points in lane.points) for lane in view.lanes)


def test_too_few_runs_say_the_next_step(
    qtbot: QtBot, page: ComparePage, workshop: Workshop
) -> None:
    workshop.library.runs.remove(workshop.library.runs.get(workshop.after.id))
    qtbot.waitUntil(lambda: page.empty_pane.isVisible())
    assert "two measured runs" in page.empty_pane.text()


def test_without_a_chosen_run_the_two_latest_of_an_instrument_are_compared(
    qtbot: QtBot, window: MainWindow, workshop: Workshop
) -> None:
    window.show_page("compare")
    page = window.page_of("compare")
    assert isinstance(page, ComparePage)
    qtbot.waitUntil(lambda: page.view is not None)
    assert set(page.ticked()) == {workshop.before.id, workshop.after.id}
    assert page.hint() == ""


def test_the_values_of_a_key_are_said_with_uncertainty_and_unit(page: ComparePage) -> None:
    first, *lines = page.map.text_of(60).splitlines()
    assert first == "C4, [1] | [2]"
    brightness = next(line for line in lines if line.startswith("Brightness "))
    assert brightness.count("\N{PLUS-MINUS SIGN}") == 2
    assert brightness.endswith(" oct")


def test_a_sheet_of_the_ticked_runs(
    qtbot: QtBot, page: ComparePage, window: MainWindow, workshop: Workshop, tmp_path: object
) -> None:
    more = add_run(workshop, tmp_path, key=2)
    page.refresh_now()
    page.choose_runs([workshop.before.id, more.id])
    qtbot.mouseClick(page.sheet_button, Qt.MouseButton.LeftButton)
    sheet = window.page
    assert isinstance(sheet, SheetPage)
    qtbot.waitUntil(lambda: sheet.preview.page_count > 0, timeout=20_000)
    assert sheet.panel.wish.kind is SheetKind.COMPARISON
    assert sheet.panel.wish.run_ids == (workshop.before.id, more.id)
    window.show_page("compare")
    page.choose_runs([workshop.before.id, workshop.after.id])
    qtbot.mouseClick(page.sheet_button, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: sheet.panel.wish.kind is SheetKind.CHANGE, timeout=20_000)
    wish = sheet.panel.wish
    assert (wish.before_id, wish.after_id) == (workshop.before.id, workshop.after.id)
    page.choose_runs([workshop.before.id])
    assert not page.sheet_button.isEnabled()
    qtbot.waitUntil(lambda: window.model.tasks.is_idle, timeout=20_000)

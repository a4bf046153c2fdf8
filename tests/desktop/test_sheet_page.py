"""Sheets are chosen, looked at and saved."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented import Measures, invent_run, write_noise
from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QComboBox,
    QFileDialog,
    QMessageBox,
    QPushButton,
    QToolButton,
)
from pytestqt.qtbot import QtBot
from window_kit import Workshop, choose

from toneapp.desktop.letterhead_dialog import LetterheadDialog
from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.pages.sheet import SheetPage
from toneapp.desktop.sheet_choice import SheetKind
from toneapp.desktop.sheet_preview import PIXELS_WIDE
from toneapp.library import Run
from toneapp.sheets import SETTINGS_FILE, load_settings

PNG = (
    b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\1\0\0\0\1\x08\2\0\0\0\x90wS\xde\0\0\0\x0cIDATx\x9cc"
    b"\xf8\xff\xff?\0\5\xfe\2\xfe\xa75\x81\x84\0\0\0\0IEND\xaeB`\x82"
)


def add_run(workshop: Workshop, tmp_path: Path, *, key: int, is_measured: bool = True) -> Run:
    """A run of the other instrument."""
    sound = write_noise(tmp_path / f"more{key}.wav", seconds=2.0, key=20 + key)
    run = workshop.library.runs.add(
        Run(
            instrument_id=workshop.other.id, condition=f"run {key}",
            recorded_at=f"2024-07-0{key}T10:00:00Z",
        ),
        sound,
    )  # fmt: skip
    if is_measured:
        result = invent_run(np.random.default_rng(key))
        workshop.library.measuring.measure(run.id, Measures(result))
    return run


@pytest.fixture
def page(qtbot: QtBot, window: MainWindow, workshop: Workshop) -> Iterator[SheetPage]:
    window.resize(1280, 800)
    choose(qtbot, window.model, workshop.before)
    window.show_page("sheet")
    found = window.page_of("sheet")
    assert isinstance(found, SheetPage)
    qtbot.waitUntil(lambda: found.preview.page_count > 0, timeout=20_000)
    yield found
    qtbot.waitUntil(lambda: window.model.tasks.is_idle, timeout=20_000)


def drawn(qtbot: QtBot, page: SheetPage, kind: SheetKind) -> None:
    """Choose a kind and wait for its pages."""
    page.preview.show_pages(())
    page.panel.choose_kind(kind)
    qtbot.waitUntil(lambda: page.preview.page_count > 0, timeout=20_000)


def saves(monkeypatch: pytest.MonkeyPatch, path: Path) -> None:
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_a: (str(path), ""))
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_a: str(path))


def test_before_and_after_of_the_run_at_hand_come_first(
    page: SheetPage, workshop: Workshop
) -> None:
    wish = page.panel.wish
    assert wish.kind is SheetKind.CHANGE
    assert (wish.before_id, wish.after_id) == (workshop.before.id, workshop.after.id)
    assert page.message() == ""
    assert page.pages.page_label.text() == f"Page 1 of {page.preview.page_count}"
    assert page.preview.page_count >= 3


@pytest.mark.parametrize("kind", [SheetKind.WORKLIST, SheetKind.WORKSHEET])
def test_sheets_for_the_bench_have_no_sound_and_no_charts(
    kind: SheetKind, qtbot: QtBot, page: SheetPage
) -> None:
    drawn(qtbot, page, kind)
    assert page.options.sound.isHidden()
    assert page.charts_button.isHidden()
    assert page.pdf_button.isEnabled()


def test_runs_are_ticked_by_keyboard(
    qtbot: QtBot, page: SheetPage, workshop: Workshop, tmp_path: Path
) -> None:
    other = add_run(workshop, tmp_path, key=1)
    qtbot.waitUntil(lambda: page.panel.runs.count() == 3)
    page.panel.choose_kind(SheetKind.COMPARISON)
    runs = page.panel.runs
    ticked = set(page.panel.wish.run_ids)
    assert ticked <= {workshop.before.id, other.id, workshop.after.id}
    for row in range(3):
        if runs.item(row).checkState() is Qt.CheckState.Unchecked:
            runs.setFocus()
            runs.setCurrentRow(row)
            qtbot.keyClick(runs, Qt.Key.Key_Space)
    assert len(page.panel.wish.run_ids) == 3
    letters = sorted(runs.item(row).text()[0] for row in range(3))
    assert letters == ["A", "B", "C"]
    qtbot.waitUntil(lambda: page.preview.page_count >= 4, timeout=20_000)


def test_one_run_alone_asks_for_another(qtbot: QtBot, page: SheetPage) -> None:
    page.panel.choose_kind(SheetKind.COMPARISON)
    assert page.panel.wish.run_ids
    qtbot.waitUntil(lambda: page.message() != "")
    assert page.message() == "Tick 2 to 6 runs."
    assert not page.pdf_button.isEnabled()
    assert not page.html_button.isEnabled()
    assert not page.charts_button.isEnabled()
    assert not page.actions_of_window["sheet_pdf"].isEnabled()


def test_a_run_that_is_not_measured_cannot_be_chosen(
    qtbot: QtBot, page: SheetPage, workshop: Workshop, tmp_path: Path
) -> None:
    add_run(workshop, tmp_path, key=2, is_measured=False)
    qtbot.waitUntil(lambda: page.panel.runs.count() == 3)
    item = page.panel.runs.item(2)
    assert item.text().endswith("(not measured yet)")
    assert not item.flags() & Qt.ItemFlag.ItemIsEnabled
    model = page.panel.run.model()
    assert not model.item(2).isEnabled()


def test_no_more_than_six(
    qtbot: QtBot, page: SheetPage, workshop: Workshop, tmp_path: Path
) -> None:
    for key in range(1, 6):
        add_run(workshop, tmp_path, key=key)
    qtbot.waitUntil(lambda: page.panel.runs.count() == 7)
    page.panel.choose_kind(SheetKind.COMPARISON)
    for row in range(7):
        page.panel.runs.item(row).setCheckState(Qt.CheckState.Checked)
    assert len(page.panel.wish.run_ids) == 6
    assert page.panel.for_what.text().startswith("No more than 6 runs")


def test_runs_of_two_instruments_are_no_before_and_after(
    qtbot: QtBot, page: SheetPage, workshop: Workshop, tmp_path: Path
) -> None:
    other = add_run(workshop, tmp_path, key=3)
    qtbot.waitUntil(lambda: page.panel.before.count() == 3)
    page.panel.before.setCurrentIndex(page.panel.before.findData(other.id))
    qtbot.waitUntil(lambda: page.message() != "")
    assert "needs two measured runs of one instrument" in page.message()


def test_a_pdf_is_saved(
    qtbot: QtBot, page: SheetPage, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    saves(monkeypatch, tmp_path / "sheet")
    with qtbot.waitSignal(page.model.said, timeout=20_000) as said:
        page.actions_of_window["sheet_pdf"].trigger()
    written = tmp_path / "sheet.pdf"
    assert said.args == [f"Written: {written}"]
    assert written.read_bytes().startswith(b"%PDF-")


def test_a_file_that_is_there_is_not_written_over_unasked(
    qtbot: QtBot, page: SheetPage, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "sheet.pdf").write_text("another")
    saves(monkeypatch, tmp_path / "sheet")
    page.save_pdf()
    box = page.findChild(QMessageBox)
    assert "sheet.pdf is there already" in box.text()
    box.escapeButton().click()
    assert page.model.tasks.long_tasks == ()
    assert (tmp_path / "sheet.pdf").read_text() == "another"
    page.save_pdf()
    box = page.findChildren(QMessageBox)[-1]
    with qtbot.waitSignal(page.model.said, timeout=20_000):
        next(b for b in box.buttons() if b.text() == "Write over it").click()
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF-")


def test_saving_can_be_stopped(
    qtbot: QtBot, page: SheetPage, window: MainWindow, monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:  # fmt: skip
    saves(monkeypatch, tmp_path / "sheet.html")
    page.save_html()
    (task,) = page.model.tasks.long_tasks
    assert "writing sheet.html" in task.label
    with qtbot.waitSignal(task.cancelled, timeout=20_000):
        window.stop_work()
    assert not (tmp_path / "sheet.html").exists()


def test_a_page_for_the_browser_is_saved(
    qtbot: QtBot, page: SheetPage, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    page.options.sound.setChecked(False)
    saves(monkeypatch, tmp_path / "sheet.html")
    with qtbot.waitSignal(page.model.said, timeout=20_000):
        page.html_button.click()
    text = (tmp_path / "sheet.html").read_text("utf-8")
    assert "Before and after: Old upright" in text
    assert "<audio" not in text


def test_charts_are_saved_in_a_folder_of_their_own(
    qtbot: QtBot, page: SheetPage, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    saves(monkeypatch, tmp_path)
    for form, start in (("svg", b"<svg"), ("png", b"\x89PNG")):
        with qtbot.waitSignal(page.model.said, timeout=20_000):
            page.actions_of_window[f"sheet_charts_{form}"].trigger()
        files = list((tmp_path / "Before and after - Old upright").glob(f"*.{form}"))
        assert len(files) >= 7
        assert all(file.read_bytes().startswith(start) for file in files)


def test_a_name_that_is_given_up_writes_nothing(
    page: SheetPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_a: ("", ""))
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_a: "")
    for name in ("sheet_pdf", "sheet_html", "sheet_charts_svg"):
        page.actions_of_window[name].trigger()
    assert page.model.tasks.long_tasks == ()


def test_what_cannot_be_written_is_said(
    qtbot: QtBot, page: SheetPage, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    saves(monkeypatch, tmp_path / "none" / "sheet.pdf")
    with qtbot.waitSignal(page.model.failed, timeout=20_000) as failed:
        page.save_pdf()
    assert "the folder does not exist" in failed.args[0]


def test_options_are_kept_with_the_library(
    qtbot: QtBot, page: SheetPage, workshop: Workshop
) -> None:
    place = page.options.place
    place.setCurrentIndex(place.findData("en-US"))
    place.activated.emit(place.currentIndex())
    assert page.options.paper.currentText() == "Letter"  # another place brings its own
    file = workshop.folder / SETTINGS_FILE
    qtbot.waitUntil(file.exists)
    qtbot.waitUntil(lambda: load_settings(workshop.folder).place_name == "en-US")
    paper = page.options.paper
    paper.setCurrentIndex(paper.findData("A4"))
    paper.activated.emit(paper.currentIndex())
    qtbot.waitUntil(lambda: load_settings(workshop.folder).paper == "A4")
    assert load_settings(workshop.folder).lengths == "inch"


def test_a_letterhead_is_kept_with_its_logo(
    qtbot: QtBot, page: SheetPage, workshop: Workshop, monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:  # fmt: skip
    (tmp_path / "logo.png").write_bytes(PNG)
    monkeypatch.setattr(
        QFileDialog, "getOpenFileName", lambda *_a: (str(tmp_path / "logo.png"), "")
    )
    page.options.letterhead_button.click()
    dialog = page.findChild(LetterheadDialog)
    assert dialog is not None
    dialog.workshop.setText("Workshop by the river")
    dialog.address.setPlainText("1 River Lane\n\nInvented Town")
    dialog.choose_button.click()
    dialog.accept_letterhead()
    qtbot.waitUntil(lambda: page.options.letterhead.text() == "Workshop by the river")
    head = load_settings(workshop.folder).letterhead
    assert head.address == ("1 River Lane", "Invented Town")
    assert head.logo is not None
    assert head.logo.content == PNG
    page.change_letterhead()
    again = page.findChildren(LetterheadDialog)[-1]
    assert again.workshop.text() == "Workshop by the river"
    again.without_button.click()
    again.accept_letterhead()
    qtbot.waitUntil(lambda: load_settings(workshop.folder).letterhead.logo is None)


def test_a_logo_that_is_none_is_refused(
    qtbot: QtBot, page: SheetPage, workshop: Workshop, tmp_path: Path
) -> None:
    (tmp_path / "logo.png").write_text("no picture")
    with qtbot.waitSignal(page.model.failed) as failed:
        page._keep_letterhead(page.settings.letterhead, str(tmp_path / "logo.png"))
    assert "neither PNG nor JPEG nor SVG" in failed.args[0]
    assert not (workshop.folder / SETTINGS_FILE).exists()


def test_settings_that_cannot_be_read_are_said_and_left_alone(
    qtbot: QtBot, page: SheetPage, workshop: Workshop
) -> None:
    file = workshop.folder / SETTINGS_FILE
    file.write_text('papier = "A4"\n')
    page.refresh_now()
    qtbot.waitUntil(lambda: page.message() != "")
    assert "has words that are not known: papier" in page.message()
    assert not page.options.isEnabled()
    assert not page.pdf_button.isEnabled()
    assert file.read_text() == 'papier = "A4"\n'


def test_the_preview_is_moved_and_enlarged_by_keys(qtbot: QtBot, page: SheetPage) -> None:
    preview = page.preview
    preview.setFocus()
    fitted = preview.width_px
    page.actions_of_window["sheet_zoom_in"].trigger()
    assert preview.width_px == round(1.25 * fitted)
    page.actions_of_window["sheet_zoom_fit"].trigger()
    assert preview.width_px == fitted
    qtbot.keyClick(preview, Qt.Key.Key_End)
    assert preview.page == preview.page_count
    assert not page.actions_of_window["sheet_page_on"].isEnabled()
    qtbot.keyClick(preview, Qt.Key.Key_Home)
    assert preview.page == 1
    page.actions_of_window["sheet_page_on"].trigger()
    assert preview.page == 2
    assert preview.accessibleDescription() == f"Page 2 of {preview.page_count}"
    assert fitted < PIXELS_WIDE
    assert not preview.grab().isNull()


def test_wide_windows_show_two_pages_abreast(page: SheetPage, window: MainWindow) -> None:
    window.resize(1920, 1080)
    page.preview.resize(1300, 900)
    tops = [area.top() for area in page.preview._places]
    assert tops[0] == tops[1]
    assert tops[2] > tops[1]


def test_everything_has_a_name_and_takes_the_keyboard(page: SheetPage) -> None:
    kinds = (QPushButton, QToolButton, QComboBox)
    for widget in (w for kind in kinds for w in page.body.findChildren(kind)):
        assert widget.accessibleName() or widget.text(), widget
        if widget not in page.panel.kind_buttons.values():
            assert widget.focusPolicy() & Qt.FocusPolicy.TabFocus, widget
    assert page.preview.accessibleName()
    assert page.panel.runs.accessibleName()


def test_the_kinds_are_one_stop_and_moved_through_by_arrows(qtbot: QtBot, page: SheetPage) -> None:
    page.setFocus()
    buttons = page.panel.kind_buttons
    assert buttons[SheetKind.CHANGE].hasFocus()
    qtbot.keyClick(buttons[SheetKind.CHANGE], Qt.Key.Key_Down)
    assert page.panel.wish.kind is SheetKind.WORKSHEET
    assert buttons[SheetKind.WORKSHEET].hasFocus()
    qtbot.keyClick(buttons[SheetKind.WORKSHEET], Qt.Key.Key_Left)
    assert page.panel.wish.kind is SheetKind.WORKLIST


def test_the_sheet_follows_what_the_window_looks_at(
    qtbot: QtBot, page: SheetPage, window: MainWindow, workshop: Workshop
) -> None:
    choose(qtbot, window.model, workshop.after)
    qtbot.waitUntil(lambda: page.panel.wish.run_id == workshop.after.id)
    page.panel.choose_kind(SheetKind.WORKSHEET)
    workshop.library.instruments.change(replace(workshop.other, place="Barn"))
    qtbot.waitUntil(lambda: window.model.tasks.is_idle)
    assert page.panel.wish.kind is SheetKind.WORKSHEET  # a change elsewhere takes nothing back


def test_a_run_that_grows_does_not_draw_the_pages_again(
    page: SheetPage, window: MainWindow
) -> None:
    assert not page._is_stale
    window.model.run_changed.emit(window.model.run)
    assert not page._is_stale


def test_an_empty_library_says_the_next_step(qtbot: QtBot, window: MainWindow) -> None:
    from toneapp.library import Library

    folder = window.model.library.folder.parent / "bare"
    with Library(folder) as bare:
        window.model.use_library(bare)
        window.show_page("sheet")
        page = window.page_of("sheet")
        qtbot.waitUntil(lambda: page._stack.currentWidget() is page.empty_pane)
        assert "Add an instrument" in page.empty_pane.text()
        assert len(page.empty_pane.buttons) == 3
        qtbot.waitUntil(lambda: window.model.tasks.is_idle)
        window.model.close()

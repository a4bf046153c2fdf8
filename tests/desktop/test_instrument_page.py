"""One instrument: runs, worksheet, hand measurements, facts."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication, QFileDialog
from pytestqt.qtbot import QtBot
from window_kit import BRIGHT, Workshop, choose

from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.import_dialog import RunFactsDialog
from toneapp.desktop.pages.instrument import InstrumentPage
from toneapp.library import ItemState, KeyMeasurement, parse_hand_table


@pytest.fixture
def page(qtbot: QtBot, window: MainWindow, model: AppModel, workshop: Workshop) -> InstrumentPage:
    choose(qtbot, model, workshop.before)
    window.show_page("instrument")
    found = window.page_of("instrument")
    assert isinstance(found, InstrumentPage)
    return found


def test_the_runs_stand_latest_first_with_their_figures(page: InstrumentPage) -> None:
    rows = page.runs.table.rows_model.rows
    assert [row.run.condition for row in rows] == ["after", "before"]
    assert rows[1].raised == "1 of 25"
    assert rows[1].state == "measured"
    assert rows[1].brightness.endswith("oct")


def test_a_run_is_opened_on_its_page(
    qtbot: QtBot, page: InstrumentPage, window: MainWindow, model: AppModel, workshop: Workshop
) -> None:
    page.runs.table.choose(workshop.after.id)
    page.runs.table.opened.emit(page.runs.table.chosen)
    qtbot.waitUntil(lambda: model.run is not None and model.run_id == workshop.after.id)
    assert window.page is not None
    assert window.page.name == "evenness"
    qtbot.waitUntil(lambda: model.tasks.is_idle)


def test_a_run_goes_to_the_bin_and_comes_back(
    qtbot: QtBot, page: InstrumentPage, model: AppModel, workshop: Workshop
) -> None:
    table = page.runs.table
    table.choose(workshop.after.id)
    page.runs.remove_chosen()
    qtbot.waitUntil(lambda: [row.run.condition for row in table.rows_model.rows] == ["before"])
    model.undo()
    qtbot.waitUntil(lambda: len(table.rows_model.rows) == 2)


def test_the_facts_of_a_run_are_corrected(
    qtbot: QtBot, page: InstrumentPage, window: MainWindow, workshop: Workshop
) -> None:
    page.runs.table.choose(workshop.before.id)
    page.runs.change_chosen()
    dialog = window.findChild(RunFactsDialog)
    assert dialog is not None
    dialog.form.distance.setText("far")
    dialog.go_button.click()
    assert "distance" in dialog.message.text()
    dialog.form.distance.setText("0,8")
    dialog.form.condition.setText("before the work")
    dialog.go_button.click()
    qtbot.waitUntil(
        lambda: workshop.library.runs.get(workshop.before.id).condition == "before the work"
    )
    assert workshop.library.runs.get(workshop.before.id).distance_m == 0.8


def test_facts_are_kept_or_left(
    qtbot: QtBot, page: InstrumentPage, model: AppModel, workshop: Workshop
) -> None:
    page.tabs.setCurrentWidget(page.facts)
    facts = page.facts
    assert not facts.save_button.isEnabled()
    facts.form.last_damper.setFocus()
    qtbot.keyClicks(facts.form.last_damper, "H7")
    facts.save_button.click()
    assert "last damper" in facts.message.text()
    facts.revert_button.click()
    assert facts.form.last_damper.text() == ""
    qtbot.keyClicks(facts.form.last_damper, "E6")
    facts.save_button.click()
    qtbot.waitUntil(lambda: model.layout.last_damper_midi == 88)
    assert workshop.library.instruments.get(workshop.piano.id).last_damper_midi == 88
    qtbot.waitUntil(lambda: not facts.save_button.isEnabled())


def test_what_is_being_typed_is_not_overwritten(
    qtbot: QtBot, page: InstrumentPage, model: AppModel
) -> None:
    page.tabs.setCurrentWidget(page.facts)
    qtbot.keyClicks(page.facts.form.owner, "some")
    with qtbot.waitSignal(model.library_changed):
        model.tick_work(BRIGHT, "bright")
    page.refresh_now()
    assert page.facts.form.owner.text() == "some"


class TestWorksheet:
    def test_it_begins_with_a_template(
        self, qtbot: QtBot, page: InstrumentPage, workshop: Workshop
    ) -> None:
        sheet = page.worksheet
        page.tabs.setCurrentWidget(sheet)
        assert sheet.empty.isVisible()
        name = next(iter(workshop.library.templates()))
        sheet.begin_with(name)
        qtbot.waitUntil(lambda: bool(sheet.table.rows_model.rows))
        assert not sheet.empty.isVisible()
        assert sheet.caution.isVisible()
        assert "qualified piano technician" in sheet.caution.text()
        count = len(sheet.table.rows_model.rows)
        assert sheet.sum_line.text() == f"{count} open, 0 done, 0 minutes noted"

    def test_items_come_from_the_run_and_are_ticked_and_typed_over(
        self, qtbot: QtBot, page: InstrumentPage, workshop: Workshop
    ) -> None:
        sheet = page.worksheet
        page.tabs.setCurrentWidget(sheet)
        page.actions_of_window["items_from_run"].trigger()
        qtbot.waitUntil(lambda: len(sheet.table.rows_model.rows) == 1)
        rows = sheet.table.rows_model
        assert rows.data(rows.index(0, 1)) == "C4"
        assert rows.setData(rows.index(0, 5), "25")
        qtbot.waitUntil(lambda: rows.data(rows.index(0, 5)) == "25")
        sheet.table.setCurrentIndex(rows.index(0, 0))
        qtbot.keyClick(sheet.table, Qt.Key.Key_Space)
        qtbot.waitUntil(lambda: sheet.sum_line.text() == "0 open, 1 done, 25 minutes noted")
        item = workshop.library.worksheets.items(workshop.piano.id)[0]
        assert item.state is ItemState.DONE
        assert item.minutes == 25
        sheet.only_open.setChecked(True)
        assert rows.rows == ()

    def test_a_wrong_word_is_told_and_not_kept(
        self, qtbot: QtBot, page: InstrumentPage, model: AppModel, workshop: Workshop
    ) -> None:
        page.worksheet.add_item()
        rows = page.worksheet.table.rows_model
        qtbot.waitUntil(lambda: len(rows.rows) == 1)
        with qtbot.waitSignal(model.failed) as told:
            rows.setData(rows.index(0, 1), "H2")
        assert "H2" in told.args[0]
        assert workshop.library.worksheets.items(workshop.piano.id)[0].midi is None

    def test_it_is_copied_as_text(
        self, qtbot: QtBot, page: InstrumentPage, qapp: QApplication
    ) -> None:
        page.worksheet.add_item()
        qtbot.waitUntil(lambda: len(page.worksheet.table.rows_model.rows) == 1)
        page.worksheet.copy_text()
        assert "Worksheet: Old upright" in qapp.clipboard().text()

    def test_an_item_goes_to_the_bin(
        self, qtbot: QtBot, page: InstrumentPage, workshop: Workshop
    ) -> None:
        page.worksheet.add_item()
        rows = page.worksheet.table.rows_model
        qtbot.waitUntil(lambda: len(rows.rows) == 1)
        page.worksheet.remove_item()
        qtbot.waitUntil(lambda: rows.rows == ())
        assert [item.kind for item in workshop.library.bin.items()] == ["item"]


class TestWeights:
    def test_typed_weights_give_friction_and_balance_weight(
        self, qtbot: QtBot, page: InstrumentPage, workshop: Workshop
    ) -> None:
        panel = page.weights
        page.tabs.setCurrentWidget(panel)
        panel.begin_set()
        qtbot.waitUntil(lambda: panel.chosen_set is not None)
        rows = panel.table.rows_model
        assert len(rows.rows) == 88
        row = [key.midi for key in rows.rows].index(60)
        assert rows.setData(rows.index(row, 1), "52,5 g")
        assert rows.setData(rows.index(row, 2), "24.5")
        # friction (D - U) / 2, balance weight (D + U) / 2
        qtbot.waitUntil(lambda: rows.data(rows.index(row, 4)) == "14.0 g")
        assert rows.data(rows.index(row, 5)) == "38.5 g"
        kept = workshop.library.weights.of_instrument(workshop.piano.id)[0].keys
        assert kept == (KeyMeasurement(midi=60, down_weight_g=52.5, up_weight_g=24.5),)

    def test_what_cannot_be_is_told(
        self, qtbot: QtBot, page: InstrumentPage, model: AppModel
    ) -> None:
        page.weights.begin_set()
        qtbot.waitUntil(lambda: page.weights.chosen_set is not None)
        rows = page.weights.table.rows_model
        for text in ("heavy", "900"):
            with qtbot.waitSignal(model.failed):
                rows.setData(rows.index(0, 1), text)
        assert rows.data(rows.index(0, 1)) == ""

    def test_a_table_is_pasted_saved_and_read_again(
        self,
        qtbot: QtBot,
        page: InstrumentPage,
        qapp: QApplication,
        monkeypatch: pytest.MonkeyPatch,
        tmp_path: Path,
    ) -> None:
        text = "note\tdown weight (g)\tup weight (g)\nA0\t55,5\t25\nC4\t50\t22,5\n"
        qapp.clipboard().setText(text)
        page.weights.paste()
        qtbot.waitUntil(lambda: page.weights.chosen_set is not None)
        path = tmp_path / "weights.csv"
        monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_a: (str(path), ""))
        page.weights.save_table()
        keys = parse_hand_table(path.read_text(encoding="utf-8"))
        assert [(key.midi, key.down_weight_g) for key in keys] == [(21, 55.5), (60, 50.0)]
        monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_a: (str(path), ""))
        page.weights.open_table()
        qtbot.waitUntil(lambda: page.weights.choice.count() == 2)
        page.weights.copy()
        assert qapp.clipboard().text().splitlines()[1].startswith("21\tA0\t55.5")

    def test_a_table_that_is_none_is_told(
        self, qtbot: QtBot, page: InstrumentPage, model: AppModel, qapp: QApplication
    ) -> None:
        qapp.clipboard().setText("hello")
        with qtbot.waitSignal(model.failed):
            page.weights.paste()
        assert page.weights.chosen_set is None

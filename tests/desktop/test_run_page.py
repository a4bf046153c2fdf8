"""Strikes are named anew, left out and added on the waveform, and everything can be undone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from PySide6.QtCore import QPoint, Qt
from pytestqt.qtbot import QtBot
from window_kit import BRIGHT, Workshop, choose

from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.run_page import RunPage
from toneapp.desktop.sound_outline import read_outline
from toneapp.desktop.strike_rows import strike_rows
from toneapp.desktop.theme import Theme
from toneapp.desktop.waveform import WaveformView, WaveMark


@pytest.fixture
def page(qtbot: QtBot, window: MainWindow, model: AppModel, workshop: Workshop) -> RunPage:
    choose(qtbot, model, workshop.before)
    window.show_page("run")
    found = window.page_of("run")
    assert isinstance(found, RunPage)
    qtbot.waitUntil(lambda: model.tasks.is_idle)
    return found


def row_of(page: RunPage, midi: int) -> int:
    return next(i for i, row in enumerate(page.rows) if row.midi == midi)


def test_all_strikes_stand_in_time(page: RunPage) -> None:
    onsets = [row.onset_s for row in page.rows]
    assert len(onsets) == 75
    assert onsets == sorted(onsets)
    assert page.rows[0].time == "0:00.50"
    assert page.rows[0].counted_as == "C3"


def test_a_strike_is_left_out_and_brought_back(
    qtbot: QtBot, page: RunPage, model: AppModel
) -> None:
    index = row_of(page, BRIGHT)
    page.table.choose(page.rows[index].key)
    page.leave_out()
    qtbot.waitUntil(lambda: page.rows[index].counted_as == "left out")
    qtbot.waitUntil(lambda: len(model.strikes_of(BRIGHT)) == 2)
    assert page.pending.text() == ""  # that counts at once
    page.as_heard()
    qtbot.waitUntil(lambda: page.rows[index].counted_as == "C4")
    model.undo()
    qtbot.waitUntil(lambda: page.rows[index].counted_as == "left out")


def test_a_strike_is_named_anew_and_measured_again(
    qtbot: QtBot, page: RunPage, model: AppModel
) -> None:
    index = row_of(page, BRIGHT)
    page.table.choose(page.rows[index].key)
    page.actions_of_window["strike_type"].trigger()
    page.key_field.selectAll()
    qtbot.keyClicks(page.key_field, "C#4")
    qtbot.keyClick(page.key_field, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: page.rows[index].counted_as == "C#4")
    assert "measured again" in page.rows[index].remark
    assert page.pending.text() == "1 correction waits to be measured"
    page.actions_of_window["strikes_measure"].trigger()
    qtbot.waitUntil(lambda: page.pending.text() == "")
    qtbot.waitUntil(lambda: len(model.strikes_of(BRIGHT)) == 2)


def test_a_wrong_key_is_told(qtbot: QtBot, page: RunPage, model: AppModel) -> None:
    page.key_field.setText("Q")
    with qtbot.waitSignal(model.failed) as told:
        page.name_strike()
    assert "'Q'" in told.args[0]
    assert all(row.edit is None for row in page.rows)


def test_a_missed_strike_is_added_where_the_waveform_is_pointed_at(
    qtbot: QtBot, page: RunPage, model: AppModel, workshop: Workshop
) -> None:
    with qtbot.waitSignal(model.failed):  # nothing was pointed at yet
        page.add_strike()
    wave = page.waveform
    wave.show_span(1.0, 2.0)
    qtbot.mouseClick(
        wave, Qt.MouseButton.LeftButton, pos=QPoint(round(0.5 * wave.width()), wave.height() // 2)
    )
    assert wave.place_s == pytest.approx(1.5, abs=0.01)
    page.key_field.setText("A4")
    page.add_strike()
    qtbot.waitUntil(lambda: any(row.counted_as == "A4" for row in page.rows if row.edit))
    takes = workshop.library.runs.takes(workshop.before.id)
    edits = workshop.library.strikes.of_take(takes[0].id)
    assert [(edit.midi, round(edit.onset_s, 1)) for edit in edits] == [(69, 1.5)]
    model.undo()
    qtbot.waitUntil(lambda: all(row.edit is None for row in page.rows))


def x_of(wave: WaveformView, time_s: float) -> int:
    start_s, end_s = wave.span_s
    return round((time_s - start_s) / (end_s - start_s) * wave.width())


def drag(qtbot: QtBot, wave: WaveformView, from_s: float, to_s: float) -> None:
    y = wave.height() // 2
    qtbot.mousePress(wave, Qt.MouseButton.LeftButton, pos=QPoint(x_of(wave, from_s), y))
    for share in (0.3, 0.7, 1.0):
        time_s = from_s + share * (to_s - from_s)
        qtbot.mouseMove(wave, pos=QPoint(x_of(wave, time_s), y))
    qtbot.mouseRelease(wave, Qt.MouseButton.LeftButton, pos=QPoint(x_of(wave, to_s), y))


def test_bounds_are_dragged_kept_measured_and_undone(
    qtbot: QtBot, page: RunPage, model: AppModel, workshop: Workshop
) -> None:
    row = page.rows[1]
    assert row.strike is not None
    assert row.release_s is not None
    page.table.choose(row.key)
    page.waveform.show_span(row.begin_s - 0.5, row.begin_s + 2.0)
    drag(qtbot, page.waveform, row.begin_s, row.begin_s + 0.1)
    qtbot.waitUntil(lambda: page.rows[1].edit is not None)
    begin_s = page.rows[1].begin_s
    assert begin_s == pytest.approx(row.begin_s + 0.1, abs=0.01)  # to the width of a pixel
    assert page.rows[1].release_s == row.release_s
    assert page.pending.text() == "1 correction waits to be measured"
    drag(qtbot, page.waveform, row.release_s, row.release_s - 0.2)
    qtbot.waitUntil(lambda: page.rows[1].release_s != row.release_s)
    assert page.rows[1].release_s == pytest.approx(row.release_s - 0.2, abs=0.01)
    # Measured again by itself, within these bounds.
    qtbot.waitUntil(lambda: page.pending.text() == "", timeout=10_000)
    measured = model.read(lambda library: library.measuring.result(workshop.before.id), None)
    assert measured is not None
    assert measured.strikes[1].onset_s == pytest.approx(begin_s, abs=1e-5)
    assert page.table.chosen == page.rows[1]  # the choice stays
    model.undo()
    qtbot.waitUntil(lambda: page.rows[1].release_s == row.release_s)
    model.undo()
    qtbot.waitUntil(lambda: page.rows[1].edit is None)
    qtbot.waitUntil(lambda: page.rows[1].begin_s == row.begin_s, timeout=10_000)
    model.redo()
    qtbot.waitUntil(
        lambda: page.rows[1].begin_s == pytest.approx(begin_s, abs=1e-5), timeout=10_000
    )
    qtbot.waitUntil(lambda: page.pending.text() == "", timeout=10_000)


def test_bounds_are_typed_and_stepped(qtbot: QtBot, page: RunPage, model: AppModel) -> None:
    row = page.rows[1]
    assert row.release_s is not None
    page.table.choose(row.key)
    fields = page.bounds_fields
    assert fields.begin.value() == pytest.approx(row.begin_s)
    assert fields.end.value() == pytest.approx(row.release_s)
    for _ in range(3):
        qtbot.keyClick(fields.begin, Qt.Key.Key_Up)
    qtbot.keyClick(fields.begin, Qt.Key.Key_PageUp)
    qtbot.waitUntil(lambda: page.rows[1].begin_s == pytest.approx(row.begin_s + 0.013))
    fields.end.selectAll()
    qtbot.keyClicks(fields.end, f"{row.begin_s + 0.9:.3f}")
    qtbot.keyClick(fields.end, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: page.rows[1].release_s == pytest.approx(row.begin_s + 0.9))
    model.undo()  # the steps were one change, the typing another
    qtbot.waitUntil(lambda: page.rows[1].release_s == pytest.approx(row.release_s))
    model.undo()
    qtbot.waitUntil(lambda: page.rows[1].edit is None)


def test_bounds_are_set_where_the_keyboard_points(
    qtbot: QtBot, page: RunPage, model: AppModel
) -> None:
    row = page.rows[1]
    page.table.choose(row.key)
    with qtbot.waitSignal(model.failed):  # nothing was pointed at yet
        page.begin_here()
    wave = page.waveform
    wave.show_span(row.begin_s - 0.1, row.begin_s + 0.1)
    qtbot.keyClick(wave, Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    assert wave.place_s == pytest.approx(row.begin_s + 0.002)
    page.actions_of_window["strike_begin"].trigger()
    qtbot.waitUntil(lambda: page.rows[1].begin_s == pytest.approx(row.begin_s + 0.002))
    for _ in range(45):
        qtbot.keyClick(wave, Qt.Key.Key_Right)
    page.actions_of_window["strike_end"].trigger()
    qtbot.waitUntil(lambda: page.rows[1].release_s == pytest.approx(wave.place_s))
    page.as_heard()
    qtbot.waitUntil(lambda: page.rows[1].edit is None)


def test_bounds_stop_at_the_neighbours(page: RunPage) -> None:
    row, later = page.rows[1], page.rows[2]
    page.table.choose(row.key)
    page.bounds_fields.end.setValue(later.begin_s + 5.0)
    assert page.bounds_fields.end.value() == pytest.approx(later.begin_s - 0.05)
    page.bounds_fields.begin.setValue(0.0)
    assert page.bounds_fields.begin.value() == pytest.approx(page.rows[0].begin_s + 0.05)


def test_a_strike_pointed_at_is_chosen_in_the_table(qtbot: QtBot, page: RunPage) -> None:
    wave = page.waveform
    row = page.rows[1]  # at 2.5 s
    wave.show_span(2.0, 3.0)
    x = round((row.onset_s - wave.span_s[0]) / (wave.span_s[1] - wave.span_s[0]) * wave.width())
    qtbot.mouseClick(wave, Qt.MouseButton.LeftButton, pos=QPoint(x, wave.height() // 2))
    assert page.table.chosen == row


def test_the_chosen_strike_is_the_chosen_key_everywhere(page: RunPage, model: AppModel) -> None:
    page.table.choose(page.rows[row_of(page, BRIGHT)].key)
    assert model.midi == BRIGHT


def test_rows_of_a_run_that_was_not_measured(workshop: Workshop, tmp_path: Path) -> None:
    from invented import write_noise

    from toneapp.library import Run

    run = workshop.library.runs.add(
        Run(instrument_id=workshop.other.id), write_noise(tmp_path / "n.wav", key=8)
    )
    assert strike_rows(workshop.library, run.id) == ()


class TestOutline:
    def test_it_holds_the_extremes_of_every_millisecond(self, tmp_path: Path) -> None:
        rate_hz = 48_000
        samples = np.zeros(3 * rate_hz, dtype=np.float32)
        samples[rate_hz : rate_hz + 48] = 0.5
        samples[2 * rate_hz : 2 * rate_hz + 48] = -0.25
        path = tmp_path / "steps.wav"
        soundfile.write(path, samples, rate_hz, subtype="FLOAT")
        outline = read_outline(path, progress=lambda _share: None)
        assert outline.duration_s == 3.0
        assert outline.low.size == 3000
        assert outline.high[1000] == pytest.approx(0.5)
        assert outline.low[2000] == pytest.approx(-0.25)
        assert float(np.abs(outline.high[:1000]).max()) == 0.0

    def test_columns_keep_every_peak(self, tmp_path: Path) -> None:
        rng = np.random.default_rng(1)
        samples = 0.3 * rng.uniform(-1, 1, 44_100).astype(np.float32)
        path = tmp_path / "noise.wav"
        soundfile.write(path, samples, 44_100, subtype="FLOAT")
        outline = read_outline(path, progress=lambda _share: None)
        for width in (1, 7, 640, 5000):
            low, high = outline.columns(0.0, outline.duration_s, width)
            assert low.size == high.size == width
            assert float(high.max()) == pytest.approx(float(samples.max()), abs=1e-6)
            assert float(low.min()) == pytest.approx(float(samples.min()), abs=1e-6)

    def test_beyond_the_recording_it_is_silent(self, tmp_path: Path) -> None:
        path = tmp_path / "one.wav"
        soundfile.write(path, np.full(4800, 0.5, dtype=np.float32), 48_000, subtype="FLOAT")
        outline = read_outline(path, progress=lambda _share: None)
        low, high = outline.columns(0.05, 0.15, 10)
        assert high[:5].tolist() == [0.5] * 5
        assert high[5:].tolist() == [0.0] * 5
        assert outline.columns(5.0, 6.0, 4)[1].tolist() == [0.0] * 4
        assert low[5:].tolist() == [0.0] * 5


class TestWaveform:
    @pytest.fixture
    def view(self, qtbot: QtBot, theme: Theme, tmp_path: Path) -> WaveformView:
        path = tmp_path / "ten.wav"
        soundfile.write(path, np.zeros(10 * 8000), 8000)
        made = WaveformView(theme)
        qtbot.addWidget(made)
        made.resize(500, 200)
        made.show()
        made.set_outline(read_outline(path, progress=lambda _share: None))
        made.set_marks([WaveMark(onset_s=float(t), end_s=t + 0.5, text="A4") for t in range(10)])
        return made

    def test_it_shows_the_whole_at_first(self, view: WaveformView) -> None:
        assert view.span_s == (0.0, 10.0)

    def test_plus_and_minus_zoom(self, qtbot: QtBot, view: WaveformView) -> None:
        qtbot.keyClick(view, Qt.Key.Key_Plus)
        start_s, end_s = view.span_s
        assert end_s - start_s == pytest.approx(10.0 / 1.6)
        for _ in range(3):
            qtbot.keyClick(view, Qt.Key.Key_Minus)
        assert view.span_s == (0.0, 10.0)  # no further than the whole

    def test_arrows_move_the_place(self, qtbot: QtBot, view: WaveformView) -> None:
        view.show_span(0.0, 1.0)
        qtbot.keyClick(view, Qt.Key.Key_Right)
        assert view.place_s == pytest.approx(0.6)
        for _ in range(5):
            qtbot.keyClick(view, Qt.Key.Key_Right)
        assert view.place_s == pytest.approx(1.1)
        assert view.span_s[1] > 1.1

    def test_a_chosen_mark_comes_into_view(self, view: WaveformView) -> None:
        view.show_span(0.0, 2.0)
        view.choose(7)
        assert view.span_s[0] < 7.0 < view.span_s[1]

    def test_it_paints_what_it_has_and_what_it_has_not(self, view: WaveformView) -> None:
        view.setFocus()  # its frame covers nothing
        before = view.grab().toImage()
        view.choose(3)
        assert view.grab().toImage() != before
        view.set_outline(None)
        assert not view.grab().isNull()

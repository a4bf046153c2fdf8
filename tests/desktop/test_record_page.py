"""The page Record: a run from set-up to the library, with a file in place of the microphone."""

from __future__ import annotations

from pathlib import Path

import pytest
import soundfile
from PySide6.QtCore import Qt
from pytestqt.qtbot import QtBot
from record_kit import (
    HOLD_S,
    KEYS,
    Waiting,
    begin,
    choose_keys,
    held,
    show_page,
    wait_until,
    write_run,
)
from window_kit import Workshop

from toneapp.audio.capture import Command, FileSource, RunKind, State
from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.record import RecordPage
from toneapp.desktop.record_keyboard import KeyState
from toneapp.desktop.record_keys import KeysDialog
from toneapp.desktop.record_session import Phase
from toneapp.desktop.record_words import StageSign
from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import Theme
from toneapp.desktop.unfinished_start import offer_unfinished
from toneapp.library import EditAction, Leftover, Purpose
from toneapp.library.place import recordings_folder


@pytest.fixture(scope="module")
def run_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four good held notes."""
    return write_run(tmp_path_factory.mktemp("record") / "run.wav", held())


@pytest.fixture(scope="module")
def bad_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The second key too short at first, and another key before the third."""
    blows = [
        (55, 3.0, HOLD_S),
        (57, 5.2, 0.25),
        (57, 7.2, HOLD_S),
        (64, 9.4, HOLD_S),
        (59, 11.6, HOLD_S),
        (60, 13.8, HOLD_S),
    ]
    return write_run(tmp_path_factory.mktemp("record") / "bad.wav", blows)


@pytest.fixture
def page(
    qtbot: QtBot, model: AppModel, workshop: Workshop, theme: Theme, run_file: Path
) -> RecordPage:
    """The page alone, with an instrument chosen; `page.path` is what will be heard."""
    model.choose_instrument(workshop.piano.id)
    pages: list[RecordPage] = []

    def make(_choice: object) -> Waiting:
        return Waiting(getattr(pages[0], "path", run_file) if pages else run_file)

    pages.append(show_page(qtbot, model, theme, make))
    return pages[0]


def play(qtbot: QtBot, page: RecordPage, path: Path) -> None:
    """Let a file be heard and wait until all of it was listened to."""
    page.path = path  # type: ignore[attr-defined]  # as above
    choose_keys(page)
    begin(qtbot, page)
    assert page.session.phase is Phase.RUNNING
    seconds = soundfile.info(path).duration
    wait_until(qtbot, lambda: page.session.snapshot().at_s >= seconds - 0.1)
    page.session.look_now()


def test_without_an_instrument_the_next_step_is_to_add_one(qtbot, empty_model, theme):
    page = show_page(qtbot, empty_model, theme, FileSource)
    assert "Add the instrument first" in page.empty_pane.text()


def test_a_run_is_led_through_and_goes_into_the_library(qtbot, page, model, workshop, run_file):
    pages = []
    model.page_wanted.connect(pages.append)
    play(qtbot, page, run_file)
    assert page.session.snapshot().state is State.DONE
    assert page.view.stage.view.sign is StageSign.DONE
    assert "4 of 4 blows" in page.view.counts.text()
    assert all(page.view.keyboard.state_of(midi) is KeyState.DONE for midi in KEYS)
    assert set(page.live.growth.levels()) == set(KEYS)
    wait_until(qtbot, lambda: page.view.map.view is not None)
    assert set(page.view.map.view.notes) >= set(KEYS[:2])  # the lanes grow while recording
    page.setup.condition.setText("ignored now")
    page.session.finish()
    wait_until(qtbot, lambda: model.run_id not in (0, workshop.before.id, workshop.after.id))
    run = model.run_facts
    assert (run.purpose, run.instrument_id) == (Purpose.EVENNESS, workshop.piano.id)
    wait_until(qtbot, lambda: model.tasks.is_idle)
    assert pages == ["evenness"]
    take = workshop.library.runs.takes(run.id)[0]
    flac = workshop.library.runs.sound_path(take.recordings[0])
    kept, rate = soundfile.read(flac, dtype="float32")
    played, _ = soundfile.read(run_file, dtype="float32")
    assert rate == 48_000
    assert kept.size == played.size
    assert abs(kept - played).max() < 1.0 / (1 << 22)  # 24 bits
    assert not list(recordings_folder(workshop.folder).iterdir())
    assert page.panels.currentWidget() is page.setup


def test_a_bad_blow_and_a_wrong_key_are_asked_for_again_with_the_reason(
    qtbot, page, model, workshop, bad_file
):
    said: list[str] = []
    page.session.seen.connect(
        lambda _seen: said.append(page.view.stage.view.spoken() + page.view.stage.view.verdict)
    )
    play(qtbot, page, bad_file)
    assert page.session.snapshot().state is State.DONE
    judged = [blow.reason.value for blow in page.session._engine.blows]
    assert judged == ["good", "too_short", "good", "wrong_key", "good", "good"]
    page.session.finish()
    wait_until(qtbot, lambda: model.run_id not in (0, workshop.before.id, workshop.after.id))
    wait_until(qtbot, lambda: model.tasks.is_idle)
    edits = workshop.library.strikes.of_take(workshop.library.runs.takes(model.run_id)[0].id)
    # The two that do not count stay out of the result.
    assert [edit.action for edit in edits] == [EditAction.DISCARD] * 2
    assert [round(edit.onset_s, 1) for edit in edits] == [5.2, 9.4]


def test_single_keys_pause_go_back_skip_and_finish(qtbot, page, run_file):
    play(qtbot, page, run_file)
    stage = page.view.stage
    stage.setFocus()

    def press(key: Qt.Key) -> None:
        qtbot.keyClick(stage, key)

    press(Qt.Key.Key_B)  # back: the last key is asked for once more
    wait_until(qtbot, lambda: page.session.plan.current is not None)
    assert page.session.plan.current.midi == KEYS[-1]
    press(Qt.Key.Key_Space)
    wait_until(qtbot, lambda: page.session.snapshot().state is State.PAUSED)
    page.session.look_now()
    assert page.view.stage.view.word == "Paused"
    assert page.actions_of_window["record_pause"].text() == "Go on (Space)"
    press(Qt.Key.Key_Space)
    wait_until(qtbot, lambda: page.session.snapshot().state is State.WAITING)
    press(Qt.Key.Key_S)  # left out
    wait_until(qtbot, lambda: page.session.snapshot().state is State.DONE)
    page.session.look_now()
    assert page.view.keyboard.state_of(KEYS[-1]) is KeyState.LEFT_OUT
    assert "Left out: C4" in page.view.others.text()
    press(Qt.Key.Key_Q)
    wait_until(qtbot, lambda: page.session.phase is Phase.NONE)


def test_a_second_key_such_as_a_foot_switch_does_the_same(qtbot, page, run_file):
    for name, key in (("record_pause", "F9"), ("record_back", "PgUp")):
        page.actions_of_window[name].setShortcuts([key])
    play(qtbot, page, run_file)
    qtbot.keyClick(page.view.stage, Qt.Key.Key_PageUp)
    wait_until(qtbot, lambda: page.session.plan.current is not None)
    qtbot.keyClick(page.view.stage, Qt.Key.Key_F9)
    wait_until(qtbot, lambda: page.session.snapshot().state is State.PAUSED)


def test_the_key_of_a_foot_switch_is_chosen_by_pressing_it(qtbot):
    chosen: list[tuple[str, str]] = []
    dialog = KeysDialog({"record_back": "PgUp"}, lambda name, key: chosen.append((name, key)))
    qtbot.addWidget(dialog)
    dialog.show()
    button = dialog.buttons["record_again"]
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    qtbot.keyClick(button, Qt.Key.Key_F13)
    assert chosen == [("record_again", "F13")]
    assert button.text() == "F13"
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    qtbot.keyClick(button, Qt.Key.Key_PageUp)  # taken by another
    assert "is the key of Back already" in dialog.message.text()
    assert button.text() == "F13"
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    qtbot.keyClick(button, Qt.Key.Key_Backspace)
    assert chosen[-1] == ("record_again", "")


def test_leaving_the_page_pauses_and_coming_back_goes_on(qtbot, page, model, run_file):
    said: list[str] = []
    model.said.connect(said.append)
    play(qtbot, page, run_file)
    page.session.do(Command.BACK)
    wait_until(qtbot, lambda: page.session.snapshot().state is State.WAITING)
    page.hide()
    wait_until(qtbot, lambda: page.session.snapshot().state is State.PAUSED)
    assert any("paused" in text for text in said)
    page.show()
    assert page.panels.currentWidget() is page.view


def test_closing_the_window_asks_and_the_next_start_offers_the_run(
    qtbot, model, workshop, theme, settings, run_file
):
    model.choose_instrument(workshop.piano.id)
    window = MainWindow(model, theme, settings)
    qtbot.addWidget(window)
    page = window.page_of("record")
    page._make_source = page.setup.input._make_source = lambda _choice: Waiting(run_file)
    window.show()
    window.show_page("record")
    choose_keys(page, KEYS)
    begin(qtbot, page)
    wait_until(qtbot, lambda: page.session.snapshot().good >= 2)
    assert not window.close()
    assert page._question.isVisible()
    answers = {button.text(): button for button in page._question.buttons()}
    assert set(answers) == {"Close; keep what is there", "Leave as it is"}
    answers["Close; keep what is there"].click()
    wait_until(qtbot, lambda: not window.isVisible())
    assert page.session.phase is Phase.NONE
    assert len(list(recordings_folder(workshop.folder).glob("run-*"))) == 1


def test_a_run_left_behind_is_offered_and_gone_on_with(qtbot, page, model, workshop, tmp_path):
    first = write_run(tmp_path / "first.wav", held(KEYS[:2]))
    play(qtbot, page, first)
    assert page.session.snapshot().good == 2
    page.session.leave()
    page._show_setup()
    page.look_for_unfinished()
    wait_until(qtbot, lambda: bool(page.offers.runs))
    assert page.panels.currentWidget() is page.offers
    text = " ".join(label.text() for label in page.offers.findChildren(type(page.offers.heading)))
    assert "Old upright, held notes" in text
    assert "2 of 4 blows are there" in text
    assert "The next key is B3." in text
    page.path = write_run(tmp_path / "rest.wav", held(KEYS[2:]))
    go_on = page.offers.buttons()[0]
    assert go_on.text() == "Go on at the next key"
    go_on.click()
    wait_until(qtbot, lambda: page.session.phase is Phase.RUNNING)
    wait_until(qtbot, lambda: page.session.snapshot().state is State.DONE)
    page.session.finish()
    wait_until(qtbot, lambda: model.run_id not in (0, workshop.before.id, workshop.after.id))
    wait_until(qtbot, lambda: model.tasks.is_idle)
    take = workshop.library.runs.takes(model.run_id)[0]
    seconds = soundfile.info(first).duration + soundfile.info(page.path).duration
    assert take.recordings[0].duration_s == pytest.approx(seconds, abs=0.2)
    assert not list(recordings_folder(workshop.folder).iterdir())


@pytest.mark.parametrize(("button", "is_binned"), [(1, False), (2, True)])
def test_a_run_left_behind_is_closed_as_it_is_or_laid_in_the_bin(
    qtbot, page, model, workshop, tmp_path, button, is_binned
):
    play(qtbot, page, write_run(tmp_path / "first.wav", held(KEYS[:2])))
    page.session.leave()
    page._show_setup()
    page.look_for_unfinished()
    wait_until(qtbot, lambda: bool(page.offers.runs))
    before = {run.id for run in workshop.library.runs.all(workshop.piano.id)}
    page.offers.buttons()[button].click()
    wait_until(qtbot, lambda: page.panels.currentWidget() is page.setup)
    wait_until(qtbot, lambda: model.tasks.is_idle)
    added = {run.id for run in workshop.library.runs.all(workshop.piano.id)} - before
    binned = [item for item in workshop.library.bin.items() if "run" in str(item).lower()]
    assert bool(added) is not is_binned
    assert bool(binned) is is_binned
    assert not list(recordings_folder(workshop.folder).iterdir())


def test_a_repetition_run_gives_figures_on_the_page(qtbot, page, model, tmp_path):
    def fast(midi: int, first_s: float, gap_s: float) -> list[tuple[int, float, float]]:
        return [(midi, first_s + place * gap_s, 0.06) for place in range(10)]

    path = write_run(tmp_path / "fast.wav", [*fast(57, 3.0, 0.12), *fast(59, 7.0, 0.16)])
    page.path = path
    page.setup.choose_kind(RunKind.REPETITION)
    choose_keys(page, (57, 59))
    begin(qtbot, page)
    seconds = soundfile.info(path).duration
    wait_until(qtbot, lambda: page.session.snapshot().at_s >= seconds - 0.1)
    assert page.session.snapshot().state is State.DONE
    page.session.finish()
    wait_until(qtbot, lambda: page.panels.currentWidget() is page.result)
    rows = page.result.table.model().rows
    assert [row.note for row in rows] == ["A3", "B3"]
    # As simulated, to the last digit that is shown.
    rates = [float(row.rate.split()[0]) for row in rows]
    assert rates == pytest.approx([1 / 0.12, 1 / 0.16], abs=0.1)
    assert [row.missed for row in rows] == ["none", "none"]
    assert "2 keys struck fast" in page.result.heading.text()
    assert model.run_facts.purpose is Purpose.REPETITION
    page.result.done_button.click()
    assert page.panels.currentWidget() is page.setup


def test_an_input_that_cannot_be_opened_is_said_and_nothing_is_left(qtbot, model, workshop, theme):
    from toneapp.audio.capture import Fault, InputRefused

    class Refusing(Waiting):
        def start(self, _ring: object) -> None:
            raise InputRefused("the desk is used by another program", Fault.DEVICE_TAKEN)

    model.choose_instrument(workshop.piano.id)
    path = write_run(workshop.folder / "some.wav", held(KEYS[:1]))
    page = show_page(qtbot, model, theme, lambda _choice: Refusing(path))
    choose_keys(page)
    with qtbot.waitSignal(model.failed, timeout=60_000) as failed:
        page.begin()
    assert "used by another program" in failed.args[0]
    assert page.panels.currentWidget() is page.setup
    assert not list(recordings_folder(workshop.folder).glob("run-*"))


def test_only_the_open_notes_of_the_worklist_are_asked_for(qtbot, page, model, workshop):
    from window_kit import choose

    page.path = write_run(workshop.folder / "one.wav", held(KEYS[:1]))
    choose(qtbot, model, workshop.before)
    page.setup.keys.setCurrentIndex(page.setup.keys.findData("worklist"))
    page.setup.refresh()
    wanted = {e.midi for e in model.worklist.entries if e.midi and not e.is_done}
    assert wanted
    assert set(page.setup.choice().plan().keys()) == wanted
    assert page.setup.plan_words().startswith(f"{len(wanted)} key")


def test_the_microphone_chosen_last_and_the_keys_are_remembered(
    qtbot, model, workshop, theme, tmp_path
):
    from PySide6.QtCore import QSettings

    settings = Settings(QSettings(str(tmp_path / "s.ini"), QSettings.Format.IniFormat))
    settings.record_input = ("Desk, Test system", 44_100, 1)
    settings.set_record_key("record_pause", "F9")
    settings.record_signals = True
    model.choose_instrument(workshop.piano.id)
    path = write_run(tmp_path / "one.wav", held(KEYS[:1]))
    window = MainWindow(model, theme, settings)
    qtbot.addWidget(window)
    page = window.page_of("record")
    page.setup.input._make_source = lambda _choice: Waiting(path)
    window.show()
    window.show_page("record")
    choice = page.setup.input.choice()
    assert (choice.device, choice.sample_rate_hz, choice.channel) == (
        "Desk, Test system", 44_100, 1,
    )  # fmt: skip
    assert page.setup.input.device.currentText() == "Desk (not plugged in)"
    assert page.setup.signals.isChecked()
    keys = [key.toString() for key in page.actions_of_window["record_pause"].shortcuts()]
    assert keys == ["Space", "F9"]
    page.let_go()


@pytest.mark.parametrize(("button", "is_binned"), [(0, False), (1, True)])
def test_sound_that_belongs_to_no_run_is_offered_too(
    qtbot, page, model, workshop, run_file, button, is_binned, monkeypatch
):
    stray = Leftover(path=run_file, bytes=12_300_000)
    left = [stray]
    monkeypatch.setattr(workshop.library, "leftovers", lambda: tuple(left))
    page.path = run_file
    page.look_for_unfinished()
    wait_until(qtbot, lambda: not page.offers.is_empty)
    take, lay = page.offers.buttons()
    assert (take.text(), lay.text()) == ("Take it in for Old upright", "Lay it in the bin")
    before = {run.id for run in workshop.library.runs.all()}
    left.clear()
    (take, lay)[button].click()
    wait_until(qtbot, lambda: page.panels.currentWidget() is page.setup)
    wait_until(qtbot, lambda: model.tasks.is_idle)
    added = {run.id for run in workshop.library.runs.all()} - before
    assert bool(added) is not is_binned
    assert bool(workshop.library.bin.items()) is is_binned


def test_the_program_begins_with_a_run_that_was_left(
    qtbot, page, model, theme, settings, tmp_path
):
    play(qtbot, page, write_run(tmp_path / "first.wav", held(KEYS[:1])))
    page.session.leave()
    window = MainWindow(model, theme, settings)
    qtbot.addWidget(window, before_close_func=lambda w: w.page_of("record").let_go())
    offer_unfinished(window)
    model.library_changed.emit()
    wait_until(qtbot, lambda: window.page is not None and window.page.name == "record")
    window.show()
    wait_until(qtbot, lambda: bool(window.page.offers.runs))

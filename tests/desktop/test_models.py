"""The model loads what is chosen and tells what changed."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from invented import write_noise
from pytestqt.qtbot import QtBot
from window_kit import BRIGHT, Workshop, analyse, choose

from toneapp.desktop.growing_run import GrowingRun
from toneapp.desktop.models import AppModel, OnStrikes
from toneapp.desktop.workers import Progress
from toneapp.library import Analyse, Instrument, Library, Run
from toneapp.results import RunResult


class Clock:
    """A clock that goes on when it is told."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def growing_run(self, instrument: Instrument, tell: Callable[[RunResult], None]) -> GrowingRun:
        return GrowingRun(instrument, tell, clock_s=lambda: self.now_s)


def test_a_library_is_opened_in_the_background(qtbot: QtBot, tmp_path: Path) -> None:
    model = AppModel(poll_ms=0)
    with qtbot.waitSignal(model.library_changed):
        model.open_library(tmp_path / "new")
    assert model.library is not None
    assert model.library.folder == tmp_path / "new"
    model.close()


def test_a_library_that_cannot_be_opened_is_told_in_one_line(qtbot: QtBot, tmp_path: Path) -> None:
    (tmp_path / "library.sqlite").write_bytes(b"this is no data base" * 100)
    model = AppModel(poll_ms=0)
    with qtbot.waitSignal(model.failed) as told:
        model.open_library(tmp_path)
    assert "\n" not in told.args[0]
    assert model.library is None
    qtbot.waitUntil(lambda: model.tasks.is_idle)
    model.close()


def test_choosing_an_instrument_chooses_its_latest_run(
    qtbot: QtBot, model: AppModel, workshop: Workshop
) -> None:
    with qtbot.waitSignals([model.instrument_changed, model.run_changed]):
        model.choose_instrument(workshop.piano.id)
    qtbot.waitUntil(lambda: model.run is not None)
    assert model.run is not None
    assert model.run.run.condition == "after"
    assert model.run.result.strikes


def test_choosing_a_run_brings_its_worklist(
    qtbot: QtBot, model: AppModel, workshop: Workshop
) -> None:
    choose(qtbot, model, workshop.before)
    assert model.worklist is not None
    assert [entry.midi for entry in model.worklist.entries] == [BRIGHT]
    assert model.instrument_id == workshop.piano.id
    model.choose_note(BRIGHT)
    assert model.note is not None
    assert model.note.raised
    assert len(model.strikes_of(BRIGHT)) == 3


def test_an_instrument_without_runs_shows_none(
    qtbot: QtBot, model: AppModel, workshop: Workshop
) -> None:
    choose(qtbot, model, workshop.before)
    model.choose_instrument(workshop.other.id)
    assert model.run is None
    assert model.run_id == 0
    assert model.worklist is None


def test_the_earlier_run_is_before_whichever_was_chosen_first(
    qtbot: QtBot, model: AppModel, workshop: Workshop
) -> None:
    for one, two in ((workshop.before, workshop.after), (workshop.after, workshop.before)):
        choose(qtbot, model, one)
        with qtbot.waitSignal(model.comparison_changed):
            model.compare_with(two.id)
        assert model.comparison is not None
        assert model.comparison.before.run.id == workshop.before.id
        assert model.comparison.after.run.id == workshop.after.id
        with qtbot.waitSignal(model.comparison_changed):
            model.compare_with(None)
        assert model.comparison is None


def test_a_tick_is_kept_and_told_and_undone(
    qtbot: QtBot, model: AppModel, workshop: Workshop
) -> None:
    choose(qtbot, model, workshop.before)
    with qtbot.waitSignal(model.worklist_changed):
        model.tick_work(BRIGHT, "bright")
    assert model.worklist is not None
    assert model.worklist.entries[0].is_done
    assert workshop.library.worklist(workshop.before.id).entries[0].is_done
    with qtbot.waitSignal(model.worklist_changed):
        model.undo()
    assert not workshop.library.worklist(workshop.before.id).entries[0].is_done
    with qtbot.waitSignal(model.worklist_changed):
        model.redo()
    assert workshop.library.worklist(workshop.before.id).entries[0].is_done


def test_a_strike_left_out_is_gone_from_the_run_and_comes_back(
    qtbot: QtBot, model: AppModel, workshop: Workshop
) -> None:
    choose(qtbot, model, workshop.before)
    strike = model.strikes_of(BRIGHT)[1]
    with qtbot.waitSignal(model.run_changed):
        model.name_moment(strike.onset_s, None)
    assert len(model.strikes_of(BRIGHT)) == 2
    with qtbot.waitSignal(model.run_changed):
        model.undo()
    assert strike in model.strikes_of(BRIGHT)


def test_a_strike_named_anew_counts_after_measuring(
    qtbot: QtBot, model: AppModel, workshop: Workshop
) -> None:
    choose(qtbot, model, workshop.before)
    strike = model.strikes_of(BRIGHT)[0]
    with qtbot.waitSignal(model.run_changed):
        model.name_moment(strike.onset_s, BRIGHT + 1)
    assert len(model.strikes_of(BRIGHT)) == 2
    assert len(model.strikes_of(BRIGHT + 1)) == 3
    with qtbot.waitSignal(model.run_changed):
        model.measure_run()
    assert any(abs(item.onset_s - strike.onset_s) < 0.001 for item in model.strikes_of(BRIGHT + 1))


def test_the_sound_of_a_strike_is_found(qtbot: QtBot, model: AppModel, workshop: Workshop) -> None:
    choose(qtbot, model, workshop.before)
    place = model.sound_of_strike(model.strikes_of(BRIGHT)[0])
    assert place is not None
    assert place.path == model.sounds_of_run()[0].path
    assert place.path.is_file()
    assert place.sample_rate_hz == 48_000
    assert place.part == ""


def test_an_import_is_measured_and_chosen(
    qtbot: QtBot, model: AppModel, workshop: Workshop, tmp_path: Path
) -> None:
    told: list[str] = []
    model.busy_changed.connect(lambda label, _share: told.append(label))
    model.import_run(
        Run(instrument_id=workshop.other.id, condition="new"),
        write_noise(tmp_path / "new.wav", key=9),
    )
    qtbot.waitUntil(lambda: model.run is not None)
    assert model.run is not None
    assert model.run.run.condition == "new"
    assert model.instrument_id == workshop.other.id
    assert "measuring new.wav" in told
    qtbot.waitUntil(lambda: told[-1] == "")


def test_an_import_of_what_is_no_sound_leaves_nothing(
    qtbot: QtBot, model: AppModel, workshop: Workshop, tmp_path: Path
) -> None:
    path = tmp_path / "text.wav"
    path.write_text("no sound")
    with qtbot.waitSignal(model.failed) as told:
        model.import_run(Run(instrument_id=workshop.other.id), path)
    assert "text.wav" in told.args[0]
    assert workshop.library.runs.all(workshop.other.id) == ()


def test_what_another_program_writes_is_seen(qtbot: QtBot, workshop: Workshop) -> None:
    model = AppModel(analyse=analyse, poll_ms=20)
    model.use_library(workshop.library)
    choose(qtbot, model, workshop.before)
    with Library(workshop.folder) as elsewhere, qtbot.waitSignal(model.worklist_changed):
        elsewhere.worklists.tick(workshop.before.id, BRIGHT, "bright")
    assert model.worklist is not None
    assert model.worklist.entries[0].is_done
    with Library(workshop.folder) as elsewhere, qtbot.waitSignal(model.instrument_changed):
        piano = elsewhere.instruments.get(workshop.piano.id)
        elsewhere.instruments.change(replace(piano, owner="someone"))
    assert model.instrument is not None
    assert model.instrument.owner == "someone"
    qtbot.waitUntil(lambda: model.tasks.is_idle)
    model.close()


def test_what_goes_to_the_bin_is_let_go(qtbot: QtBot, model: AppModel, workshop: Workshop) -> None:
    choose(qtbot, model, workshop.before)
    with qtbot.waitSignal(model.run_changed):
        model.edit(lambda library: library.runs.remove(workshop.before))
    assert model.run is None
    with qtbot.waitSignal(model.instrument_changed):
        model.edit(lambda library: library.instruments.remove(workshop.piano))
    assert model.instrument is None


def test_a_library_that_is_locked_is_told_in_one_line(qtbot: QtBot, workshop: Workshop) -> None:
    with Library(workshop.folder, busy_s=0.1) as library:
        model = AppModel(poll_ms=0)
        model.use_library(library)
        choose(qtbot, model, workshop.before)
        other = sqlite3.connect(workshop.folder / "library.sqlite", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with qtbot.waitSignal(model.failed) as told:
            model.tick_work(BRIGHT, "bright")
        other.execute("ROLLBACK")
        other.close()
        assert "\n" not in told.args[0]
        with qtbot.waitSignal(model.worklist_changed):
            model.tick_work(BRIGHT, "bright")
        qtbot.waitUntil(lambda: model.tasks.is_idle)
        model.close()


def test_the_history_is_told(qtbot: QtBot, model: AppModel, workshop: Workshop) -> None:
    choose(qtbot, model, workshop.before)
    with qtbot.waitSignal(model.history_changed) as told:
        model.tick_work(BRIGHT, "bright")
    assert told.args == ["tick C4 bright", ""]
    with qtbot.waitSignal(model.history_changed) as told:
        model.undo()
    assert told.args[1] == "tick C4 bright"


def test_notes_appear_while_a_run_is_measured(
    qtbot: QtBot, workshop: Workshop, tmp_path: Path
) -> None:
    may_end = threading.Event()
    measures = analyse()

    def growing(on_strikes: OnStrikes) -> Analyse:
        def measure(path: Path, **options: Any) -> RunResult:
            clock.now_s += 2.0
            on_strikes(measures.run.strikes[:30])
            assert may_end.wait(20)
            return measures(path, **options)

        return measure

    clock = Clock()
    model = AppModel(analyse=growing, poll_ms=0)
    model.use_library(workshop.library)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("toneapp.desktop.models.GrowingRun", clock.growing_run)
        run = Run(instrument_id=workshop.other.id)
        model.import_run(run, write_noise(tmp_path / "slow.wav", key=5))
        qtbot.waitUntil(lambda: model.run is not None)
        assert model.is_growing
        assert model.run is not None
        assert len(model.run.result.strikes) == 30
        assert len(model.run.result.notes) == 10
        assert model.worklist is None
        may_end.set()
        qtbot.waitUntil(lambda: model.worklist is not None and not model.is_growing)
    assert len(model.run.result.strikes) == 75
    qtbot.waitUntil(lambda: model.tasks.is_idle)
    model.close()


def test_a_stopped_measurement_keeps_the_recording(
    qtbot: QtBot, workshop: Workshop, tmp_path: Path
) -> None:
    begun = threading.Event()

    def endless(_on_strikes: OnStrikes) -> Analyse:
        def measure(_path: Path, *, progress: Progress, **_options: Any) -> RunResult:
            begun.set()
            while True:
                progress(0.5)

        return measure

    model = AppModel(analyse=endless, poll_ms=0)
    model.use_library(workshop.library)
    path = write_noise(tmp_path / "stopped.wav", key=6)
    task = model.import_run(Run(instrument_id=workshop.other.id), path)
    assert task is not None
    qtbot.waitUntil(begun.is_set)
    task.cancel()
    qtbot.waitUntil(lambda: model.tasks.is_idle)
    assert not model.is_growing
    assert model.run is None
    assert len(workshop.library.runs.all(workshop.other.id)) == 1
    assert model.run_facts is not None
    model.close()


def test_another_library_shows_nothing_of_the_first(
    qtbot: QtBot, workshop: Workshop, tmp_path: Path
) -> None:
    model = AppModel(poll_ms=0)
    model.use_library(workshop.library)
    model.choose_run(workshop.before.id)  # not loaded yet
    with Library(tmp_path / "other") as other:
        model.use_library(other)
        qtbot.waitUntil(lambda: model.tasks.is_idle)
        assert model.run is None
        assert model.instrument is None
        assert model.worklist is None
        model.close()


def test_the_run_chosen_last_is_shown(qtbot: QtBot, model: AppModel, workshop: Workshop) -> None:
    for run in (workshop.before, workshop.after) * 5:
        model.choose_run(run.id)
    qtbot.waitUntil(lambda: model.tasks.is_idle)
    assert model.run is not None
    assert model.run.run.id == workshop.after.id
    model.choose_run(workshop.before.id)
    model.choose_run(0)
    qtbot.waitUntil(lambda: model.tasks.is_idle)
    assert model.run is None

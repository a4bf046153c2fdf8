"""The engine with its threads: files through it, and everything that can go wrong at the piano."""

from __future__ import annotations

import errno
import shutil
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from stand_ins import Machine, Microphone

from toneapp.analysis.live import LiveMeasure
from toneapp.audio.capture import (
    BlowJudged,
    CaptureEngine,
    Command,
    Event,
    Fault,
    FileSource,
    InputRefused,
    Interrupted,
    KeyPlan,
    Overrun,
    PartClosed,
    Reason,
    Resumed,
    RunFolder,
    RunPlan,
    State,
    find_unfinished,
    warm_up,
)
from toneapp.audio.capture import disk_writer as disk_writer_module
from toneapp.audio.capture import watching as watching_module
from toneapp.audio.capture.wav_part import WavPart

RATE = Microphone.sample_rate_hz
KEYS = (48, 55, 60)
PLAN = RunPlan(notes=KEYS, hold_s=1.0)
PATIENCE_S = 60.0


@pytest.fixture(scope="module")
def short_run(play, tmp_path_factory):
    """Three blows, 7 s, and the file that holds them."""
    sound = play([(midi, 1.2 + 2.0 * i, 1.2) for i, midi in enumerate(KEYS)])
    return sound, sound.save(tmp_path_factory.mktemp("run") / "run.wav")


def _folder(parent: Path, plan: RunPlan = PLAN, channels: int = 1) -> RunFolder:
    return RunFolder.create(parent, plan=plan, facts={}, sample_rate_hz=RATE, channels=channels)


def _until(condition: Callable[[], bool], what: str) -> None:
    """Wait for what another thread does."""
    end_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < end_s, f"waited in vain for {what}"
        time.sleep(0.005)


class Collected:
    """Events of an engine, kept while they come."""

    def __init__(self, engine: CaptureEngine) -> None:
        self.engine = engine
        self.all: list[Event] = []

    def of(self, kind: type) -> list:
        self.all += self.engine.poll()
        return [event for event in self.all if isinstance(event, kind)]


def _recorded(closed) -> np.ndarray:
    return np.concatenate(
        [soundfile.read(path, dtype="float32", always_2d=True)[0] for path in closed.parts]
    )


def _run_file(path: Path, parent: Path, **kwargs):
    source = FileSource(path)
    engine = CaptureEngine(
        source, _folder(parent, channels=source.channels), KeyPlan(PLAN), LiveMeasure(), **kwargs
    )
    seen = Collected(engine)
    engine.start()
    assert engine.wait_until_ended(PATIENCE_S)
    closed = engine.close()
    seen.of(Event.__args__[0])
    return closed, seen


def test_a_file_goes_through_the_engine_and_onto_the_disk_sample_for_sample(short_run, tmp_path):
    sound, path = short_run
    closed, seen = _run_file(path, tmp_path)
    assert [(b.midi, b.reason) for b in closed.blows] == [(midi, Reason.GOOD) for midi in KEYS]
    assert closed.is_done
    assert closed.frames == sound.samples.size
    assert np.array_equal(_recorded(closed)[:, 0], sound.samples)
    assert [event.frames for event in seen.of(PartClosed)] == [closed.frames]
    assert (closed.overruns, closed.lost_frames, closed.problems) == (0, 0, ())


def test_the_louder_channel_is_listened_to_and_both_are_kept(short_run, tmp_path):
    sound, _ = short_run
    both = np.stack([0.01 * sound.samples[::-1], sound.samples], axis=1)
    path = tmp_path / "two.wav"
    soundfile.write(path, both, RATE, subtype="FLOAT")
    closed, _ = _run_file(path, tmp_path / "runs")
    assert [blow.is_good for blow in closed.blows] == [True] * 3
    assert np.array_equal(_recorded(closed), both.astype(np.float32))


def test_parts_follow_on_one_another_when_a_file_would_grow_too_large(short_run, tmp_path):
    sound, path = short_run
    closed, _ = _run_file(path, tmp_path, largest_part_bytes=300_000)
    assert len(closed.parts) >= sound.samples.nbytes // 300_000
    assert all(part.stat().st_size <= 300_000 for part in closed.parts)
    assert np.array_equal(_recorded(closed)[:, 0], sound.samples)


def test_in_real_time_the_verdicts_come_at_once(short_run, tmp_path):
    sound, path = short_run
    measure = LiveMeasure()
    warm_up(measure, sample_rate_hz=RATE)
    source = FileSource(path, real_time=True)
    engine = CaptureEngine(source, _folder(tmp_path), KeyPlan(PLAN), measure)
    seen = Collected(engine)
    began_s = time.monotonic()
    engine.start()
    assert engine.wait_until_ended(PATIENCE_S)
    took_s = time.monotonic() - began_s
    closed = engine.close()
    assert took_s >= sound.samples.size / RATE - 0.1
    assert closed.frames == sound.samples.size
    latencies = [event.latency_s for event in seen.of(BlowJudged)]
    assert len(latencies) == 3
    # The goal is 0.1 s, which the benchmark states; here other work on the machine may delay it.
    assert max(latencies) < 1.0


def test_a_run_is_gone_on_with_at_the_next_key(short_run, tmp_path):
    sound, _ = short_run
    first = replace(sound, samples=sound.samples[: 3 * RATE]).save(tmp_path / "first.wav")
    rest = replace(sound, samples=sound.samples[3 * RATE :]).save(tmp_path / "rest.wav")
    closed, _ = _run_file(first, tmp_path / "runs")
    assert [blow.midi for blow in closed.blows] == [48]
    (found,) = find_unfinished(tmp_path / "runs")
    plan = found.key_plan()
    assert plan.current.midi == 55
    engine = CaptureEngine(
        FileSource(rest), RunFolder.go_on(found), plan, LiveMeasure(), checks_room=False
    )
    engine.start()
    assert engine.wait_until_ended(PATIENCE_S)
    closed = engine.close()
    assert [(blow.number, blow.midi) for blow in closed.blows] == [(1, 48), (2, 55), (3, 60)]
    assert closed.is_done
    # The times go on too: they are those of the parts one after the other.
    assert closed.blows[1].onset_s == pytest.approx(3.2, abs=0.01)
    assert np.array_equal(_recorded(closed)[:, 0], sound.samples)


@pytest.fixture
def begin(short_run, tmp_path, monkeypatch):
    """Start an engine of little patience with a microphone that plays the short run."""
    monkeypatch.setattr(watching_module, "STALL_S", 3.0)
    monkeypatch.setattr(watching_module, "FIRST_SOUND_S", 3.0)
    monkeypatch.setattr(watching_module, "RETRY_S", 0.05)
    monkeypatch.setattr(watching_module, "WATCH_EVERY_S", 0.02)
    monkeypatch.setattr(watching_module, "RATE_WINDOW_S", 1e9)  # this input has no pace
    monkeypatch.setattr(disk_writer_module, "RETRY_EVERY_S", 0.05)
    monkeypatch.setattr(disk_writer_module, "SYNC_EVERY_S", 0.05)
    started: list[CaptureEngine] = []

    def _begin(measure=None, machine: Machine | None = None, **kwargs):
        microphone = Microphone(short_run[0].samples)
        engine = CaptureEngine(
            microphone,
            _folder(tmp_path / "runs"),
            KeyPlan(PLAN),
            measure or LiveMeasure(),
            checks_room=False,
            watch=machine or Machine(),
            **kwargs,
        )
        started.append(engine)
        engine.start()
        return engine, microphone, Collected(engine)

    yield _begin
    for engine in started:
        engine.close()


def _wait_for_blows(seen: Collected, count: int) -> None:
    _until(lambda: len(seen.of(BlowJudged)) >= count, f"blow {count}")


def _play_the_rest(engine: CaptureEngine, microphone: Microphone, seen: Collected, count: int):
    microphone.play_to(microphone.samples.size / RATE)
    _wait_for_blows(seen, count)
    return engine.close()


def test_a_microphone_that_is_pulled_out_and_put_back(begin):
    engine, microphone, seen = begin()
    microphone.play_to(3.0)
    _wait_for_blows(seen, 1)
    microphone.is_plugged = False
    _until(lambda: bool(seen.of(Interrupted)), "the interruption")
    assert seen.of(Interrupted)[0].fault is Fault.DEVICE_GONE
    assert "plug it in again" in seen.of(Interrupted)[0].text
    _until(lambda: engine.snapshot().state is State.INTERRUPTED, "the state")
    assert engine.snapshot().fault is Fault.DEVICE_GONE
    microphone.is_plugged = True
    _until(lambda: bool(seen.of(Resumed)), "the end of it")
    _until(lambda: engine.snapshot().state is State.WAITING, "the next key")
    closed = _play_the_rest(engine, microphone, seen, 3)
    assert [(b.midi, b.reason) for b in closed.blows] == [(midi, Reason.GOOD) for midi in KEYS]
    assert len(closed.parts) == 2
    assert sum(len(soundfile.read(part)[0]) for part in closed.parts) == closed.frames


def test_a_microphone_pulled_out_while_a_note_sounds_costs_that_note_only(begin):
    engine, microphone, seen = begin()
    microphone.play_to(1.9)
    _until(lambda: engine.snapshot().state is State.HELD, "the blow")
    microphone.is_plugged = False
    _until(lambda: bool(seen.of(Interrupted)), "the interruption")
    microphone.is_plugged = True
    _until(lambda: bool(seen.of(Resumed)), "the end of it")
    assert engine.snapshot().ask.midi == 48
    microphone.rewind()
    closed = _play_the_rest(engine, microphone, seen, 3)
    assert [(b.midi, b.reason) for b in closed.blows] == [(midi, Reason.GOOD) for midi in KEYS]


def test_an_input_taken_by_another_program_is_told_and_waited_for(begin):
    engine, microphone, seen = begin()
    microphone.play_to(3.0)
    _wait_for_blows(seen, 1)
    microphone.refusal = InputRefused("it is used by another program", Fault.DEVICE_TAKEN)
    microphone.is_plugged = False
    _until(lambda: any("another program" in e.text for e in seen.of(Interrupted)), "the word")
    microphone.refusal, microphone.is_plugged = None, True
    _until(lambda: bool(seen.of(Resumed)), "the end of it")
    closed = _play_the_rest(engine, microphone, seen, 3)
    assert closed.is_done


def test_a_machine_that_was_asleep_goes_on(begin):
    machine = Machine()
    engine, microphone, seen = begin(machine=machine)
    microphone.play_to(3.0)
    _wait_for_blows(seen, 1)
    machine.slept_s = 125.0
    _until(lambda: bool(seen.of(Resumed)), "the end of it")
    assert seen.of(Interrupted)[0].fault is Fault.SLEPT
    assert seen.of(Resumed)[0].away_s == pytest.approx(125.0, abs=1.0)
    assert "asleep for 2 min" in seen.of(Resumed)[0].text
    assert microphone.starts == 2
    closed = _play_the_rest(engine, microphone, seen, 3)
    assert closed.is_done


def test_a_rate_that_was_changed_behind_our_back_is_told(begin, monkeypatch):
    monkeypatch.setattr(watching_module, "RATE_WINDOW_S", 0.2)
    _, microphone, seen = begin()
    microphone.play_to(0.5)  # at another pace than 48000 frames a second, then and after
    _until(lambda: bool(seen.of(Interrupted)), "the word")
    assert seen.of(Interrupted)[0].fault is Fault.RATE_CHANGED


def _refusing(monkeypatch, number: int) -> threading.Event:
    """Let the disk refuse until the event is set."""
    is_well = threading.Event()
    append = WavPart.append

    def refuse(self, samples) -> None:
        if not is_well.is_set():
            raise OSError(number, "refused")
        append(self, samples)

    monkeypatch.setattr(WavPart, "append", refuse)
    return is_well


@pytest.mark.parametrize(
    ("number", "fault"),
    [(errno.ENOSPC, Fault.DISK_FULL), (errno.EIO, Fault.DISK_FAULT)],
)
def test_a_disk_that_refuses_interrupts_the_run_and_loses_nothing(
    begin, monkeypatch, number, fault
):
    engine, microphone, seen = begin()
    microphone.play_to(3.0)
    _wait_for_blows(seen, 1)
    is_well = _refusing(monkeypatch, number)
    _until(lambda: bool(seen.of(Interrupted)), "the interruption")
    assert seen.of(Interrupted)[0].fault is fault
    _until(lambda: engine.snapshot().state is State.INTERRUPTED, "the state")
    microphone.play_to(3.1)
    is_well.set()
    _until(lambda: bool(seen.of(Resumed)), "the end of it")
    closed = _play_the_rest(engine, microphone, seen, 3)
    assert [(b.midi, b.reason) for b in closed.blows] == [(midi, Reason.GOOD) for midi in KEYS]
    assert closed.lost_frames == 0
    sound = _recorded(closed)[:, 0]
    heard = sound[np.abs(sound) > 0]  # without the silence that the test microphone fills in
    assert np.array_equal(heard, microphone.samples[np.abs(microphone.samples) > 0])


def test_a_disk_that_refuses_for_too_long_costs_sound_which_is_counted(begin, monkeypatch):
    engine, microphone, seen = begin(ring_s=2.0)
    microphone.play_to(0.5)
    is_well = _refusing(monkeypatch, errno.ENOSPC)
    _until(lambda: bool(seen.of(Interrupted)), "the interruption")
    ring = engine._ring
    _until(lambda: ring.written > 6 * RATE, "the ring to be full")
    is_well.set()
    _until(lambda: bool(seen.of(Resumed)), "the end of it")
    _until(lambda: bool(seen.of(Overrun)), "the count")
    microphone.is_patient = True
    closed = _play_the_rest(engine, microphone, seen, 3)
    assert closed.lost_frames > 0
    assert closed.frames + closed.lost_frames == ring.written
    assert "sound are missing" in closed.problems[-1]
    # The times of the blows are those of the file as it is.
    sound = _recorded(closed)[:, 0]
    for blow in closed.blows:
        start = int(blow.onset_s * RATE)
        before, after = sound[start - 960 : start - 96], sound[start : start + 4800]
        assert np.std(after) > 5 * np.std(before)


def _remove(folder: Path) -> None:
    """Remove a folder into which something is written meanwhile."""
    while True:
        try:
            shutil.rmtree(folder)
        except OSError as exc:
            if exc.errno != errno.ENOTEMPTY:
                raise
        else:
            return


def test_a_folder_that_is_removed_is_made_again_with_what_was_captured(begin):
    engine, microphone, seen = begin()
    microphone.play_to(3.0)
    _wait_for_blows(seen, 1)
    _remove(engine.folder.path)
    _until(lambda: bool(seen.of(Interrupted)), "the interruption")
    assert seen.of(Interrupted)[0].fault is Fault.FOLDER_GONE
    _until(lambda: bool(seen.of(Resumed)), "the end of it")
    closed = _play_the_rest(engine, microphone, seen, 3)
    assert closed.is_done
    sound = _recorded(closed)[:, 0]
    heard = sound[np.abs(sound) > 0]
    assert np.array_equal(heard, microphone.samples[np.abs(microphone.samples) > 0])
    (found,) = find_unfinished(engine.folder.path.parent)
    assert [blow.midi for blow in found.blows if blow.is_counted] == list(KEYS)


def test_an_overrun_is_counted_said_and_kept(begin):
    engine, microphone, seen = begin()
    microphone.play_to(1.6)
    _until(lambda: engine.snapshot().state is State.HELD, "the blow")
    microphone.overflow_next = True
    microphone.play_to(3.0)
    _wait_for_blows(seen, 1)
    assert seen.of(BlowJudged)[0].blow.reason is Reason.LOST_SOUND
    (overrun,) = seen.of(Overrun)
    assert overrun.frames is None
    assert engine.snapshot().overruns == 1
    closed = engine.close()
    assert closed.problems[-1] == "the computer was too slow 1 times while recording"
    (found,) = find_unfinished(engine.folder.path.parent)
    assert any("too slow" in problem for problem in found.problems)


def test_a_fault_in_the_measuring_costs_one_blow(begin):
    measure = LiveMeasure()
    calls = []

    def faulty(blow):
        calls.append(blow)
        if len(calls) == 1:
            raise ZeroDivisionError("a fault on purpose")
        return measure(blow)

    engine, microphone, seen = begin(faulty)
    microphone.play_to(3.0)
    _until(lambda: bool(seen.of(Interrupted)), "the word")
    assert seen.of(Interrupted)[0].fault is Fault.PROGRAM
    microphone.rewind()
    closed = _play_the_rest(engine, microphone, seen, 3)
    assert [(b.midi, b.reason) for b in closed.blows] == [(midi, Reason.GOOD) for midi in KEYS]
    assert "a fault of the program came up while recording" in closed.problems


def test_commands_reach_the_run(begin):
    engine, _, seen = begin()
    engine.do(Command.NEXT)
    _until(lambda: engine.snapshot().ask.midi == 55, "the next key")
    engine.do(Command.PAUSE)
    _until(lambda: engine.snapshot().state is State.PAUSED, "the pause")
    engine.do(Command.GO_ON)
    _until(lambda: engine.snapshot().state is State.WAITING, "going on")
    engine.do(Command.SKIP)
    _until(lambda: engine.snapshot().wanted == 2, "a key left out")
    engine.close()
    (found,) = find_unfinished(engine.folder.path.parent)
    assert found.left_out == (1,)
    assert seen.of(Interrupted) == []


def test_the_snapshot_shows_the_level(begin):
    engine, microphone, _ = begin()
    assert engine.snapshot().level_dbfs is None
    microphone.play_to(1.5)
    peak = 20 * np.log10(np.max(np.abs(microphone.samples[: int(1.5 * RATE)])))
    _until(lambda: engine.snapshot().highest_dbfs == pytest.approx(peak, abs=0.1), "the level")
    assert not engine.snapshot().has_clipped


def test_an_input_that_cannot_be_opened_starts_nothing(short_run, tmp_path):
    microphone = Microphone(short_run[0].samples)
    microphone.is_plugged = False
    engine = CaptureEngine(microphone, _folder(tmp_path), KeyPlan(PLAN), LiveMeasure())
    with pytest.raises(InputRefused, match="is not there"):
        engine.start()
    assert engine.close().frames == 0


def test_closing_twice_gives_the_same(begin):
    engine, microphone, seen = begin()
    closed = _play_the_rest(engine, microphone, seen, 3)
    assert engine.close() is closed

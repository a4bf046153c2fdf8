"""A recording whose process is killed at any moment loses at most a second."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from toneapp.analysis.live import LiveMeasure
from toneapp.audio.capture import CaptureEngine, FileSource, Reason, RunFolder, find_unfinished

CHILD = Path(__file__).with_name("recording_child.py")
KILLS = 15
AT_ONCE = 3
KEYS = (48, 55, 60)
MOST_LOST_S = 1.0


@pytest.fixture(scope="module")
def run_file(play, tmp_path_factory):
    sound = play([(midi, 0.5 + 1.9 * i, 1.2) for i, midi in enumerate(KEYS)])
    return sound, sound.save(tmp_path_factory.mktemp("killed") / "run.wav")


def _start(path: Path, parent: Path) -> tuple[subprocess.Popen[str], float]:
    """Start to record; the process, and the monotonic time at which the sound began."""
    child = subprocess.Popen(
        [sys.executable, str(CHILD), str(path), str(parent), ",".join(map(str, KEYS))],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    words = child.stdout.readline().split()
    assert words[0] == "started"
    return child, float(words[1])


def _check(parent: Path, sound, played_s: float) -> float:
    """Compare what is found with what was played; the time lost, in s."""
    found = find_unfinished(parent)
    if played_s < MOST_LOST_S and not found:
        return played_s
    (run,) = found
    read = np.concatenate([soundfile.read(path, dtype="float32")[0] for path, _ in run.parts])
    assert np.array_equal(read, sound.samples[: read.size])
    for blow in run.blows:
        assert blow.end_s <= read.size / sound.rate
    # Every blow whose verdict was journalled a second ago at the latest is there.
    heard = [blow.onset_s for blow in run.blows]
    for strike in sound.truth.strikes:
        if strike.release_s + 0.5 + 2 * MOST_LOST_S < played_s:
            assert any(abs(strike.onset_s - onset_s) < 0.02 for onset_s in heard)
    return min(played_s, sound.samples.size / sound.rate) - read.size / sound.rate


def test_killed_at_any_moment_at_most_a_second_is_lost(run_file, tmp_path):
    sound, path = run_file
    rng = np.random.default_rng(8)
    moments = np.sort(rng.uniform(0.05, 5.5, KILLS))
    rng.shuffle(moments)
    lost = []
    for first in range(0, KILLS, AT_ONCE):
        children = []
        for number in range(first, min(first + AT_ONCE, KILLS)):
            parent = tmp_path / str(number)
            child, began_s = _start(path, parent)
            children.append((child, began_s, parent, float(moments[number])))
        for child, began_s, parent, moment in sorted(children, key=lambda c: c[1] + c[3]):
            time.sleep(max(0.0, began_s + moment - time.monotonic()))
            child.kill()
            played_s = time.monotonic() - began_s
            child.wait()
            child.stdout.close()
            lost.append(_check(parent, sound, played_s))
    assert len(lost) == KILLS
    assert max(lost) <= MOST_LOST_S


def test_a_killed_run_is_gone_on_with_to_its_end(run_file, tmp_path):
    sound, path = run_file
    child, began_s = _start(path, tmp_path / "runs")
    time.sleep(max(0.0, began_s + 4.3 - time.monotonic()))
    child.kill()
    child.wait()
    child.stdout.close()
    (run,) = find_unfinished(tmp_path / "runs")
    plan = run.key_plan()
    assert plan.good >= 1
    # The player strikes the keys that are asked for now.
    rest = sound.samples[int((plan.current.index * 1.9 + 0.1) * sound.rate) :]
    soundfile.write(tmp_path / "rest.wav", rest, sound.rate, subtype="FLOAT")
    engine = CaptureEngine(
        FileSource(tmp_path / "rest.wav"),
        RunFolder.go_on(run),
        plan,
        LiveMeasure(),
        checks_room=False,
    )
    engine.start()
    assert engine.wait_until_ended(60.0)
    closed = engine.close()
    assert closed.is_done
    assert {blow.midi for blow in closed.blows if blow.reason is Reason.GOOD} == set(KEYS)
    assert closed.frames == run.frames + rest.size
    assert "the recording was interrupted and gone on with" in closed.problems

"""The real way of the sound: from a sound server through PortAudio into the engine."""

from __future__ import annotations

import json
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pytest
import soundfile
from sound_server import SoundServer, missing_programs, offset_of

CHILD = Path(__file__).with_name("server_child.py")
KEYS = (36, 48, 55, 60, 67, 72, 79, 84)
EVERY_S = 2.0
MOST_S = 240.0
TRIES = 3
BEGINNING_S = 0.1
"""The first moments of playing, which the server may cut while its stream starts. A machine that
does not let the recorder run for a quarter of a second loses sound; the recorder tells so, and the
run is played anew, up to `TRIES` times in all."""


@pytest.fixture
def server(tmp_path):
    lacking = missing_programs()
    if lacking:
        text = f"RECORDING IS NOT TESTED: {', '.join(lacking)} not installed"
        warnings.warn(pytest.PytestWarning(text), stacklevel=1)
        pytest.skip(text)
    with SoundServer(tmp_path / "server") as running:
        yield running


@pytest.fixture(scope="module")
def long_run(play, tmp_path_factory):
    sound = play([(midi, 1.0 + EVERY_S * i, 1.2) for i, midi in enumerate(KEYS)])
    return sound, sound.save(tmp_path_factory.mktemp("server") / "run.wav")


class Recorder:
    """The recording process and what it says."""

    def __init__(self, server: SoundServer, parent: Path) -> None:
        keys = ",".join(str(key) for key in KEYS)
        self.process = subprocess.Popen(
            [sys.executable, str(CHILD), str(parent), keys, "1.0", str(MOST_S)],
            env=server.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.said: list[dict] = []

    def __enter__(self) -> Recorder:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()

    def until(self, event: str) -> dict:
        """Wait for an event; the child itself ends after `MOST_S`."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said.append(json.loads(line))
            if self.said[-1]["event"] == event:
                return self.said[-1]
        assert self.process.stderr is not None
        raise AssertionError(f"no {event}: {self.said} {self.process.stderr.read()[-2000:]}")

    def of(self, event: str) -> list[dict]:
        return [words for words in self.said if words["event"] == event]


def test_what_is_played_is_recorded_sample_for_sample_and_every_blow_judged(
    server, long_run, tmp_path
):
    sound, path = long_run
    for number in range(TRIES):
        with Recorder(server, tmp_path / f"runs-{number}") as recorder:
            recorder.until("ready")
            player = server.play(path)
            closed = recorder.until("closed")
            player.wait()
        if not recorder.of("overrun") and not recorder.of("interrupted"):
            break
    blows = recorder.of("blow")
    assert (closed["overruns"], closed["lost_frames"]) == (0, 0), recorder.said
    assert [(blow["midi"], blow["reason"]) for blow in blows] == [(m, "good") for m in KEYS]
    assert closed["is_done"], recorder.said
    (part,) = closed["parts"]
    recorded, rate = soundfile.read(part, dtype="float32")
    assert rate == sound.rate
    first = offset_of(recorded, sound.samples)
    start = int(BEGINNING_S * rate)
    stop = min(sound.samples.size, recorded.size - first)
    assert stop - start > (EVERY_S * len(KEYS) - 1.5) * rate
    # Sample for sample: nothing lost, doubled or changed, but for the rounding of the server's
    # mixing of two equal channels in float32.
    difference = recorded[first + start : first + stop] - sound.samples[start:stop]
    assert float(np.max(np.abs(difference))) < 1e-6
    for blow, strike in zip(blows, sound.truth.strikes, strict=True):
        assert blow["onset_s"] - first / rate == pytest.approx(strike.onset_s, abs=0.005)
    # How fast the verdicts come and what the recorder costs is stated by the benchmark.
    assert all(blow["latency_s"] is not None for blow in blows)


def test_a_microphone_that_goes_away_and_comes_back(server, long_run, tmp_path):
    sound, path = long_run
    with Recorder(server, tmp_path / "runs") as recorder:
        recorder.until("ready")
        player = server.play(path)
        for _ in range(2):
            recorder.until("blow")
        server.remove_sink()
        player.kill()
        player.wait()
        assert recorder.until("interrupted")["fault"] == "device_gone"
        server.add_sink()
        recorder.until("resumed")
        # The player goes on with the key that is asked for, whatever was heard to the last.
        there = len(_good(recorder))
        rest = tmp_path / "rest.wav"
        keep = int((EVERY_S * there + 0.4) * sound.rate)
        soundfile.write(rest, sound.samples[keep:], sound.rate, subtype="FLOAT")
        player = server.play(rest)
        closed = recorder.until("closed")
        player.wait()
    assert 2 <= there < len(KEYS)
    assert closed["is_done"], recorder.said
    assert _good(recorder) == list(KEYS)
    assert len(closed["parts"]) >= 2
    frames = sum(soundfile.info(part).frames for part in closed["parts"])
    assert frames == closed["frames"]


def _good(recorder: Recorder) -> list[int]:
    return [blow["midi"] for blow in recorder.of("blow") if blow["reason"] == "good"]

"""What does recording cost, and what does it lose?

    python benchmarks/capture.py                          # all parts, about half an hour
    python benchmarks/capture.py --parts server --minutes 10
    python benchmarks/capture.py --parts kills --kills 50
    python benchmarks/capture.py --parts memory --hours 2
    python benchmarks/capture.py --parts real-time

Parts:

- ``real-time``: a run of held notes through the engine at its own pace, from a file: processor
  time as a share of one core, and the time from the end of a blow's capture to its verdict.
- ``server``: the same through PortAudio from a sound server (a sink that nobody hears, and its
  monitor), compared sample for sample with what was played. Needs pulseaudio and its programs.
- ``kills``: the recording process is killed at random moments; how much of the sound is missing
  afterwards.
- ``memory``: hours of recording as fast as they go; the memory of the process on the way.

A goal that is not met is marked ``MISSED``. Other work on the machine counts against the figures.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "audio"))

from sound_server import SoundServer, missing_programs

from toneapp.analysis.live import LiveMeasure
from toneapp.audio.capture import (
    BlowJudged,
    CaptureEngine,
    FileSource,
    KeyPlan,
    Reason,
    RunFolder,
    RunPlan,
    Touch,
    find_unfinished,
    warm_up,
)
from toneapp.audio.capture.ring import SampleRing
from toneapp.simulate import Blow, Room, make_piano, prepare

RATE = 48_000
HOLD_S, EVERY_S = 2.0, 3.4
KEYS_A_ROUND = 44  # so that four rounds last ten minutes
CPU_GOAL, LATENCY_GOAL_S, LOSS_GOAL_S, GROWTH_GOAL_MIB = 0.30, 0.10, 1.0, 20.0
CHILDREN = Path(__file__).parents[1] / "tests" / "audio"
PARTS = ("real-time", "server", "kills", "memory")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--parts", nargs="+", choices=PARTS, default=PARTS)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--hours", type=float, default=2.0)
    words = parser.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory(prefix="toneapp-capture-") as name:
        folder = Path(name)
        if "real-time" in words.parts:
            real_time(folder)
        if "server" in words.parts:
            server(folder, words.minutes)
        if "kills" in words.parts:
            kills(folder, words.kills)
        if "memory" in words.parts:
            memory(folder, words.hours)


def show(name: str, value: float, unit: str, goal: float | None = None) -> None:
    verdict = "" if goal is None else f"  (goal {goal:g}{'' if value <= goal else ', MISSED'})"
    print(f"{name:<46} {value:10.3f} {unit}{verdict}", flush=True)


def make_run(folder: Path, keys: Sequence[int], name: str = "run.wav") -> Path:
    """A simulated run of held notes, one blow a key, as a file of floating-point samples."""
    rng = np.random.default_rng(7)
    piano = make_piano(rng, kind="upright")
    blows = [
        Blow(midi=key, onset_s=1.0 + EVERY_S * i, hold_s=HOLD_S + 0.3, velocity_m_per_s=2.0)
        for i, key in enumerate(keys)
    ]
    path = folder / name
    performance = prepare(piano, blows, Room(t60_s=0.4, snr_db=50.0), rng=rng)
    with soundfile.SoundFile(path, "w", RATE, 1, subtype="FLOAT") as file:
        for block in performance.blocks():
            file.write(block)
    return path


def real_time(folder: Path) -> None:
    keys = list(range(24, 100, 4))
    path = make_run(folder, keys)
    plan = RunPlan(notes=tuple(keys), hold_s=HOLD_S)
    source = FileSource(path, real_time=True)
    measure = LiveMeasure()
    warm_up(measure, sample_rate_hz=RATE)
    engine = CaptureEngine(source, _folder(folder / "real-time", plan), KeyPlan(plan), measure)
    worked_s, began_s = time.process_time(), time.perf_counter()
    engine.start()
    engine.wait_until_ended()
    share = (time.process_time() - worked_s) / (time.perf_counter() - began_s)
    engine.close()
    judged = [event for event in engine.poll() if isinstance(event, BlowJudged)]
    delays = [event.latency_s for event in judged if event.latency_s is not None]
    good = sum(event.blow.is_good for event in judged)
    print(f"\nreal time, from a file: {len(keys)} blows, {good} judged good")
    show("processor time", share, "of a core", CPU_GOAL)
    show("verdict after the end of capture, median", float(np.median(delays)), "s")
    show("verdict after the end of capture, longest", max(delays), "s", LATENCY_GOAL_S)
    show("measuring of one blow, longest", max(engine.measure_s), "s")


def server(folder: Path, minutes: float) -> None:
    if missing_programs():
        print(f"\nserver: left out, {', '.join(missing_programs())} not installed")
        return
    # The plan has each key once; the run goes over the keyboard again and again.
    asked = sorted({round(key) for key in np.linspace(24, 100, KEYS_A_ROUND)})
    rounds = max(1, round(minutes * 60.0 / EVERY_S / len(asked)))
    keys = asked * rounds
    path = make_run(folder, keys, "long.wav")
    played, _ = soundfile.read(path, dtype="float32")
    with SoundServer(folder / "server") as running:
        child = subprocess.Popen(
            [
                sys.executable, str(CHILDREN / "server_child.py"), str(folder / "runs"),
                ",".join(map(str, asked)), str(HOLD_S), str(played.size / RATE + 30.0),
                str(rounds),
            ],
            env=running.environment,
            stdout=subprocess.PIPE,
            text=True,
        )  # fmt: skip
        said = []
        player = None
        assert child.stdout is not None
        for line in child.stdout:
            said.append(json.loads(line))
            if said[-1]["event"] == "ready":
                player = running.play(path)
        child.wait()
        if player is not None:
            player.wait()
    closed = said[-1]
    blows = [words for words in said if words["event"] == "blow"]
    recorded = np.concatenate(
        [soundfile.read(part, dtype="float32")[0] for part in closed["parts"]]
    )
    at = int(np.argmax(np.abs(played) > 0.1 * np.max(np.abs(played))))
    near = np.lib.stride_tricks.sliding_window_view(recorded[: at + 10 * RATE], 64)
    first = int(np.argmin(np.abs(near - played[at : at + 64]).max(axis=1))) - at
    stop = min(played.size, recorded.size - first)
    start = int(0.1 * RATE)
    wrong = np.abs(recorded[first + start : first + stop] - played[start:stop]) > 1e-6
    delays = [words["latency_s"] for words in blows if words["latency_s"] is not None]
    print(
        f"\nsound server: {(stop - start) / RATE / 60:.1f} min compared, {len(keys)} blows played"
    )
    show("blows judged good", sum(w["reason"] == "good" for w in blows), "blows")
    show("samples that differ from those played", float(np.count_nonzero(wrong)), "", 0.0)
    show("overruns", float(closed["overruns"]), "", 0.0)
    show("processor time", closed["cpu_share"], "of a core", CPU_GOAL)
    show("verdict after the end of capture, median", float(np.median(delays)), "s")
    show(
        "verdict after the end of capture, 99 of 100", float(np.quantile(delays, 0.99)), "s",
        LATENCY_GOAL_S,
    )  # fmt: skip
    show("verdict after the end of capture, longest", max(delays), "s")


def kills(folder: Path, count: int) -> None:
    keys = [48, 55, 60]
    path = make_run(folder, keys, "short.wav")
    played, _ = soundfile.read(path, dtype="float32")
    rng = np.random.default_rng()
    lost, differing, nothing = [], 0, 0
    for number in range(count):
        parent = folder / f"killed-{number}"
        child = subprocess.Popen(
            [
                sys.executable, str(CHILDREN / "recording_child.py"), str(path), str(parent),
                ",".join(map(str, keys)),
            ],
            stdout=subprocess.PIPE,
            text=True,
        )  # fmt: skip
        assert child.stdout is not None
        began_s = float(child.stdout.readline().split()[1])
        time.sleep(max(0.0, began_s + float(rng.uniform(0.02, 9.0)) - time.monotonic()))
        child.kill()
        played_s = time.monotonic() - began_s
        child.wait()
        found = find_unfinished(parent)
        if not found:
            nothing += 1
            lost.append(played_s)
            continue
        sound = np.concatenate(
            [soundfile.read(part, dtype="float32")[0] for part, _ in found[0].parts]
        )
        differing += not np.array_equal(sound, played[: sound.size])
        lost.append(min(played_s, played.size / RATE) - sound.size / RATE)
    print(f"\n{count} kills at random moments, {nothing} before anything was written")
    show("recordings that differ from what was played", float(differing), "", 0.0)
    show("sound lost, median", float(np.median(lost)), "s")
    show("sound lost, most", max(lost), "s", LOSS_GOAL_S)


class Loop:
    """A source that gives the same sound again and again, as fast as it is taken."""

    name, sample_rate_hz, channels, channel = "loop", RATE, 1, 0
    is_live = False

    def __init__(self, samples: np.ndarray, times: int) -> None:
        self.samples = samples[:, None]
        self.times = times
        self.has_ended = False
        self._thread: threading.Thread | None = None

    @property
    def is_alive(self) -> bool:
        return True

    def start(self, ring: SampleRing) -> None:
        self._thread = threading.Thread(target=self._play, args=(ring,), daemon=True)
        self._thread.start()

    def stop(self) -> None:
        assert self._thread is not None
        self._thread.join()

    def _play(self, ring: SampleRing) -> None:
        for _ in range(self.times):
            for first in range(0, len(self.samples), 512):
                while ring.behind > ring.capacity // 2:
                    time.sleep(0.002)
                ring.push(self.samples[first : first + 512])
        self.has_ended = True


def memory(folder: Path, hours: float) -> None:
    keys = list(range(30, 96, 6))
    samples, _ = soundfile.read(make_run(folder, keys, "loop.wav"), dtype="float32")
    samples = samples[: int((1.0 + EVERY_S * len(keys)) * RATE)]
    times = max(1, round(hours * 3600.0 * RATE / samples.size))
    plan = RunPlan(notes=tuple(keys), hold_s=HOLD_S, touches=(Touch.ANY,) * times, rounds="whole")
    source = Loop(samples, times)
    engine = CaptureEngine(
        source, _folder(folder / "memory", plan), KeyPlan(plan), LiveMeasure(), checks_room=False
    )
    print(f"\nmemory over {times * samples.size / RATE / 3600:.2f} h", flush=True)
    engine.start()
    seen: list[tuple[float, float]] = []
    counts: dict[Reason, int] = {}
    worked_s = time.process_time()
    while not engine.wait_until_ended(2.0):
        for event in engine.poll():
            if isinstance(event, BlowJudged):
                counts[event.blow.reason] = counts.get(event.blow.reason, 0) + 1
        seen.append((engine.snapshot().at_s, _resident_mib()))
    worked_s = time.process_time() - worked_s
    closed = engine.close()
    at_s, mib = (np.array(column) for column in zip(*seen, strict=True))
    settled = (
        float(np.median(mib[(at_s > 600.0) & (at_s < 1200.0)])) if at_s[-1] > 1200 else mib[0]
    )
    for share in (0.1, 0.25, 0.5, 0.75, 1.0):
        at = int(np.argmin(np.abs(at_s - share * at_s[-1])))
        show(f"resident after {at_s[at] / 3600:.2f} h", float(mib[at]), "MiB")
    show("growth from 10 min on", float(mib[-1] - settled), "MiB", GROWTH_GOAL_MIB)
    show("processor time", worked_s / (closed.frames / RATE), "of a core")
    print("verdicts: " + ", ".join(f"{count} {reason.value}" for reason, count in counts.items()))


def _folder(parent: Path, plan: RunPlan) -> RunFolder:
    return RunFolder.create(parent, plan=plan, facts={}, sample_rate_hz=RATE, channels=1)


def _resident_mib() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / (1 << 20)


if __name__ == "__main__":
    main()

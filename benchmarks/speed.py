"""How fast is an analysis, and what does it need?

Run it from the root of the repository::

    python benchmarks/speed.py [--folder DIR] [--parts ...] [--json OUT] [--markdown OUT]
    python benchmarks/speed.py --profile        # where the time goes

It makes a run of 88 notes with three blows each, some 25 minutes at 48 kHz, once, and keeps it in
the folder. Processor time stands beside the time on the clock: on a machine that others use too,
only the former says much.
"""

from __future__ import annotations

import argparse
import cProfile
import io
import json
import os
import pstats
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import scipy.fft
from processes import Cost, run_watched
from report import Report

from toneapp._typing import Float32Array, FloatArray
from toneapp.analysis import analyse
from toneapp.analysis.labels import NamedStrike
from toneapp.analysis.scan import NoiseSpectrum, scan_chunk
from toneapp.analysis.strike import StrikeTask, measure_strike
from toneapp.audio import open_sound, write_sound
from toneapp.keyboard import KeyboardLayout
from toneapp.one_thread import one_thread
from toneapp.pitch import hz_to_midi
from toneapp.simulate import Room, chromatic_plan, make_piano, prepare

DRAW = 7
HOLD_S = 5.05
FRAME = 8192
LIBRARY_STRIKES = 6
PART_OF_RUN = (0.125, 0.25, 0.5, 1.0)
WHOLE_GOAL_S = 10.0
SAME_STRIKE_S = 0.08


def full_run(folder: Path) -> tuple[Path, list[dict[str, float]]]:
    """Make the run, or find the one made before; with onset, key and pitch of every strike."""
    path, truth = folder / "full-run.flac", folder / "full-run.json"
    if not (path.exists() and truth.exists()):
        folder.mkdir(parents=True, exist_ok=True)
        rng = np.random.default_rng(DRAW)
        piano = make_piano(rng, kind="grand")
        blows = chromatic_plan(
            piano.compass, rng=rng, dynamics=("soft", "medium", "firm"), hold_s=HOLD_S
        )
        run = prepare(piano, blows, Room(t60_s=0.4, snr_db=50.0), rng=rng)
        write_sound(path, run.blocks(), sample_rate_hz=run.sample_rate_hz)
        strikes = [
            {"midi": s.midi, "onset_s": s.onset_s, "f1_hz": s.f1_hz} for s in run.truth.strikes
        ]
        truth.write_text(json.dumps(strikes))
    return path, json.loads(truth.read_text())


def report_whole(report: Report, path: Path, strikes: Sequence[dict[str, float]]) -> None:
    """A whole run with one and two processes, against decoding and transforming it."""
    report.section("A whole run")
    decode = _child("decode", path)
    transform = _child("transform", path)
    # The second does both, the start of the interpreter included in each.
    idle = _child("nothing", path)
    report.add("decoding it", decode.cpu_s - idle.cpu_s, "s cpu", note=_wall(decode))
    report.add("decoding it and one pass of FFTs over it", transform.cpu_s - idle.cpu_s, "s cpu",
               note=_wall(transform))  # fmt: skip
    floor = transform.cpu_s - idle.cpu_s
    for jobs in (1, 2):
        cost = _child("analyse", path, jobs)
        found = json.loads(cost.output)
        right = sum(
            any(midi == t["midi"] and abs(at - t["onset_s"]) < SAME_STRIKE_S for at, midi in found)
            for t in strikes
        )
        word = "process" if jobs == 1 else "processes"
        report.add(f"analysed with {jobs} {word}", cost.wall_s, "s",
                   goal=f"< {WHOLE_GOAL_S:.0f}" if jobs == 2 else "",
                   note=f"{len(found)} strikes, {right} of {len(strikes)} right")  # fmt: skip
        report.add("  processor time", cost.cpu_s, "s cpu")
        report.add("  on the clock, over decoding and FFTs", cost.wall_s / floor, "x",
                   goal="< 4" if jobs == 2 else "")  # fmt: skip
        report.add("  peak memory of all processes", cost.peak_mib, "MiB", goal="< 400",
                   note=f"resident {cost.peak_resident_mib or 0:.0f} MiB")  # fmt: skip


def _child(what: str, path: Path, jobs: int = 1) -> Cost:
    """Do one thing in a fresh interpreter."""
    return run_watched([sys.executable, __file__, "--child", what, str(path), str(jobs)])


def _wall(cost: Cost) -> str:
    return f"{cost.wall_s:.2f} s on the clock with the interpreter's start"


def child(what: str, path: Path, jobs: int) -> None:
    """Run in the fresh interpreter."""
    if what == "analyse":
        result = analyse(path, layout=KeyboardLayout(), jobs=jobs)
        print(json.dumps([[strike.onset_s, strike.midi] for strike in result.strikes]))
    elif what == "decode":
        for _ in _blocks(path):
            pass
    elif what == "transform":
        window = np.hanning(FRAME).astype(np.float32)
        for block in _blocks(path):
            # Frames that overlap by half, as any spectrogram needs at the least.
            frames = np.lib.stride_tricks.sliding_window_view(block, FRAME)[:: FRAME // 2]
            spectrum = scipy.fft.rfft(frames * window, axis=1)
            _ = spectrum.real**2 + spectrum.imag**2


def _blocks(path: Path) -> Iterator[Float32Array]:
    with open_sound(path) as sound:
        step = 40 * sound.sample_rate_hz
        for start in range(0, sound.frames, step):
            yield sound.read(start, min(start + step, sound.frames))


def report_strike(report: Report, path: Path, strikes: Sequence[dict[str, float]]) -> None:
    """Every measure of one strike, as the recording page asks for it."""
    report.section("One strike, all measures")
    tasks, noise, rate = _strike_tasks(path, strikes[1::9])
    del noise
    wall, cpu, lengths = [], [], []
    with one_thread():  # as the program does
        for task, samples, first_s in tasks[:2]:  # what is set up once, is
            measure_strike(samples, sample_rate_hz=rate, first_s=first_s, task=task)
        for task, samples, first_s in tasks:
            began, busy = time.perf_counter(), time.process_time()
            measure_strike(samples, sample_rate_hz=rate, first_s=first_s, task=task)
            wall.append(1e3 * (time.perf_counter() - began))
            cpu.append(1e3 * (time.process_time() - busy))
            lengths.append(samples.size / rate)
    length = f"{np.median(lengths):.1f} s of sound each"
    report.add("median", float(np.median(wall)), "ms", goal="< 60", count=len(wall), note=length)
    report.add("median processor time", float(np.median(cpu)), "ms cpu")
    report.add("95 % point", float(np.quantile(wall, 0.95)), "ms")
    report.add("slowest", max(wall), "ms")


def _strike_tasks(
    path: Path, chosen: Sequence[dict[str, float]]
) -> tuple[list[tuple[StrikeTask, FloatArray, float]], NoiseSpectrum, int]:
    """Cut some strikes out of the run."""
    with open_sound(path) as sound:
        rate = sound.sample_rate_hz
        noise = scan_chunk(
            sound.read(0, 40 * rate), sample_rate_hz=rate, first_s=0.0, chunk=(0.0, 40.0)
        ).noise
        tasks = []
        for strike in chosen:
            onset_s = strike["onset_s"]
            first = int((onset_s - 0.25) * rate)
            stop = int((onset_s + HOLD_S + 0.4) * rate)
            task = StrikeTask(
                strike=NamedStrike(
                    onset_s=onset_s, midi=int(strike["midi"]), pitch=hz_to_midi(strike["f1_hz"])
                ),
                end_s=stop / rate,
                is_cut_short=True,
                noise=noise,
            )
            tasks.append((task, sound.read(first, stop).astype(np.float64), first / rate))
    return tasks, noise, rate


def report_start(report: Report) -> None:
    """How long until a command can begin."""
    report.section("Start")
    commands = [
        ("python alone", ["-c", "pass"]),
        ("import toneapp.analysis", ["-c", "import toneapp.analysis"]),
        ("toneapp --help", ["-m", "toneapp", "--help"]),
        ("toneapp analyse --help", ["-m", "toneapp", "analyse", "--help"]),
    ]
    for name, words in commands:
        costs = [run_watched([sys.executable, *words], watch_memory=False) for _ in range(5)]
        best = min(costs, key=lambda cost: cost.wall_s)
        report.add(name, best.wall_s, "s", count=len(costs),
                   note=f"{min(c.cpu_s for c in costs):.2f} s cpu")  # fmt: skip


def report_growth(report: Report, path: Path, strikes: Sequence[dict[str, float]]) -> None:
    """Cost of the first part of the run, for growing parts."""
    report.section("Cost against the number of strikes, one process")
    counts, costs = [], []
    with tempfile.TemporaryDirectory() as folder:
        for share in PART_OF_RUN:
            # Evenly over the keyboard, so that bass and treble are mixed as in the whole.
            step = round(1.0 / share)
            part = Path(folder) / f"part-{step}.flac"
            chosen = [s for i, s in enumerate(strikes) if i // 3 % step == 0]
            write_sound(part, _cut(path, chosen), sample_rate_hz=48000)
            cost = _child("analyse", part)
            counts.append(len(json.loads(cost.output)))
            costs.append(cost.cpu_s)
            report.add(f"{counts[-1]} strikes", 1e3 * cost.cpu_s / counts[-1], "ms cpu",
                       note=f"each, of {cost.cpu_s:.2f} s; peak {cost.peak_mib or 0:.0f} MiB"
                       )  # fmt: skip
    slope, start = np.polyfit(counts, costs, 1)
    power = float(
        np.polyfit(np.log(counts[1:]), np.log(np.array(costs[1:]) - min(start, 0.5)), 1)[0]
    )
    report.add("each further strike", 1e3 * float(slope), "ms cpu", note=f"start {start:.2f} s")
    report.add("grows with the number of strikes to the power", power, "", goal="< 1.15")


def _cut(path: Path, chosen: Sequence[dict[str, float]]) -> Iterator[Float32Array]:
    with open_sound(path) as sound:
        rate = sound.sample_rate_hz
        yield sound.read(0, int(0.6 * rate))
        for strike in chosen:
            first = int((strike["onset_s"] - 0.3) * rate)
            yield sound.read(first, first + int((HOLD_S + 0.6) * rate))


def report_library(report: Report, path: Path, strikes: Sequence[dict[str, float]]) -> None:
    """A pipeline of a general library for the same quantities, as far as it has them."""
    report.section("The same with a general library (librosa), on a stretch of the run")
    import librosa

    chosen = strikes[3 :: len(strikes) // LIBRARY_STRIKES][:LIBRARY_STRIKES]
    rate = 48000
    audio = np.concatenate(list(_cut(path, chosen)))
    length_s = audio.size / rate
    with open_sound(path) as sound:
        run_s = sound.duration_s
    steps: list[tuple[str, Callable[[], object]]] = [
        ("onset_strength and onset_detect", lambda: librosa.onset.onset_detect(
            onset_envelope=librosa.onset.onset_strength(y=audio, sr=rate), sr=rate)),
        ("pyin (fundamental)", lambda: librosa.pyin(
            audio, fmin=26.0, fmax=4300.0, sr=rate, frame_length=FRAME, hop_length=FRAME // 4)),
        ("stft and f0_harmonics of 24 partials (levels, decay)", lambda: _harmonics(
            librosa, audio, rate)),
        ("spectral_centroid (brightness)", lambda: librosa.feature.spectral_centroid(
            y=audio, sr=rate, n_fft=FRAME, hop_length=FRAME // 4)),
        ("A-weighted level", lambda: librosa.perceptual_weighting(
            np.abs(librosa.stft(audio, n_fft=FRAME)[1:]) ** 2,
            librosa.fft_frequencies(sr=rate, n_fft=FRAME)[1:])),
    ]  # fmt: skip
    short = audio[: 3 * rate]
    librosa.onset.onset_strength(y=short, sr=rate)  # compiled at the first use
    librosa.pyin(short, fmin=26.0, fmax=4300.0, sr=rate, frame_length=FRAME)
    total = 0.0
    for name, step in steps:
        busy = time.process_time()
        step()
        spent = time.process_time() - busy
        total += spent
        report.add(name, 1e3 * spent / len(chosen), "ms cpu", count=len(chosen), note="a strike")
    with tempfile.TemporaryDirectory() as folder:
        part = Path(folder) / "stretch.flac"
        write_sound(part, audio, sample_rate_hz=rate)
        analyse(part)
        busy = time.process_time()
        result = analyse(part)
        own = time.process_time() - busy
    report.add("library, all of it", total, "s cpu", note=f"{length_s:.0f} s of sound")
    report.add("toneapp on the same stretch, decoding included", own, "s cpu",
               note=f"{len(result.strikes)} strikes")  # fmt: skip
    report.add("library over toneapp", total / own, "x",
               note="without inharmonicity, fits of decay, releases, names or errors")  # fmt: skip
    report.add("library, scaled to the whole run", total * run_s / length_s, "s cpu",
               note="in proportion to the length of sound")  # fmt: skip


def _harmonics(librosa: Any, audio: Float32Array, rate: int) -> object:
    """Levels of partials over time at a known pitch."""
    spectrum = np.abs(librosa.stft(audio, n_fft=FRAME, hop_length=FRAME // 4))
    frequencies = librosa.fft_frequencies(sr=rate, n_fft=FRAME)
    pitch = np.full(spectrum.shape[1], 110.0)
    return librosa.f0_harmonics(spectrum, f0=pitch, freqs=frequencies, harmonics=np.arange(1, 25))


def profile(path: Path, strikes: Sequence[dict[str, float]]) -> None:
    """Print where an eighth of the run spends its time."""
    with tempfile.TemporaryDirectory() as folder:
        part = Path(folder) / "part.flac"
        chosen = [s for i, s in enumerate(strikes) if i // 3 % 8 == 0]
        write_sound(part, _cut(path, chosen), sample_rate_hz=48000)
        watcher = cProfile.Profile()
        watcher.enable()
        analyse(part)
        watcher.disable()
    for order, lines in (("cumulative", 60), ("tottime", 40)):
        text = io.StringIO()
        pstats.Stats(watcher, stream=text).strip_dirs().sort_stats(order).print_stats(lines)
        print(text.getvalue())


def main() -> int:
    """Time everything, or the parts asked for."""
    if len(sys.argv) > 1 and sys.argv[1] == "--child":
        child(sys.argv[2], Path(sys.argv[3]), int(sys.argv[4]))
        return 0
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument(
        "--folder", type=Path, default=Path(tempfile.gettempdir()) / "toneapp-benchmarks"
    )
    parser.add_argument("--parts", default="start,strike,whole,growth,library")
    parser.add_argument("--profile", action="store_true")
    parser.add_argument("--json", metavar="OUT")
    parser.add_argument("--markdown", metavar="OUT")
    options = parser.parse_args()
    path, strikes = full_run(options.folder)
    if options.profile:
        profile(path, strikes)
        return 0
    parts = set(options.parts.split(","))
    report = Report(title="Speed and memory", script="speed.py")
    with open_sound(path) as sound:
        report.facts["run"] = f"{sound.duration_s / 60:.1f} minutes, {len(strikes)} strikes"
    report.facts["processors"] = str(os.cpu_count())
    report.facts["load before"] = " ".join(f"{x:.1f}" for x in os.getloadavg())
    for name, fact in report.facts.items():
        print(f"{name}: {fact}")
    if "start" in parts:
        report_start(report)
    if "strike" in parts:
        report_strike(report, path, strikes)
    if "whole" in parts:
        report_whole(report, path, strikes)
    if "growth" in parts:
        report_growth(report, path, strikes)
    if "library" in parts:
        report_library(report, path, strikes)
    report.write(json_path=options.json, markdown_path=options.markdown)
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""How fast and how safe is the library when it is large?

    python benchmarks/library.py             500 instruments, 2000 runs: open, search, compare
    python benchmarks/library.py --crash     also 200 programs killed at random moments
    python benchmarks/library.py --together  also two programs on one library for 60 s

The runs are invented; their stored results have the size of real ones (88 keys, three blows each,
30 partials a blow). Each figure is the median of several, with its goal beside it.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "library"))

from crash import run_trials
from invented import invent_run, write_noise
from two_programs import run_both

from toneapp.library import Instrument, Library, Run

INSTRUMENTS = 500
RUNS = 2000
WORDS = ("upright", "nach der arbeit 137", "hall 7", "nothing of the kind")


def median_s(act: Callable[[], object], *, times: int = 7) -> float:
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        act()
        taken.append(time.perf_counter() - begun)
    return statistics.median(taken)


def fill(folder: Path) -> None:
    """Make the large library; the sound is short and the same, the results are full."""
    sound = write_noise(folder.parent / "sound.wav", seconds=0.1)
    results = [
        invent_run(np.random.default_rng(n), midis=range(21, 109), strikes=3, partials=30)
        for n in range(6)
    ]
    with Library(folder) as library:
        numbers = [
            library.instruments.add(
                Instrument(name=f"Old upright {n}", maker=f"Maker {n % 40}", place=f"Hall {n % 9}")
            ).id
            for n in range(INSTRUMENTS)
        ]
        for n in range(RUNS):
            run = library.runs.add(
                Run(
                    instrument_id=numbers[n % INSTRUMENTS],
                    condition=f"nach der Arbeit {n}",
                    place=f"Hall {n % 9}",
                ),
                sound,
            )
            take = library.runs.takes(run.id)[0]
            if n < len(results):
                library.measuring.put_result(take.id, results[n])
            else:
                repeat_result(library, take.id, n % len(results) + 1)


def repeat_result(library: Library, take_id: int, of_take_id: int) -> None:
    """Give a take the result of another one, without packing it anew."""
    with library._database.writing("repeat a result", can_undo=False) as writer:
        names = "measures_version, made_at, settings, content, strikes, notes, raised"
        writer.connection.execute(
            f"INSERT INTO result (take_id, {names}) SELECT ?, {names} FROM result"
            " WHERE take_id = ?",
            (take_id, of_take_id),
        )


def show(what: str, value: float, goal: float | None, unit: str = "s") -> None:
    beside = "" if goal is None else f"   goal: under {goal:g} {unit}"
    print(f"{what:<52}{value:>9.3f} {unit}{beside}")


def measure(folder: Path) -> None:
    def open_and_close() -> None:
        Library(folder, can_create=False).close()

    size_mb = (folder / "library.sqlite").stat().st_size / 1e6
    print(f"{INSTRUMENTS} instruments, {RUNS} runs, data base of {size_mb:.0f} MB")
    show("open, with the check of every opening", median_s(open_and_close), 1.0)
    with Library(folder, can_create=False) as library:
        slowest = max(median_s(lambda w=w: library.search(w)) for w in WORDS)
        show("search, slowest of four", 1e3 * slowest, 50.0, "ms")
        show("list of all instruments", median_s(library.instruments.all), None)
        runs = library.runs.all()
        show("list of all runs", median_s(library.runs.all), None)
        numbers = [run.id for run in runs]
        show("figures of all runs", median_s(lambda: library.measuring.figures(numbers)), None)
        six = numbers[:6]
        show(
            "comparison of 6 runs",
            median_s(lambda: library.compare_instruments(six), times=5),
            1.0,
        )
        own = [run.id for run in library.runs.all(runs[0].instrument_id)][:2]
        show(
            "before and after",
            median_s(lambda: library.compare_before_after(*own), times=3),
            None,
        )
        show("worklist", median_s(lambda: library.worklist(six[0]), times=3), None)
        show("thorough check", median_s(library.check, times=1), None)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--crash", action="store_true")
    parser.add_argument("--together", action="store_true")
    words = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "large" / "library"
        folder.mkdir(parents=True)
        begun = time.perf_counter()
        fill(folder)
        show("fill the library", time.perf_counter() - begun, None)
        measure(folder)
        if words.crash:
            print(
                "killed at random moments:",
                json.dumps(run_trials(Path(place) / "c", 200, start=1)),
            )
        if words.together:
            print("two programs:", json.dumps(run_both(Path(place) / "t" / "library", 60.0)))


if __name__ == "__main__":
    main()

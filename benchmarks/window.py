"""How quickly does the window open, show a run, and change pages, and does it keep its memory?

    python benchmarks/window.py [--library DIR]

The library has 50 instruments with two runs each; results are invented, as large as those of 88
keys with three blows each and 30 partials a blow. Every start is a fresh process; from its start
until the list of instruments was painted counts. Each figure is the median of several, with its
goal beside it. Without a screen (`QT_QPA_PLATFORM=offscreen`), unless that is set otherwise.
"""

from __future__ import annotations

import argparse
import gc
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "library"))

INSTRUMENTS = 50
STARTS = 5
OPENINGS = 8
PAGE_CHANGES = 200
LONGEST_S = 60.0
BEGUN = "TONEAPP_BENCHMARK_BEGUN"

GOALS = {"window on screen": 1.5, "run of 264 strikes open": 0.3}
STEADY_MB = 10.0
"""Growth over the page changes that still counts as steady: caches of fonts and pictures."""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--library", type=Path, help="take this library instead")
    parser.add_argument("--one-start", action="store_true", help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.one_start:
        return one_start(arguments.library)
    with tempfile.TemporaryDirectory() as scratch:
        library = arguments.library or fill(Path(scratch) / "library")
        starts = [start_s(library) for _ in range(STARTS)]
        report("window on screen", statistics.median(starts), f"first {starts[0]:.2f} s")
        openings, growth_mb = inside(library)
        report(
            "run of 264 strikes open",
            statistics.median(openings),
            f"slowest {max(openings):.3f} s",
        )
        mark = "" if growth_mb <= STEADY_MB else "  MISSED"
        print(f"{'memory over 200 page changes':<34}{growth_mb:+7.1f} MB   steady{mark}")
    return 0


def report(name: str, taken_s: float, more: str) -> None:
    mark = "" if taken_s <= GOALS[name] else "  MISSED"
    print(f"{name:<34}{taken_s:7.3f} s   goal {GOALS[name]:.1f} s   ({more}){mark}")


def fill(folder: Path) -> Path:
    import numpy as np
    from invented import invent_run, write_noise

    from toneapp.library import Instrument, Library, Run

    sound = write_noise(folder.parent / "sound.wav", seconds=0.1)
    results = [
        invent_run(np.random.default_rng(n), midis=range(21, 109), strikes=3, partials=30)
        for n in range(2)
    ]
    with Library(folder) as library:
        for number in range(INSTRUMENTS):
            item = library.instruments.add(
                Instrument(name=f"Upright {number}", maker=f"Maker {number % 7}", place="Hall")
            )
            template = next(iter(library.templates().values()))
            library.worksheets.begin(item.id, template)
            for result, condition in zip(results, ("before", "after"), strict=True):
                run = library.runs.add(Run(instrument_id=item.id, condition=condition), sound)
                library.measuring.put_result(library.runs.takes(run.id)[0].id, result)
    return folder


def start_s(library: Path) -> float:
    """Time of one start in a fresh process."""
    environment = dict(os.environ, **{BEGUN: repr(time.time())})
    done = subprocess.run(
        [sys.executable, __file__, "--one-start", "--library", str(library)],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return float(done.stdout.split()[-1])


def one_start(library: Path) -> int:
    """Open the window as the program does, and say when the list was painted."""
    from PySide6.QtWidgets import QApplication

    from toneapp.desktop.app import WindowApp
    from toneapp.desktop.settings import Settings

    application = QApplication([])
    with tempfile.TemporaryDirectory() as scratch:
        program = WindowApp(
            application, settings=Settings(store_in(scratch)), library_folder=library
        )
        window = program.open_window()
        page = window.page_of("instruments")
        wait_until(application, lambda: len(page.rows()) > 0)
        page.list.viewport().repaint()
        print(f"{time.time() - float(os.environ[BEGUN]):.4f}")
        window.close()
    return 0


def inside(library: Path) -> tuple[list[float], float]:
    """Times to open runs on the evenness page, and growth of memory over many page changes."""
    from PySide6.QtWidgets import QApplication

    from toneapp.desktop.app import WindowApp
    from toneapp.desktop.settings import Settings

    application = QApplication([])
    with tempfile.TemporaryDirectory() as scratch:
        program = WindowApp(
            application, settings=Settings(store_in(scratch)), library_folder=library
        )
        window = program.open_window()
        window.resize(1280, 800)
        model = window.model
        wait_until(application, lambda: model.library is not None)
        runs = model.read(lambda lib: lib.runs.all(), ())
        window.show_page("evenness")
        taken = []
        for run in runs[: OPENINGS + 1]:
            begun = time.perf_counter()
            model.choose_run(run.id)
            wait_until(application, lambda: model.run is not None and model.worklist is not None)
            window.page.refresh_now()
            window.repaint()
            taken.append(time.perf_counter() - begun)
        names = window.page_names
        sizes = []
        for change in range(PAGE_CHANGES + 4 * len(names)):
            window.show_page(names[change % len(names)])
            model.choose_note(40 + change % 40)
            wait_until(application, lambda: model.tasks.is_idle)
            application.processEvents()
            if change == 4 * len(names) - 1:
                sizes.append(resident_mb())
        sizes.append(resident_mb())
        window.close()
    return taken[1:], sizes[1] - sizes[0]  # the first opening imports what all need


def resident_mb() -> float:
    """Memory of this process that is not shared with others' files, in MB."""
    gc.collect()
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("RssAnon:"):
            return float(line.split()[1]) / 1024.0
    raise RuntimeError("this system does not tell the memory of a process in /proc")


def store_in(folder: str):  # type: ignore[no-untyped-def]  # QSettings, imported late
    from PySide6.QtCore import QSettings

    return QSettings(str(Path(folder) / "settings.ini"), QSettings.Format.IniFormat)


def wait_until(application, is_so: Callable[[], bool]) -> None:  # type: ignore[no-untyped-def]
    end = time.monotonic() + LONGEST_S
    while not is_so():
        if time.monotonic() > end:
            raise TimeoutError("the window does not come to rest")
        application.processEvents()
        time.sleep(0.001)


if __name__ == "__main__":
    sys.exit(main())

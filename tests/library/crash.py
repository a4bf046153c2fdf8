"""Does the library survive when its program is killed at any moment?

Each trial starts a process that works on a library, kills it (SIGKILL) after a random time, opens
the library again and looks: it must open, pass its thorough check, and hold every run that was
reported finished, with its result. To be run by itself for many trials::

    python tests/library/crash.py FOLDER 200

Prints one JSON object. Needs a system with fork.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from invented import Measures, invent_run, write_noise

from toneapp.library import Instrument, Library, Run
from toneapp.library.database import DATABASE_NAME

STORED = Path(__file__).parent / "stored" / "library-schema-1.sqlite"
LONGEST_S = 0.25
KINDS = ("import", "measure", "delete", "migrate", "archive")


def work(kind: str, folder: Path, log: Path) -> None:
    """Work without end; each finished step is written to the log before the next."""
    sound = folder.parent / "sound.wav"
    lines = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def tell(word: str, run_id: int) -> None:
        os.write(lines, f"{word} {run_id}\n".encode())

    measures = Measures(invent_run(np.random.default_rng(2), midis=range(60, 68), strikes=2))
    if kind == "migrate":
        while True:
            Library(folder, can_create=False).close()
            for path in (*folder.glob("library.sqlite*"),):
                path.unlink()
            shutil.copyfile(STORED, folder / "incoming")
            (folder / "incoming").rename(folder / DATABASE_NAME)
    library = Library(folder)
    instrument = library.instruments.all()[0]
    if kind == "archive":
        while True:
            for number in library.import_archive(
                folder.parent / "one.zip", on_duplicate="keep-both"
            ):
                for run in library.runs.all(number):
                    tell("finished", run.id)
    while True:
        if kind == "measure":
            for run in library.runs.all(instrument.id):
                library.measuring.measure(run.id, measures)
            continue
        run = library.runs.add(Run(instrument_id=instrument.id), sound)
        library.measuring.measure(run.id, measures)
        tell("finished", run.id)
        if kind == "delete":
            tell("removing", run.id)
            library.runs.remove(library.runs.get(run.id))
            library.bin.empty()


def trial(kind: str, folder: Path, rng: np.random.Generator) -> dict[str, Any]:
    """Kill one process at one moment, and look at what it has left."""
    log = folder.parent / "log.txt"
    log.unlink(missing_ok=True)
    write_noise(folder.parent / "sound.wav", key=int(rng.integers(1 << 30)), seconds=0.5)
    child = os.fork()
    if child == 0:
        try:
            work(kind, folder, log)
        except BaseException as exc:  # noqa: BLE001 -- told to the parent by the exit code
            print(f"{kind}: {type(exc).__name__}: {exc}", file=sys.stderr, flush=True)
        finally:
            os._exit(3)
    time.sleep(float(rng.uniform(0.0, LONGEST_S)))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), f"the work itself failed: {kind}"
    if kind == "migrate" and not (folder / DATABASE_NAME).exists():
        # Killed while the test itself exchanged the file; nothing to look at.
        shutil.copyfile(STORED, folder / DATABASE_NAME)
        return {"finished": 0, "leftovers": 0}
    return look(kind, folder, log)


def look(kind: str, folder: Path, log: Path) -> dict[str, Any]:
    with Library(folder, can_create=False) as library:
        faults = library.check()
        if kind == "migrate":
            faults = tuple(text for text in faults if "is missing" not in text)  # it has no sound
            assert [i.name for i in library.instruments.all()] == ["Flügel", "Old upright"]
            assert [hit.id for hit in library.search("flugel")] == [1]
        assert faults == (), faults
        finished, removing = set(), set()
        for line in log.read_text().splitlines() if log.exists() else []:
            word, number = line.split()
            (finished if word == "finished" else removing).add(int(number))
        present = {run.id for run in library.runs.all()}
        assert finished - removing <= present, (finished, removing, present)
        for run_id in finished - removing:
            assert library.measuring.result(run_id) is not None
        for instrument in library.instruments.all() if kind != "migrate" else ():
            for run in library.runs.all(instrument.id):
                library.measuring.result(run.id)
        left = library.leftovers(older_than_s=0.0)
        library.remove_leftovers(left)
        library._store.remove_stale(older_than_s=0.0)
        return {"finished": len(finished), "leftovers": len(left)}


def run_trials(folder: Path, trials: int, *, start: int) -> dict[str, Any]:
    """Carry out trials of all kinds in turn; raises at the first that fails."""
    rng = np.random.default_rng(start)
    seen: Counter[str] = Counter()
    begun = time.perf_counter()
    for number in range(trials):
        kind = KINDS[number % len(KINDS)]
        place = folder / kind
        if not place.exists():
            prepare(kind, place)
        for name, count in trial(kind, place / "library", rng).items():
            seen[name] += count
        seen[kind] += 1
    return {"trials": trials, "seconds": round(time.perf_counter() - begun, 1), **seen}


def prepare(kind: str, place: Path) -> None:
    place.mkdir(parents=True)
    folder = place / "library"
    if kind == "migrate":
        folder.mkdir()
        shutil.copyfile(STORED, folder / DATABASE_NAME)
        return
    with Library(folder) as library:
        instrument = library.instruments.add(Instrument(name="Old upright"))
        measures = Measures(invent_run(np.random.default_rng(2), midis=range(60, 68), strikes=2))
        for key in range(2):
            run = library.runs.add(
                Run(instrument_id=instrument.id), write_noise(place / "sound.wav", key=key)
            )
            library.measuring.measure(run.id, measures)
        if kind == "archive":
            library.export_archive(place / "one.zip")


if __name__ == "__main__":
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    print(json.dumps(run_trials(Path(sys.argv[1]), int(sys.argv[2]), start=first)))
